"""How far a polyline stays below the underside of a sheet, corrugated or flat, level or sloping.

The underside is where a straight edge held against it from below would touch: the lower convex hull of the sheet in a
small window around each short stretch. For a corrugated sheet in one plane this is exactly the plane of its ribs.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled

Floats = NDArray[np.float64]

# One rib pitch of common roof deck is 150 mm to 200 mm; the window reaches at least one rib on either side.
WINDOW_M = 0.3
STRETCH_M = 0.25


class Underside(NamedTuple):
    """The smallest distance below the underside, and where less than asked."""

    gap_m: float  # from the polyline to the underside; negative above it; inf where nothing is overhead
    at_m: float  # distance along the polyline of the smallest gap
    below_m: tuple[tuple[float, float], ...]  # stretches with less than the limit


def gap_below(line: Floats, at: Floats, triangles: Floats, limit_m: float) -> Underside:
    """Measure a polyline against a sheet over it.

    Parameters
    ----------
    line : (k, 3) float
        Points of the polyline.
    at : (k,) float
        Distance along the run of each of these points.
    triangles : (n, 3, 3) float
        The sheet. Stretches that are not under (or in) it in plan, or that are above it, are left out.
    limit_m : float
        Stretches with a smaller gap are returned.

    Returns
    -------
    Underside
    """
    triangles = _about(triangles, line.min(axis=0)[:2] - WINDOW_M, line.max(axis=0)[:2] + WINDOW_M)
    low, high = _boxes(triangles)
    lowest = low[:, 2]
    worst_gap, worst_at = np.inf, float(at[0])
    below: list[tuple[float, float]] = []
    for begin, end, s0, s1 in _short_stretches(line, at):
        box_low, box_high = np.minimum(begin, end) - WINDOW_M, np.maximum(begin, end) + WINDOW_M
        near = _meeting(low, high, box_low, box_high)
        if not len(near):
            continue
        # seen at right angles to a sheet of up to 60° of slope, the gap is at least half of this
        clear = (lowest[near].min() - max(begin[2], end[2])) / 2.0
        if clear >= limit_m and clear >= worst_gap:
            continue
        points = _clipped(triangles[near], box_low[:2], box_high[:2])
        inside = _under(begin, end, points)
        if inside is None or min(begin[2], end[2]) > points[:, 2].max():
            continue
        planes = _lower_planes(points)
        f0, f1 = inside
        a, b = begin + f0 * (end - begin), begin + f1 * (end - begin)
        fraction, gap = _smallest(planes, a, b)
        place = s0 + (f0 + fraction * (f1 - f0)) * (s1 - s0)
        if gap < worst_gap:
            worst_gap, worst_at = gap, place
        if gap < limit_m:
            left = _crossing(planes, a, b, fraction, 0.0, limit_m)
            right = _crossing(planes, a, b, fraction, 1.0, limit_m)
            stretch = tuple(s0 + (f0 + f * (f1 - f0)) * (s1 - s0) for f in (left, right))
            if below and stretch[0] - below[-1][1] < 1e-3:
                below[-1] = (below[-1][0], stretch[1])
            else:
                below.append((stretch[0], stretch[1]))
    return Underside(float(worst_gap), worst_at, tuple(below))


def _about(triangles: Floats, low: Floats, high: Floats) -> Floats:
    """Return the triangles of which the box meets a rectangle in plan."""
    return np.ascontiguousarray(triangles[_meeting(*_boxes(triangles), low, high)])


def _boxes(triangles: Floats) -> tuple[Floats, Floats]:
    """Return low and high corners (n, 3) of triangles; three times as fast as by reduction."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    return np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)


def _meeting(low: Floats, high: Floats, box_low: Floats, box_high: Floats) -> NDArray[np.int64]:
    """Return the numbers of the boxes that meet another one in plan."""
    meet = (low[:, 0] <= box_high[0]) & (high[:, 0] >= box_low[0])
    return np.flatnonzero(meet & (low[:, 1] <= box_high[1]) & (high[:, 1] >= box_low[1]))


def _short_stretches(line: Floats, at: Floats) -> list[tuple[Floats, Floats, float, float]]:
    stretches = []
    for i in range(len(line) - 1):
        count = max(1, int(np.ceil((at[i + 1] - at[i]) / STRETCH_M)))
        cuts = np.linspace(0.0, 1.0, count + 1)
        for c0, c1 in pairwise(cuts):
            step = line[i + 1] - line[i]
            span = at[i + 1] - at[i]
            stretches.append((line[i] + c0 * step, line[i] + c1 * step, at[i] + c0 * span, at[i] + c1 * span))
    return stretches


