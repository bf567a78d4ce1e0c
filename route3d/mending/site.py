"""One run of a checked job, and what other lines for it would meet: exact, before anything is checked as a whole."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from route3d.examine import Examined
from route3d.fit import CHORD_SAGITTA_M, Shortfall, fit_run, shortfall
from route3d.kernel.between import nearest_paths
from route3d.kernel.clearance import nearest_elements
from route3d.kernel.corners import read_corners
from route3d.kernel.path import concatenated, points_at
from route3d.measure import NOT_MEASURED, PASSABLE, gaps_to_elements
from route3d.mending.change import NO_LEGS, cost_of
from route3d.mending.directions import ROLES, grid_of_building, grid_of_runs, turn_by
from route3d.mending.keeping import kept_parts, kept_stretches, still_there
from route3d.mending.pauses import pause
from route3d.model.gap import Stretch
from route3d.model.run import Bend, FittedRun, Run
from route3d.recheck import Checked
from route3d.rules.deck import deck_gap
from route3d.units import TOLERANCE_M

Floats = NDArray[np.float64]

SPARE_M = 0.001  # a proposal keeps a millimetre more than it must, so that rounding never undoes it
ROUNDED_M = 1e-4
_AROUND_M = 0.1
_CORRIDOR_M = 1.5


@dataclass(frozen=True, slots=True)
class Meeting:
    """Something that a line comes too near to."""

    box_m: Floats  # (2, 3) of the thing, or of the part of a run that is near
    allowed_m: float  # smallest gap from the cable's surface
    lack_m: float
    at_m: float
    point_m: tuple[float, float, float]
    toward_m: tuple[float, float, float]
    inside: bool
    stretches_m: tuple[Stretch, ...]  # of the line, that are too near
    down_only: bool = False  # a deck: only lowering helps


@dataclass(frozen=True, slots=True)
class Look:
    """What one line lacks, as far as bends, gaps and decks go."""

    fitted: FittedRun
    meetings: tuple[Meeting, ...]
    tight: tuple[Bend, ...]  # bends that are narrower than asked
    required_m: float | None  # the radius of the centre line that bends need

    @property
    def lack_m(self) -> float:
        """The sum of all that is lacking; 0: bends, gaps and decks are in order."""
        required = 0.0 if self.required_m is None else self.required_m
        # the set-back that a bend lacks on each leg; a run that folds back has none that is long enough
        bends = (min((required - b.centre_radius_m) * math.tan(b.turn_rad / 2.0), 0.5) for b in self.tight)
        return sum(m.lack_m for m in self.meetings) + sum(max(2.0 * b, 0.01) for b in bends)

    @property
    def short(self) -> tuple[Shortfall, ...]:
        """What each tight bend lacks."""
        return () if self.required_m is None or not self.tight else shortfall(self.fitted, self.required_m)


class Site:
    """A run in the building of a checked job, to try other lines for."""

    def __init__(self, state: Checked, run_id: str) -> None:
        self.state = state
        self.examined: Examined = state.examined
        self.job = self.examined.scene.job
        self.number = next(i for i, run in enumerate(self.job.runs) if run.run_id == run_id)
        self.run: Run = self.job.runs[self.number]
        self.alone = self.examined.alone[self.number]
        self.cable = self.job.cables[self.run.cable_id]
        self.radius_m = 0.0 if self.cable.radius_m is None else self.cable.radius_m
        sagitta = CHORD_SAGITTA_M if self.cable.radius_m is None else self.cable.radius_m
        self.sagitta_m = sagitta
        corners, _, _, _, kind = read_corners(self.run.corners_m, self.run.drawn_radius_m, sagitta)
        self.redraws_arcs = bool((kind != 0).any())
        self.corners_m: Floats = np.asarray(corners)
        self.keeps_arcs = True  # False: arcs that were drawn are plain corners, also where no corner moves

    @property
    def bend_m(self) -> float:
        """The radius of the centre line that the rules ask for; 0 where no limit is known."""
        required = self.alone.need.centre_radius_m
        return 0.0 if required is None else required

    def drawn(self, corners_m: Floats) -> Run:
        """Return the run with other corners; what holds or shields it stays where the cable still lies."""
        if self._is_drawn(corners_m):
            return self.run
        before, fitted = self.alone.fitted, self.fit(corners_m)
        kept = kept_parts(before, fitted)
        return replace(
            _with_path(self.run, corners_m),
            straps_at_m=still_there(before, fitted, self.run.straps_at_m),
            supports_at_m=still_there(before, fitted, self.run.supports_at_m),
            plates_m=kept_stretches(self.run.plates_m, kept, before.length_m),
            guards_m=kept_stretches(self.run.guards_m, kept, before.length_m),
        )

    def _is_drawn(self, corners_m: Floats) -> bool:
        return self.keeps_arcs and np.array_equal(corners_m, self.corners_m)

    def fit(self, corners_m: Floats) -> FittedRun:
        """Return the line in which the cable would lie."""
        run = _with_path(self.run, corners_m)
        return fit_run(run, self.alone.need.centre_radius_m, self.job.settings.bend_target, self.sagitta_m)

    def looks(self, lines: Sequence[Floats]) -> list[Look | None]:
        """Return what each line lacks; None for one that is no line. Exact; what only other checks see is left to them.

        A line equal to the drawn one is looked at as it is drawn, while ``keeps_arcs``.
        """
        pause()
        fitted: list[FittedRun | None] = []
        for line in lines:
            try:
                fitted.append(self.alone.fitted if self._is_drawn(line) else self.fit(line))
            except ValueError:
                fitted.append(None)
        good = [f for f in fitted if f is not None]
        ends = [(self.alone.start, self.alone.end)] * len(good)
        gaps = gaps_to_elements(self.job, [self.number] * len(good), good, ends, self.examined.around)
        to_runs = self._meet_runs(good)
        found = iter(zip(good, gaps, to_runs, self._near_decks(good), strict=True))
        answer: list[Look | None] = []
        for one in fitted:
            if one is None:
                answer.append(None)
                continue
            line_fit, (mine, _), others, decks = next(found)
            meetings = [
                Meeting(
                    self.examined.around.boxes_m[g.element],
                    g.allowed_m,
                    g.allowed_m - g.gap_m,
                    g.at_m,
                    g.point_m,
                    g.toward_m,
                    g.inside,
                    g.stretches_m,
                )
                for g in mine
                if not g.through and g.element is not None
            ]
            required = self.alone.need.centre_radius_m
            least = 0.0 if required is None else required - TOLERANCE_M
            tight = tuple(bend for bend in line_fit.bends if bend.centre_radius_m < least)
            answer.append(Look(line_fit, (*meetings, *others, *decks), tight, required))
        return answer

    @cached_property
    def turn(self) -> Floats:
        """The rotation (3, 3), as columns, of the grid that the building follows, else of that of the other runs."""
        angle = self.examined.scene.of_building(grid_of_building, ROLES)
        angle = grid_of_runs(self.job.runs[i] for i in self.others) if angle is None else angle
        return turn_by(0.0 if angle is None else angle)

    # --- other runs, decks -------------------------------------------------------------------------------------------

    @cached_property
    def others(self) -> list[int]:
        """The other runs."""
        return [i for i in range(len(self.job.runs)) if i != self.number]

    @cached_property
    def _extents(self) -> Floats:
        boxes = [self.examined.scene.fitted[i].boxes_m for i in self.others]
        return np.array([np.concatenate([b[:, :3].min(axis=0), b[:, 3:].max(axis=0)]) for b in boxes]).reshape(-1, 6)

    def near_runs(self, low: Floats, high: Floats) -> list[int]:
        """Return the numbers of other runs whose boxes meet one."""
        if not self.others:
            return []
        meet = (self._extents[:, :3] <= high).all(axis=1) & (self._extents[:, 3:] >= low).all(axis=1)
        return [self.others[k] for k in np.flatnonzero(meet)]

    def radius_of(self, number: int) -> float:
        """Return half the diameter of another run's cable."""
        radius = self.job.cables[self.job.runs[number].cable_id].radius_m
        return 0.0 if radius is None else radius

    def _meet_runs(self, lines: Sequence[FittedRun]) -> list[list[Meeting]]:
        answer: list[list[Meeting]] = [[] for _ in lines]
        if not lines or not self.others:
            return answer
        for k, line in enumerate(lines):
            low, high = line.boxes_m[:, :3].min(axis=0), line.boxes_m[:, 3:].max(axis=0)
            near = self.near_runs(low - 0.1, high + 0.1)
            if not near:
                continue
            pieces = [self.examined.scene.fitted[i].pieces for i in near]
            radius = np.array([self.radius_of(i) for i in near] + [self.radius_m])
            rows, starts = concatenated([*pieces, line.pieces])
            found = nearest_paths(rows, starts, radius, 0.0, only=[len(near)], origin_m=self.examined.around.origin_m)
            for first, second, distance, first_at, second_at in zip(
                found.first.tolist(),
                found.second.tolist(),
                found.distance_m.tolist(),
                found.first_at_m.tolist(),
                found.second_at_m.tolist(),
                strict=True,
            ):
                other, mine_at, other_at = (
                    (first, second_at, first_at) if second == len(near) else (second, first_at, second_at)
                )
                lack = self.radius_m + float(radius[other]) - distance
                if lack <= TOLERANCE_M or self._at_common_end(line, mine_at, near[other]):
                    continue
                point = points_at(line.pieces, np.array([mine_at]))[0]
                toward = points_at(pieces[other], np.array([other_at]))[0]
                answer[k].append(
                    Meeting(
                        np.array([toward - radius[other], toward + radius[other]]),
                        0.0,
                        lack,
                        mine_at,
                        _triple(point),
                        _triple(toward),
                        False,
                        ((mine_at - _AROUND_M, mine_at + _AROUND_M),),
                    )
                )
        return answer

    def _at_common_end(self, line: FittedRun, at_m: float, other: int) -> bool:
        """Tell whether this is where two runs may enter one box; the check decides whether they do."""
        mine, theirs = self.alone, self.examined.alone[other]
        tips = [(0.0, mine.start), (line.length_m, mine.end)]
        ends = {theirs.start.element_id, theirs.end.element_id} - {None}
        return any(abs(at_m - tip) <= 0.3 and end.element_id in ends for tip, end in tips)

    def _near_decks(self, lines: Sequence[FittedRun]) -> list[list[Meeting]]:
        """Return the decks that lines are too near to, by the distance in space, which is never above that below it."""
        answer: list[list[Meeting]] = [[] for _ in lines]
        limit, around = self.deck_gap_m, self.examined.around
        if limit is None or "deck" not in self.job.checks or not lines or not self.decks.any():
            return answer
        pieces, starts = concatenated([line.pieces for line in lines])
        radius = np.full(len(lines), self.radius_m)
        reach = around.thick_m + limit
        near = nearest_elements(around.index, pieces, starts, radius, reach, skip=~self.decks)
        lack = self.radius_m + reach[near.element] - near.distance_m
        for k, e, lacking, at in zip(
            near.path.tolist(), near.element.tolist(), lack.tolist(), near.at_m.tolist(), strict=True
        ):
            if lacking > TOLERANCE_M:
                point = _triple(points_at(lines[k].pieces, np.array([at]))[0])
                stretch = (at - _AROUND_M, at + _AROUND_M)
                answer[k].append(
                    Meeting(around.boxes_m[e], limit, lacking, at, point, point, False, (stretch,), down_only=True)
                )
        return answer

    @cached_property
    def deck_gap_m(self) -> float | None:
        """The gap that is asked below decks."""
        settings = self.job.settings
        return deck_gap(self.examined.scene.rules, settings.deck, self.cable.method, settings.deck_slab_m).gap_m

    @cached_property
    def decks(self) -> NDArray[np.bool_]:
        """Which elements are decks."""
        return self.examined.around.having(("deck",))

    # --- what a line costs -------------------------------------------------------------------------------------------

    @cached_property
    def corridors_m(self) -> Floats:
        """The legs (k, 2, 3) of other runs that pass near the run."""
        low, high = self.corners_m.min(axis=0) - _CORRIDOR_M, self.corners_m.max(axis=0) + _CORRIDOR_M
        lines = [self.job.runs[i].corners_m for i in self.near_runs(low, high)]
        return np.concatenate([NO_LEGS, *(np.stack([line[:-1], line[1:]], axis=1) for line in lines)])

    def cost(self, corners_m: Floats) -> float:
        """Return what a line costs against the drawn one, see ``cost_of``."""
        return cost_of(self.corners_m, corners_m, self.turn, self.corridors_m)

    # --- what each element asks for ----------------------------------------------------------------------------------

    @cached_property
    def allowed_m(self) -> Floats:
        """The gap that each element asks for, a deck's from below included."""
        around = self.examined.around
        allowed = around.by_role(dict(self.job.clearance_m), 0.0)
        if self.deck_gap_m is not None and "deck" in self.job.checks:
            deck = around.having(("deck",))
            allowed[deck] = np.maximum(allowed[deck], self.deck_gap_m)
        return allowed

    @cached_property
    def ignored(self) -> NDArray[np.bool_]:
        """The elements that are meant to touch the cable."""
        return self.examined.around.having(NOT_MEASURED)

    @cached_property
    def passable(self) -> NDArray[np.bool_]:
        """The elements that the trade makes holes in."""
        return self.examined.around.having(PASSABLE)


def rounded(corners_m: Floats, ends_m: Floats) -> Floats:
    """Return corners in tenths of a millimetre, as they will be written; the ends as they are."""
    line = np.round(corners_m / ROUNDED_M) * ROUNDED_M
    line[0], line[-1] = ends_m[0], ends_m[-1]
    return line


def _with_path(run: Run, corners_m: Floats) -> Run:
    return replace(run, corners_m=corners_m, drawn_radius_m=np.zeros(len(corners_m)))


def _triple(point: Floats) -> tuple[float, float, float]:
    return (float(point[0]), float(point[1]), float(point[2]))
