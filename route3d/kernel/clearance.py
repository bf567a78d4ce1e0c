"""How near paths come to the elements of a model: exact, per element, with the place."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.bvh import STACK, box_gap2, segment_misses, segment_misses_box, single_above, single_below
from route3d.kernel.compiled import compiled, compiled_bare, in_parts
from route3d.kernel.mesh_index import MeshIndex, local_pieces, numbers_within, path_starts
from route3d.kernel.nearest import nearest_point
from route3d.kernel.path import ORIGIN
from route3d.kernel.stretches import Stretches, grown
from route3d.kernel.triangles import HALVES, arc_point, arc_triangle, chord_gap, segment_triangle
from route3d.kernel.wide import WIDE_STACK, WIDTH, lowest_bit, near_places
from route3d.kernel.within import stretches_within

__all__ = ["Minima", "Stretches", "closest_points", "distance_at", "nearest_elements", "stretches_within"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Links = NDArray[np.int32]
Flags = NDArray[np.bool_]

SLACK_M = 1e-4  # pairs up to this much beyond their limit are reported, so that one at its limit is never missed
_FEW = 24  # up to so many paths are searched with one reach for all elements
_ROUNDING = 1e-6  # a share that is far above the rounding of a few float32 operations
MAX_CHORD_RAD = math.radians(22.5)  # arcs are looked up by chords of at most this angle, reaching out by their sagitta


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
    reach = (
        _place_reach(clearance, index.top_links)
        if len(firsts) > _FEW
        else np.where(index.top_links == 0, np.float32(-np.inf), single_above(_widest(clearance)))
    )

    sequence = _neighbours(rows, firsts)

    def search(first: int, last: int) -> Floats:
        return _search_paths(
            first,
            last,
            sequence,
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
        )

    parts = in_parts(search, np.diff(firsts)[sequence] + 1, 250) if len(firsts) > 1 and len(index.top_links) else []
    found = np.concatenate(parts) if parts else np.empty((0, 5))
    path, element = found[:, 0].astype(np.int64), found[:, 1].astype(np.int64)
    order = np.argsort(path * index.element_count + element)
    path, element, found = path[order], element[order], found[order]
    answer = Minima(
        path=path,
        element=element,
        distance_m=found[:, 2].copy(),
        at_m=found[:, 3].copy(),
        triangle=index.starts[element] + index.order[found[:, 4].astype(np.int64)],
    )
    for array in answer:
        array.setflags(write=False)
    return answer


def _widest(clearance: Floats) -> float:
    """Return the greatest clearance, with room for rounding: enough for few paths, and found faster than per place."""
    asked = float(clearance.max(initial=-np.inf))
    return asked + _ROUNDING * abs(asked) if asked > -np.inf else asked


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


def _neighbours(rows: Floats, starts: Ints) -> Ints:
    """Return the paths in an order in which neighbours follow each other, so that what they need is still at hand."""
    if len(rows) == 0 or len(starts) <= _FEW:
        return np.arange(len(starts) - 1)
    begin = rows[np.minimum(starts[:-1], len(rows) - 1), ORIGIN]
    low = begin.min(axis=0)
    cell = np.floor((begin - low) / max(float((begin - low).max()), 1e-9) * 1023.0).astype(np.int64)
    key = np.zeros(len(begin), np.int64)
    for bit in range(10):  # x, y and z in turn, digit by digit: near in number is near in space
        for axis in range(3):
            key |= ((cell[:, axis] >> bit) & 1) << (3 * bit + axis)
    return np.argsort(key, kind="stable").astype(np.int64)


@compiled
def _place_reach(clearance: Floats, top_links: Links) -> Singles:
    """Return the greatest clearance under each place of each node of the top tree, with room for rounding."""
    reach = np.full(top_links.shape, np.float32(-np.inf))
    for node in range(len(top_links) - 1, -1, -1):  # children come after their parents
        for place in range(WIDTH):
            link = top_links[node, place]
            if link < 0:
                asked = clearance[-1 - link]
                if asked > -np.inf:
                    reach[node, place] = single_above(asked + _ROUNDING * abs(asked))
            elif link > 0:
                for k in range(WIDTH):
                    reach[node, place] = max(reach[node, place], reach[link, k])
    return reach


@compiled_bare
def _search_element(
    piece: Floats,
    chords: Floats,
    part: int,
    step: float,
    sagitta: float,
    limit: float,
    root: int,
    boxes: Singles,
    links: Links,
    frames: Floats,
    stack: Ints,
    halves: Floats,
) -> tuple[float, float, int]:
    """Return distance, place (fraction or angle) and triangle of one element below ``limit``; triangle -1 if none."""
    px, py, pz = chords[part, 0], chords[part, 1], chords[part, 2]
    qx, qy, qz = chords[part + 1, 0], chords[part + 1, 1], chords[part + 1, 2]
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
                near, angle = arc_triangle(piece, chords, part, step, frames, i, d2, s, best, halves)
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
    sequence: Ints,
    pieces: Floats,
    starts: Ints,
    radius: Floats,
    clearance: Floats,
    place_reach: Singles,
    roots: Ints,
    boxes: Singles,
    links: Links,
    frames: Floats,
    top_boxes: Singles,
    top_links: Links,
) -> Floats:
    """Return rows (path, element, distance, at, tree place of the triangle) of a range of paths."""
    rows = np.empty((256, 5))
    count = 0
    slot = np.full(len(roots), -1)  # the row of an element on the path at hand
    stack = np.empty(STACK, np.int64)
    halves = np.empty((HALVES, 3))
    top_stack = np.empty(WIDE_STACK, np.int64)
    chords = np.empty((math.ceil(2.0 * math.pi / MAX_CHORD_RAD) + 1, 5))
    for turn in range(first_path, last_path):
        path = sequence[turn]
        path_row = count
        for p in range(starts[path], starts[path + 1]):
            piece = pieces[p]
            arc = piece[0] == 1.0
            parts = _cut(piece, chords)
            step = piece[13] / parts
            sagitta = chord_gap(piece[12], step) if arc else 0.0
            px, py, pz = chords[0, 0], chords[0, 1], chords[0, 2]
            qx, qy, qz = chords[parts, 0], chords[parts, 1], chords[parts, 2]
            lx, hx = min(px, qx), max(px, qx)
            ly, hy = min(py, qy), max(py, qy)
            lz, hz = min(pz, qz), max(pz, qz)
            for k in range(1, parts):
                lx, hx = min(lx, chords[k, 0]), max(hx, chords[k, 0])
                ly, hy = min(ly, chords[k, 1]), max(hy, chords[k, 1])
                lz, hz = min(lz, chords[k, 2]), max(hz, chords[k, 2])
            slanted = not arc and int(hx - lx > 1e-9) + int(hy - ly > 1e-9) + int(hz - lz > 1e-9) > 1
            widest = radius[path] + SLACK_M + sagitta
            slx, sly, slz = single_below(lx), single_below(ly), single_below(lz)
            shx, shy, shz = single_above(hx), single_above(hy), single_above(hz)
            more = single_above(widest + _ROUNDING * abs(widest))
            depth = 1
            top_stack[0] = 0
            while depth > 0:
                depth -= 1
                node = top_stack[depth]
                mask = near_places(top_boxes, place_reach, node, slx, sly, slz, shx, shy, shz, more)
                while mask != 0:
                    place = lowest_bit(mask)
                    mask &= mask - 1
                    if slanted and segment_misses_box(
                        top_boxes[node, 0, place], top_boxes[node, 1, place], top_boxes[node, 2, place],
                        top_boxes[node, 3, place], top_boxes[node, 4, place], top_boxes[node, 5, place],
                        px, py, pz, qx - px, qy - py, qz - pz, float(place_reach[node, place]) + float(more),
                    ):  # fmt: skip
                        continue
                    link = top_links[node, place]
                    if link >= 0:
                        top_stack[depth] = link
                        depth += 1
                        continue
                    element = -1 - link
                    row = slot[element]
                    best = rows[row, 2] if row >= 0 else radius[path] + clearance[element] + SLACK_M
                    for part in range(parts):
                        if not best > 0.0:
                            break
                        near, found, triangle = _search_element(
                            piece,
                            chords,
                            part,
                            step,
                            sagitta,
                            best,
                            roots[element],
                            boxes,
                            links,
                            frames,
                            stack,
                            halves,
                        )
                        if triangle < 0:
                            continue
                        if row < 0:
                            if count == len(rows):
                                rows = grown(rows)
                            row = count
                            slot[element] = row
                            count += 1
                            rows[row, 0], rows[row, 1] = path, element
                        best = near
                        rows[row, 2] = near
                        along = found * piece[12] if arc else found * piece[2]
                        rows[row, 3] = piece[1] + min(along, piece[2])
                        rows[row, 4] = triangle
        for row in range(path_row, count):
            slot[int(rows[row, 1])] = -1
    return rows[:count].copy()


@compiled_bare
def _cut(piece: Floats, chords: Floats) -> int:
    """Write the chords of a piece, see ``arc_triangle``; return how many there are, 1 if it is straight."""
    if piece[0] != 1.0:
        for k in range(3):
            chords[0, k] = piece[3 + k]
            chords[1, k] = piece[3 + k] + piece[2] * piece[9 + k]
        return 1
    parts = max(1, math.ceil(piece[13] / MAX_CHORD_RAD - 1e-9))
    for k in range(parts + 1):
        angle = k * (piece[13] / parts)
        chords[k, 0], chords[k, 1], chords[k, 2] = arc_point(piece, angle)
        chords[k, 3], chords[k, 4] = math.cos(angle), math.sin(angle)
    return int(parts)
