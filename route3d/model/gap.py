"""How near a run comes to an element or to another run, where that is too near."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Stretch = tuple[float, float]


def united(stretches: Iterable[Stretch], join_m: float) -> tuple[Stretch, ...]:
    """Return the union of stretches, sorted; what is at most ``join_m`` apart is one.

    >>> united([(2.0, 3.0), (0.0, 1.0), (0.5, 1.5)], 0.1)
    ((0.0, 1.5), (2.0, 3.0))
    """
    joined: list[Stretch] = []
    for a, b in sorted(stretches):
        if joined and a <= joined[-1][1] + join_m:
            joined[-1] = (joined[-1][0], max(joined[-1][1], b))
        else:
            joined.append((a, b))
    return tuple(joined)


@dataclass(frozen=True, slots=True)
class Gap:
    """One pair that is nearer than allowed; indices are those of the job's runs and elements."""

    run: int
    element: int | None  # one of element and other_run is set
    other_run: int | None
    gap_m: float  # signed, from cable surface: negative where bodies overlap
    allowed_m: float
    at_m: float  # the worst place
    point_m: tuple[float, float, float]  # the centre line there
    toward_m: tuple[float, float, float]  # nearest point of the other one there
    inside: bool  # the centre line is inside the element at the worst place
    stretches_m: tuple[Stretch, ...]  # all that is nearer than allowed (for an overlap: all that overlaps)
    inside_m: tuple[Stretch, ...]  # where the centre line is inside a closed element, or passes through a sheet
    through: bool = False  # these stretches are holes that the trade makes: bored framing, a sleeve in a wall

    @property
    def stretch_m(self) -> Stretch:
        """The stretch that holds the worst place."""
        for stretch in self.stretches_m:
            if stretch[0] - 1e-6 <= self.at_m <= stretch[1] + 1e-6:
                return stretch
        return (self.at_m, self.at_m)


@dataclass(frozen=True, slots=True, eq=False)
class Gaps:
    """All pairs that are too near, and the smallest gap of each run to anything in reach."""

    pairs: tuple[Gap, ...]
    smallest_m: NDArray[np.float64]  # (runs,), inf where nothing is in reach
