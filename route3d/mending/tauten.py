"""Lines drawn back: legs returned to where they were, or shortened, as far as nothing comes too near."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from route3d.mending.change import tidy
from route3d.mending.site import Site, rounded

Floats = NDArray[np.float64]

_ROUNDS = 4
_SHARES = (1.0, 0.5, 0.25, 0.1)
_GAIN_M = 0.002
_PARALLEL = 1e-3
_TARGETS = 3  # of each leg


def tautened(site: Site, line: Floats, cost: Callable[[Floats], float]) -> Iterator[Floats]:
    """Yield lines of less cost than ``line`` that lack nothing that can be measured apart, the best first.

    Legs move across themselves with both their corners, so that directions stay; a leg may move as far as to where its
    neighbours vanish, or to a coordinate of the drawn line.
    """
    found: list[tuple[float, Floats]] = []
    best, value = line, cost(line)
    for _ in range(_ROUNDS):
        options = []
        for candidate in _moved(best @ site.turn, site.corners_m @ site.turn):
            new = rounded(tidy(candidate @ site.turn.T), site.corners_m)
            if len(new) >= 2 and (worth := cost(new)) < value - _GAIN_M:
                options.append((worth, new))
        options.sort(key=lambda option: option[0])
        step = None
        for first in range(0, min(len(options), 32), 8):
            some = options[first : first + 8]
            looks = site.looks([new for _, new in some])
            step = next((o for o, look in zip(some, looks, strict=True) if look is not None and not look.lack_m), None)
            if step is not None:
                break
        if step is None:
            break
        value, best = step
        found.append(step)
    yield from (new for _, new in reversed(found))


def _moved(line: Floats, drawn: Floats) -> Iterator[Floats]:
    legs = np.diff(line, axis=0)
    for k in range(1, len(legs) - 1):
        for d in range(3):
            # both neighbours run along this axis, so that they take the shift up
            if not all(_along(legs[n], d) for n in (k - 1, k + 1)) or _along(legs[k], d):
                continue
            here = line[k, d]
            targets = {float(v) for v in (*drawn[:, d], line[k - 1, d], line[k + 2, d])} - {float(here)}
            for target in sorted(targets, key=lambda t: abs(t - here))[: 2 * _TARGETS]:
                for share in _SHARES:
                    moved = line.copy()
                    moved[k : k + 2, d] += share * (target - here)
                    yield moved
    # four corners that only lead around: taken out
    for k in range(1, len(line) - 4):
        through = line[k + 4] - line[k - 1]
        if float(through @ legs[k - 1]) > (1.0 - _PARALLEL**2) * float(
            np.linalg.norm(through) * np.linalg.norm(legs[k - 1])
        ):
            yield np.delete(line, range(k, k + 4), axis=0)


def _along(leg: Floats, d: int) -> bool:
    return bool(abs(leg[d]) >= (1.0 - _PARALLEL) * float(np.linalg.norm(leg)))
