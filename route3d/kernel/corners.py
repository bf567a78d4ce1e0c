"""The real corners of a drawn polyline: no repeated points, no points on straight legs, no chords that mean an arc."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.chords import PART_MAX_RAD, chord_groups, place_group
from route3d.kernel.compiled import compiled
from route3d.kernel.xyz import beyond, dot, norm, put, row, sub, zero

Floats = NDArray[np.float64]
Numbers = NDArray[np.int64]

PLAIN, ARC, CHORDS = 0, 1, 2  # how a corner was drawn

SAME_POINT_M = 1e-6  # nearer points are one; a point so near a straight line lies on it
STRAIGHT_RAD = 1e-6  # a smaller turn is no corner


def read_corners(
    points: Floats, drawn_radius: Floats, sagitta_max: float
) -> tuple[Floats, Numbers, Numbers, Floats, Numbers]:
    """Return the corners that a polyline means.

    Parameters
    ----------
    points : (n, 3) float
        The polyline as drawn, ends included, n >= 1.
    drawn_radius : (n,) float
        Radius of the arc that was drawn at a corner, whose point is where the tangents meet; 0 where none was.
    sagitta_max : float
        Chords that leave their arc further than this are legs of their own.

    Returns
    -------
    corners : (m, 3) float
        Ends included; at least 2 unless the points are all one.
    first, last : (m,) int
        Numbers of the drawn points that the corner stands for.
    radius : (m,) float
        Radius of the arc that was drawn, as such or as chords; 0 at ends and plain corners.
    kind : (m,) int
        ``PLAIN``, ``ARC`` or ``CHORDS``.
    """
    # copies, as read-only arrays would have everything compiled for them too
    corners, first, last, radius, kind = _read(
        np.array(points, dtype=np.float64), np.array(drawn_radius, dtype=np.float64), float(sagitta_max)
    )
    return corners, first, last, radius, kind


@compiled
def _read(points: Floats, drawn_radius: Floats, sagitta_max: float) -> tuple[Floats, Numbers, Numbers, Floats, Numbers]:
    distinct, keep, radius = _distinct(points, drawn_radius)
    count = len(distinct)
    groups, arcs, group_count = chord_groups(distinct, radius, sagitta_max)
    room = count + 4
    for g in range(group_count):
        room += 2 + int(arcs[g, 7] / PART_MAX_RAD)
    corners = np.empty((room, 3))
    span = np.empty((room, 2), np.int64)
    given = np.zeros(room)
    kind = np.zeros(room, np.int64)
    used = 0
    i = zero()
    g = 0
    while i < count:
        if g < group_count and groups[g, 0] == i:
            stop = groups[g, 1]
            if i == 0:
                put(corners, used, row(distinct, i))
                span[used, 0] = span[used, 1] = i
                used += 1
            placed = place_group(distinct, i, stop, arcs[g], corners, span, used)
            for k in range(used, placed):
                given[k] = arcs[g, 6]
                kind[k] = CHORDS
            used = placed
            g += 1
            # a vertex where two arcs meet starts the next group: it is no corner
            shared = g < group_count and groups[g, 0] == stop
            i = stop if shared or stop == count - 1 else stop + 1
            if stop < count - 1:
                continue
        put(corners, used, row(distinct, i))
        span[used, 0] = span[used, 1] = i
        if 0 < i < count - 1 and radius[i] > 0.0:
            given[used] = radius[i]
            kind[used] = ARC
        used += 1
        i += 1
    real = _not_straight(corners, kind, used)
    size = len(real)
    first = np.empty(size, np.int64)
    last = np.empty(size, np.int64)
    out = np.empty((size, 3))
    out_given = np.empty(size)
    out_kind = np.empty(size, np.int64)
    for k in range(size):
        i = real[k]
        put(out, k, row(corners, i))
        first[k], last[k] = keep[span[i, 0]], keep[span[i, 1]]
        out_given[k], out_kind[k] = given[i], kind[i]
    return out, first, last, out_given, out_kind


@compiled
def _distinct(points: Floats, drawn_radius: Floats) -> tuple[Floats, Numbers, Floats]:
    """Return the points that differ from the one before, their numbers and radii; both ends stay where they are."""
    count = len(points)
    keep = np.empty(count, np.int64)
    radius = np.zeros(count)
    used = 0
    for i in range(count):
        if used > 0 and norm(sub(row(points, i), row(points, keep[used - 1]))) <= SAME_POINT_M:
            # of repeated points the one counts that has an arc
            if used > 1 and (i == count - 1 or drawn_radius[i] > radius[used - 1]):
                keep[used - 1] = i
            radius[used - 1] = max(radius[used - 1], drawn_radius[i])
        else:
            keep[used] = i
            radius[used] = drawn_radius[i]
            used += 1
    distinct = np.empty((used, 3))
    for k in range(used):
        put(distinct, k, row(points, keep[k]))
    return distinct, keep, radius


@compiled
def _not_straight(corners: Floats, kind: Numbers, count: int) -> Numbers:
    """Number the corners that are needed: the others lie on the straight leg between two that stay."""
    keep = np.empty(count, np.int64)
    keep[0] = 0
    used = 1
    anchor = zero()
    while anchor < count - 1:
        end = anchor + 1
        while end < count - 1 and kind[end] != CHORDS:
            end += 1
        # measured against the final leg, so that a long gentle curve is not whittled away corner by corner
        stop, step = anchor + 1, 1
        while stop + step <= end and _straight(corners, anchor, stop + step):
            stop += step
            step *= 2
        while step > 0:
            if stop + step <= end and _straight(corners, anchor, stop + step):
                stop += step
            step //= 2
        keep[used] = stop
        used += 1
        anchor = stop
    return keep[:used]


@compiled
def _straight(corners: Floats, start: int, stop: int) -> bool:
    origin = row(corners, start)
    leg = sub(row(corners, stop), origin)
    length = norm(leg)
    if length <= SAME_POINT_M:
        return False
    way = (leg[0] / length, leg[1] / length, leg[2] / length)
    before = 0.0
    for i in range(start + 1, stop):
        step = sub(row(corners, i), origin)
        along = dot(step, way)
        if along < before - SAME_POINT_M or along > length + SAME_POINT_M:
            return False  # it folds back
        before = max(before, along)
        off = norm(beyond(step, -along, way))
        if off > SAME_POINT_M:
            rest = length - along
            if along <= 0.0 or rest <= 0.0 or off / along + off / rest > STRAIGHT_RAD:
                return False
    return True
