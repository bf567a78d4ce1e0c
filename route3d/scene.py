"""What every check looks at: the job, its fitted runs, and what was measured once for all of them."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar, cast

from route3d.model.company import Approach, Section
from route3d.model.facts import Facts, facts_of
from route3d.model.finding import Finding, JudgedBend
from route3d.model.gap import Gaps
from route3d.model.job import Job
from route3d.model.opening import DrawnOpening
from route3d.model.run import FittedRun
from route3d.model.span import Span
from route3d.model.support import Attachment
from route3d.model.zone import ZoneStretch
from route3d.rules.bend import BendRequirement
from route3d.rules.held import HeldRun
from route3d.rules.rulebook import RuleBook
from route3d.rules.securing import Holding

T = TypeVar("T")


class Derived:
    """What checks derive from the building, once for all the times that runs are checked in it."""

    def __init__(self) -> None:
        self._made: dict[Callable[[Job], object], tuple[frozenset[str] | None, object]] = {}

    def __reduce__(self) -> tuple[type[Derived], tuple[()]]:
        """Send nothing elsewhere: it is derived again there."""
        return Derived, ()

    def get(self, make: Callable[[Job], T], job: Job, roles: Collection[str] | None) -> T:
        """Return what ``make`` derives from a job without its runs; ``roles``: of elements that it reads, None: any."""
        if make not in self._made:
            self._made[make] = (None if roles is None else frozenset(roles), make(job.with_runs(())))
        return cast("T", self._made[make][1])

    def after_change(self, roles: Collection[str]) -> Derived:
        """Return what still holds after elements of some roles have changed."""
        rest = Derived()
        rest._made = {
            make: (read, made)
            for make, (read, made) in self._made.items()
            if read is not None and read.isdisjoint(roles)
        }
        return rest


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """All parallel tuples have one entry per run of the job, in its order."""

    job: Job
    rules: RuleBook
    fitted: tuple[FittedRun, ...]
    bend_required: tuple[BendRequirement, ...]
    attached: tuple[Attachment, ...]
    zones: tuple[tuple[ZoneStretch, ...], ...]  # sorted by distance
    gaps: Gaps  # those of the judged runs, at least
    openings: tuple[tuple[DrawnOpening, ...], ...] = ()  # of framing, that runs pass through; empty: not looked for
    sections: Mapping[int, tuple[Section, ...]] = field(default_factory=dict)  # of runs that lie beside others
    approaches: Mapping[int, tuple[Approach, ...]] = field(default_factory=dict)  # of limited-energy runs
    which: tuple[int, ...] | None = None  # the runs to judge; None: all
    whole: Facts | None = None  # facts of a building of which the job holds a part only
    derived: Derived = field(default_factory=Derived)
    # what was read and found of how a run is held, once a check asked for it: see checks/holding.py
    holding: dict[int, tuple[tuple[object, ...], tuple[HeldRun, Holding]]] = field(default_factory=dict)

    @property
    def judged(self) -> Sequence[int]:
        """The numbers of the runs to judge, in order."""
        return range(len(self.fitted)) if self.which is None else self.which

    @property
    def facts(self) -> Facts:
        """What rules ask of the building as a whole."""
        return facts_of(self.job.elements) if self.whole is None else self.whole

    def openings_of(self, i: int) -> tuple[DrawnOpening, ...]:
        """Return the drawn openings of framing that a run passes through."""
        return self.openings[i] if self.openings else ()

    def of_building(self, make: Callable[[Job], T], roles: Collection[str] | None) -> T:
        """Return what ``make`` derives from the job without runs, made once; ``roles`` of the elements that it reads.

        ``make`` must be a name of a module or a class, not a function made on the spot: it is the key.
        """
        return self.derived.get(make, self.job, roles)


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What one check gives: findings, and per run id what the results show besides."""

    findings: tuple[Finding, ...] = ()
    bends: Mapping[str, tuple[JudgedBend, ...]] = field(default_factory=dict)
    spans: Mapping[str, tuple[Span, ...]] = field(default_factory=dict)
    smallest_gap_m: Mapping[str, float] = field(default_factory=dict)
