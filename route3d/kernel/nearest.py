"""The nearest point of one element, through its box tree."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.bvh import STACK, box_gap2
from route3d.kernel.compiled import compiled
from route3d.kernel.triangles import point_triangle

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Links = NDArray[np.int32]


@compiled
def nearest_point(
    x: float, y: float, z: float, root: int, boxes: Singles, links: Links, frames: Floats, limit: float
) -> tuple[float, float, float, float, int]:
    """Return distance, nearest point and triangle of the element whose tree begins at ``root``.

    Only what is nearer than ``limit`` is looked at; the triangle is -1, and the distance ``limit``, if there is
    nothing.
    """
    stack = np.empty(STACK, np.int64)
    best2 = limit * limit
    nx, ny, nz = 0.0, 0.0, 0.0
    triangle = -1
    depth = 1
    stack[0] = root
    while depth > 0:
        depth -= 1
        node = stack[depth]
        if box_gap2(boxes, node, x, y, z, x, y, z) >= best2:
            continue
        child, count = links[node, 0], links[node, 1]
        if count == 0:
            gap_a = box_gap2(boxes, child, x, y, z, x, y, z)
            gap_b = box_gap2(boxes, child + 1, x, y, z, x, y, z)
            nearer = 0 if gap_a <= gap_b else 1
            if max(gap_a, gap_b) < best2:
                stack[depth] = child + 1 - nearer
                depth += 1
            if min(gap_a, gap_b) < best2:
                stack[depth] = child + nearer
                depth += 1
            continue
        for i in range(child, child + count):
            d2, qx, qy, qz = point_triangle(x, y, z, frames, i)
            if d2 < best2:
                best2 = d2
                nx, ny, nz = qx, qy, qz
                triangle = i
    if triangle < 0:
        return limit, nx, ny, nz, triangle
    return math.sqrt(best2), nx, ny, nz, triangle
