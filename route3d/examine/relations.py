"""The runs of a job among each other, kept so that a moved run is compared with those near it only.

A run is touched by another one through: bodies that overlap, a bundle, separation of data from power, a strap that is
within reach of both, and a strap with nothing of the building in reach that could hang on the other run.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from route3d.approaches import approaches, separations
from route3d.attach import in_order, shared, unused
from route3d.bundles import BesideRow, beside_each_other, sections_in
from route3d.examine.alone import Alone
from route3d.kernel.meeting import boxes_met
from route3d.measure import gaps_between_runs
from route3d.model.company import Approach, Section
from route3d.model.finding import Finding
from route3d.model.gap import Gap
from route3d.model.job import Job
from route3d.model.support import Attachment
from route3d.rules.rulebook import RuleBook
from route3d.strapping import Place, judge_straps, nearest_run, no_structure, open_reach_m
from route3d.surroundings import Surroundings

Floats = NDArray[np.float64]

_MANY = 64  # from so many places on, a tree over the boxes of all runs is worth building
_SLACK_M = 0.01  # boxes are compared with this much to spare


@dataclass(frozen=True, slots=True, eq=False)
class Related:
    """One run among the others."""

    attachment: Attachment  # without the straps that may not count
    findings: tuple[Finding, ...]  # about what holds it
    gaps: tuple[Gap, ...]  # to runs after it, where they overlap
    sections: tuple[Section, ...]
    approaches: tuple[Approach, ...]  # where it is a limited-energy run


@dataclass(frozen=True, slots=True, eq=False)
class Meeting:
    """What two runs have to do with each other."""

    gap: Gap | None = None
    beside: tuple[BesideRow, ...] = ()
    approach: Approach | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Relations:
    """All runs of a job among each other, by their numbers in it; never changed, only replaced by ``updated``."""

    lying: Mapping[int, Alone]
    extent_m: Floats  # (numbers, 6): box around each run; inverted where there is none
    meetings: Mapping[int, Mapping[int, Meeting]]  # both ways
    users: Mapping[int, tuple[tuple[float, int, float], ...]]  # element -> gap, run and distance along it
    confirm: Mapping[int, Mapping[int, Finding]]  # run -> element -> that it is nearer to another run
    related: Mapping[int, Related]
    touched: frozenset[int] = frozenset()  # runs that the last update changed, or what holds them, or what they overlap
    company: frozenset[int] = frozenset()  # and those that may keep other company since then

    @classmethod
    def empty(cls) -> Relations:
        """Return the relations of no runs."""
        return cls({}, np.empty((0, 6)), {}, {}, {}, {})

    def whole(self, job: Job, around: Surroundings) -> tuple[Finding, ...]:
        """Return what is to be said of the straps of the job as a whole."""
        strapped = any(run.places for run in self.lying.values())
        return (*unused(job, around, self.users), *no_structure(job, around.facts, strapped))

    def updated(
        self, job: Job, rules: RuleBook, around: Surroundings, changed: Mapping[int, Alone | None]
    ) -> Relations:
        """Return the relations with some runs changed, added, or (with None) gone; only what they touch is redone."""
        lying = {**self.lying, **{i: run for i, run in changed.items() if run is not None}}
        for i in [i for i, run in changed.items() if run is None]:
            lying.pop(i, None)
        lying = dict(sorted(lying.items())) if lying.keys() != self.lying.keys() else lying
        extent = _extents(self.extent_m, changed)
        moved = {i for i in changed if i in lying}

        # a run that lies as it did meets the others as it did, whatever else has changed of it
        shifted = {
            i for i in changed if i not in moved or i not in self.lying or not _lies_alike(lying[i], self.lying[i])
        }
        meetings, partners = self._meetings(job, rules, around, lying, extent, shifted)
        users, confirm, told = self._straps(job, around, lying, changed)
        sections, company = self._sections(around, lying, meetings, shifted)
        beside = _open_near(job, self.lying, lying, extent, shifted)

        touched = moved | partners | told | beside
        others = _runs_beside(job, lying, extent, [i for i in touched if any(p.open for p in lying[i].places)])
        related = dict(self.related)
        for i in [i for i in changed if i not in lying]:
            related.pop(i, None)
        for i in company - touched:
            related[i] = replace(related[i], sections=sections.get(i, related[i].sections))
        for i in touched:
            places = others.get(i, lying[i].places)
            related[i] = self._related(job, rules, around, (i, lying[i], places), meetings, confirm, sections)
        related = {i: related[i] for i in lying} if lying.keys() != self.lying.keys() else related
        same = {i for i in touched - moved if i in self.related and _same_hold(self.related[i], related[i])}
        return Relations(
            lying,
            extent,
            meetings,
            users,
            confirm,
            related,
            frozenset(touched - same),
            frozenset(company | partners | (shifted & moved)),
        )

    def _meetings(
        self,
        job: Job,
        rules: RuleBook,
        around: Surroundings,
        lying: Mapping[int, Alone],
        extent: Floats,
        changed: Collection[int],
    ) -> tuple[Mapping[int, Mapping[int, Meeting]], set[int]]:
        """Return all meetings, and the runs that meet a changed one, or did so before."""
        numbers, only = _near(job, rules, lying, extent, changed)
        new = _meetings_of(job, rules, around, numbers, [lying[i] for i in numbers], only)
        partners = {j for i in changed for j in self.meetings.get(i, {})}
        meetings: dict[int, Mapping[int, Meeting]] = dict(self.meetings)
        fresh: dict[int, dict[int, Meeting]] = {i: {} for i in changed}
        for j in partners - fresh.keys():
            fresh[j] = {i: meeting for i, meeting in self.meetings[j].items() if i not in changed}
        for (i, j), meeting in new.items():
            for one, two in ((i, j), (j, i)):
                if one not in fresh:
                    fresh[one] = dict(self.meetings.get(one, {}))
                fresh[one][two] = meeting
                partners.add(one)
        for i, mine in fresh.items():
            if i in lying:
                meetings[i] = mine
            else:
                meetings.pop(i, None)
        return meetings, {i for i in partners if i in lying}

    def _straps(
        self, job: Job, around: Surroundings, lying: Mapping[int, Alone], changed: Collection[int]
    ) -> tuple[Mapping[int, tuple[tuple[float, int, float], ...]], Mapping[int, Mapping[int, Finding]], set[int]]:
        """Return who uses which strap, what is to be confirmed of it, and the runs of which that has changed."""
        concerned: dict[int, list[tuple[float, int, float]]] = {}
        for i in changed:
            for held in (*(self.lying[i].held if i in self.lying else ()), *(lying[i].held if i in lying else ())):
                if held.element not in concerned:
                    concerned[held.element] = [use for use in self.users.get(held.element, ()) if use[1] not in changed]
        for i in changed:
            for held in lying[i].held if i in lying else ():
                concerned[held.element].append((held.gap_m, i, held.at_m))
        users = dict(self.users)
        confirm = {i: dict(mine) for i, mine in self.confirm.items()}
        told: set[int] = set()
        for e, uses in concerned.items():
            told |= {use[1] for use in self.users.get(e, ())} | {use[1] for use in uses}
            for use in self.users.get(e, ()):
                confirm.get(use[1], {}).pop(e, None)
            if uses:
                users[e] = tuple(uses)
                for i, finding in shared(job, around.elements[e], uses, lambda j: lying[j].fitted):
                    confirm.setdefault(i, {})[e] = finding
            else:
                users.pop(e, None)
        return users, confirm, {i for i in told if i in lying}

    def _sections(
        self,
        around: Surroundings,
        lying: Mapping[int, Alone],
        meetings: Mapping[int, Mapping[int, Meeting]],
        changed: Collection[int],
    ) -> tuple[Mapping[int, tuple[Section, ...]], set[int]]:
        """Return the sections of runs that are, or were, connected with a changed one, and who has others now."""
        before = {j for i in changed for j, m in self.meetings.get(i, {}).items() if m.beside}
        waiting = [i for i in {*changed, *before} if i in lying]
        connected = set(waiting)
        rows: list[BesideRow] = []
        while waiting:
            i = waiting.pop()
            for j, meeting in meetings.get(i, {}).items():
                if meeting.beside:
                    rows += [row for row in meeting.beside if row[0] == i]
                    if j not in connected:
                        connected.add(j)
                        waiting.append(j)
        found = sections_in(rows, {i: lying[i].fitted for i in connected}, around.origin_m)
        sections = {i: found.get(i, ()) for i in connected}
        known = {i: self.related[i].sections if i in self.related else () for i in connected}
        differ = {i for i in connected if sections[i] != known[i]}
        # a bundle is judged by all of its runs
        differ |= {j for i in differ for s in (*sections[i], *known[i]) for j in s.runs if j in lying}
        return {**{i: self.related[i].sections for i in differ - connected}, **sections}, differ

    def _related(
        self,
        job: Job,
        rules: RuleBook,
        around: Surroundings,
        one: tuple[int, Alone, Sequence[Place]],
        meetings: Mapping[int, Mapping[int, Meeting]],
        confirm: Mapping[int, Mapping[int, Finding]],
        sections: Mapping[int, tuple[Section, ...]],
    ) -> Related:
        i, run, places = one
        refused, said = judge_straps(job, run.fitted, places, around.facts, rules)
        kept = run.supports if not refused else tuple(s for s in run.supports if s not in refused)
        supports = in_order([*kept, *run.framing]) if run.framing else kept
        mine = sorted(meetings.get(i, {}).items())
        doubts = confirm.get(i, {})
        known = self.related[i].sections if i in self.related else ()
        return Related(
            attachment=Attachment(run.start, run.end, supports),
            findings=(*(doubts[h.element] for h in run.held if h.element in doubts), *said),
            gaps=tuple(m.gap for _, m in mine if m.gap is not None and m.gap.run == i),
            sections=sections.get(i, known),
            approaches=tuple(m.approach for _, m in mine if m.approach is not None and m.approach.run == i),
        )


def _extents(before: Floats, changed: Mapping[int, Alone | None]) -> Floats:
    count = max([len(before), *(i + 1 for i in changed)])
    extent = np.empty((count, 6))
    extent[: len(before)] = before
    extent[len(before) :] = (np.inf,) * 3 + (-np.inf,) * 3
    for i, run in changed.items():
        extent[i] = (np.inf,) * 3 + (-np.inf,) * 3
        if run is not None and len(run.fitted.pieces):
            boxes = run.fitted.boxes_m
            extent[i, :3], extent[i, 3:] = boxes[:, :3].min(axis=0), boxes[:, 3:].max(axis=0)
    return extent


def _near(
    job: Job, rules: RuleBook, lying: Mapping[int, Alone], extent: Floats, changed: Collection[int]
) -> tuple[list[int], list[int] | None]:
    """Return the runs that could meet a changed one, these included, and the places of the changed ones among them."""
    moved = np.array(sorted(i for i in changed if i in lying), dtype=np.int64)
    if len(moved) == len(lying):
        return list(lying), None
    if not len(moved):
        return [], []
    radii = [cable.radius_m for cable in job.cables.values() if cable.radius_m is not None]
    widest = 2.0 * max(radii, default=0.0)
    spacing = job.settings.bundle_spacing_m
    asked = [need.gap_m for need in separations(job, rules).values()]
    reach = widest + max([widest if spacing is None else spacing, *asked, 0.0]) + _SLACK_M
    lines = np.concatenate([lying[i].fitted.boxes_m for i in moved.tolist()])
    near = boxes_met(extent, lines, reach).tolist()
    if near:
        boxes = [lying[i].fitted.boxes_m for i in near]
        owner = np.repeat(np.array(near), [len(box) for box in boxes])
        near = np.unique(owner[boxes_met(np.concatenate(boxes), lines, reach)]).tolist()
    numbers = np.union1d(np.array(near, dtype=np.int64), moved)
    return numbers.tolist(), np.searchsorted(numbers, moved).tolist()


def _meetings_of(
    job: Job,
    rules: RuleBook,
    around: Surroundings,
    numbers: Sequence[int],
    runs: Sequence[Alone],
    only: Sequence[int] | None,
) -> dict[tuple[int, int], Meeting]:
    fitted = [run.fitted for run in runs]
    ends = [(run.start, run.end) for run in runs]
    few = None if only is None else frozenset(only)
    gaps: dict[tuple[int, int], Gap] = {}
    for gap in gaps_between_runs(job, numbers, fitted, ends, around, only):
        assert gap.other_run is not None
        gaps[gap.run, gap.other_run] = gap
    beside: dict[tuple[int, int], list[BesideRow]] = {}
    if rules.bundle is not None:
        for row in beside_each_other(job, numbers, fitted, rules.bundle.methods, around.origin_m, few):
            beside.setdefault((min(row[:2]), max(row[:2])), []).append(row)
    near = {
        (min(a.run, a.other), max(a.run, a.other)): a
        for a in approaches(job, rules, numbers, fitted, around.origin_m, few)
    }
    return {
        pair: Meeting(gaps.get(pair), tuple(beside.get(pair, ())), near.get(pair)) for pair in {*gaps, *beside, *near}
    }


def _lies_alike(one: Alone, other: Alone) -> bool:
    """Tell whether two states of a run surely meet other runs alike: same line and cable, and no end in an element."""
    return one.fitted is other.fitted or (
        one.fitted.run.cable_id == other.fitted.run.cable_id
        and np.array_equal(one.fitted.pieces, other.fitted.pieces)
        and (one.start, one.end) == (other.start, other.end)
        and one.start.element_id is None
        and one.end.element_id is None
    )


def _same_hold(before: Related, after: Related) -> bool:
    """Tell whether all but the company of a run is as it was."""
    return before.attachment == after.attachment and before.findings == after.findings and before.gaps == after.gaps


def _open_near(
    job: Job,
    before: Mapping[int, Alone],
    lying: Mapping[int, Alone],
    extent: Floats,
    changed: Collection[int],
) -> set[int]:
    """Return the runs that have an open place within reach of where a changed run is, or was."""
    if len(changed) >= len(lying):
        return set(lying)
    lines = [there[i].fitted.boxes_m for there in (before, lying) for i in changed if i in there]
    boxes = np.concatenate(lines) if lines else np.empty((0, 6))
    reach = open_reach_m(job)
    low, high = boxes[:, :3] - reach, boxes[:, 3:] + reach
    found = [
        (i, place.point_m)
        for i in boxes_met(extent, boxes, reach + _SLACK_M).tolist()  # places lie on their run
        if i in lying
        for place in lying[i].places
        if place.open
    ]
    points = np.array([point for _, point in found]).reshape(-1, 1, 3)
    within = np.asarray(((low <= points) & (points <= high)).all(axis=2)).any(axis=1)
    return {found[k][0] for k in np.flatnonzero(within).tolist()}


def _runs_beside(
    job: Job, lying: Mapping[int, Alone], extent: Floats, asked: Sequence[int]
) -> dict[int, tuple[Place, ...]]:
    """Return the places of some runs, the open ones with the nearest other run within reach, if there is one."""
    opened = [(i, n) for i in asked for n, place in enumerate(lying[i].places) if place.open]
    points = np.array([lying[i].places[n].point_m for i, n in opened]).reshape(-1, 3)
    place, numbers = _pairs_near(lying, extent, points, open_reach_m(job))
    own = np.array([i for i, _ in opened], dtype=np.int64)
    foreign = numbers != own[place]
    place, numbers = place[foreign], numbers[foreign]
    answer: dict[int, list[Place]] = {i: list(lying[i].places) for i in asked}
    if len(place):
        runs, which = np.unique(numbers, return_inverse=True)
        fitted = [lying[i].fitted for i in runs.tolist()]
        radii = [job.cables[lying[i].fitted.run.cable_id].radius_m for i, _ in opened]
        radius = np.array([0.0 if r is None else r for r in radii])
        for k, there in nearest_run(job, fitted, which, points, place, radius).items():
            i, n = opened[k]
            answer[i][n] = replace(answer[i][n], beside=there[0], named=there[1], gap_m=there[2])
    return {i: tuple(places) for i, places in answer.items()}


def _pairs_near(
    lying: Mapping[int, Alone], extent: Floats, points: Floats, reach: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return pairs of a point and a run that has a piece near it, by number: rather too many."""
    if len(points) < _MANY:
        low, high = extent[None, :, :3] - reach, extent[None, :, 3:] + reach
        place, run = np.nonzero(((low <= points[:, None]) & (points[:, None] <= high)).all(axis=2))
        return place, run
    numbers = list(lying)
    boxes = [lying[i].fitted.boxes_m for i in numbers]
    owner = np.repeat(np.array(numbers), [len(box) for box in boxes])
    low_x, low_y, low_z, high_x, high_y, high_z = np.concatenate(boxes).T
    tree = shapely.STRtree(shapely.box(low_x - reach, low_y - reach, high_x + reach, high_y + reach))
    place, piece = tree.query(shapely.points(points[:, :2]))
    level = (low_z[piece] - reach <= points[place, 2]) & (points[place, 2] <= high_z[piece] + reach)
    pairs = np.unique(np.stack([place[level], owner[piece[level]]], axis=1), axis=0)
    return pairs[:, 0], pairs[:, 1]
