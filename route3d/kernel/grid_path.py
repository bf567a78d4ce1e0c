"""The cheapest path along the lines of a grid whose turns leave room for bends."""

from __future__ import annotations

from heapq import heappop, heappush

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_EPS_M = 1e-9


@compiled
def cheapest_path(
    x: Floats,
    y: Floats,
    z: Floats,
    along_x: Floats,
    along_y: Floats,
    along_z: Floats,
    start: Ints,
    goal: Ints,
    turn_cost: float,
    least_leg_m: float,
    least_end_m: float,
    came: int = -1,
    goes: int = -1,
) -> Ints:
    """Return the nodes (k, 3) of the cheapest path from ``start`` to ``goal``, both (3,); none where there is no path.

    Between two turns lie at least ``least_leg_m``, before the first and behind the last ``least_end_m``. A grid of
    (nx, ny, nz) nodes has costs of shape (nx - 1, ny, nz), (nx, ny - 1, nz) and (nx, ny, nz - 1) for its edges: no
    less than their lengths, infinite where blocked. Nodes that lie in line are all given.

    Where the path goes on from a line, ``came`` is the way of that line, and ``goes`` that of the line behind it: 0 and
    1 are up and down the first axis, 2 and 3 the second, 4 and 5 the third, 6 is along none of them. Another way there
    is a turn, for which these lines have room; -1 is an end.
    """
    nx, ny, nz = len(x), len(y), len(z)
    best = np.full(6 * nx * ny * nz, np.inf)
    parent = np.full(6 * nx * ny * nz, -1)
    goal_node = (goal[0] * ny + goal[1]) * nz + goal[2]
    gx, gy, gz = x[goal[0]], y[goal[1]], z[goal[2]]
    heap = [(0.0, -1)]
    heappop(heap)
    finished = -1
    first = True
    state = -1
    while first or len(heap) > 0:
        if first:
            i, j, k = start[0], start[1], start[2]
            way, cost = -1, 0.0
        else:
            value, state = heappop(heap)
            node, way = state // 6, state % 6
            i, j, k = node // (ny * nz), (node // nz) % ny, node % nz
            cost = best[state]
            rest = abs(x[i] - gx) + abs(y[j] - gy) + abs(z[k] - gz)
            if value > cost + rest + _EPS_M:
                continue
            if node == goal_node:
                finished = state
                break
        for new in range(6):
            if way >= 0 and new // 2 == way // 2 and new != way:
                continue
            if first and new // 2 == came // 2 and new != came:
                continue
            straight = new == way
            turned = first and came >= 0 and new != came
            step = 1 if new % 2 == 0 else -1
            a, b, c = i, j, k
            total = cost if straight or (way < 0 and not turned) else cost + turn_cost
            run = 0.0
            needed = 0.0 if straight else (least_end_m if way < 0 and not turned else least_leg_m)
            while True:
                if new < 2:
                    if a + step < 0 or a + step >= nx:
                        break
                    total += along_x[min(a, a + step), b, c]
                    run += abs(x[a + step] - x[a])
                    a += step
                elif new < 4:
                    if b + step < 0 or b + step >= ny:
                        break
                    total += along_y[a, min(b, b + step), c]
                    run += abs(y[b + step] - y[b])
                    b += step
                else:
                    if c + step < 0 or c + step >= nz:
                        break
                    total += along_z[a, b, min(c, c + step)]
                    run += abs(z[c + step] - z[c])
                    c += step
                if total == np.inf:
                    break
                there = (a * ny + b) * nz + c
                at_goal = there == goal_node
                if at_goal:
                    # a turn right there takes a whole leg before it, unless that begins at an end
                    bent = goes >= 0 and new != goes
                    least = least_leg_m if bent and not (first and not turned) else least_end_m
                    if (bent and new // 2 == goes // 2) or not (straight or run >= least - _EPS_M):
                        break
                    total += turn_cost if bent else 0.0
                if at_goal or run >= needed - _EPS_M:
                    target = there * 6 + new
                    if total < best[target] - 1e-12:
                        best[target] = total
                        parent[target] = -1 if first else state
                        rest = abs(x[a] - gx) + abs(y[b] - gy) + abs(z[c] - gz)
                        heappush(heap, (total + rest, target))
                    if at_goal or run >= needed - _EPS_M:
                        break
        first = False
    count = 0
    at = finished
    while at >= 0:
        count += 1
        at = parent[at]
    if count == 0:
        return np.empty((0, 3), np.int64)
    nodes = np.empty((count + 1, 3), np.int64)
    nodes[0] = start
    at = finished
    while at >= 0:
        node = at // 6
        nodes[count, 0], nodes[count, 1], nodes[count, 2] = node // (ny * nz), (node // nz) % ny, node % nz
        count -= 1
        at = parent[at]
    return nodes
