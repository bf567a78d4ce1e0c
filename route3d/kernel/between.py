"""How near paths come to each other: exact for straight pieces, certified for arcs, with the place on both."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.bvh import STACK, box_gap2, build_tree
from route3d.kernel.compiled import compiled, in_parts
from route3d.kernel.curves import curve_curve, curve_near_arc
from route3d.kernel.mesh_index import checked_pieces, numbers_within, path_starts
from route3d.kernel.path import LENGTH, ORIGIN, V, middle_of
from route3d.kernel.piece import piece_point, piece_sagitta
from route3d.kernel.stretches import Stretches, from_rows, grown, joined
from route3d.kernel.triangles import FRAME_WIDTH, segment_triangle
from route3d.kernel.within import arc_within, line_within

__all__ = ["PathMinima", "Stretches", "nearest_paths", "stretches_between"]

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Links = NDArray[np.int32]

SLACK_M = 1e-4  # pairs up to this much beyond their limit are reported, so that one at its limit is never missed
_LONGEST_M = 2.0  # longer straight pieces are looked up in parts, as a slanted one fills a large box
_CHORD_RAD = math.radians(30.0)
_LEAF = 4
_AT_LIMIT_M = 1e-9
_BOX_ROUNDING_M = 1e-9


class PathMinima(NamedTuple):
    """The nearest places of every pair of paths in range, sorted by first, then second; arrays of one length."""

    first: Ints  # always smaller than second
    second: Ints
    distance_m: Floats  # from centre line to centre line
    first_at_m: Floats
    second_at_m: Floats


def nearest_paths(
    pieces: ArrayLike,
    starts: ArrayLike,
    radius_m: ArrayLike,
    gap_m: ArrayLike,
    *,
    only: ArrayLike | None = None,
    origin_m: ArrayLike | None = None,
) -> PathMinima:
    """Return every pair of paths whose smallest centre-line distance is at most the sum of their radii + ``gap_m``.

    Pairs up to ``SLACK_M`` beyond that are reported too. Distances are exact between straight pieces, and certified to
    ``triangles.TOLERANCE_M`` where arcs take part. What is told of a pair does not depend on the other paths.

    Parameters
    ----------
    pieces, starts : (n, 14) float, (paths + 1,) int
        See ``path.py``.
    radius_m : (paths,) float
        Radius of each path's tube.
    gap_m : float or (paths,) float
        From surface to surface; of two paths the larger one counts. May be infinite for all pairs.
    only : (k,) int, optional
        Pairs that have none of these paths are left out.
    origin_m : (3,) float, optional
        What the paths are computed relative to; their own middle if not given.
    """
    rows = _rows(pieces, origin_m)
    firsts = path_starts(starts, len(rows))
    radius = np.array(radius_m, dtype=np.float64)
    gaps = np.array(gap_m, dtype=np.float64)
    gaps = np.full(len(radius), gaps) if gaps.ndim == 0 else gaps
    if not radius.shape == gaps.shape == (len(firsts) - 1,) or not np.isfinite(radius).all() or np.isnan(gaps).any():
        raise ValueError("one radius per path is needed, and the gap must be a number")
    asked = np.arange(len(radius)) if only is None else np.unique(numbers_within(only, len(radius), "path"))
    chosen = np.zeros(len(radius), dtype=bool)
    chosen[asked] = True
    found = np.empty((0, 5))
    if len(rows) and len(asked):
        parts, part_boxes = _split(rows, np.repeat(np.arange(len(radius)), np.diff(firsts)), radius)
        order, boxes, links = _part_tree(part_boxes)
        ends = np.concatenate([[0], np.cumsum(np.bincount(parts[:, 3].astype(np.int64), minlength=len(radius)))])

        def search(first: int, last: int) -> Floats:
            return _search_paths(
                first, last, asked, chosen, rows, radius, gaps + SLACK_M, parts, part_boxes, ends, order, boxes, links
            )

        found = np.concatenate(in_parts(search, np.diff(ends)[asked] + 1, 1000))
    found = found[np.lexsort((found[:, 1], found[:, 0]))]
    answer = PathMinima(
        found[:, 0].astype(np.int64),
        found[:, 1].astype(np.int64),
        found[:, 2].copy(),
        found[:, 3].copy(),
        found[:, 4].copy(),
    )
    for array in answer:
        array.setflags(write=False)
    return answer


def stretches_between(
    pieces: ArrayLike,
    starts: ArrayLike,
    first: ArrayLike,
    second: ArrayLike,
    limit_m: ArrayLike,
    origin_m: ArrayLike | None = None,
) -> Stretches:
    """Return where the centre line of each ``first`` path (k,) is within ``limit_m`` (k,) of that of ``second`` (k,).

    The stretches are on the first path. Exact where either piece is straight; between two arcs ends are found to 5e-6
    m. It is computed relative to ``origin_m`` (3,), the middle of the paths if not given.
    """
    rows = _rows(pieces, origin_m)
    firsts = path_starts(starts, len(rows))
    one = numbers_within(first, len(firsts) - 1, "path")
    other = numbers_within(second, len(firsts) - 1, "path")
    limits = np.array(limit_m, dtype=np.float64).reshape(-1)
    if not len(one) == len(other) == len(limits) or np.isnan(limits).any():
        raise ValueError("two paths and one limit are needed per pair")

    frames = _segment_frames(rows)

    def search(low: int, high: int) -> Floats:
        return _search_pairs(low, high, rows, frames, firsts, one, other, limits)

    work = np.diff(firsts)[one] + np.diff(firsts)[other] + 1
    return from_rows(in_parts(search, work, 2000) if len(one) else [])


def _rows(pieces: ArrayLike, origin_m: ArrayLike | None) -> Floats:
    """Return a checked copy of the pieces, relative to an origin (3,) or to their own middle."""
    rows = checked_pieces(pieces)
    if len(rows):
        rows[:, ORIGIN] -= middle_of(rows) if origin_m is None else np.asarray(origin_m, dtype=np.float64)
    return rows


def _split(rows: Floats, owner: Ints, radius: Floats) -> tuple[Floats, Floats]:
    """Return parts (piece, from, to, path) of pieces, and their boxes (k, 6) grown by the radius of the path."""
    arc = rows[:, 0] == 1.0
    count = np.where(arc, np.ceil(rows[:, 13] / _CHORD_RAD - 1e-9), np.ceil(rows[:, 2] / _LONGEST_M))
    count = np.maximum(count, 1.0).astype(np.int64)
    piece = np.repeat(np.arange(len(rows)), count)
    number = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    share = rows[piece, 2] / count[piece]
    parts = np.stack(
        [
            piece.astype(np.float64),
            number * share,
            np.where(number + 1 == count[piece], rows[piece, 2], (number + 1) * share),
            owner[piece].astype(np.float64),
        ],
        axis=1,
    )
    return parts, _part_boxes(rows, parts, radius)


def _segment_frames(rows: Floats) -> Floats:
    """Return the pieces as frames (n, 12): a straight piece is a triangle without height; rows of arcs mean nothing."""
    frames = np.zeros((len(rows), FRAME_WIDTH))
    frames[:, 0:3] = rows[:, ORIGIN]
    frames[:, 3:6] = rows[:, LENGTH, None] * rows[:, V]
    long = rows[:, LENGTH] > 0.0
    frames[long, 10] = 1.0 / rows[long, LENGTH] ** 2
    frames.setflags(write=False)  # as those of an index are, so that the same machine code serves
    return frames


@compiled
def _part_boxes(rows: Floats, parts: Floats, radius: Floats) -> Floats:
    boxes = np.empty((len(parts), 6))
    for k in range(len(parts)):
        piece = rows[int(parts[k, 0])]
        a, b = parts[k, 1], parts[k, 2]
        px, py, pz = piece_point(piece, a)
        qx, qy, qz = piece_point(piece, b)
        around = piece_sagitta(piece, b - a) + radius[int(parts[k, 3])]
        boxes[k, 0], boxes[k, 3] = min(px, qx) - around, max(px, qx) + around
        boxes[k, 1], boxes[k, 4] = min(py, qy) - around, max(py, qy) + around
        boxes[k, 2], boxes[k, 5] = min(pz, qz) - around, max(pz, qz) + around
    return boxes


def _part_tree(part_boxes: Floats) -> tuple[Ints, Singles, Links]:
    order = np.arange(len(part_boxes))
    boxes = np.empty((2 * len(order), 6), np.float32)
    links = np.empty((2 * len(order), 2), np.int32)
    nodes = _build_parts(order, part_boxes, boxes, links)
    return order, boxes[:nodes].copy(), links[:nodes].copy()


@compiled
def _build_parts(order: Ints, part_boxes: Floats, boxes: Singles, links: Links) -> int:
    return build_tree(0, len(order), part_boxes, order, boxes, links, 0, _LEAF)


@compiled
def _search_paths(
    first_number: int,
    last_number: int,
    asked: Ints,
    chosen: Flags,
    rows: Floats,
    radius: Floats,
    gaps: Floats,
    parts: Floats,
    part_boxes: Floats,
    ends: Ints,
    order: Ints,
    boxes: Singles,
    links: Links,
) -> Floats:
    """Return rows (first, second, distance, at on first, at on second) of a range of the paths that are asked for."""
    found = np.empty((256, 5))
    count = 0
    known = np.full(len(radius), -1)  # the last path whose pair with this one was found
    stack = np.empty(STACK, np.int64)
    room = max(gaps.max(), 0.0)
    for number in range(first_number, last_number):
        path = asked[number]
        for k in range(ends[path], ends[path + 1]):
            lx, ly, lz = part_boxes[k, 0], part_boxes[k, 1], part_boxes[k, 2]
            hx, hy, hz = part_boxes[k, 3], part_boxes[k, 4], part_boxes[k, 5]
            depth = 1
            stack[0] = 0
            while depth > 0:
                depth -= 1
                node = stack[depth]
                if box_gap2(boxes, node, lx, ly, lz, hx, hy, hz) > room * room:
                    continue
                child, held = links[node, 0], links[node, 1]
                if held == 0:
                    stack[depth] = child + 1
                    stack[depth + 1] = child
                    depth += 2
                    continue
                for j in range(child, child + held):
                    m = order[j]
                    second = int(parts[m, 3])
                    if second == path or known[second] == path or (second < path and chosen[second]):
                        continue
                    limit = radius[path] + radius[second] + max(gaps[path], gaps[second])
                    if not limit > 0.0:
                        continue
                    one, two = (k, m) if path < second else (m, k)
                    _, s, _ = curve_curve(
                        rows[int(parts[one, 0])],
                        parts[one, 1],
                        parts[one, 2],
                        rows[int(parts[two, 0])],
                        parts[two, 1],
                        parts[two, 2],
                        limit,
                    )
                    if s < 0.0:
                        continue
                    known[second] = path
                    if count == len(found):
                        found = grown(found)
                    found[count, 0], found[count, 1] = min(path, second), max(path, second)
                    count += 1
    # the order in which a tree is searched depends on all that is in it: what is told of a pair must not
    for row in range(count):
        _write_minimum(found, row, rows, radius, gaps, parts, part_boxes, ends)
    return found[:count].copy()


@compiled
def _write_minimum(
    found: Floats, row: int, rows: Floats, radius: Floats, gaps: Floats, parts: Floats, part_boxes: Floats, ends: Ints
) -> None:
    """Write distance and places of a pair that is in range: part by part, in the order of both paths."""
    first, second = int(found[row, 0]), int(found[row, 1])
    radii = radius[first] + radius[second]
    best = radii + max(gaps[first], gaps[second])
    for k in range(ends[first], ends[first + 1]):
        for m in range(ends[second], ends[second + 1]):
            if not best > 0.0:
                return
            apart2 = 0.0
            for axis in range(3):
                apart = max(
                    part_boxes[k, axis] - part_boxes[m, axis + 3], part_boxes[m, axis] - part_boxes[k, axis + 3], 0.0
                )
                apart2 += apart * apart
            room = max(best - radii, 0.0) + _BOX_ROUNDING_M
            if apart2 > room * room:
                continue
            near, s, t = curve_curve(
                rows[int(parts[k, 0])],
                parts[k, 1],
                parts[k, 2],
                rows[int(parts[m, 0])],
                parts[m, 1],
                parts[m, 2],
                best,
            )
            if s < 0.0:
                continue
            best = near
            found[row, 2] = near
            found[row, 3] = rows[int(parts[k, 0]), 1] + s
            found[row, 4] = rows[int(parts[m, 0]), 1] + t


@compiled
def _search_pairs(
    first_pair: int,
    last_pair: int,
    rows: Floats,
    frames: Floats,
    starts: Ints,
    first: Ints,
    second: Ints,
    limits: Floats,
) -> Floats:
    """Return rows (pair, from, to)."""
    found = np.empty((64, 3))
    count = 0
    intervals = np.empty((64, 2))
    angles = np.empty(640)
    for pair in range(first_pair, last_pair):
        limit = limits[pair] + _AT_LIMIT_M
        if limit < 0.0:
            continue
        held = 0
        for p in range(starts[first[pair]], starts[first[pair] + 1]):
            for q in range(starts[second[pair]], starts[second[pair] + 1]):
                intervals, held = _piece_stretches(rows[p], rows[q], frames, q, limit, angles, intervals, held)
        held = joined(intervals, held)
        for k in range(held):
            if count == len(found):
                found = grown(found)
            found[count, 0], found[count, 1], found[count, 2] = pair, intervals[k, 0], intervals[k, 1]
            count += 1
    return found[:count].copy()


@compiled
def _piece_stretches(
    piece: Floats,
    other: Floats,
    frames: Floats,
    q: int,
    limit: float,
    angles: Floats,
    intervals: Floats,
    held: int,
) -> tuple[Floats, int]:
    """Append the intervals of one piece that are within the limit of another one, of which ``q`` is the frame."""
    half, half_other = 0.5 * piece[2], 0.5 * other[2]
    mx, my, mz = piece_point(piece, half)
    ox, oy, oz = piece_point(other, half_other)
    if math.sqrt((mx - ox) ** 2 + (my - oy) ** 2 + (mz - oz) ** 2) > limit + half + half_other:
        return intervals, held
    if other[0] == 1.0:
        return curve_near_arc(piece, other, limit, intervals, held)
    if piece[0] == 1.0:
        # half turns at most, so that every angle is met once
        parts = max(1, math.ceil(piece[13] / math.pi))
        step = piece[13] / parts
        for part in range(parts):
            intervals, held = arc_within(
                piece, part * step, (part + 1) * step, frames, q, limit, angles, intervals, held
            )
        return intervals, held
    px, py, pz = piece_point(piece, 0.0)
    qx, qy, qz = piece_point(piece, piece[2])
    d2, s = segment_triangle(px, py, pz, qx, qy, qz, frames, q, np.inf)
    if d2 <= limit * limit:
        low, high = line_within(piece, frames, q, limit, s * piece[2])
        if held == len(intervals):
            intervals = grown(intervals)
        intervals[held, 0], intervals[held, 1] = piece[1] + low, piece[1] + high
        held += 1
    return intervals, held
