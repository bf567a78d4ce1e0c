"""How deep a path goes into a closed element: branch and bound with a certificate."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled
from route3d.kernel.nearest import nearest_point
from route3d.kernel.stretches import grown
from route3d.kernel.triangles import arc_point, point_triangle

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Links = NDArray[np.int32]

_CHORD_RAD = math.radians(30.0)


class Depth(NamedTuple):
    """The deepest place of each pair that was asked about; arrays of one length."""

    depth_m: Floats  # distance from the centre line to the surface around it; 0 where the path is never inside
    at_m: Floats  # where on the path; NaN where the path is never inside


@compiled
def deepest_rows(
    first: int,
    last: int,
    stretch_pair: Ints,
    stretch_from: Floats,
    stretch_to: Floats,
    pieces: Floats,
    starts: Ints,
    paths: Ints,
    elements: Ints,
    roots: Ints,
    boxes: Singles,
    links: Links,
    frames: Floats,
    tolerance: float,
) -> Floats:
    """Return rows (depth, at) of the pairs ``first`` to ``last``; the stretches inside are sorted by pair."""
    rows = np.empty((last - first, 2))
    spans = np.empty((64, 7))
    for pair in range(first, last):
        best, place = 0.0, np.nan
        k = np.searchsorted(stretch_pair, pair)
        root = roots[elements[pair]]
        while k < len(stretch_pair) and stretch_pair[k] == pair:
            for p in range(starts[paths[pair]], starts[paths[pair] + 1]):
                piece = pieces[p]
                low = max(stretch_from[k] - piece[1], 0.0)
                high = min(stretch_to[k] - piece[1], piece[2])
                if low >= high:  # a stretch that ends where this piece begins is not on it
                    continue
                parts = 1
                if piece[0] == 1.0:
                    parts = max(1, math.ceil((high - low) / piece[12] / _CHORD_RAD))
                step = (high - low) / parts
                for part in range(parts):
                    a = low + part * step
                    spans, depth, at = _deepest_part(
                        piece, a, a + step, root, boxes, links, frames, tolerance, best, spans
                    )
                    if depth > best:
                        best, place = depth, piece[1] + at
            k += 1
        rows[pair - first, 0], rows[pair - first, 1] = best, place
    return rows


@compiled
def _point(piece: Floats, s: float) -> tuple[float, float, float]:
    if piece[0] == 1.0:
        return arc_point(piece, s / piece[12])
    return piece[3] + s * piece[9], piece[4] + s * piece[10], piece[5] + s * piece[11]


@compiled
def _triangle_distance(piece: Floats, s: float, frames: Floats, i: int) -> float:
    x, y, z = _point(piece, s)
    d2, _, _, _ = point_triangle(x, y, z, frames, i)
    return math.sqrt(d2)


@compiled
def _bound(
    piece: Floats, a: float, b: float, at_a: float, at_b: float, near_a: int, near_b: int, frames: Floats
) -> tuple[float, float]:
    """Return what the distance to the surface cannot exceed from ``a`` to ``b``, and where that much may be reached.

    The distance to the surface is at most that to any one triangle, and along a straight line this lies below the
    line between its values at the ends. With the triangles that are nearest at the two ends, the bound is the crest
    under both lines. An arc strays from its chord by the sagitta. Besides, the distance changes no faster than the
    place.
    """
    length = b - a
    sagitta = piece[12] * 2.0 * math.sin(0.25 * length / piece[12]) ** 2 if piece[0] == 1.0 else 0.0
    far_b = _triangle_distance(piece, b, frames, near_a)
    far_a = _triangle_distance(piece, a, frames, near_b)
    if far_b <= at_b:  # a's triangle is nearest at both ends
        crest, share = max(at_a, far_b), 0.0 if at_a >= far_b else 1.0
    elif far_a <= at_a:
        crest, share = max(at_b, far_a), 0.0 if far_a >= at_b else 1.0
    else:
        share = (far_a - at_a) / ((far_a - at_a) + (far_b - at_b))
        crest = at_a + share * (far_b - at_a)
        crest = max(crest, at_a, at_b)  # a line that falls towards the crossing is highest at its end
    crest += sagitta
    steep = 0.5 * (at_a + at_b + length)
    if steep < crest:
        return steep, min(max(0.5 * (a + b + at_b - at_a), a), b)
    return crest, a + share * length


@compiled
def _deepest_part(
    piece: Floats,
    low: float,
    high: float,
    root: int,
    boxes: Singles,
    links: Links,
    frames: Floats,
    tolerance: float,
    best: float,
    spans: Floats,
) -> tuple[Floats, float, float]:
    """Return the greatest distance to the surface between ``low`` and ``high``, if above ``best``, and where."""
    x, y, z = _point(piece, low)
    at_low, _, _, _, near_low = nearest_point(x, y, z, root, boxes, links, frames, np.inf)
    x, y, z = _point(piece, high)
    at_high, _, _, _, near_high = nearest_point(x, y, z, root, boxes, links, frames, np.inf)
    place = low
    if at_low > best:
        best, place = at_low, low
    if at_high > best:
        best, place = at_high, high
    crest, _ = _bound(piece, low, high, at_low, at_high, near_low, near_high, frames)
    spans[0, 0], spans[0, 1], spans[0, 2], spans[0, 3] = low, high, at_low, at_high
    spans[0, 4], spans[0, 5], spans[0, 6] = near_low, near_high, crest
    depth = 1
    while depth > 0:
        depth -= 1
        if spans[depth, 6] <= best + tolerance:
            continue
        a, b = spans[depth, 0], spans[depth, 1]
        at_a, at_b = spans[depth, 2], spans[depth, 3]
        near_a, near_b = int(spans[depth, 4]), int(spans[depth, 5])
        _, where = _bound(piece, a, b, at_a, at_b, near_a, near_b, frames)
        # away from the ends, so that spans shrink
        m = min(max(where, a + 0.125 * (b - a)), b - 0.125 * (b - a))
        x, y, z = _point(piece, m)
        to_a, _, _, _ = point_triangle(x, y, z, frames, near_a)
        to_b, _, _, _ = point_triangle(x, y, z, frames, near_b)
        near_m = near_a if to_a <= to_b else near_b
        at_m, _, _, _, nearer = nearest_point(x, y, z, root, boxes, links, frames, math.sqrt(min(to_a, to_b)))
        if nearer >= 0:
            near_m = nearer
        if at_m > best:
            best, place = at_m, m
        left, _ = _bound(piece, a, m, at_a, at_m, near_a, near_m, frames)
        right, _ = _bound(piece, m, b, at_m, at_b, near_m, near_b, frames)
        if depth + 2 > len(spans):
            spans = grown(spans)
        for side in range(2):
            take_left = (side == 1) == (left >= right)  # the promising side last, so that it is looked at first
            if (left if take_left else right) <= best + tolerance:
                continue
            spans[depth, 0] = a if take_left else m
            spans[depth, 1] = m if take_left else b
            spans[depth, 2] = at_a if take_left else at_m
            spans[depth, 3] = at_m if take_left else at_b
            spans[depth, 4] = near_a if take_left else near_m
            spans[depth, 5] = near_m if take_left else near_b
            spans[depth, 6] = left if take_left else right
            depth += 1
    return spans, best, place
