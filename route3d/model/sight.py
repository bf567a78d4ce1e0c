"""From where a finding is looked at, in the axes and metres of the building, for programs of others."""

from __future__ import annotations

from dataclasses import dataclass

Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Sight:
    """A camera with perspective, and planes that cut away what would hide the place."""

    eye_m: Vector
    looking: Vector  # unit vector from the eye to the place
    up: Vector  # unit vector, square to ``looking``
    height_deg: float  # angle between the upper and the lower rim of the view
    aspect: float  # width / height
    cuts: tuple[tuple[Vector, Vector], ...] = ()  # a point of each plane, and the direction of what is taken away
