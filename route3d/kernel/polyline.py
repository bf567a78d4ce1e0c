"""Polylines compared: distances between them, and the fewest moves of points that turn one into the other."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled

Floats = NDArray[np.float64]

_SAME_M = 1e-6
_STRAIGHT_RAD = 1e-6


@compiled
def distances_to_line(points: Floats, line: Floats) -> Floats:
    """Return the distance of each point (k, 3) from a polyline (n, 3)."""
    answer = np.empty(len(points))
    for p in range(len(points)):
        best = np.inf
        for k in range(len(line) - 1):
            along, squared = 0.0, 0.0
            for d in range(3):
                way = line[k + 1, d] - line[k, d]
                along += (points[p, d] - line[k, d]) * way
                squared += way * way
            share = min(max(along / squared, 0.0), 1.0) if squared > 0.0 else 0.0
            apart = 0.0
            for d in range(3):
                apart += (points[p, d] - line[k, d] - share * (line[k + 1, d] - line[k, d])) ** 2
            best = min(best, apart)
        answer[p] = math.sqrt(best)
    return answer


@compiled
def without_idle_points(line: Floats) -> Floats:
    """Return a polyline (n, 3) without repeated points, points on straight legs and spikes; its ends stay."""
    kept = np.empty_like(line)
    count = 0
    for p in range(len(line)):
        if count > 0 and _apart(kept[count - 1], line[p]) <= _SAME_M:
            continue
        while count >= 2 and _in_line(kept[count - 2], kept[count - 1], line[p]):
            count -= 1
        if count == 0 or _apart(kept[count - 1], line[p]) > _SAME_M:
            kept[count] = line[p]
            count += 1
    if _apart(kept[count - 1], line[-1]) > 0.0:
        if count >= 2 and _apart(kept[count - 1], line[-1]) <= _SAME_M:
            count -= 1
        kept[count] = line[-1]
        count += 1
    return kept[:count].copy()


@compiled
def _apart(a: Floats, b: Floats) -> float:
    return math.sqrt((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2)


@compiled
def _in_line(a: Floats, b: Floats, c: Floats) -> bool:
    ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    vx, vy, vz = c[0] - b[0], c[1] - b[1], c[2] - b[2]
    cross = math.sqrt((uy * vz - uz * vy) ** 2 + (uz * vx - ux * vz) ** 2 + (ux * vy - uy * vx) ** 2)
    return cross <= _STRAIGHT_RAD * _apart(a, b) * _apart(b, c) + 1e-15


@compiled
def fewest_moves(before: Floats, after: Floats, new_cost: float, gone_cost: float) -> Floats:
    """Return, for the cheapest way to match the points of two polylines in order, what becomes of them.

    Returns
    -------
    (4,) float
        The sum of all moves; how many points move, are new, and are gone. A point that is new or gone counts with its
        distance from the other line; ``new_cost`` and ``gone_cost`` only decide which points are matched.
    """
    n, m = len(before), len(after)
    new, gone = distances_to_line(after, before), distances_to_line(before, after)
    cost = np.full((n + 1, m + 1), np.inf)
    step = np.zeros((n + 1, m + 1), np.int64)
    cost[0, 0] = 0.0
    for i in range(n + 1):
        for j in range(m + 1):
            if i > 0 and j > 0:
                value = cost[i - 1, j - 1] + _apart(before[i - 1], after[j - 1])
                if value < cost[i, j]:
                    cost[i, j], step[i, j] = value, 1
            if i > 0:
                value = cost[i - 1, j] + gone[i - 1] + gone_cost
                if value < cost[i, j]:
                    cost[i, j], step[i, j] = value, 2
            if j > 0:
                value = cost[i, j - 1] + new[j - 1] + new_cost
                if value < cost[i, j]:
                    cost[i, j], step[i, j] = value, 3
    answer = np.zeros(4)
    i, j = n, m
    while i > 0 or j > 0:
        if step[i, j] == 1:
            i, j = i - 1, j - 1
            apart = _apart(before[i], after[j])
            answer[0] += apart
            answer[1] += 1.0 if apart > _SAME_M else 0.0
        elif step[i, j] == 2:
            i -= 1
            answer[0] += gone[i]
            answer[3] += 1.0
        else:
            j -= 1
            answer[0] += new[j]
            answer[2] += 1.0
    return answer