@compiled
def _clipped(triangles: Floats, low: Floats, high: Floats) -> Floats:
    """Return the corners (m, 3) of the triangles cut off at a rectangle in plan."""
    # each of the four cuts adds at most one corner to a triangle
    found = np.empty((7 * len(triangles), 3))
    polygon, kept = np.empty((8, 3)), np.empty((8, 3))
    count = 0
    for t in range(len(triangles)):
        size = 3
        polygon[:3] = triangles[t]
        for cut in range(4):
            axis = cut // 2
            bound = low[axis] if cut % 2 == 0 else high[axis]
            sign = 1.0 if cut % 2 == 0 else -1.0
            left = 0
            for k in range(size):
                p, q = polygon[k], polygon[(k + 1) % size]
                dp, dq = sign * (p[axis] - bound), sign * (q[axis] - bound)
                if dp >= 0.0:
                    kept[left] = p
                    left += 1
                if dp * dq < 0.0:
                    for d in range(3):
                        kept[left, d] = p[d] + dp / (dp - dq) * (q[d] - p[d])
                    left += 1
            size = left
            polygon[:size] = kept[:size]
        found[count : count + size] = polygon[:size]
        count += size
    return found[:count].copy()


def _under(begin: Floats, end: Floats, points: Floats) -> tuple[float, float] | None:
    """Return the fractions of a stretch between which it is under the plan box of ``points``; None where it is not."""
    if len(points) < 3:
        return None
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    f0, f1 = 0.0, 1.0
    for axis in range(2):
        step = end[axis] - begin[axis]
        if abs(step) < 1e-12:
            if not low[axis] <= begin[axis] <= high[axis]:
                return None
            continue
        first, last = sorted(((low[axis] - begin[axis]) / step, (high[axis] - begin[axis]) / step))
        f0, f1 = max(f0, first), min(f1, last)
    return (f0, f1) if f0 < f1 else None


def _lower_planes(points: Floats) -> Floats:
    """Return planes (m, 4), normal pointing down and offset, whose largest value at a point is its gap below them."""
    from scipy.spatial import ConvexHull, QhullError  # takes long to import, and only runs under a deck need it

    try:
        equations = ConvexHull(points).equations
        lower = equations[equations[:, 2] < -1e-3]
        if len(lower):
            return np.asarray(lower)
    except QhullError:
        pass
    # a flat sheet: its own plane, or where it is upright a level one at its lowest point
    centre = points.mean(axis=0)
    normal = np.linalg.svd(points - centre)[2][2]
    if abs(normal[2]) < 1e-3:
        return np.array([[0.0, 0.0, -1.0, points[:, 2].min()]])
    normal = normal if normal[2] < 0.0 else -normal
    return np.array([[*normal, -float(normal @ centre)]])


def _gap(planes: Floats, point: Floats) -> float:
    return float((planes[:, :3] @ point + planes[:, 3]).max())


def _smallest(planes: Floats, a: Floats, b: Floats) -> tuple[float, float]:
    """Return where between ``a`` and ``b`` the gap is smallest, and that gap; the gap is convex along a line."""
    at_a, at_b = planes[:, :3] @ a + planes[:, 3], planes[:, :3] @ b + planes[:, 3]
    # the largest of straight lines over [0, 1] is smallest at an end or where two of them cross
    slope = at_b - at_a
    difference = slope[:, None] - slope[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = (at_a[None, :] - at_a[:, None]) / difference
    candidates = np.concatenate([[0.0, 1.0], cross[(cross > 0.0) & (cross < 1.0)]])
    values = (at_a[None, :] + candidates[:, None] * slope[None, :]).max(axis=1)
    best = int(np.argmin(values))
    return float(candidates[best]), float(values[best])


def _crossing(planes: Floats, a: Floats, b: Floats, inner: float, outer: float, limit: float) -> float:
    """Return the fraction between ``inner`` (below the limit) and ``outer`` where the gap reaches the limit."""
    if _gap(planes, a + outer * (b - a)) < limit:
        return outer
    for _ in range(60):
        middle = (inner + outer) / 2.0
        if _gap(planes, a + middle * (b - a)) < limit:
            inner = middle
        else:
            outer = middle
    return inner
