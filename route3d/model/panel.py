"""Panels, switchboards and the like: what a project says about the space that they need."""

from __future__ import annotations

from dataclasses import dataclass

FRONTS = ("+x", "-x", "+y", "-y")


@dataclass(frozen=True, slots=True)
class Panel:
    """One cabinet (or other equipment) of the building; ``None`` means that the project does not say."""

    element_id: str
    front: str | None = None  # one of FRONTS: which way one stands before it
    volts_to_ground: float | None = None
    condition: int | None = None  # what is opposite: 1 nothing live or grounded, 2 grounded, 3 live
    width_m: float | None = None  # of the working space, where a wider one than the rule's is asked
    height_m: float | None = None  # of the working space, where a higher one is asked
    floor_m: float | None = None  # height of the finished floor in front of it
