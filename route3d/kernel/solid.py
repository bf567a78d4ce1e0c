"""Closed elements: what is inside them, from where to where, and how deep."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.arc_roots import linear_roots
from route3d.kernel.bvh import STACK, box_gap2, segment_misses, single_above, single_below
from route3d.kernel.closed import closed_elements, is_closed, orient
from route3d.kernel.compiled import compiled, in_parts
from route3d.kernel.depth import Depth, deepest_rows
from route3d.kernel.inside import is_inside
from route3d.kernel.mesh_index import MeshIndex, local_pieces, numbers_within, path_starts
from route3d.kernel.piece import piece_misses
from route3d.kernel.stretches import Stretches, from_rows, grown, joined, sort_rows
from route3d.kernel.triangles import arc_point
from route3d.kernel.wide import WIDE_STACK, lowest_bit, near_places

__all__ = [
    "Depth",
    "Stretches",
    "closed_elements",
    "deepest",
    "elements_around",
    "inside_points",
    "inside_stretches",
    "is_closed",
    "orient",
]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Links = NDArray[np.int32]
Flags = NDArray[np.bool_]

_EDGE_M = 1e-7  # crossings this far outside a face are looked at too, so that none is lost between two faces
_SHORTEST_M = 1e-8  # between crossings nearer to each other than this there is nothing
_CHORD_RAD = math.radians(30.0)


def inside_points(index: MeshIndex, element: ArrayLike, points_m: ArrayLike) -> Flags:
    """Return whether each point (k, 3) is inside its closed element (k,); a point on the surface is not."""
    elements = numbers_within(element, index.element_count, "element")
    points = _points(points_m, len(elements)) - index.origin_m
    answer = _inside_each(elements, points, index.roots, index.boxes, index.links, index.frames)
    answer.setflags(write=False)
    return answer


def elements_around(index: MeshIndex, points_m: ArrayLike, closed: ArrayLike) -> tuple[Ints, Ints]:
    """Return every pair of a point (k, 3) and a closed element that it is inside of.

    Parameters
    ----------
    closed : (elements,) bool
        The elements to look at; only closed ones have an inside.

    Returns
    -------
    point, element : (pairs,) int
        Sorted by point, then element.
    """
    points = np.array(points_m, dtype=np.float64).reshape(-1, 3)
    points = _points(points, len(points)) - index.origin_m
    flags = np.array(closed, dtype=bool)
    if flags.shape != (index.element_count,):
        raise ValueError("one flag per element is needed")
    rows = np.empty((0, 2), np.int64)
    if len(points) and len(index.top_links):
        rows = _around(
            points,
            flags,
            index.roots,
            index.boxes,
            index.links,
            index.frames,
            index.top_boxes,
            index.top_links,
        )
    rows = rows[np.lexsort((rows[:, 1], rows[:, 0]))]
    point, element = rows[:, 0].copy(), rows[:, 1].copy()
    point.setflags(write=False)
    element.setflags(write=False)
    return point, element


def inside_stretches(
    index: MeshIndex, pieces: ArrayLike, starts: ArrayLike, path: ArrayLike, element: ArrayLike
) -> Stretches:
    """Return where the centre line of each path (k,) is inside its closed element (k,).

    The line is cut at its exact crossings with faces; what lies between two of them is inside or not as a whole.
    """
    rows = local_pieces(index, pieces)
    firsts, paths, elements = _pairs(index, rows, starts, path, element)

    def search(first: int, last: int) -> Floats:
        return _inside_pairs(
            first, last, rows, firsts, paths, elements, index.roots, index.boxes, index.links, index.frames
        )

    work = np.diff(firsts)[paths] + 1
    return from_rows(in_parts(search, work, 1000) if len(paths) else [])


def deepest(
    index: MeshIndex,
    pieces: ArrayLike,
    starts: ArrayLike,
    path: ArrayLike,
    element: ArrayLike,
    tolerance_m: float = 5e-5,
) -> Depth:
    """Return how deep the centre line of each path (k,) goes into its closed element (k,), and where.

    Depth is the distance to the nearest surface from a place inside. It is at most ``tolerance_m`` below the greatest
    there is, never above; 0 with a place of NaN where the path is never inside.
    """
    if not tolerance_m > 0.0:
        raise ValueError("the tolerance must be above 0")
    rows = local_pieces(index, pieces)
    firsts, paths, elements = _pairs(index, rows, starts, path, element)
    inside = inside_stretches(index, pieces, starts, paths, elements)

    def search(first: int, last: int) -> Floats:
        return deepest_rows(
            first,
            last,
            np.array(inside.pair),
            np.array(inside.from_m),
            np.array(inside.to_m),
            rows,
            firsts,
            paths,
            elements,
            index.roots,
            index.boxes,
            index.links,
            index.frames,
            tolerance_m,
        )

    found = in_parts(search, np.ones(len(paths), np.int64), 100) if len(paths) else []
    both = np.concatenate(found) if found else np.empty((0, 2))
    answer = Depth(both[:, 0].copy(), both[:, 1].copy())
    for array in answer:
        array.setflags(write=False)
    return answer


def _points(points_m: ArrayLike, count: int) -> Floats:
    points = np.array(points_m, dtype=np.float64).reshape(-1, 3)
    if len(points) != count or not np.isfinite(points).all():
        raise ValueError("one point of three finite numbers is needed per element")
    return points


def _pairs(
    index: MeshIndex, rows: Floats, starts: ArrayLike, path: ArrayLike, element: ArrayLike
) -> tuple[Ints, Ints, Ints]:
    firsts = path_starts(starts, len(rows))
    paths = numbers_within(path, len(firsts) - 1, "path")
    elements = numbers_within(element, index.element_count, "element")
    if len(paths) != len(elements):
        raise ValueError("one path and one element are needed per pair")
    return firsts, paths, elements


@compiled
def _inside_each(elements: Ints, points: Floats, roots: Ints, boxes: Singles, links: Links, frames: Floats) -> Flags:
    answer = np.zeros(len(elements), np.bool_)
    for k in range(len(elements)):
        root = roots[elements[k]]
        answer[k] = root >= 0 and is_inside(points[k, 0], points[k, 1], points[k, 2], root, boxes, links, frames)
    return answer


@compiled
def _around(
    points: Floats,
    closed: Flags,
    roots: Ints,
    boxes: Singles,
    links: Links,
    frames: Floats,
    top_boxes: Singles,
    top_links: Links,
) -> Ints:
    rows = np.empty((64, 2), np.int64)
    count = 0
    stack = np.empty(WIDE_STACK, np.int64)
    reach = np.full(top_links.shape, np.float32(_EDGE_M))
    for k in range(len(points)):
        x, y, z = points[k, 0], points[k, 1], points[k, 2]
        depth = 1
        stack[0] = 0
        while depth > 0:
            depth -= 1
            node = stack[depth]
            mask = near_places(
                top_boxes, reach, node, single_below(x), single_below(y), single_below(z),
                single_above(x), single_above(y), single_above(z), np.float32(0.0),
            )  # fmt: skip
            while mask != 0:
                link = top_links[node, lowest_bit(mask)]
                mask &= mask - 1
                if link >= 0:
                    stack[depth] = link
                    depth += 1
                    continue
                element = -1 - link
                if closed[element] and is_inside(x, y, z, roots[element], boxes, links, frames):
                    if count == len(rows):
                        larger = np.empty((2 * count, 2), np.int64)
                        larger[:count] = rows
                        rows = larger
                    rows[count, 0], rows[count, 1] = k, element
                    count += 1
    return rows[:count].copy()


@compiled
def _inside_pairs(
    first: int,
    last: int,
    pieces: Floats,
    starts: Ints,
    paths: Ints,
    elements: Ints,
    roots: Ints,
    boxes: Singles,
    links: Links,
    frames: Floats,
) -> Floats:
    """Return rows (pair, from, to)."""
    rows = np.empty((64, 3))
    count = 0
    places = np.empty((64, 2))  # the second number is not used
    intervals = np.empty((64, 2))
    stack = np.empty(STACK, np.int64)
    for pair in range(first, last):
        root = roots[elements[pair]]
        if root < 0:
            continue
        held = 0
        for p in range(starts[paths[pair]], starts[paths[pair] + 1]):
            piece = pieces[p]
            if piece_misses(piece, boxes, root, 0.0):
                continue  # not in the element's box, so not inside
            places, crossings = _crossings(piece, root, boxes, links, frames, stack, places)
            sort_rows(places, crossings)
            for k in range(crossings - 1):
                low, high = places[k, 0], places[k + 1, 0]
                if high - low < _SHORTEST_M:
                    continue
                s = 0.5 * (low + high)
                if piece[0] == 1.0:
                    x, y, z = arc_point(piece, s / piece[12])
                else:
                    x, y, z = piece[3] + s * piece[9], piece[4] + s * piece[10], piece[5] + s * piece[11]
                if is_inside(x, y, z, root, boxes, links, frames):
                    if held == len(intervals):
                        intervals = grown(intervals)
                    intervals[held, 0], intervals[held, 1] = piece[1] + low, piece[1] + high
                    held += 1
        held = joined(intervals, held)
        for k in range(held):
            if count == len(rows):
                rows = grown(rows)
            rows[count, 0], rows[count, 1], rows[count, 2] = pair, intervals[k, 0], intervals[k, 1]
            count += 1
    return rows[:count].copy()


@compiled
def _on_face(x: float, y: float, z: float, frames: Floats, i: int) -> bool:
    """Return True when a point of a face's plane is on the face, or within ``_EDGE_M`` of it."""
    rx, ry, rz = x - frames[i, 0], y - frames[i, 1], z - frames[i, 2]
    u = (rx * frames[i, 3] + ry * frames[i, 4] + rz * frames[i, 5]) * frames[i, 10]
    v = (rx * frames[i, 6] + ry * frames[i, 7] + rz * frames[i, 8]) * frames[i, 11]
    slack = 2.0 * _EDGE_M * math.sqrt(max(frames[i, 10], frames[i, 11]))
    return bool(min(v, u - v * frames[i, 9], 1.0 - u - v * (1.0 - frames[i, 9])) >= -slack)


