"""Distances between straight pieces and arcs."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled
from route3d.kernel.piece import piece_point, piece_sagitta
from route3d.kernel.stretches import grown
from route3d.kernel.triangles import TOLERANCE_M, arc_lowest, arc_point, segment_segment

Floats = NDArray[np.float64]

_END_M = 5e-6  # ends of stretches between two arcs are found to this
_AT_LIMIT_M = 1e-6  # an arc that is farther than its limit by this much is still taken as within it


@compiled
def _lowest(piece: Floats, a: float, b: float, nx: float, ny: float, nz: float) -> float:
    """Return the least n·x over the points of a part."""
    if piece[0] == 1.0:
        return arc_lowest(piece, nx, ny, nz, a / piece[12], b / piece[12])
    ax, ay, az = piece_point(piece, a)
    bx, by, bz = piece_point(piece, b)
    return min(nx * ax + ny * ay + nz * az, nx * bx + ny * by + nz * bz)


@compiled
def curve_curve(
    piece: Floats, a0: float, a1: float, other: Floats, b0: float, b1: float, limit: float
) -> tuple[float, float, float]:
    """Return the distance between parts of two pieces, and where on each as lengths from their starts.

    Exact between straight pieces, certified to ``TOLERANCE_M`` otherwise: branch and bound, with the chords' distance
    less both sagittas, and the gap seen along the shortest line found, as lower bounds. A place of -1 says "not
    nearer than ``limit``", to within the tolerance.
    """
    size = 192
    spans = np.empty((size, 5))
    spans[0, 0], spans[0, 1], spans[0, 2], spans[0, 3], spans[0, 4] = a0, a1, b0, b1, 0.0
    depth = 1
    best = limit
    at, at_other = -1.0, -1.0
    straight = piece[0] != 1.0 and other[0] != 1.0
    while depth > 0:
        depth -= 1
        if not straight and spans[depth, 4] >= best - TOLERANCE_M:
            continue
        a, b = spans[depth, 0], spans[depth, 1]
        c, d = spans[depth, 2], spans[depth, 3]
        ax, ay, az = piece_point(piece, a)
        bx, by, bz = piece_point(piece, b)
        cx, cy, cz = piece_point(other, c)
        dx, dy, dz = piece_point(other, d)
        d2, s, t = segment_segment(cx - ax, cy - ay, cz - az, bx - ax, by - ay, bz - az, dx - cx, dy - cy, dz - cz)
        if straight:
            near = math.sqrt(d2)
            if near < best:
                best, at, at_other = near, a + s * (b - a), c + t * (d - c)
            break
        bulge, bulge_other = piece_sagitta(piece, b - a), piece_sagitta(other, d - c)
        low = max(math.sqrt(d2) - bulge - bulge_other, 0.0)
        if low >= best - TOLERANCE_M:
            continue
        p, q = a + s * (b - a), c + t * (d - c)
        px, py, pz = piece_point(piece, p)
        qx, qy, qz = piece_point(other, q)
        near = math.sqrt((px - qx) ** 2 + (py - qy) ** 2 + (pz - qz) ** 2)
        if near < best:
            best, at, at_other = near, p, q
        if bulge + bulge_other < 0.25 * TOLERANCE_M or low >= best - TOLERANCE_M:
            continue
        if near > TOLERANCE_M:
            nx, ny, nz = (px - qx) / near, (py - qy) / near, (pz - qz) / near
            low = max(low, _lowest(piece, a, b, nx, ny, nz) + _lowest(other, c, d, -nx, -ny, -nz))
            if low >= best - TOLERANCE_M:
                continue
        if depth + 2 > size:  # halving stops at 0.25 of the tolerance, far above 2**-90 of any two arcs
            raise RuntimeError("two arcs were halved too often")
        first_near = True
        for k in range(2):
            for column in range(4):
                spans[depth + k, column] = (a, b, c, d)[column]
            spans[depth + k, 4] = low
        if bulge >= bulge_other:
            middle = 0.5 * (a + b)
            first_near = s < 0.5
            spans[depth, 0 if first_near else 1] = middle
            spans[depth + 1, 1 if first_near else 0] = middle
        else:
            middle = 0.5 * (c + d)
            first_near = t < 0.5
            spans[depth, 2 if first_near else 3] = middle
            spans[depth + 1, 3 if first_near else 2] = middle
        depth += 2
    return best, at, at_other


@compiled
def point_arc(x: float, y: float, z: float, arc: Floats) -> tuple[float, float]:
    """Return the distance from a point to an arc piece, and the angle of the nearest place."""
    dx, dy, dz = x - arc[3], y - arc[4], z - arc[5]
    u = dx * arc[6] + dy * arc[7] + dz * arc[8]
    v = dx * arc[9] + dy * arc[10] + dz * arc[11]
    angle = math.atan2(v, u)
    if angle < 0.0:
        angle += 2.0 * math.pi
    if angle <= arc[13]:
        hx, hy, hz = dx - u * arc[6] - v * arc[9], dy - u * arc[7] - v * arc[10], dz - u * arc[8] - v * arc[11]
        across = math.sqrt(u * u + v * v) - arc[12]
        return math.sqrt(across * across + hx * hx + hy * hy + hz * hz), angle
    ax, ay, az = arc_point(arc, 0.0)
    bx, by, bz = arc_point(arc, arc[13])
    near_a = (x - ax) ** 2 + (y - ay) ** 2 + (z - az) ** 2
    near_b = (x - bx) ** 2 + (y - by) ** 2 + (z - bz) ** 2
    return (math.sqrt(near_a), 0.0) if near_a <= near_b else (math.sqrt(near_b), arc[13])


@compiled
def _highest_to_arc(piece: Floats, a: float, b: float, arc: Floats) -> float:
    """Return what the distance to an arc cannot exceed on a part of a piece.

    Between the chord of the part and the chord of the places nearest to its ends, the distance is convex. Either
    curve strays from its chord by the sagitta.
    """
    x, y, z = piece_point(piece, a)
    near_a, angle_a = point_arc(x, y, z, arc)
    x, y, z = piece_point(piece, b)
    near_b, angle_b = point_arc(x, y, z, arc)
    apart = abs(angle_b - angle_a)
    if apart > math.pi:
        return math.inf
    return max(near_a, near_b) + piece_sagitta(piece, b - a) + piece_sagitta(arc, apart * arc[12])


@compiled
def curve_near_arc(piece: Floats, arc: Floats, limit: float, intervals: Floats, held: int) -> tuple[Floats, int]:
    """Append the intervals of a piece within ``limit`` of an arc.

    Parts are halved until the whole of one is in or out, or until it is shorter than ``_END_M``, when its middle tells.
    The distance changes no faster than the place, which decides most parts; where two arcs run side by side
    near the limit, a bound from their chords does. A part that exceeds the limit by ``_AT_LIMIT_M`` at most is in.
    """
    spans = np.empty((80, 2))
    spans[0, 0], spans[0, 1] = 0.0, piece[2]
    depth = 1
    before = held
    while depth > 0:
        depth -= 1
        a, b = spans[depth, 0], spans[depth, 1]
        middle = 0.5 * (a + b)
        half = 0.5 * (b - a)
        x, y, z = piece_point(piece, middle)
        near, _ = point_arc(x, y, z, arc)
        if near - half > limit:
            continue
        within = near + half <= limit
        if not within and half < 0.5 * _END_M:
            if near > limit:
                continue
            within = True
        if not within and near <= limit + _AT_LIMIT_M:
            within = _highest_to_arc(piece, a, b, arc) <= limit + _AT_LIMIT_M
        elif not within:
            _, at, _ = curve_curve(piece, a, b, arc, 0.0, arc[2], limit + TOLERANCE_M)
            if at < 0.0:
                continue
        if within:
            # parts come in order, so one that follows on makes the last longer
            if held > before and intervals[held - 1, 1] >= piece[1] + a - 0.5 * _END_M:
                intervals[held - 1, 1] = piece[1] + b
                continue
            if held == len(intervals):
                intervals = grown(intervals)
            intervals[held, 0], intervals[held, 1] = piece[1] + a, piece[1] + b
            held += 1
            continue
        if depth + 2 > len(spans):
            spans = grown(spans)
        spans[depth, 0], spans[depth, 1] = middle, b
        spans[depth + 1, 0], spans[depth + 1, 1] = a, middle
        depth += 2
    return intervals, held
