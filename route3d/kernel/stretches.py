"""Stretches: intervals along paths, sorted, joined where they touch."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

JOIN_M = 1e-6  # stretches with a smaller gap between them are one


class Stretches(NamedTuple):
    """Disjoint intervals, sorted by ``pair`` and then by distance along the path; arrays of one length."""

    pair: Ints  # which of the pairs that were asked about
    from_m: Floats
    to_m: Floats


@compiled
def grown(buffer: Floats) -> Floats:
    """Return a copy of ``buffer`` (n, k) with twice the rows."""
    larger = np.empty((2 * buffer.shape[0], buffer.shape[1]))
    larger[: buffer.shape[0]] = buffer
    return larger


@compiled
def sort_values(values: Floats, count: int) -> None:
    """Sort the first ``count`` values in place: by Shell's method, which compiles much faster than the library's."""
    gap = count // 2
    while gap > 0:
        for k in range(gap, count):
            value = values[k]
            j = k
            while j >= gap and values[j - gap] > value:
                values[j] = values[j - gap]
                j -= gap
            values[j] = value
        gap = 1 if gap == 2 else gap * 5 // 11


@compiled
def sort_rows(rows: Floats, count: int) -> None:
    """Sort the first ``count`` rows (from, to) in place by their first number."""
    gap = count // 2
    while gap > 0:
        for k in range(gap, count):
            first, second = rows[k, 0], rows[k, 1]
            j = k
            while j >= gap and rows[j - gap, 0] > first:
                rows[j, 0], rows[j, 1] = rows[j - gap, 0], rows[j - gap, 1]
                j -= gap
            rows[j, 0], rows[j, 1] = first, second
        gap = 1 if gap == 2 else gap * 5 // 11


@compiled
def joined(intervals: Floats, count: int) -> int:
    """Sort and join the first ``count`` rows (from, to) in place; return how many are left."""
    if count == 0:
        return 0
    sort_rows(intervals, count)
    kept = 0
    low, high = intervals[0, 0], intervals[0, 1]
    for k in range(1, count):
        if intervals[k, 0] <= high + JOIN_M:
            high = max(high, intervals[k, 1])
        else:
            intervals[kept, 0], intervals[kept, 1] = low, high
            kept += 1
            low, high = intervals[k, 0], intervals[k, 1]
    intervals[kept, 0], intervals[kept, 1] = low, high
    return kept + 1


def from_rows(parts: list[Floats]) -> Stretches:
    """Return the stretches that compiled loops gave as rows (pair, from, to), part by part."""
    rows = np.concatenate(parts) if parts else np.empty((0, 3))
    answer = Stretches(rows[:, 0].astype(np.int64), rows[:, 1].copy(), rows[:, 2].copy())
    for array in answer:
        array.setflags(write=False)
    return answer
