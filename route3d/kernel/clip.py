"""What of a mesh lies in a box along the axes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def clipped(triangles_m: Floats, low: Floats, high: Floats) -> list[Floats]:
    """Return the polygons, each (m, 3), that a box (low and high corner, each (3,)) cuts out of triangles (n, 3, 3).

    What only touches the box gives nothing. Triangles without area give the segment or the point that is inside.
    """
    if not len(triangles_m):
        return []
    apart = (triangles_m.max(axis=1) <= low) | (triangles_m.min(axis=1) >= high)
    polygons = []
    for triangle in triangles_m[~apart.any(axis=1)]:
        polygon = triangle
        for axis in range(3):
            for bound, sign in ((low[axis], 1.0), (high[axis], -1.0)):
                polygon = _half(polygon, sign * (polygon[:, axis] - bound))
                if not len(polygon):
                    break
            if not len(polygon):
                break
        # what lies in a face of the box touches it from outside
        if len(polygon) and not ((polygon <= low).all(axis=0) | (polygon >= high).all(axis=0)).any():
            polygons.append(polygon)
    return polygons


def _half(polygon: Floats, side: Floats) -> Floats:
    kept = []
    for k in range(len(polygon)):
        after = (k + 1) % len(polygon)
        if side[k] >= 0.0:
            kept.append(polygon[k])
        if side[k] * side[after] < 0.0:
            kept.append(polygon[k] + side[k] / (side[k] - side[after]) * (polygon[after] - polygon[k]))
    return np.array(kept).reshape(-1, 3)
