"""What people decided about a finding, and what became of it from one check to the next."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from route3d.model.finding import Finding

# What can be decided. Accepting, and passing on, need a reason and a name.
DECISIONS = ("open", "to-mend", "accepted", "not-ours")
NEEDS_REASON = frozenset({"accepted", "not-ours"})

# What the check itself says: found; no longer found; no longer found, but its run could not be judged in full; its
# check was not asked for; its run is gone.
PRESENCE = ("found", "mended", "not-judged", "not-looked-for", "run-gone")

EVENTS = ("first-found", "mended", "not-judged", "run-gone", "found-again", "asked-again", "moved", "renamed")


@dataclass(frozen=True, slots=True)
class Decision:
    """One entry of the history of a matter: who decided what, when and why. None is ever changed or deleted."""

    at: str  # UTC, ISO 8601
    by: str
    decided: str  # one of DECISIONS
    note: str
    owner: str
    due: str  # a date, or ""


@dataclass(frozen=True, slots=True)
class Event:
    """What a check said about a matter, when it changed."""

    at: str
    kind: str  # one of EVENTS
    why: str


@dataclass(frozen=True, slots=True)
class Matter:
    """One finding through all revisions: as it was found last, what was decided, and where it stands."""

    number: int  # its own, for good
    finding: Finding  # as found last; its id is that of the revision that found it last
    decided: str  # one of DECISIONS; what holds today
    presence: str  # one of PRESENCE
    since: str  # when it was first found
    mended: str | None  # when a check no longer found it
    note: str
    owner: str
    due: str
    by: str
    ambiguous: bool  # its last match could have been another one
    topic: str = ""  # the id by which others know it, for good

    @property
    def is_settled(self) -> bool:
        """Nobody has to act on it: mended, or found and accepted, or not ours."""
        return self.presence == "mended" or (self.presence == "found" and self.decided in NEEDS_REASON)


def by_finding(matters: Iterable[Matter]) -> dict[str, Matter]:
    """Return the matters that the last check found, by the ids that their findings have now.

    Ids count along a run, so that one that is mended may leave its id to its neighbour: only what is there has one.
    """
    return {matter.finding.finding_id: matter for matter in matters if matter.presence == "found"}


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """One recorded check in the trend: what it counted, and what it changed."""

    number: int
    made: str
    rules: str
    counts: Mapping[str, int]  # findings by severity, and runs by verdict ("runs pass" …)
    unread: int
    fresh: int = 0  # found for the first time
    mended: int = 0
    lost: int = 0  # no longer found, but not shown to be mended
    returned: int = 0  # were mended, and found again


@dataclass(frozen=True, slots=True)
class Kept:
    """All that is kept on a project: nothing, where no decision was ever made."""

    matters: tuple[Matter, ...] = ()
    decisions: Mapping[int, tuple[Decision, ...]] = field(default_factory=dict)  # by number of the matter, oldest first
    events: Mapping[int, tuple[Event, ...]] = field(default_factory=dict)  # likewise
    trend: tuple[Checkpoint, ...] = ()
