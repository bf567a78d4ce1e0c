"""What goes over the wire: elements by the block, runs without the building, and numbers of the whole job throughout.

A part of a job counts its own runs and elements from 0. Whatever leaves it speaks of runs, elements and zones by their
numbers in the whole job, so that it means the same everywhere; each of both orders rises with the other.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from operator import attrgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from route3d.attach import Held
from route3d.checks.judging import Judged
from route3d.examine import Alone, Related
from route3d.model.company import Approach, Section
from route3d.model.element import Element
from route3d.model.finding import Finding, JudgedBend
from route3d.model.gap import Gap
from route3d.model.opening import DrawnOpening
from route3d.model.run import Bend, FittedRun, Run
from route3d.model.span import Span
from route3d.model.support import Attachment, Support, Termination
from route3d.model.zone import Zone, ZoneStretch
from route3d.rules.bend import BendRequirement
from route3d.strapping import Place

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_WORDS = tuple(f.name for f in fields(Element) if f.name not in ("triangles_m", "_box_m"))
_words_of = attrgetter(*_WORDS)


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Elements of a job, their triangles in one array."""

    numbers: Ints  # in the job, rising
    words: tuple[tuple[Any, ...], ...]  # all else that each element has
    triangles_m: Floats  # (n, 3, 3)
    starts: Ints

    def __sizeof__(self) -> int:
        """Return the size in memory, by which the engine chooses where to work."""
        return int(self.triangles_m.nbytes + self.starts.nbytes + 500 * len(self.words))

    def elements(self, wanted: Ints) -> list[tuple[int, Element]]:
        """Return those elements of the block that are among some numbers, with these."""
        return [
            (
                int(self.numbers[k]),
                Element(
                    triangles_m=self.triangles_m[self.starts[k] : self.starts[k + 1]],
                    **dict(zip(_WORDS, self.words[k], strict=True)),
                ),
            )
            for k in np.flatnonzero(np.isin(self.numbers, wanted, assume_unique=True)).tolist()
        ]


def block_of(elements: Sequence[Element], numbers: Ints) -> Block:
    """Return some elements of a job as a block."""
    chosen = [elements[k] for k in numbers.tolist()]
    meshes = [element.triangles_m for element in chosen]
    starts = np.zeros(len(meshes) + 1, dtype=np.int64)
    starts[1:] = np.cumsum([len(mesh) for mesh in meshes])
    triangles = np.concatenate(meshes) if meshes else np.empty((0, 3, 3))
    return Block(numbers, tuple(_words_of(element) for element in chosen), triangles, starts)


@dataclass(frozen=True, slots=True, eq=False)
class SentRun:
    """One run as it lies in the building, see ``Alone``, without the run itself and its zones' solids."""

    pieces: Floats
    bends: tuple[Bend, ...]
    start: Termination
    end: Termination
    supports: tuple[Support, ...]
    held: tuple[Held, ...]
    places: tuple[Place, ...]
    framing: tuple[Support, ...]
    gaps: tuple[Gap, ...]
    openings: tuple[DrawnOpening, ...]
    smallest_m: float
    zones: tuple[tuple[int, float, float], ...]


def sent_run(alone: Alone, number: int, elements: Ints, zones: Mapping[int, int]) -> SentRun:
    """Return a run of a part for the whole job: its number there, those of the elements, those of zones by identity."""
    return SentRun(
        pieces=alone.fitted.pieces,
        bends=alone.fitted.bends,
        start=alone.start,
        end=alone.end,
        supports=alone.supports,
        held=tuple(_held(one, elements) for one in alone.held),
        places=alone.places,
        framing=alone.framing,
        gaps=tuple(_gap(gap, number, gap.other_run, _at(elements, gap.element)) for gap in alone.gaps),
        openings=tuple(_opening(one, elements) for one in alone.openings),
        smallest_m=alone.smallest_m,
        zones=tuple((zones[id(s.zone)], s.from_m, s.to_m) for s in alone.zones),
    )


