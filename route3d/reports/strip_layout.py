"""Where things go on a strip that would otherwise lie on top of each other."""

from __future__ import annotations

from collections.abc import Sequence


def rows_of(stretches: Sequence[tuple[float, float]]) -> list[int]:
    """Return a row for each stretch, so that those of one row do not overlap; the first that is free.

    >>> rows_of([(0, 5), (1, 2), (5, 6), (1.5, 3)])
    [0, 1, 0, 2]
    """
    ends: list[float] = []
    rows = []
    for low, high in stretches:
        row = next((k for k, end in enumerate(ends) if end <= low), len(ends))
        if row == len(ends):
            ends.append(high)
        else:
            ends[row] = high
        rows.append(row)
    return rows


def spread(places: Sequence[float], least: float, low: float, high: float) -> list[float]:
    """Return places at least ``least`` apart, in the same order and as near to the given sorted ones as a pass allows.

    They stay between ``low`` and ``high`` where there is room for them.

    >>> spread([1.0, 1.0, 5.0], 1.0, 0.0, 10.0)
    [0.5, 1.5, 5.0]
    """
    if not places:
        return []
    # neighbours that are too near form a group around their middle; a group that meets the next takes it in
    groups: list[tuple[float, int]] = []
    for place in places:
        groups.append((place, 1))
        while len(groups) > 1 and groups[-1][0] - groups[-2][0] < least * (groups[-1][1] + groups[-2][1]) / 2.0:
            (b, m), (a, n) = groups.pop(), groups.pop()
            groups.append(((a * n + b * m) / (n + m), n + m))
    spaced = [middle + least * (k - (count - 1) / 2.0) for middle, count in groups for k in range(count)]
    # the ends push inward
    for k, place in enumerate(spaced):
        spaced[k] = max(place, low + least * k)
    for k in range(len(spaced) - 1, -1, -1):
        spaced[k] = min(spaced[k], high - least * (len(spaced) - 1 - k))
    return spaced


def cut(text: str, most: int) -> str:
    """Return a text of one line, shortened to ``most`` characters.

    >>> cut("a long one", 6)
    'a lon…'
    """
    line = " ".join(text.split())
    return line if len(line) <= most else f"{line[: most - 1]}…"
