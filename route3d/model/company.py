"""What a run keeps company with: runs that lie together with it, and runs that it should keep away from."""

from __future__ import annotations

from dataclasses import dataclass

from route3d.model.gap import Stretch


@dataclass(frozen=True, slots=True)
class Section:
    """A part of one run that has the same company all along."""

    from_m: float
    to_m: float
    runs: tuple[int, ...]  # all runs that lie together here, this one among them, in the job's order


@dataclass(frozen=True, slots=True)
class Approach:
    """A limited-energy run that is nearer to a power run than asked; numbers are those of the job's runs."""

    run: int
    other: int
    gap_m: float  # signed, from surface to surface
    at_m: float  # the worst place
    other_at_m: float  # the same, along the other run
    stretches_m: tuple[Stretch, ...]  # all that is too near
