"""Which connector each termination of a run takes: it follows the place of the termination, not those on the way.

A cable goes by the worst place along the run, a fitting by the place where it is. A jacketed cable that is rated for
wet places and passes through one takes an ordinary fitting where it ends dry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from route3d.model.cable import Cable
from route3d.model.support import Attachment
from route3d.model.zone import ZoneStretch
from route3d.rules.protection import of_family
from route3d.rules.rulebook import RuleBook
from route3d.units import TOLERANCE_M

_WORST_FIRST = ("wet", "damp")
_GOOD_PRACTICE = frozenset({"mc-interlocked", "mc-corrugated", "mc-smooth"})


@dataclass(frozen=True, slots=True)
class Connector:
    """The connector at one terminated end of a run."""

    at_m: float
    at_end: bool
    termination: str  # one of run.ENDS
    element_id: str | None
    location: str  # dry, damp, wet
    zone: str | None  # the damp or wet zone that it is in
    fitting: str  # dry, wet: what it must be made for
    bushing: str  # required, practice, none
    over_jacket: bool  # it is made for jacketed cable, or the jacket is stripped back


def connectors_of(
    cable: Cable, attachment: Attachment, zones: Sequence[ZoneStretch], length_m: float, book: RuleBook
) -> tuple[Connector, ...]:
    """Return the connectors of one run, none at an open end; ``zones`` are where it is inside which."""
    found = []
    for at_m, at_end, termination in ((0.0, False, attachment.start), (length_m, True, attachment.end)):
        if termination.kind == "open":
            continue
        here = [s.zone for s in zones if s.from_m - TOLERANCE_M <= at_m <= s.to_m + TOLERANCE_M]
        zone = next((z for kind in _WORST_FIRST for z in here if z.kind == kind), None)
        location = "dry" if zone is None else zone.kind
        if of_family(book, "end-bushing", cable.method) is not None:
            bushing = "required"
        else:
            bushing = "practice" if cable.method in _GOOD_PRACTICE else "none"
        found.append(
            Connector(
                at_m=at_m,
                at_end=at_end,
                termination=termination.kind,
                element_id=termination.element_id,
                location=location,
                zone=None if zone is None else zone.name,
                fitting="wet" if location == "wet" else "dry",
                bushing=bushing,
                over_jacket=cable.jacketed,
            )
        )
    return tuple(found)
