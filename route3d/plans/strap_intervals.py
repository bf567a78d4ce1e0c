"""Closed stretches along a run, as a set of places that can be asked for its nearest ones."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable

from route3d.model.gap import Stretch, united

# what is this much beyond the end of a stretch is at its end: rounding of the kernel, not of the rules
SAME_M = 1e-9


class Places:
    """Disjoint closed stretches, sorted; a stretch may be a single point.

    >>> places = Places([(0.0, 1.0), (2.0, 2.0)])
    >>> places.last(1.5), places.first(1.5), places.last(-1.0)
    (1.0, 2.0, None)
    """

    __slots__ = ("_from", "_to", "stretches")

    def __init__(self, stretches: Iterable[Stretch]) -> None:
        self.stretches = united(stretches, SAME_M)
        self._from = [a for a, _ in self.stretches]
        self._to = [b for _, b in self.stretches]

    def __bool__(self) -> bool:
        return bool(self.stretches)

    def last(self, at_m: float) -> float | None:
        """Return the last place at or before ``at_m``, None without one."""
        k = bisect_right(self._from, at_m + SAME_M) - 1
        return None if k < 0 else min(max(at_m, self._from[k]), self._to[k])

    def first(self, at_m: float) -> float | None:
        """Return the first place at or after ``at_m``, None without one."""
        k = bisect_left(self._to, at_m - SAME_M)
        return None if k == len(self._to) else max(min(at_m, self._to[k]), self._from[k])

    def has(self, at_m: float) -> bool:
        """Tell whether ``at_m`` is a place."""
        k = bisect_right(self._from, at_m + SAME_M) - 1
        return k >= 0 and at_m <= self._to[k] + SAME_M

    def nearest(self, at_m: float, low_m: float, high_m: float) -> float | None:
        """Return the place nearest to ``at_m`` between two distances, None without one."""
        wanted = min(max(at_m, low_m), high_m)
        before, after = self.last(wanted), self.first(wanted)
        near = [p for p in (before, after) if p is not None and low_m - SAME_M <= p <= high_m + SAME_M]
        return min(near, key=lambda p: abs(p - at_m), default=None)

    def within(self, other: Places) -> Places:
        """Return the places that are in both."""
        found, i, j = [], 0, 0
        mine, theirs = self.stretches, other.stretches
        while i < len(mine) and j < len(theirs):
            low, high = max(mine[i][0], theirs[j][0]), min(mine[i][1], theirs[j][1])
            if low <= high + SAME_M:
                found.append((low, max(low, high)))
            if mine[i][1] < theirs[j][1]:
                i += 1
            else:
                j += 1
        return Places(found)

    def without(self, blocked: Iterable[Stretch]) -> Places:
        """Return the places outside of some stretches; a place just at the end of one stays."""
        left = list(self.stretches)
        for a, b in united(blocked, SAME_M):
            left = [part for stretch in left for part in _cut(stretch, a, b)]
        return Places(left)

    def mirrored(self, length_m: float) -> Places:
        """Return the places as they are counted from the other end."""
        return Places((length_m - b, length_m - a) for a, b in self.stretches)


def _cut(stretch: Stretch, a: float, b: float) -> Iterable[Stretch]:
    low, high = stretch
    if high <= a + SAME_M or low >= b - SAME_M:
        if low <= high:
            yield stretch
        return
    if low < a - SAME_M:
        yield low, a
    if high > b + SAME_M:
        yield b, high