def received_run(
    sent: SentRun, run: Run, need: BendRequirement, zones: Sequence[Zone], part: tuple[int, Ints] | None = None
) -> Alone:
    """Return a run as it lies; ``part``: its number in a part of the job, and the elements of that part."""
    held, gaps, openings = sent.held, sent.gaps, sent.openings
    if part is not None:
        number, elements = part
        places = {e: k for k, e in enumerate(elements.tolist())}
        held = tuple(Held(places[h.element], h.gap_m, h.at_m) for h in held)
        gaps = tuple(_gap(g, number, None, None if g.element is None else places[g.element]) for g in gaps)
        openings = tuple(_opening(one, places) for one in openings)
    return Alone(
        fitted=FittedRun(run, sent.pieces, sent.bends),
        need=need,
        start=sent.start,
        end=sent.end,
        supports=sent.supports,
        held=held,
        places=sent.places,
        framing=sent.framing,
        gaps=gaps,
        openings=openings,
        smallest_m=sent.smallest_m,
        zones=tuple(ZoneStretch(zones[z], a, b) for z, a, b in sent.zones),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A run that is only named by others: its line, no more."""

    run: Run
    pieces: Floats
    bends: tuple[Bend, ...]

    def lying(self, need: BendRequirement) -> Alone:
        """Return it as a run of which nothing else is known."""
        fitted, nothing = FittedRun(self.run, self.pieces, self.bends), Termination("open", None)
        return Alone(fitted, need, nothing, nothing, (), (), (), (), (), (), np.inf, ())


@dataclass(frozen=True, slots=True, eq=False)
class Company:
    """What the runs of a part have to do with other runs."""

    related: tuple[Related, ...]  # of the part's runs, in order
    lines: Mapping[int, Line]  # of the other runs that are named
    sections: Mapping[int, tuple[Section, ...]]  # of those that lie together with a run of the part


def company_of(own: Sequence[int], related: Mapping[int, Related], lines: Mapping[int, FittedRun]) -> Company:
    """Return what judging some runs needs to know of others."""
    mine = [related[i] for i in own]
    beside = {j for one in mine for section in one.sections for j in section.runs}
    named = {j for i in beside for section in related[i].sections for j in section.runs} | beside
    for one in mine:
        named |= {gap.other_run for gap in one.gaps if gap.other_run is not None}
        named |= {j for approach in one.approaches for j in (approach.run, approach.other)}
    others = sorted(named.difference(own))
    return Company(
        tuple(mine),
        {j: Line(lines[j].run, lines[j].pieces, lines[j].bends) for j in others},
        {j: related[j].sections for j in sorted(beside.difference(own)) if related[j].sections},
    )


def renumbered(one: Related, place: Mapping[int, int]) -> Related:
    """Return what a run has to do with others, with other numbers for the runs."""
    return Related(
        attachment=one.attachment,
        findings=one.findings,
        gaps=tuple(
            _gap(g, place[g.run], None if g.other_run is None else place[g.other_run], g.element) for g in one.gaps
        ),
        sections=renumbered_sections(one.sections, place),
        approaches=tuple(
            Approach(place[a.run], place[a.other], a.gap_m, a.at_m, a.other_at_m, a.stretches_m) for a in one.approaches
        ),
    )


def renumbered_sections(sections: Sequence[Section], place: Mapping[int, int]) -> tuple[Section, ...]:
    """Return sections with other numbers for the runs."""
    return tuple(Section(s.from_m, s.to_m, tuple(place[j] for j in s.runs)) for s in sections)


@dataclass(frozen=True, slots=True, eq=False)
class SentVerdict:
    """One run, judged, see ``Judged``, without what the sender of the run has already."""

    findings: tuple[Finding, ...]
    bends: tuple[JudgedBend, ...]
    spans: tuple[Span, ...]
    smallest_gap_m: float | None
    violations: int
    cautions: int
    unchecked: bool


def sent_verdict(judged: Judged) -> SentVerdict:
    """Return what a part found out about a run."""
    return SentVerdict(
        judged.findings,
        judged.bends,
        judged.spans,
        judged.smallest_gap_m,
        judged.violations,
        judged.cautions,
        judged.unchecked,
    )


def received_verdict(sent: SentVerdict, alone: Alone, attachment: Attachment) -> Judged:
    """Return a judged run as a review is collected from: findings that have no id yet stay where they were made."""
    return Judged(
        fitted=alone.fitted,
        attachment=attachment,
        zones=alone.zones,
        own=(),
        shared=(),
        findings=sent.findings,
        bends=sent.bends,
        spans=sent.spans,
        smallest_gap_m=sent.smallest_gap_m,
        violations=sent.violations,
        cautions=sent.cautions,
        unchecked=sent.unchecked,
    )


def _at(numbers: Ints, k: int | None) -> int | None:
    return None if k is None else int(numbers[k])


def _held(one: Held, numbers: Ints) -> Held:
    return Held(int(numbers[one.element]), one.gap_m, one.at_m)


def _gap(gap: Gap, run: int, other_run: int | None, element: int | None) -> Gap:
    return Gap(
        run,
        element,
        other_run,
        gap.gap_m,
        gap.allowed_m,
        gap.at_m,
        gap.point_m,
        gap.toward_m,
        gap.inside,
        gap.stretches_m,
        gap.inside_m,
        gap.through,
    )


def _opening(one: DrawnOpening, numbers: Ints | Mapping[int, int]) -> DrawnOpening:
    return DrawnOpening(
        int(numbers[one.element]),
        one.kind,
        one.stretch_m,
        one.size_m,
        one.edges,
        one.holds,
        one.why_not,
        one.bored_m,
    )
