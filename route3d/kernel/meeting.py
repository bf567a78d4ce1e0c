"""Which of many boxes a few others come near: a plain search, for when building a tree would take longer."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.compiled import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def boxes_met(boxes: ArrayLike, others: ArrayLike, reach_m: float = 0.0) -> Ints:
    """Return the numbers, rising, of the boxes (n, 6) that are within ``reach_m`` of some of ``others`` (k, 6).

    Distances are taken axis by axis. Boxes are low x y z, then high; one whose low is above its high is never met.
    """
    many = np.ascontiguousarray(boxes, dtype=np.float64).reshape(-1, 6)
    few = np.ascontiguousarray(others, dtype=np.float64).reshape(-1, 6)
    return _met(many, few, float(reach_m)) if len(few) else np.empty(0, np.int64)


@compiled
def _met(boxes: Floats, others: Floats, reach: float) -> Ints:
    around = np.empty(6)
    for axis in range(3):
        around[axis] = others[:, axis].min() - reach
        around[axis + 3] = others[:, axis + 3].max() + reach
    found = np.empty(len(boxes), np.int64)
    count = 0
    for i in range(len(boxes)):
        if not _overlap(boxes, i, around[0], around[1], around[2], around[3], around[4], around[5]):
            continue
        for k in range(len(others)):
            if _overlap(
                boxes,
                i,
                others[k, 0] - reach,
                others[k, 1] - reach,
                others[k, 2] - reach,
                others[k, 3] + reach,
                others[k, 4] + reach,
                others[k, 5] + reach,
            ):
                found[count] = i
                count += 1
                break
    return found[:count].copy()


@compiled
def _overlap(boxes: Floats, i: int, lx: float, ly: float, lz: float, hx: float, hy: float, hz: float) -> bool:
    return bool(
        boxes[i, 0] <= hx
        and boxes[i, 3] >= lx
        and boxes[i, 1] <= hy
        and boxes[i, 4] >= ly
        and boxes[i, 2] <= hz
        and boxes[i, 5] >= lz
        and boxes[i, 0] <= boxes[i, 3]
    )
