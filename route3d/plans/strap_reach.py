"""How far a run may go on from a place where it is held, by one check: the interval, risers, and what is fished."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

from route3d.model.gap import Stretch
from route3d.units import TOLERANCE_M

# A value at its limit passes, as in the check; a fifth of the tolerance is kept for rounding in the project file.
GRANT_M = 0.8 * TOLERANCE_M

_NEAR_M = 1e-9
_END_M = 1e-7  # where a riser stops being vertical is found to this, on the safe side


@dataclass(frozen=True, slots=True)
class Reach:
    """What one check asks between two holds.

    ``marks`` are the places of what already holds the run for this check, with both ends of what is judged. Between two
    of them the rule itself decides (that is settled, and asks for no strap); next to a strap that is added,
    ``share`` of its lengths.
    """

    check: str  # securing, supporting
    cite: str
    limit_m: float
    longer_m: float | None  # for risers, where this cable has a longer interval
    vertical: Callable[[float, float], bool]  # whether a stretch is a riser
    excused: tuple[Stretch, ...]  # fished, sorted
    length_m: float
    share: float
    marks: tuple[float, ...] = ()
    ends: bool = True  # the last mark is where holding ends; False: the last strap that is added is
    settled: tuple[Stretch, ...] = field(default=(), repr=False)

    def held_at(self, marks: Sequence[float], *, ends: bool) -> Reach:
        """Return the same with these marks."""
        ordered = tuple(sorted(marks))
        pairs = pairwise(ordered)
        settled = tuple((a, b) for a, b in pairs if b <= self.alone(a, 1.0))
        return replace(self, marks=ordered, ends=ends, settled=settled)

    def alone(self, at_m: float, share: float) -> float:
        """Return how far the next hold may be from one at ``at_m``; infinite where the rest is excused.

        Never decreases with ``at_m``: what is allowed from here to there is allowed from any place in between.
        """
        far = self._plain(at_m, share)
        for begin, end in self.excused:
            if end <= at_m + _NEAR_M:
                continue
            if begin > far:
                break
            if end >= self.length_m - TOLERANCE_M:
                return math.inf
            far = max(far, self._plain(end, share))
        return far

    def _plain(self, at_m: float, share: float) -> float:
        near = at_m + self.limit_m * share + GRANT_M
        if self.longer_m is None:
            return near
        far = at_m + self.longer_m * share + GRANT_M
        if far <= near or not self.vertical(at_m, min(near + _END_M, self.length_m)):
            return near
        if self.vertical(at_m, min(far, self.length_m)):
            return far
        low, high = near, min(far, self.length_m)
        while high - low > _END_M:
            middle = (low + high) / 2.0
            low, high = (middle, high) if self.vertical(at_m, middle) else (low, middle)
        return low

    def far(self, at_m: float, *, existing: bool = False) -> float:
        """Return how far the next strap that is added may be from a hold at ``at_m``, over the marks in between.

        Infinite where the last mark is reached, so that no more is needed. ``existing``: that hold is there already.
        """
        marks = self.marks
        far = at_m
        if self.ends and at_m >= marks[-1] - _NEAR_M:
            return math.inf
        while True:
            far = max(far, self.alone(at_m, self.share))
            hop = self.alone(at_m, 1.0) if existing else max(far, self._settled_from(at_m))
            k = bisect_right(marks, hop + _NEAR_M) - 1
            if k < 0 or marks[k] <= at_m + _NEAR_M:
                return far
            if self.ends and k == len(marks) - 1:
                return math.inf
            at_m, existing = marks[k], True
            far = max(far, at_m)

    def _settled_from(self, at_m: float) -> float:
        k = bisect_right(self.settled, at_m + _NEAR_M, key=lambda s: s[0]) - 1
        return self.settled[k][1] if k >= 0 and self.settled[k][1] > at_m else at_m

    def mirrored(self, *, ends: bool) -> Reach:
        """Return the same as it looks from the other end; ``ends`` as there."""
        length, vertical = self.length_m, self.vertical
        return replace(
            self,
            vertical=lambda a, b: vertical(length - b, length - a),
            excused=tuple((length - b, length - a) for a, b in reversed(self.excused)),
            marks=tuple(length - m for m in reversed(self.marks)),
            ends=ends,
            settled=tuple((length - b, length - a) for a, b in reversed(self.settled)),
        )
