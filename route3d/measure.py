"""How near each run comes to the building and to the other runs: measured once, judged by several checks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.between import nearest_paths, stretches_between
from route3d.kernel.clearance import Stretches, closest_points, nearest_elements, stretches_within
from route3d.kernel.feet import points_on
from route3d.kernel.path import closest_at, concatenated, points_at, trimmed
from route3d.kernel.solid import deepest, elements_around, inside_points, inside_stretches
from route3d.model.element import END_ROLES, Element
from route3d.model.gap import Gap, Stretch, united
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.model.support import Termination
from route3d.surroundings import Surroundings
from route3d.units import TOLERANCE_M

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Ends = tuple[Termination, Termination]

# The smallest gap of a run is told up to this distance, even where no clearance is asked.
GAP_SHOWN_M = 0.05

# Meant to touch the cable.
NOT_MEASURED = ("strap", "hanger")

# What the trade makes holes in; the checks "framing" and "penetration" speak of them.
PASSABLE = ("framing", "wall", "fire-wall")

# run, element, gap, place, stretches, inside, through
_Draft = tuple[int, int, float, float, tuple[Stretch, ...], tuple[Stretch, ...], bool]

_CROSSING_M = 1e-6  # the centre line touches a surface


def gaps_to_elements(
    job: Job, numbers: Sequence[int], fitted: Sequence[FittedRun], ends: Sequence[Ends], around: Surroundings
) -> list[tuple[tuple[Gap, ...], float]]:
    """Return for each of some runs all elements that it is nearer to than allowed, and its smallest gap (or inf).

    ``numbers`` are those of the runs in the job. The part of a run that enters the box, cabinet, luminaire or equipment
    at its own end is left out.
    """
    if not fitted:
        return []
    found, smallest = _Measure(job, fitted, ends, around).to_elements(numbers)
    return [(tuple(gaps), least) for gaps, least in zip(found, smallest.tolist(), strict=True)]


def gaps_between_runs(
    job: Job,
    numbers: Sequence[int],
    fitted: Sequence[FittedRun],
    ends: Sequence[Ends],
    around: Surroundings,
    only: Sequence[int] | None,
) -> list[Gap]:
    """Return every pair of runs that overlap, of which one at least is among ``only`` (places in ``numbers``).

    ``numbers`` are those of the runs in the job, rising. The part of two runs that meet at a common end is left out.
    """
    if len(fitted) < 2:
        return []
    return _Measure(job, fitted, ends, around).to_runs(numbers, only)


class _Measure:
    def __init__(self, job: Job, fitted: Sequence[FittedRun], ends: Sequence[Ends], around: Surroundings) -> None:
        self.job, self.fitted, self.ends, self.around = job, fitted, ends, around
        self.elements, self.index = around.elements, around.index
        self.pieces, self.starts = concatenated([run.pieces for run in fitted])
        radii = [job.cables[run.run.cable_id].radius_m for run in fitted]
        # a run whose diameter is unknown is measured as a bare line, and is reported as not fully checked
        self.radius = np.array([0.0 if r is None else r for r in radii])
        self.closed = around.closed
        # a scanned point is a ball: everything is as much nearer to it
        self.thick = around.thick_m
        self.allowed = around.by_role(dict(job.clearance_m), 0.0)
        self.skip = around.having(NOT_MEASURED)
        self.passable = around.having(PASSABLE)

    def to_elements(self, numbers: Sequence[int]) -> tuple[list[list[Gap]], Floats]:
        reach = np.maximum(self.allowed, GAP_SHOWN_M)
        run, element, gap, at = self._signed_gaps(self.pieces, self.starts, self.radius, reach)
        own = self._own_end(run, element)
        if own.any():
            run, element, gap, at = self._without_ends(run, element, gap, at, own, reach)
        smallest = np.full(len(self.fitted), np.inf)
        apart = ~(self.passable[element] & (gap < -TOLERANCE_M))  # a hole through something is no gap to it
        np.minimum.at(smallest, run[apart], gap[apart])

        near = gap < self.allowed[element] - TOLERANCE_M
        run, element, gap, at = run[near], element[near], gap[near], at[near]
        overlap = (gap < -TOLERANCE_M) & ~self.passable[element]
        limit = self.radius[run] + self.thick[element] + np.where(overlap, 0.0, self.allowed[element])
        below = _grouped(stretches_within(self.index, self.pieces, self.starts, run, element, limit), len(run))
        inside = self._inside(run, element, gap)
        drafts: list[_Draft] = []
        for k in range(len(run)):
            i, e = int(run[k]), int(element[k])
            stretches = self._outside_own_ends(i, e, united([*below[k], *inside[k]], TOLERANCE_M))
            holes = tuple(s for s in stretches if self._is_hole(e, s, inside[k]))
            if not holes:
                drafts.append((i, e, float(gap[k]), float(at[k]), stretches, tuple(inside[k]), False))
                continue
            rest = tuple(s for s in stretches if s not in holes)
            for part, through in ((holes, True), (rest, False)):
                worst = self._worst_on(i, e, part, float(self.allowed[e])) if part else None
                if worst is not None:
                    drafts.append((i, e, *worst, part, tuple(inside[k]), through))
        for i, _, worst_gap, _, _, _, through in drafts:
            if not through:
                smallest[i] = min(smallest[i], worst_gap)
        return self._placed(drafts, numbers), smallest

    def _placed(self, drafts: Sequence[_Draft], numbers: Sequence[int]) -> list[list[Gap]]:
        """Add the two nearest points to each pair; one list per run."""
        placed: list[list[Gap]] = [[] for _ in self.fitted]
        run = np.array([d[0] for d in drafts], dtype=np.int64)
        element = np.array([d[1] for d in drafts], dtype=np.int64)
        point = _points(self.pieces, self.starts, run, np.array([d[3] for d in drafts]))
        toward = closest_points(self.index, element, point).tolist()
        for (i, e, gap, at, stretches, inside, through), (px, py, pz), (tx, ty, tz) in zip(
            drafts, point.tolist(), toward, strict=True
        ):
            placed[i].append(
                Gap(
                    run=numbers[i],
                    element=e,
                    other_run=None,
                    gap_m=gap,
                    allowed_m=float(self.allowed[e]),
                    at_m=at,
                    point_m=(px, py, pz),
                    toward_m=(tx, ty, tz),
                    inside=gap + float(self.thick[e]) < -float(self.radius[i]) - _CROSSING_M,
                    stretches_m=stretches,
                    inside_m=inside,
                    through=through,
                )
            )
        return placed

    def _is_hole(self, e: int, stretch: Stretch, inside: Sequence[Stretch]) -> bool:
        """Tell whether an overlap is a bored hole in framing or a sleeve through a wall."""
        if not self.passable[e]:
            return False
        within = [s for s in inside if stretch[0] - TOLERANCE_M <= s[0] and s[1] <= stretch[1] + TOLERANCE_M]
        longest = self.job.settings.bore_length_m
        is_wall = self.elements[e].role != "framing"
        return bool(within) and (is_wall or all(b - a <= longest for a, b in within))

    def _worst_on(self, i: int, e: int, stretches: Sequence[Stretch], reach_m: float) -> tuple[float, float] | None:
        """Return the smallest signed gap to one element on some stretches of a run, and where; None if out of reach."""
        pieces, starts = concatenated([trimmed(self.fitted[i].pieces, a, b) for a, b in stretches])
        radius = np.full(len(stretches), self.radius[i])
        only = np.full(len(self.elements), -np.inf)
        only[e] = reach_m
        part, what, gap, at = self._signed_gaps(pieces, starts, radius, only)
        mine = np.flatnonzero(what == e)
        if not len(mine):
            return None
        worst = mine[np.argmin(gap[mine])]
        return float(gap[worst]), stretches[int(part[worst])][0] + float(at[worst])

    def to_runs(self, numbers: Sequence[int], only: Sequence[int] | None) -> list[Gap]:
        origin = self.around.origin_m
        near = nearest_paths(self.pieces, self.starts, self.radius, 0.0, only=only, origin_m=origin)
        gap = near.distance_m - self.radius[near.first] - self.radius[near.second]
        keep = gap < -TOLERANCE_M
        first, second, gap = near.first[keep], near.second[keep], gap[keep]
        first_at, second_at = near.first_at_m[keep], near.second_at_m[keep]
        limit = self.radius[first] + self.radius[second]
        on_first = _grouped(stretches_between(self.pieces, self.starts, first, second, limit, origin), len(first))
        on_second = _grouped(stretches_between(self.pieces, self.starts, second, first, limit, origin), len(first))
        points = _points(self.pieces, self.starts, first, first_at)
        toward = _points(self.pieces, self.starts, second, second_at)
        gaps = []
        for k in range(len(first)):
            i, j = int(first[k]), int(second[k])
            stretches = [s for s in on_first[k] if not self._meet_at_an_end(i, j, s, on_second[k])]
            if not stretches:
                continue
            worst_at, distance = float(first_at[k]), float(gap[k] + limit[k])
            here, there = points[k], toward[k]
            if not any(s[0] - 1e-6 <= worst_at <= s[1] + 1e-6 for s in stretches):
                worst_at, distance, other_at = self._worst_between(i, j, stretches)
                here = points_at(self.fitted[i].pieces, np.array([worst_at]))[0]
                there = points_at(self.fitted[j].pieces, np.array([other_at]))[0]
            gaps.append(
                Gap(
                    run=numbers[i],
                    element=None,
                    other_run=numbers[j],
                    gap_m=distance - float(limit[k]),
                    allowed_m=0.0,
                    at_m=worst_at,
                    point_m=_triple(here),
                    toward_m=_triple(there),
                    inside=False,
                    stretches_m=tuple(stretches),
                    inside_m=(),
                )
            )
        return gaps

    def _signed_gaps(
        self, pieces: Floats, starts: Ints, radius: Floats, reach: Floats
    ) -> tuple[Ints, Ints, Floats, Floats]:
        """Return run, element, signed gap and place of every pair in reach; signed also where no surface is near."""
        near = nearest_elements(self.index, pieces, starts, radius, reach + self.thick, skip=self.skip)
        run, element = near.path.astype(np.int64), near.element.astype(np.int64)
        gap, at = near.distance_m - radius[run] - self.thick[element], near.at_m.copy()

        # a run that crosses no surface may still be wholly inside a solid: its start tells
        begin = _starting_points(pieces, starts)
        inside_run, inside_element = elements_around(self.index, begin, self.closed & ~self.skip)
        key = run * len(self.elements) + element
        missing = ~np.isin(inside_run * len(self.elements) + inside_element, key)
        run = np.concatenate([run, inside_run[missing]])
        element = np.concatenate([element, inside_element[missing]])
        gap = np.concatenate([gap, np.full(int(missing.sum()), np.inf)])
        at = np.concatenate([at, np.zeros(int(missing.sum()))])

        # inside at the nearest place, or crossing the surface: measure how deep the centre line gets
        suspect = self.closed[element] & (gap + radius[run] + self.thick[element] <= _CROSSING_M)
        clear = np.flatnonzero(self.closed[element] & ~suspect & np.isfinite(gap))
        if len(clear):
            points = _points(pieces, starts, run[clear], at[clear])
            suspect[clear[inside_points(self.index, element[clear], points)]] = True
        suspect |= ~np.isfinite(gap)
        which = np.flatnonzero(suspect)
        if len(which):
            depth = deepest(self.index, pieces, starts, run[which], element[which])
            deep = depth.depth_m > 0.0
            bodies = radius[run[which[deep]]] + self.thick[element[which[deep]]]
            gap[which[deep]] = -depth.depth_m[deep] - bodies
            at[which[deep]] = depth.at_m[deep]
        return run, element, gap, at

    def _own_end(self, run: Ints, element: Ints) -> NDArray[np.bool_]:
        """Tell the pairs of a run and something that one of its terminated ends goes into."""
        nowhere = -1
        goes_to = np.array(
            [
                [nowhere if end.element_id is None else self.around.ends.get(end.element_id, nowhere) for end in ends]
                for ends in self.ends
            ]
        )
        return np.asarray((goes_to[run] == element[:, None]).any(axis=1))

    def _without_ends(
        self, run: Ints, element: Ints, gap: Floats, at: Floats, own: NDArray[np.bool_], reach: Floats
    ) -> tuple[Ints, Ints, Floats, Floats]:
        """Measure own-end pairs again without the stretch that enters; a pair with nothing left is dropped."""
        keep = ~own
        which = np.flatnonzero(own)
        limit = self.radius[run[which]] + self.allowed[element[which]] + self.thick[element[which]]
        below = _grouped(
            stretches_within(self.index, self.pieces, self.starts, run[which], element[which], limit), len(which)
        )
        inside = self._inside(run[which], element[which], gap[which])
        for n, k in enumerate(which):
            i, e = int(run[k]), int(element[k])
            before = united([*below[n], *inside[n]], TOLERANCE_M)
            after = self._outside_own_ends(i, e, before)
            if len(after) == len(before) and before:
                keep[k] = True  # it is near the end without touching it
                continue
            if not after:
                continue
            worst = self._worst_on(i, e, after, float(reach[e]))
            if worst is not None:
                gap[k], at[k] = worst
                keep[k] = True
        return run[keep], element[keep], gap[keep], at[keep]

    def _outside_own_ends(self, i: int, e: int, stretches: Sequence[Stretch]) -> tuple[Stretch, ...]:
        """Drop the stretches that run from a terminated end into its own box, luminaire or equipment."""
        element = self.elements[e]
        if element.role not in END_ROLES:
            return tuple(stretches)
        box = element.box_m
        longest = float(np.linalg.norm(box[1] - box[0])) + self.job.settings.attach_m
        length = self.fitted[i].length_m
        start, end = self.ends[i]
        kept = []
        for a, b in stretches:
            at_start = a <= TOLERANCE_M and start.element_id == element.element_id
            at_end = b >= length - TOLERANCE_M and end.element_id == element.element_id
            if not ((at_start or at_end) and b - a <= longest):
                kept.append((a, b))
        return tuple(kept)

    def _inside(self, run: Ints, element: Ints, gap: Floats) -> list[list[Stretch]]:
        """Return where each centre line is inside; for an open surface, where it passes through it."""
        result: list[list[Stretch]] = [[] for _ in run]
        centre_in = gap <= -self.radius[run] + _CROSSING_M
        solid = np.flatnonzero(self.closed[element] & centre_in)
        if len(solid):
            found = inside_stretches(self.index, self.pieces, self.starts, run[solid], element[solid])
            for k, stretches in zip(solid, _grouped(found, len(solid)), strict=True):
                result[k] = stretches
        sheet = np.flatnonzero(~self.closed[element] & centre_in)
        if len(sheet):
            limit = np.maximum(self.thick[element[sheet]], _CROSSING_M)
            found = stretches_within(self.index, self.pieces, self.starts, run[sheet], element[sheet], limit)
            for k, stretches in zip(sheet, _grouped(found, len(sheet)), strict=True):
                result[k] = stretches
        return result

    def _meet_at_an_end(self, i: int, j: int, stretch: Stretch, others: Sequence[Stretch]) -> bool:
        """Tell whether an overlap of two runs is where both enter the same box, or are joined end to end."""
        ends_i = self._ends_touched(i, stretch)
        ends_j = [end for other in others for end in self._ends_touched(j, other)]
        for at_i, end_i in ends_i:
            for at_j, end_j in ends_j:
                longest = 2.0 * self.job.settings.attach_m
                same = end_i.element_id is not None and end_i.element_id == end_j.element_id
                element = self._end_element(end_i) if same else None
                if element is not None:
                    box = element.box_m
                    longest += float(np.linalg.norm(box[1] - box[0]))
                apart = np.linalg.norm(
                    points_at(self.fitted[i].pieces, np.array([at_i]))
                    - points_at(self.fitted[j].pieces, np.array([at_j]))
                )
                if (same or apart <= self.job.settings.attach_m) and stretch[1] - stretch[0] <= longest:
                    return True
        return False

    def _end_element(self, end: Termination) -> Element | None:
        number = None if end.element_id is None else self.around.ends.get(end.element_id)
        return None if number is None else self.elements[number]

    def _ends_touched(self, i: int, stretch: Stretch) -> Iterator[tuple[float, Termination]]:
        length = self.fitted[i].length_m
        start, end = self.ends[i]
        if stretch[0] <= TOLERANCE_M and start.kind != "open":
            yield 0.0, start
        if stretch[1] >= length - TOLERANCE_M and end.kind != "open":
            yield length, end

    def _worst_between(self, i: int, j: int, stretches: Sequence[Stretch]) -> tuple[float, float, float]:
        parts = [trimmed(self.fitted[i].pieces, a, b) for a, b in stretches]
        pieces, starts = concatenated([*parts, self.fitted[j].pieces])
        radius = np.append(np.full(len(parts), self.radius[i]), self.radius[j])
        near = nearest_paths(pieces, starts, radius, 0.0, origin_m=self.around.origin_m)
        mine = np.flatnonzero(near.second == len(parts))
        worst = mine[np.argmin(near.distance_m[mine])]
        at = stretches[int(near.first[worst])][0] + float(near.first_at_m[worst])
        _, other_at = closest_at(self.fitted[j].pieces, points_at(self.fitted[i].pieces, np.array([at]))[0])
        return at, float(near.distance_m[worst]), other_at


def _grouped(found: Stretches, count: int) -> list[list[Stretch]]:
    groups: list[list[Stretch]] = [[] for _ in range(count)]
    for pair, a, b in zip(found.pair.tolist(), found.from_m.tolist(), found.to_m.tolist(), strict=True):
        groups[pair].append((a, b))
    return groups


def _points(pieces: Floats, starts: Ints, run: Ints, at: Floats) -> Floats:
    """Return the points (k, 3) at distances along different paths."""
    return np.asarray(points_on(pieces, starts, run, at))


def _starting_points(pieces: Floats, starts: Ints) -> Floats:
    return _points(pieces, starts, np.arange(len(starts) - 1), np.zeros(len(starts) - 1))


def _triple(point: Floats) -> tuple[float, float, float]:
    return (float(point[0]), float(point[1]), float(point[2]))
