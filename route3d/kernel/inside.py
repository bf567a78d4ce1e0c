"""Is a point inside a closed element? By the crossings of a ray, or by solid angles where every ray grazes an edge."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.bvh import STACK
from route3d.kernel.compiled import compiled
from route3d.kernel.triangles import point_triangle

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Links = NDArray[np.int32]

ON_SURFACE_M = 1e-9  # a point this near to the surface is not inside
_GRAZE = 1e-9  # as a share of the triangle
_GRAZE_M = 1e-10
_PARALLEL = 1e-7
_DIRECTIONS = np.array(
    [
        [0.5773, 0.5219, 0.6281],
        [-0.3371, 0.8213, 0.4601],
        [0.1733, -0.4127, 0.8942],
        [-0.7717, -0.2339, 0.5914],
        [0.9011, 0.0917, -0.4237],
        [-0.2713, -0.9127, -0.3059],
    ]
)


@compiled
def is_inside(x: float, y: float, z: float, root: int, boxes: Singles, links: Links, frames: Floats) -> bool:
    """Return True when the point is inside the closed element whose tree begins at ``root``.

    Inside is where the surface winds around the point, so overlapping shells of one element do not cancel each other.
    """
    if (
        x < boxes[root, 0]
        or x > boxes[root, 3]
        or y < boxes[root, 1]
        or y > boxes[root, 4]
        or z < boxes[root, 2]
        or z > boxes[root, 5]
    ):
        return False
    for k in range(len(_DIRECTIONS)):
        winding, sure, on_surface = _ray_winding(
            x, y, z, _DIRECTIONS[k, 0], _DIRECTIONS[k, 1], _DIRECTIONS[k, 2], root, boxes, links, frames
        )
        if on_surface:
            return False
        if sure:
            return winding != 0
    winding_angle, on_surface = _solid_angle(x, y, z, root, boxes, links, frames)
    return not on_surface and abs(winding_angle) > 2.0 * math.pi


@compiled
def _ray_winding(
    x: float,
    y: float,
    z: float,
    dx: float,
    dy: float,
    dz: float,
    root: int,
    boxes: Singles,
    links: Links,
    frames: Floats,
) -> tuple[int, bool, bool]:
    """Return crossings outward less inward; whether none of them grazes; whether the point is on the surface."""
    stack = np.empty(STACK, np.int64)
    length = math.sqrt(dx * dx + dy * dy + dz * dz)
    dx, dy, dz = dx / length, dy / length, dz / length
    extent = boxes[root, 3] - boxes[root, 0] + boxes[root, 4] - boxes[root, 1] + boxes[root, 5] - boxes[root, 2]
    winding = 0
    depth = 1
    stack[0] = root
    while depth > 0:
        depth -= 1
        node = stack[depth]
        a = (boxes[node, 0] - ON_SURFACE_M - x) / dx
        b = (boxes[node, 3] + ON_SURFACE_M - x) / dx
        first, last = max(0.0, min(a, b)), max(a, b)
        a = (boxes[node, 1] - ON_SURFACE_M - y) / dy
        b = (boxes[node, 4] + ON_SURFACE_M - y) / dy
        first, last = max(first, min(a, b)), min(last, max(a, b))
        a = (boxes[node, 2] - ON_SURFACE_M - z) / dz
        b = (boxes[node, 5] + ON_SURFACE_M - z) / dz
        first, last = max(first, min(a, b)), min(last, max(a, b))
        if first > last:
            continue
        child, count = links[node, 0], links[node, 1]
        if count == 0:
            stack[depth] = child + 1
            stack[depth + 1] = child
            depth += 2
            continue
        for i in range(child, child + count):
            if frames[i, 11] <= 0.0:
                continue  # no area; its neighbours meet along it
            ex, ey, ez = frames[i, 3], frames[i, 4], frames[i, 5]
            wx, wy, wz = frames[i, 6], frames[i, 7], frames[i, 8]
            foot = frames[i, 9]
            rx, ry, rz = x - frames[i, 0], y - frames[i, 1], z - frames[i, 2]
            scale = math.sqrt(frames[i, 10] * frames[i, 11])
            nx, ny, nz = (ey * wz - ez * wy) * scale, (ez * wx - ex * wz) * scale, (ex * wy - ey * wx) * scale
            height = rx * nx + ry * ny + rz * nz
            if abs(height) <= ON_SURFACE_M:
                d2, _, _, _ = point_triangle(x, y, z, frames, i)
                if d2 <= ON_SURFACE_M * ON_SURFACE_M:
                    return 0, True, True
            climb = dx * nx + dy * ny + dz * nz
            if abs(climb) < _PARALLEL:
                if abs(height) < 2.0 * _PARALLEL * extent:
                    return 0, False, False
                continue
            along = -height / climb
            if along < 0.0:
                continue
            hx, hy, hz = rx + along * dx, ry + along * dy, rz + along * dz
            u = (hx * ex + hy * ey + hz * ez) * frames[i, 10]
            v = (hx * wx + hy * wy + hz * wz) * frames[i, 11]
            margin = min(v, u - v * foot, 1.0 - u - v * (1.0 - foot))
            slack = _GRAZE + _GRAZE_M * math.sqrt(max(frames[i, 10], frames[i, 11])) / abs(climb)
            if margin < -slack:
                continue
            if margin < slack:
                return 0, False, False
            winding += 1 if climb > 0.0 else -1
    return winding, True, False


@compiled
def _solid_angle(
    x: float, y: float, z: float, root: int, boxes: Singles, links: Links, frames: Floats
) -> tuple[float, bool]:
    """Return the signed solid angle of the whole element, and whether the point is on the surface."""
    stack = np.empty(STACK, np.int64)
    total = 0.0
    depth = 1
    stack[0] = root
    while depth > 0:
        depth -= 1
        node = stack[depth]
        child, count = links[node, 0], links[node, 1]
        if count == 0:
            stack[depth] = child + 1
            stack[depth + 1] = child
            depth += 2
            continue
        for i in range(child, child + count):
            d2, _, _, _ = point_triangle(x, y, z, frames, i)
            if d2 <= ON_SURFACE_M * ON_SURFACE_M:
                return 0.0, True
            foot = frames[i, 9]
            ax, ay, az = frames[i, 0] - x, frames[i, 1] - y, frames[i, 2] - z
            bx, by, bz = ax + frames[i, 3], ay + frames[i, 4], az + frames[i, 5]
            cx = ax + foot * frames[i, 3] + frames[i, 6]
            cy = ay + foot * frames[i, 4] + frames[i, 7]
            cz = az + foot * frames[i, 5] + frames[i, 8]
            a = math.sqrt(ax * ax + ay * ay + az * az)
            b = math.sqrt(bx * bx + by * by + bz * bz)
            c = math.sqrt(cx * cx + cy * cy + cz * cz)
            volume = ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
            scale = (
                a * b * c
                + (ax * bx + ay * by + az * bz) * c
                + (bx * cx + by * cy + bz * cz) * a
                + (cx * ax + cy * ay + cz * az) * b
            )
            total += 2.0 * math.atan2(volume, scale)
    return total, False