@compiled
def _crossings(
    piece: Floats, root: int, boxes: Singles, links: Links, frames: Floats, stack: Ints, places: Floats
) -> tuple[Floats, int]:
    """Return where a piece meets faces, as lengths from its start, with both of its ends; unsorted."""
    places[0, 0], places[1, 0] = 0.0, piece[2]
    found = 2
    arc = piece[0] == 1.0
    parts = 1
    if arc:
        parts = max(1, math.ceil(piece[13] / _CHORD_RAD - 1e-9))
    step = piece[13] / parts
    reach = (piece[12] * 2.0 * math.sin(0.25 * step) ** 2 if arc else 0.0) + _EDGE_M
    angles = np.empty(2)
    for part in range(parts):
        a = part * step
        if arc:
            px, py, pz = arc_point(piece, a)
            qx, qy, qz = arc_point(piece, a + step)
        else:
            px, py, pz = piece[3], piece[4], piece[5]
            qx, qy, qz = px + piece[2] * piece[9], py + piece[2] * piece[10], pz + piece[2] * piece[11]
        lx, hx = min(px, qx), max(px, qx)
        ly, hy = min(py, qy), max(py, qy)
        lz, hz = min(pz, qz), max(pz, qz)
        depth = 1
        stack[0] = root
        while depth > 0:
            depth -= 1
            node = stack[depth]
            if box_gap2(boxes, node, lx, ly, lz, hx, hy, hz) > reach * reach:
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
                if frames[i, 11] <= 0.0:
                    continue
                if found + 2 > len(places):
                    places = grown(places)
                ex, ey, ez = frames[i, 3], frames[i, 4], frames[i, 5]
                wx, wy, wz = frames[i, 6], frames[i, 7], frames[i, 8]
                scale = math.sqrt(frames[i, 10] * frames[i, 11])
                nx, ny, nz = (ey * wz - ez * wy) * scale, (ez * wx - ex * wz) * scale, (ex * wy - ey * wx) * scale
                k = (piece[3] - frames[i, 0]) * nx + (piece[4] - frames[i, 1]) * ny + (piece[5] - frames[i, 2]) * nz
                v = piece[9] * nx + piece[10] * ny + piece[11] * nz
                if arc:
                    u = piece[6] * nx + piece[7] * ny + piece[8] * nz
                    hits = linear_roots(angles, 0, k, piece[12] * u, piece[12] * v, a, a + step)
                    for hit in range(hits):
                        x, y, z = arc_point(piece, angles[hit])
                        if _on_face(x, y, z, frames, i):
                            places[found, 0] = min(angles[hit] * piece[12], piece[2])
                            found += 1
                elif v != 0.0:
                    s = -k / v
                    if 0.0 < s < piece[2] and _on_face(
                        piece[3] + s * piece[9], piece[4] + s * piece[10], piece[5] + s * piece[11], frames, i
                    ):
                        places[found, 0] = s
                        found += 1
    return places, found
