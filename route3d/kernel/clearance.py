"""How near paths come to the elements of a model: exact, per element, with the place."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.bvh import STACK, box_gap2, segment_misses
from route3d.kernel.compiled import compiled, in_parts
from route3d.kernel.mesh_index import MeshIndex, local_pieces, numbers_within, path_starts
from route3d.kernel.nearest import nearest_point
from route3d.kernel.stretches import Stretches, grown
from route3d.kernel.triangles import arc_point, arc_triangle, segment_triangle
from route3d.kernel.within import stretches_within

__all__ = ["Minima", "Stretches", "closest_points", "distance_at", "nearest_elements", "stretches_within"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Links = NDArray[np.int32]
Flags = NDArray[np.bool_]

SLACK_M = 1e-4  # pairs up to this much beyond their limit are reported, so that one at its limit is never missed
MAX_CHORD_RAD = math.radians(30.0)  # arcs are looked up by chords of at most this angle, reaching out by their sagitta


class Minima(NamedTuple):
    """The nearest place of every (path, element) pair in range, sorted by path, then element; arrays of one length."""

    path: Ints
    element: Ints
    distance_m: Floats  # from the centre line to the surface; 0 where they cross
    at_m: Floats  # where on the path; of several equal places, one
    triangle: Ints  # the nearest triangle, in the caller's numbering


def nearest_elements(
    index: MeshIndex,
    pieces: ArrayLike,
    starts: ArrayLike,
    radius_m: ArrayLike,
    clearance_m: ArrayLike,
    skip: ArrayLike | None = None,
) -> Minima:
    """Return every pair of path and element whose smallest centre-line distance is at most radius + clearance.

    Pairs up to ``SLACK_M`` beyond that are reported too. Distances are exact for straight pieces, and certified to
    ``triangles.TOLERANCE_M`` for arcs. Only surfaces count: a path wholly inside a solid is not near it, see
    ``solid.py``.

    Parameters
    ----------
    pieces, starts : (n, 14) float, (paths + 1,) int
        See ``path.py``.
    radius_m : (paths,) float
        Radius of each path's tube.
    clearance_m : (elements,) float
        What each element asks for, from surface to surface.
    skip : (elements,) bool, optional
        True for elements that are not looked at.
    """
    rows = local_pieces(index, pieces)
    firsts = path_starts(starts, len(rows))
    radius = np.array(radius_m, dtype=np.float64)
    clearance = np.array(clearance_m, dtype=np.float64)
    if radius.shape != (len(firsts) - 1,) or clearance.shape != (index.element_count,):
        raise ValueError("one radius per path and one clearance per element are needed")
    if np.isnan(radius).any() or np.isnan(clearance).any():
        raise ValueError("radius and clearance must be numbers")
    if skip is not None:
        clearance[np.asarray(skip, dtype=bool)] = -np.inf
    reach = _node_reach(clearance, index.top_order, index.top_links)

    def search(first: int, last: int) -> Floats:
        return _search_paths(
            first,
            last,
            rows,
            firsts,
            radius,
            clearance,
            reach,
            index.roots,
            index.boxes,
            index.links,
            index.frames,
            index.top_boxes,
            index.top_links,
            index.top_order,
        )

    parts = in_parts(search, np.diff(firsts) + 1, 250) if len(firsts) > 1 and len(index.top_order) else []
    found = np.concatenate(parts) if parts else np.empty((0, 5))
    found = found[np.lexsort((found[:, 1], found[:, 0]))]
    answer = Minima(
        path=found[:, 0].astype(np.int64),
        element=found[:, 1].astype(np.int64),
        distance_m=found[:, 2].copy(),
        at_m=found[:, 3].copy(),
        triangle=index.order[found[:, 4].astype(np.int64)],
    )
    for array in answer:
        array.setflags(write=False)
    return answer


def distance_at(index: MeshIndex, element: ArrayLike, points_m: ArrayLike) -> Floats:
    """Return the exact distance (k,) from each point (k, 3) to its element (k,); infinite without triangles."""
    elements, points = _queries(index, element, points_m)
    distances, _ = _nearest_each(elements, points, index.roots, index.boxes, index.links, index.frames)
    distances.setflags(write=False)
    return distances


def closest_points(index: MeshIndex, element: ArrayLike, points_m: ArrayLike) -> Floats:
    """Return the point (k, 3) of each element (k,) that is nearest to each point (k, 3); NaN without triangles."""
    elements, points = _queries(index, element, points_m)
    _, nearest = _nearest_each(elements, points, index.roots, index.boxes, index.links, index.frames)
    nearest += index.origin_m
    nearest.setflags(write=False)
    return nearest


def _queries(index: MeshIndex, element: ArrayLike, points_m: ArrayLike) -> tuple[Ints, Floats]:
    elements = numbers_within(element, index.element_count, "element")
    points = np.array(points_m, dtype=np.float64).reshape(-1, 3)
    if len(points) != len(elements) or not np.isfinite(points).all():
        raise ValueError("one point of three finite numbers is needed per element")
    return elements, points - index.origin_m


@compiled
def _nearest_each(
    elements: Ints, points: Floats, roots: Ints, boxes: Singles, links: Links, frames: Floats
) -> tuple[Floats, Floats]:
    distances = np.full(len(elements), np.inf)
    nearest = np.full((len(elements), 3), np.nan)
    for k in range(len(elements)):
        if roots[elements[k]] >= 0:
            found = nearest_point(
                points[k, 0], points[k, 1], points[k, 2], roots[elements[k]], boxes, links, frames, np.inf
            )
            distances[k], nearest[k, 0], nearest[k, 1], nearest[k, 2], _ = found
    return distances, nearest


@compiled
def _node_reach(clearance: Floats, top_order: Ints, top_links: Links) -> Floats:
    """Return the greatest clearance under each node of the top tree."""
    reach = np.full(len(top_links), -np.inf)
    for node in range(len(top_links) - 1, -1, -1):  # children come after their parents
        first, count = top_links[node, 0], top_links[node, 1]
        if count == 0:
            reach[node] = max(reach[first], reach[first + 1])
        for j in range(first, first + count):
            reach[node] = max(reach[node], clearance[top_order[j]])
    return reach


@compiled
def _search_element(
    piece: Floats,
    first: float,
    last: float,
    px: float,
    py: float,
    pz: float,
    qx: float,
    qy: float,
    qz: float,
    sagitta: float,
    limit: float,
    root: int,
    boxes: Singles,
    links: Links,
    frames: Floats,
    stack: Ints,
) -> tuple[float, float, int]:
    """Return distance, place (fraction or angle) and triangle of one element below ``limit``; triangle -1 if none."""
    arc = piece[0] == 1.0
    lx, hx = min(px, qx), max(px, qx)
    ly, hy = min(py, qy), max(py, qy)
    lz, hz = min(pz, qz), max(pz, qz)
    slanted = int(hx - lx > 1e-9) + int(hy - ly > 1e-9) + int(hz - lz > 1e-9) > 1
    best = limit
    place = 0.0
    triangle = -1
    reach = best + sagitta
    reach2 = reach * reach
    depth = 1
    stack[0] = root
    while depth > 0:
        depth -= 1
        node = stack[depth]
        if box_gap2(boxes, node, lx, ly, lz, hx, hy, hz) >= reach2:
            continue
        if slanted and segment_misses(boxes, node, px, py, pz, qx - px, qy - py, qz - pz, reach):
            continue
        child, count = links[node, 0], links[node, 1]
        if count == 0:
            gap_a = box_gap2(boxes, child, lx, ly, lz, hx, hy, hz)
            gap_b = box_gap2(boxes, child + 1, lx, ly, lz, hx, hy, hz)
            nearer = 0 if gap_a <= gap_b else 1
            if max(gap_a, gap_b) < reach2:
                stack[depth] = child + 1 - nearer
                depth += 1
            if min(gap_a, gap_b) < reach2:
                stack[depth] = child + nearer
                depth += 1
            continue
        for i in range(child, child + count):
            d2, s = segment_triangle(px, py, pz, qx, qy, qz, frames, i, reach2)
            if d2 >= reach2:
                continue
            if arc:
                near, angle = arc_triangle(piece, first, last, frames, i, best)
                if angle < 0.0:
                    continue
                best, place = near, angle
            else:
                best, place = math.sqrt(d2), s
            triangle = i
            reach = best + sagitta
            reach2 = reach * reach
        if best <= 0.0:
            break
    return best, place, triangle


@compiled
def _search_paths(
    first_path: int,
    last_path: int,
    pieces: Floats,
    starts: Ints,
    radius: Floats,
    clearance: Floats,
    node_reach: Floats,
    roots: Ints,
    boxes: Singles,
    links: Links,
    frames: Floats,
    top_boxes: Singles,
    top_links: Links,
    top_order: Ints,
) -> Floats:
    """Return rows (path, element, distance, at, tree place of the triangle) of a range of paths."""
    rows = np.empty((256, 5))
    count = 0
    slot = np.full(len(roots), -1)  # the row of an element on the path at hand
    stack = np.empty(STACK, np.int64)
    top_stack = np.empty(STACK, np.int64)
    for path in range(first_path, last_path):
        path_row = count
        for p in range(starts[path], starts[path + 1]):
            piece = pieces[p]
            arc = piece[0] == 1.0
            parts = 1
            if arc:
                parts = max(1, math.ceil(piece[13] / MAX_CHORD_RAD - 1e-9))
            step = piece[13] / parts
            sagitta = piece[12] * 2.0 * math.sin(0.25 * step) ** 2 if arc else 0.0
            for part in range(parts):
                a = part * step
                b = a + step
                if arc:
                    px, py, pz = arc_point(piece, a)
                    qx, qy, qz = arc_point(piece, b)
                else:
                    px, py, pz = piece[3], piece[4], piece[5]
                    qx, qy, qz = px + piece[2] * piece[9], py + piece[2] * piece[10], pz + piece[2] * piece[11]
                lx, hx = min(px, qx), max(px, qx)
                ly, hy = min(py, qy), max(py, qy)
                lz, hz = min(pz, qz), max(pz, qz)
                slanted = int(hx - lx > 1e-9) + int(hy - ly > 1e-9) + int(hz - lz > 1e-9) > 1
                widest = radius[path] + SLACK_M + sagitta
                depth = 1
                top_stack[0] = 0
                while depth > 0:
                    depth -= 1
                    node = top_stack[depth]
                    reach = widest + node_reach[node]
                    if not reach > 0.0:
                        continue
                    if box_gap2(top_boxes, node, lx, ly, lz, hx, hy, hz) >= reach * reach:
                        continue
                    if slanted and segment_misses(top_boxes, node, px, py, pz, qx - px, qy - py, qz - pz, reach):
                        continue
                    child, held = top_links[node, 0], top_links[node, 1]
                    if held == 0:
                        top_stack[depth] = child + 1
                        top_stack[depth + 1] = child
                        depth += 2
                        continue
                    for j in range(child, child + held):
                        element = top_order[j]
                        row = slot[element]
                        best = rows[row, 2] if row >= 0 else radius[path] + clearance[element] + SLACK_M
                        if not best > 0.0:
                            continue
                        near, place, triangle = _search_element(
                            piece, a, b, px, py, pz, qx, qy, qz, sagitta, best,
                            roots[element], boxes, links, frames, stack,
                        )  # fmt: skip
                        if triangle < 0:
                            continue
                        if row < 0:
                            if count == len(rows):
                                rows = grown(rows)
                            row = count
                            slot[element] = row
                            count += 1
                            rows[row, 0], rows[row, 1] = path, element
                        rows[row, 2] = near
                        along = place * piece[12] if arc else place * piece[2]
                        rows[row, 3] = piece[1] + min(along, piece[2])
                        rows[row, 4] = triangle
        for row in range(path_row, count):
            slot[int(rows[row, 1])] = -1
    return rows[:count].copy()
