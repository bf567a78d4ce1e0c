"""Points of one piece of a path inside compiled loops; see ``path.py`` for what its numbers mean."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.bvh import box_gap2
from route3d.kernel.compiled import compiled
from route3d.kernel.triangles import arc_point

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]


@compiled
def piece_point(piece: Floats, s: float) -> tuple[float, float, float]:
    """Return the point of a piece at the length ``s`` from its start."""
    if piece[0] == 1.0:
        return arc_point(piece, s / piece[12])
    return piece[3] + s * piece[9], piece[4] + s * piece[10], piece[5] + s * piece[11]


@compiled
def piece_sagitta(piece: Floats, length: float) -> float:
    """Return how far a part of a piece, of a given length, strays from its chord."""
    if piece[0] == 1.0:
        return float(piece[12] * 2.0 * math.sin(0.25 * length / piece[12]) ** 2)
    return 0.0


@compiled
def piece_misses(piece: Floats, boxes: Singles, node: int, reach: float) -> bool:
    """Return True when a piece surely stays farther than ``reach`` from a node's box: a first look, and a cheap one."""
    half = 0.5 * piece[2]
    x, y, z = piece_point(piece, half)
    around = (reach + half) * (1.0 + 1e-9)
    return bool(box_gap2(boxes, node, x, y, z, x, y, z) > around * around)
