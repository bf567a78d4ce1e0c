"""Which sets of cuts fit into one coil: the exact best one for given worths, and all that are nearly as good.

Lengths, worths and counts are whole numbers throughout, so that what is proven with them is proven.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

_TABLE_MAX = 30_000_000  # worths kept while patterns are listed: a quarter of a gigabyte


class Knapsack:
    """The best worth of cuts in every length up to ``room``: at most ``counts`` of each of ``lengths``.

    >>> best = Knapsack([4, 3], [5, 3], [1, 2], room=10)
    >>> int(best.worth[10]), best.pattern(10)
    (11, [1, 2])
    """

    def __init__(self, lengths: Sequence[int], worths: Sequence[int], counts: Sequence[int], room: int) -> None:
        self.worth = np.zeros(room + 1, dtype=np.int64)  # (room + 1,)
        self._kinds = len(lengths)
        self._steps: list[tuple[int, int, int, NDArray[np.uint8]]] = []  # kind, copies, length, where it was taken
        for kind, (length, worth, count) in enumerate(zip(lengths, worths, counts, strict=True)):
            most = min(count, room // length) if worth > 0 else 0
            for copies in _powers(most):
                long = copies * length
                with_it = self.worth[: room + 1 - long] + copies * worth
                taken = with_it > self.worth[long:]
                self._steps.append((kind, copies, long, np.packbits(taken)))
                self.worth[long:] = np.maximum(self.worth[long:], with_it)

    def pattern(self, room: int) -> list[int]:
        """Return how many of each kind make the best worth in ``room``."""
        chosen = [0] * self._kinds
        for kind, copies, long, taken in reversed(self._steps):
            bit = room - long
            if bit >= 0 and taken[bit >> 3] & (128 >> (bit & 7)):
                chosen[kind] += copies
                room = bit
        return chosen


def _powers(most: int) -> list[int]:
    """Split a count so that subsets of the parts make every number up to it: 6 -> 1, 2, 3."""
    parts, part = [], 1
    while most > 0:
        part = min(part, most)
        parts.append(part)
        most -= part
        part *= 2
    return parts


def fullest(lengths: Sequence[int], counts: Sequence[int], room: int) -> list[int]:
    """Return how many of each cut fill ``room`` as far as it can be filled, longer ones first where that is equal.

    ``lengths`` are sorted from long to short.

    >>> fullest([7, 5, 3], [1, 2, 2], 11)
    [0, 1, 2]
    """
    within = (1 << (room + 1)) - 1
    reached = 1  # bit n: some cuts make n together
    steps: list[tuple[int, int, int, int]] = []
    for kind, (length, count) in enumerate(zip(lengths, counts, strict=True)):
        for copies in _powers(min(count, room // length)):
            steps.append((kind, copies, copies * length, reached))
            reached = (reached | reached << copies * length) & within
        if reached >> room:
            break
    chosen = [0] * len(lengths)
    left = reached.bit_length() - 1
    for kind, copies, long, before in reversed(steps):
        if left >= 0 and not before >> left & 1:
            chosen[kind] += copies
            left -= long
    return chosen


def nearly_best(
    lengths: Sequence[int], worths: Sequence[int], counts: Sequence[int], room: int, least: int, at_most: int
) -> list[list[int]] | None:
    """Return every pattern in ``room`` worth at least ``least`` to which no further cut can be added.

    None where there are more than ``at_most``, or looking for them takes too many steps or too much memory.
    """
    kinds = len(lengths)
    if kinds * room > _TABLE_MAX:
        return None
    # the most that kinds from k on can be worth, in any room
    rest = np.zeros((kinds + 1, room + 1), dtype=np.int64)
    for k in range(kinds - 1, -1, -1):
        rest[k] = rest[k + 1]
        for copies in _powers(min(counts[k], room // lengths[k])):
            long = copies * lengths[k]
            rest[k, long:] = np.maximum(rest[k, long:], rest[k, : room + 1 - long] + copies * worths[k])
    shortest = _shortest_left(lengths)
    found: list[list[int]] = []
    steps = 0
    stack: list[tuple[int, int, int, list[int]]] = [(0, room, 0, [])]
    while stack:
        k, left, worth, chosen = stack.pop()
        steps += 1
        if steps > 40 * at_most:
            return None
        if k == kinds or left < shortest[k]:
            whole = chosen + [0] * (kinds - k)
            if worth >= least and not any(
                n < count and length <= left for n, count, length in zip(whole, counts, lengths, strict=True)
            ):
                found.append(whole)
                if len(found) > at_most:
                    return None
            continue
        for n in range(min(counts[k], left // lengths[k]) + 1):
            after = left - n * lengths[k]
            gained = worth + n * worths[k]
            if gained + int(rest[k + 1, after]) >= least:
                stack.append((k + 1, after, gained, [*chosen, n]))
    return found


def _shortest_left(lengths: Sequence[int]) -> list[int]:
    shortest = list(lengths)
    for k in range(len(shortest) - 2, -1, -1):
        shortest[k] = min(shortest[k], shortest[k + 1])
    return shortest
