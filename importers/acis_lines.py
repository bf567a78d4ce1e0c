"""Lines across one parameter of a surface, and where values lie between them: the grid that keeps triangles small.

A value has a code: 2k on line k, and 2k + 1 between the lines k and k + 1. Where the parameter goes round, codes go on.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from importers.acis_records import FaceError

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_ON = 1e-5  # part of the least distance of two lines within which a value is on a line
_ON_MOST = 0.02  # the same where the points of the edges themselves are no better
LINES_MAX = 40_000


class Lines:
    """Lines at rising values; the last one repeats the first where the parameter has a period."""

    def __init__(self, at: Array, period: float, size: float, noise: float = 0.0) -> None:
        self.at = at
        self.period = period
        self.count = len(at) - 1  # stretches between lines
        self.endless = self.count == 1 and bool(np.isinf(at).all())
        apart = np.diff(at)
        apart = apart[np.isfinite(apart)]
        self.near = 1e-7 * size
        if len(apart):
            self.near = min(max(_ON * float(apart.min()), noise), _ON_MOST * float(apart.min()))

    def codes(self, values: Array) -> Index:
        """Return the codes (n,) of values (n,)."""
        if self.endless:
            return np.ones(len(values), dtype=np.int64)
        turn = np.zeros(len(values), dtype=np.int64)
        if self.period:
            turn = np.floor((values - self.at[0] + self.near) / self.period).astype(np.int64)
            values = values - turn * self.period
        place = np.clip(np.searchsorted(self.at, values, side="right") - 1, 0, self.count - 1)
        code = 2 * place + 1
        code[np.abs(values - self.at[place]) <= self.near] -= 1
        code[np.abs(self.at[place + 1] - values) <= self.near] += 1
        return code + 2 * self.count * turn

    def inside(self, values: Array) -> bool:
        """Tell whether all values lie between the first and the last line, or there is a period."""
        return bool(
            self.period or ((values >= self.at[0] - self.near).all() and (values <= self.at[-1] + self.near).all())
        )

    def value(self, lines: Index) -> Array:
        """Return the values (n,) of lines by their numbers."""
        if not self.period:
            return np.asarray(self.at[lines])
        turn, place = np.divmod(lines, self.count)
        return np.asarray(self.at[place] + turn * self.period)


def even_lines(
    breaks: Sequence[float],
    step: float,
    period: float,
    ends: tuple[float, float],
    size: float,
    noise: float,
    least: int = 1,
) -> Lines:
    """Return lines at all ``breaks`` and between them, no further apart than ``step`` and at ``least`` so many.

    Values of edges are known to within ``noise``.
    """
    if period:
        first = breaks[0] if breaks else 0.0
        stops = np.unique(first + np.mod(np.array([*breaks, first]) - first, period))
        close = max(1e-6 * min(step, period), noise)
        stops = stops[(np.diff(stops, prepend=-np.inf) > close) & (first + period - stops > close)]
        stops = np.append(stops, first + period)
    else:
        stops = np.array([ends[0], *(b for b in breaks if ends[0] < b < ends[1]), ends[1]])
        if not np.isfinite(step):
            stops = np.array(ends)
        stops = np.unique(stops)
        close = max(1e-6 * min(step, float(stops[-1] - stops[0])), noise)
        stops = np.append(stops[:-1][(np.diff(stops) > close)], stops[-1]) if np.isfinite(close) else stops
    if not np.isfinite(step):
        return Lines(stops, period, size, noise)
    number = np.maximum(np.ceil(np.diff(stops) / step - 1e-9), 1).astype(np.int64)
    if number.sum() < least:
        number *= int(np.ceil(least / number.sum()))
    if number.sum() > LINES_MAX:
        raise FaceError("on a surface too large for the tolerance")
    pieces = [np.linspace(a, b, n + 1)[:-1] for a, b, n in zip(stops[:-1], stops[1:], number, strict=True)]
    return Lines(np.concatenate([*pieces, stops[-1:]]), period, size, noise)


def crossed(codes: Index) -> tuple[Index, Index]:
    """Return stretches (k,) between successive codes and the lines (k,) that each jumps over."""
    low, high = np.minimum(codes[:-1], codes[1:]), np.maximum(codes[:-1], codes[1:])
    first = low + 2 - low % 2
    number = np.maximum((high - 1 - first) // 2 + 1, 0)
    stretch = np.repeat(np.arange(len(number)), number)
    rank = np.arange(len(stretch)) - np.repeat(np.cumsum(number) - number, number)
    return stretch, (first[stretch] + 2 * rank) // 2


def stepped_on(codes: Index) -> Index:
    """Return the samples that are on a line where their neighbours are not on the same one."""
    on = codes % 2 == 0
    differs = np.zeros(len(codes), dtype=bool)
    differs[1:] |= codes[1:] != codes[:-1]
    differs[:-1] |= codes[1:] != codes[:-1]
    return np.flatnonzero(on & differs)
