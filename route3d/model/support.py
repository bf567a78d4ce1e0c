"""What holds a run, and where."""

from __future__ import annotations

from dataclasses import dataclass

KINDS = ("box", "fitting", "strap", "hanger", "framing")


@dataclass(frozen=True, slots=True)
class Support:
    """One place where a run is held."""

    at_m: float
    kind: str  # one of KINDS
    secures: bool  # fastened, so that the cable cannot move; False: its weight is held, no more
    source: str  # element id or project key that it comes from


@dataclass(frozen=True, slots=True)
class Termination:
    """What one end of a run goes to."""

    kind: str  # one of run.ENDS
    element_id: str | None  # the box, luminaire … found near the drawn end; None where the project file says it


@dataclass(frozen=True, slots=True)
class Attachment:
    """All that holds one run: its two ends, and its supports sorted by distance (both fittings included)."""

    start: Termination
    end: Termination
    supports: tuple[Support, ...]
