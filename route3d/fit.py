"""Drawn corners, and the radius that the rules ask, to the line in which the cable would lie.

The cable is not drawn as it lies: the fit gives every plain corner the largest arc that its legs allow, sharing them so
that the tightest bend is as wide as can be. Arcs that were drawn, as such or as chords, stay as drawn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.corners import CHORDS, read_corners
from route3d.kernel.fillet import FOLD_RAD, tangent_arcs
from route3d.kernel.path import AT, TURN, U, V
from route3d.model.cable import Cable
from route3d.model.run import Bend, FittedRun, Run
from route3d.rules.bend import BendRequirement

CHORD_SAGITTA_M = 0.005  # of a cable without a known diameter: chords that leave their circle by no more mean an arc

_DRAWN_AS = ("corner", "arc", "chords")
_ENOUGH_M = 1e-9  # a radius that misses by rounding reaches it
_PARALLEL = 1e-6  # sine of the angle up to which two legs are parallel


def fit_run(run: Run, required_centre_radius_m: float | None, bend_target: float, chord_sagitta_m: float) -> FittedRun:
    """Return the line in which the cable would lie.

    Parameters
    ----------
    run : Run
        As drawn. Repeated points and points on a straight leg do not matter.
    required_centre_radius_m : float or None
        What the rules ask of the centre line. None, where no limit is known, leaves plain corners sharp.
    bend_target : float
        Plain corners get no more than this multiple of the required radius. Drawn arcs may be larger.
    chord_sagitta_m : float
        Chords that leave their circle by no more than this mean an arc; half the cable's diameter is a fair value.

    Returns
    -------
    FittedRun
        With one ``Bend`` per corner. A drawn arc is kept where its set-backs fit on its legs, and is a plain corner
        where they do not; an arc drawn as chords that turns more than 120° is reported as several bends with
        one radius. A corner with ``centre_radius_m`` 0.0 has no arc: a sharp corner where no limit is known, or a run
        that folds back on itself, where no arc is tangent to both legs. Only there the line has a kink.

    Raises
    ------
    ValueError
        The run has fewer than two different points, or a radius or multiple is not positive.
    """
    if required_centre_radius_m is not None and not (required_centre_radius_m > 0.0 and bend_target > 0.0):
        raise ValueError("the required radius and the bend target must be positive")
    if len(run.corners_m) < 2:
        raise ValueError("a run needs two different points")
    corners, first, last, given, kind = read_corners(run.corners_m, run.drawn_radius_m, chord_sagitta_m)
    if len(corners) < 2:
        raise ValueError("a run needs two different points")
    largest = 0.0 if required_centre_radius_m is None else bend_target * required_centre_radius_m
    pieces, table, kept = tangent_arcs(corners, given, kind == CHORDS, largest)
    pieces.setflags(write=False)
    return FittedRun(run, pieces, _bends(table, kept, kind, first, last))


def fit_as_required(run: Run, cable: Cable, required: BendRequirement, bend_target: float) -> FittedRun:
    """Return the line in which ``cable`` would lie along ``run``, where its bends must be as ``required``.

    Raises
    ------
    ValueError
        As ``fit_run``.
    """
    radius = cable.radius_m
    return fit_run(run, required.centre_radius_m, bend_target, CHORD_SAGITTA_M if radius is None else radius)


def _bends(
    table: NDArray[np.float64],
    kept: NDArray[np.bool_],
    kind: NDArray[np.int64],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
) -> tuple[Bend, ...]:
    begins, ends = first.tolist(), last.tolist()
    drawn = np.where(kept, kind[1:-1], 0).tolist()
    return tuple(
        Bend(
            corner=begins[i + 1],
            from_m=row[0],
            to_m=row[1],
            point_m=(row[2], row[3], row[4]),
            turn_rad=row[5],
            centre_radius_m=row[6],
            leg_before_m=row[7],
            leg_after_m=row[8],
            corner_before=ends[i],
            corner_after=begins[i + 2],
            drawn_as=_DRAWN_AS[drawn[i]],
            last_corner=ends[i + 1],
        )
        for i, row in enumerate(table.tolist())
    )


@dataclass(frozen=True, slots=True)
class LegShortfall:
    """How much longer a leg must be for the bends at both its ends, and what to move to get it.

    Moving the corners ``move_corner`` to ``move_to_corner`` (numbers of drawn corners, from the leg outward) by
    ``lack_m`` along ``direction`` lengthens the leg and leaves every other leg's direction as it is.
    """

    corner_before: int
    corner_after: int
    leg_m: float
    needed_m: float
    lack_m: float  # needed minus leg; infinite at a run that folds back, which no leg can mend
    move_corner: int
    move_to_corner: int
    direction: tuple[float, float, float]  # unit vector, outward from the leg
    moves_end: bool  # no parallel leg takes up the shift: the end of the run moves too


@dataclass(frozen=True, slots=True)
class Shortfall:
    """What a bend lacks that misses the required radius; doing all that is named here makes it reach it."""

    bend: Bend
    required_centre_radius_m: float
    before: LegShortfall | None  # None: this leg is long enough
    after: LegShortfall | None
    radius_to_draw_m: float | None  # for an arc drawn with a smaller radius, as such or as chords


def shortfall(fitted: FittedRun, required_centre_radius_m: float) -> tuple[Shortfall, ...]:
    """Return what each bend lacks whose radius is smaller than required, in the order of the run.

    A leg needs the set-backs of the bends at both its ends: at the required radius, or at the drawn one where that is
    larger. Each leg is told by itself: where two are lengthened by shifts that the same third leg takes up, fit again.

    Parameters
    ----------
    fitted : FittedRun
        As ``fit_run`` gave it.
    required_centre_radius_m : float
        What the rules ask of the centre line.

    Returns
    -------
    tuple of Shortfall
        Empty when every bend reaches the radius.
    """
    bends = fitted.bends
    short = [i for i, bend in enumerate(bends) if bend.centre_radius_m < required_centre_radius_m - _ENOUGH_M]
    if not short:
        return ()
    legs = _Legs(fitted, required_centre_radius_m)
    found = []
    for i in short:
        drawn = fitted.run.drawn_radius_m[bends[i].corner]
        redraw = bends[i].drawn_as != "corner" or 0.0 < drawn < required_centre_radius_m
        found.append(
            Shortfall(
                bends[i],
                required_centre_radius_m,
                legs.lack(i, bends[i]),
                legs.lack(i + 1, bends[i]),
                required_centre_radius_m if redraw else None,
            )
        )
    return tuple(found)


class _Legs:
    """The legs of a run, numbered so that bend ``i`` lies between legs ``i`` and ``i + 1``."""

    def __init__(self, fitted: FittedRun, required_m: float) -> None:
        bends = fitted.bends
        self.bends = bends
        self.length = [bends[0].leg_before_m, *(bend.leg_after_m for bend in bends)]
        self.before = [bends[0].corner_before, *(bend.last_corner for bend in bends)]
        self.after = [*(bend.corner for bend in bends), bends[-1].corner_after]
        self.way = _ways(fitted)
        self.setback = [self._setback(fitted.run, bend, required_m) for bend in bends]

    @staticmethod
    def _setback(run: Run, bend: Bend, required_m: float) -> float:
        if math.pi - bend.turn_rad < FOLD_RAD:
            return 0.0  # the fit serves a fold last: it takes nothing from its neighbours
        drawn = bend.centre_radius_m if bend.drawn_as == "chords" else float(run.drawn_radius_m[bend.corner])
        return max(required_m, drawn) * math.tan(bend.turn_rad / 2.0)

    def needed(self, e: int) -> float:
        """Return the length that leg ``e`` needs for the bends at its ends."""
        before = self.setback[e - 1] if e > 0 else 0.0
        after = self.setback[e] if e < len(self.setback) else 0.0
        return before + after

    def lack(self, e: int, bend: Bend) -> LegShortfall | None:
        """Return what leg ``e`` lacks for ``bend`` at one of its ends, or None."""
        needed = math.inf if math.pi - bend.turn_rad < FOLD_RAD else self.needed(e)
        lack = needed - self.length[e]
        if lack <= 0.0:
            return None
        moves = [self._move(e, lack, outward) for outward in (1, -1)]
        # the fewest corners, and no end if it can be helped: ends are at boxes that others have placed
        moves_end, _, corner, to, outward = min(moves, key=lambda move: move[:2])
        x, y, z = (outward * self.way[e]).tolist()
        return LegShortfall(
            self.before[e], self.after[e], self.length[e], needed, lack, corner, to, (x, y, z), moves_end
        )

    def _move(self, e: int, lack: float, outward: int) -> tuple[bool, int, int, int, int]:
        """Return whether the end moves, how many corners move, the first and last of them, and which way is outward."""
        near, far = (self.after, self.before) if outward > 0 else (self.before, self.after)
        beyond = range(e + 1, len(self.length)) if outward > 0 else range(e - 1, -1, -1)
        for k in beyond:
            along = float(self.way[e] @ self.way[k])
            if float(np.linalg.norm(np.cross(self.way[e], self.way[k]))) > _PARALLEL:
                continue
            # a leg that runs back gets longer, one that runs on gets shorter and must be able to
            if along < 0.0 or self.length[k] - self.needed(k) >= lack:
                return False, abs(far[k] - near[e]), near[e], far[k], outward
        end = self.after[-1] if outward > 0 else self.before[0]
        return True, abs(end - near[e]), near[e], end, outward


def _ways(fitted: FittedRun) -> list[NDArray[np.float64]]:
    """Return the unit vectors along the legs, read off the pieces: corners that stand for chords are not drawn."""
    pieces = fitted.pieces
    ways = [pieces[0, V]]
    for bend in fitted.bends:
        row = pieces[int(np.searchsorted(pieces[:, AT], bend.from_m, side="left"))]
        turn = row[TURN] if bend.centre_radius_m > 0.0 else 0.0  # a sharp corner has no piece: this is the leg after it
        ways.append(np.cos(turn) * row[V] - np.sin(turn) * row[U])
    return ways
