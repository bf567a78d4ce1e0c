"""Which things hang together, where some pairs of them do.

A general graph library does this too, and takes longer to import than a check of two thousand runs takes to judge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled

Ints = NDArray[np.int64]


def components(first: NDArray[np.integer], second: NDArray[np.integer], count: int) -> Ints:
    """Return a number (count,) for each node, equal for nodes that edges from ``first`` to ``second`` connect.

    Groups are numbered in the order of their first nodes.
    """
    return _numbered(first.astype(np.int64, copy=False), second.astype(np.int64, copy=False), count)


@compiled
def _numbered(first: Ints, second: Ints, count: int) -> Ints:
    above = np.arange(count)
    for k in range(len(first)):
        a, b = first[k], second[k]
        while above[a] != a:
            above[a] = above[above[a]]
            a = above[a]
        while above[b] != b:
            above[b] = above[above[b]]
            b = above[b]
        # the lower number leads, so that a group is met first at its head
        if a < b:
            above[b] = a
        elif b < a:
            above[a] = b
    number = np.empty(count, np.int64)
    groups = 0
    for node in range(count):
        head = node
        while above[head] != head:
            head = above[head]
        above[node] = head
        if head == node:
            number[node] = groups
            groups += 1
        else:
            number[node] = number[head]
    return number
