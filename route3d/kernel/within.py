"""The stretches of a path that lie within a distance of an element."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.arc_roots import ROOT_ROOM, linear_roots, quadratic_roots
from route3d.kernel.bvh import STACK, box_gap2, segment_misses
from route3d.kernel.compiled import compiled, in_parts
from route3d.kernel.mesh_index import MeshIndex, local_pieces, numbers_within, path_starts
from route3d.kernel.piece import piece_misses
from route3d.kernel.stretches import Stretches, from_rows, grown, joined, sort_values
from route3d.kernel.triangles import arc_point, point_triangle, segment_segment, segment_triangle

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Links = NDArray[np.int32]

_AT_LIMIT_M = 1e-9  # what is farther than its limit by rounding alone is within it
_END_M = 1e-10  # a step this small ends the search for an end
_STEPS = 64  # where the line only touches the limit, every step halves what is left
_CHORD_RAD = math.radians(30.0)


def stretches_within(
    index: MeshIndex,
    pieces: ArrayLike,
    starts: ArrayLike,
    path: ArrayLike,
    element: ArrayLike,
    limit_m: ArrayLike,
) -> Stretches:
    """Return where the centre line of each path (k,) is at most ``limit_m`` (k,) from the surface of its element (k,).

    Exact for straight pieces (the distance to a triangle has one valley along a line) and for arcs (all places where it
    can equal the limit are roots of trigonometric polynomials). A place that is just at the limit is within it.
    """
    rows = local_pieces(index, pieces)
    firsts = path_starts(starts, len(rows))
    paths = numbers_within(path, len(firsts) - 1, "path")
    elements = numbers_within(element, index.element_count, "element")
    limits = np.array(limit_m, dtype=np.float64).reshape(-1)
    if not len(paths) == len(elements) == len(limits) or np.isnan(limits).any():
        raise ValueError("one path, one element and one limit are needed per pair")

    def search(first: int, last: int) -> Floats:
        return _search_pairs(
            first, last, rows, firsts, paths, elements, limits, index.roots, index.boxes, index.links, index.frames
        )

    work = np.diff(firsts)[paths] + 1
    return from_rows(in_parts(search, work, 1000) if len(paths) else [])


@compiled
def _search_pairs(
    first: int,
    last: int,
    pieces: Floats,
    starts: Ints,
    paths: Ints,
    elements: Ints,
    limits: Floats,
    roots: Ints,
    boxes: Singles,
    links: Links,
    frames: Floats,
) -> Floats:
    """Return rows (pair, from, to)."""
    rows = np.empty((64, 3))
    count = 0
    intervals = np.empty((64, 2))
    stack = np.empty(STACK, np.int64)
    angles = np.empty(9 * ROOT_ROOM)
    for pair in range(first, last):
        root = roots[elements[pair]]
        limit = limits[pair] + _AT_LIMIT_M
        if root < 0 or limit < 0.0:
            continue
        held = 0
        for p in range(starts[paths[pair]], starts[paths[pair] + 1]):
            if piece_misses(pieces[p], boxes, root, limit):
                continue
            intervals, held = _piece_intervals(
                pieces[p], limit, root, boxes, links, frames, stack, angles, intervals, held
            )
        held = joined(intervals, held)
        for k in range(held):
            if count == len(rows):
                rows = grown(rows)
            rows[count, 0], rows[count, 1], rows[count, 2] = pair, intervals[k, 0], intervals[k, 1]
            count += 1
    return rows[:count].copy()


@compiled
def _piece_intervals(
    piece: Floats,
    limit: float,
    root: int,
    boxes: Singles,
    links: Links,
    frames: Floats,
    stack: Ints,
    angles: Floats,
    intervals: Floats,
    held: int,
) -> tuple[Floats, int]:
    """Append the intervals (from, to) of one piece, a row per triangle, some of them overlapping."""
    arc = piece[0] == 1.0
    parts = 1
    if arc:
        parts = max(1, math.ceil(piece[13] / _CHORD_RAD - 1e-9))
    step = piece[13] / parts
    sagitta = piece[12] * 2.0 * math.sin(0.25 * step) ** 2 if arc else 0.0
    reach = limit + sagitta
    reach2 = reach * reach
    for part in range(parts):
        a = part * step
        b = a + step
        if arc:
            px, py, pz = arc_point(piece, a)
            qx, qy, qz = arc_point(piece, b)
            whole_from, whole_to = piece[1] + piece[12] * a, piece[1] + piece[12] * b
        else:
            px, py, pz = piece[3], piece[4], piece[5]
            qx, qy, qz = px + piece[2] * piece[9], py + piece[2] * piece[10], pz + piece[2] * piece[11]
            whole_from, whole_to = piece[1], piece[1] + piece[2]
        lx, hx = min(px, qx), max(px, qx)
        ly, hy = min(py, qy), max(py, qy)
        lz, hz = min(pz, qz), max(pz, qz)
        covered_from, covered_to = np.inf, -np.inf  # one interval that is known to be within
        depth = 1
        stack[0] = root
        while depth > 0:
            depth -= 1
            node = stack[depth]
            if box_gap2(boxes, node, lx, ly, lz, hx, hy, hz) > reach2:
                continue
            if segment_misses(boxes, node, px, py, pz, qx - px, qy - py, qz - pz, reach):
                continue
            child, count = links[node, 0], links[node, 1]
            if count == 0:
                stack[depth] = child + 1
                stack[depth + 1] = child
                depth += 2
                continue
            for i in range(child, child + count):
                if covered_from <= whole_from and covered_to >= whole_to:
                    break
                if not arc and _along_covered(piece, frames, i, limit, covered_from, covered_to):
                    continue
                d2, s = segment_triangle(px, py, pz, qx, qy, qz, frames, i, reach2 * (1.0 + 1e-12) + 1e-300)
                if d2 > reach2:
                    continue
                before = held
                if arc:
                    intervals, held = arc_within(piece, a, b, frames, i, limit, angles, intervals, held)
                else:
                    if held == len(intervals):
                        intervals = grown(intervals)
                    low, high = line_within(piece, frames, i, limit, s * piece[2])
                    intervals[held, 0], intervals[held, 1] = piece[1] + low, piece[1] + high
                    held += 1
                for k in range(before, held):
                    if intervals[k, 0] <= covered_to and intervals[k, 1] >= covered_from:
                        covered_from = min(covered_from, intervals[k, 0])
                        covered_to = max(covered_to, intervals[k, 1])
                    elif intervals[k, 1] - intervals[k, 0] > covered_to - covered_from:
                        covered_from, covered_to = intervals[k, 0], intervals[k, 1]
            if covered_from <= whole_from and covered_to >= whole_to:
                break
    return intervals, held


@compiled
def _along_covered(piece: Floats, frames: Floats, i: int, limit: float, covered_from: float, covered_to: float) -> bool:
    """Return True when all that triangle ``i`` could put within the limit of a straight piece is known already."""
    a = (
        piece[9] * (frames[i, 0] - piece[3])
        + piece[10] * (frames[i, 1] - piece[4])
        + piece[11] * (frames[i, 2] - piece[5])
    )
    b = piece[9] * frames[i, 3] + piece[10] * frames[i, 4] + piece[11] * frames[i, 5]
    c = frames[i, 9] * b + piece[9] * frames[i, 6] + piece[10] * frames[i, 7] + piece[11] * frames[i, 8]
    low = max(a + min(0.0, b, c) - limit, 0.0)
    high = min(a + max(0.0, b, c) + limit, piece[2])
    return bool(covered_from <= piece[1] + low and piece[1] + high <= covered_to)


@compiled
def _line_end(piece: Floats, frames: Floats, i: int, limit: float, s: float, valley: float) -> float:
    """Return where a straight piece comes within ``limit`` of triangle ``i`` on the way from ``s`` to ``valley``.

    The distance is convex along the line, so Newton's steps from outside approach the place without passing it.
    """
    for _ in range(_STEPS):
        x, y, z = piece[3] + s * piece[9], piece[4] + s * piece[10], piece[5] + s * piece[11]
        d2, nx, ny, nz = point_triangle(x, y, z, frames, i)
        distance = math.sqrt(d2)
        if distance <= limit:
            return s
        slope = ((x - nx) * piece[9] + (y - ny) * piece[10] + (z - nz) * piece[11]) / distance
        if slope * (valley - s) >= 0.0:  # level, but for rounding
            return valley
        following = s - (distance - limit) / slope
        if (following - valley) * (s - valley) <= 0.0:
            return valley
        if abs(following - s) < _END_M:
            return float(following)
        s = following
    return s


@compiled
def line_within(piece: Floats, frames: Floats, i: int, limit: float, valley: float) -> tuple[float, float]:
    """Return the interval of a straight piece within ``limit`` of triangle ``i``; ``valley`` is its nearest place."""
    return (
        _line_end(piece, frames, i, limit, 0.0, valley),
        _line_end(piece, frames, i, limit, piece[2], valley),
    )


@compiled
def _edge_roots(
    piece: Floats,
    first: float,
    last: float,
    limit: float,
    x: float,
    y: float,
    z: float,
    gx: float,
    gy: float,
    gz: float,
    roots: Floats,
    count: int,
) -> int:
    """Append where an arc is at ``limit`` from the line of the edge from (x, y, z) along g, unless the edge is far."""
    reach = limit + piece[12] * 2.0 * math.sin(0.25 * (last - first)) ** 2
    px, py, pz = arc_point(piece, first)
    qx, qy, qz = arc_point(piece, last)
    d2, _, _ = segment_segment(x - px, y - py, z - pz, qx - px, qy - py, qz - pz, gx, gy, gz)
    if d2 > reach * reach * (1.0 + 1e-12):
        return count
    length = math.sqrt(gx * gx + gy * gy + gz * gz)
    if length <= 0.0:
        return count
    gx, gy, gz = gx / length, gy / length, gz / length
    radius = piece[12]
    dx, dy, dz = piece[3] - x, piece[4] - y, piece[5] - z
    g0 = dx * gx + dy * gy + dz * gz
    gu = radius * (piece[6] * gx + piece[7] * gy + piece[8] * gz)
    gv = radius * (piece[9] * gx + piece[10] * gy + piece[11] * gz)
    # the part of the offset across the axis, so that no large squares are taken from each other
    cx, cy, cz = dx - g0 * gx, dy - g0 * gy, dz - g0 * gz
    a = 2.0 * radius * (cx * piece[6] + cy * piece[7] + cz * piece[8])
    b = 2.0 * radius * (cx * piece[9] + cy * piece[10] + cz * piece[11])
    k = cx * cx + cy * cy + cz * cz + radius * radius - limit * limit - 0.5 * (gu * gu + gv * gv)
    return quadratic_roots(roots, count, k, a, b, 0.5 * (gv * gv - gu * gu), -gu * gv, first, last)


@compiled
def _sphere_roots(
    piece: Floats,
    first: float,
    last: float,
    limit: float,
    x: float,
    y: float,
    z: float,
    roots: Floats,
    count: int,
) -> int:
    """Append where an arc is at ``limit`` from a point."""
    radius = piece[12]
    dx, dy, dz = piece[3] - x, piece[4] - y, piece[5] - z
    a = 2.0 * radius * (dx * piece[6] + dy * piece[7] + dz * piece[8])
    b = 2.0 * radius * (dx * piece[9] + dy * piece[10] + dz * piece[11])
    k = dx * dx + dy * dy + dz * dz + radius * radius - limit * limit
    return linear_roots(roots, count, k, a, b, first, last)


@compiled
def _arc_surely_within(piece: Floats, first: float, last: float, frames: Floats, i: int, limit: float) -> bool:
    """Return True when both ends are so near that, the distance being convex along the chord, the arc must be."""
    room = limit - piece[12] * 2.0 * math.sin(0.25 * (last - first)) ** 2
    if room <= 0.0:
        return False
    x, y, z = arc_point(piece, first)
    d2, _, _, _ = point_triangle(x, y, z, frames, i)
    if d2 > room * room:
        return False
    x, y, z = arc_point(piece, last)
    d2, _, _, _ = point_triangle(x, y, z, frames, i)
    return bool(d2 <= room * room)


@compiled
def arc_within(
    piece: Floats,
    first: float,
    last: float,
    frames: Floats,
    i: int,
    limit: float,
    angles: Floats,
    intervals: Floats,
    held: int,
) -> tuple[Floats, int]:
    """Append the intervals of an arc, from angle ``first`` to ``last``, within ``limit`` of triangle ``i``.

    A place at the limit is at that distance from the face's plane, from the line of an edge or from a corner. Between
    neighbouring such places the triangle is within the limit throughout or nowhere, and one look in the middle tells.
    """
    if _arc_surely_within(piece, first, last, frames, i, limit):
        if held == len(intervals):
            intervals = grown(intervals)
        intervals[held, 0] = piece[1] + min(piece[12] * first, piece[2])
        intervals[held, 1] = piece[1] + min(piece[12] * last, piece[2])
        return intervals, held + 1
    ax, ay, az = frames[i, 0], frames[i, 1], frames[i, 2]
    ex, ey, ez = frames[i, 3], frames[i, 4], frames[i, 5]
    foot = frames[i, 9]
    wx, wy, wz = frames[i, 6], frames[i, 7], frames[i, 8]
    cx, cy, cz = foot * ex + wx, foot * ey + wy, foot * ez + wz
    count = 2
    angles[0], angles[1] = first, last
    if frames[i, 11] > 0.0:
        scale = math.sqrt(frames[i, 10] * frames[i, 11])
        nx, ny, nz = (ey * wz - ez * wy) * scale, (ez * wx - ex * wz) * scale, (ex * wy - ey * wx) * scale
        k = (piece[3] - ax) * nx + (piece[4] - ay) * ny + (piece[5] - az) * nz
        u = piece[12] * (piece[6] * nx + piece[7] * ny + piece[8] * nz)
        v = piece[12] * (piece[9] * nx + piece[10] * ny + piece[11] * nz)
        count = linear_roots(angles, count, k - limit, u, v, first, last)
        count = linear_roots(angles, count, k + limit, u, v, first, last)
        count = _edge_roots(piece, first, last, limit, ax, ay, az, cx, cy, cz, angles, count)
        count = _edge_roots(
            piece, first, last, limit, ax + ex, ay + ey, az + ez, cx - ex, cy - ey, cz - ez, angles, count
        )
        count = _sphere_roots(piece, first, last, limit, ax + cx, ay + cy, az + cz, angles, count)
    count = _edge_roots(piece, first, last, limit, ax, ay, az, ex, ey, ez, angles, count)
    count = _sphere_roots(piece, first, last, limit, ax, ay, az, angles, count)
    count = _sphere_roots(piece, first, last, limit, ax + ex, ay + ey, az + ez, angles, count)
    sort_values(angles, count)
    slack2 = (limit + _AT_LIMIT_M) ** 2
    begun = np.nan
    for k in range(count):
        # the place itself first: an arc may touch the limit in a single point
        x, y, z = arc_point(piece, angles[k])
        d2, _, _, _ = point_triangle(x, y, z, frames, i)
        here = d2 <= slack2
        if here and math.isnan(begun):
            begun = angles[k]
        onward = False
        if k + 1 < count:
            x, y, z = arc_point(piece, 0.5 * (angles[k] + angles[k + 1]))
            d2, _, _, _ = point_triangle(x, y, z, frames, i)
            onward = d2 <= limit * limit
        if onward and math.isnan(begun):
            begun = angles[k]
        if not onward and not math.isnan(begun):
            if held == len(intervals):
                intervals = grown(intervals)
            intervals[held, 0] = piece[1] + min(piece[12] * begun, piece[2])
            intervals[held, 1] = piece[1] + min(piece[12] * angles[k], piece[2])
            held += 1
            begun = np.nan
    return intervals, held
