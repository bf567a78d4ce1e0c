"""A camera without perspective: where a point of the building falls on the picture, in plain arithmetic.

Without perspective a length along one direction has one scale all over the picture, so that a scale can be drawn.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """Where one looks from. ``axes`` has the rows right, up and towards the viewer; points are local metres."""

    axes: Floats  # (3, 3), orthonormal, right-handed
    centre_m: Floats  # (3,) what is in the middle of the picture
    metres_per_px: float
    width: int
    height: int

    def project(self, points_m: Floats) -> Floats:
        """Return pixels (n, 2), x to the right and y downwards, of points (n, 3)."""
        seen = (np.atleast_2d(points_m) - self.centre_m) @ self.axes[:2].T / self.metres_per_px
        return np.column_stack([self.width / 2.0 + seen[:, 0], self.height / 2.0 - seen[:, 1]])

    @property
    def toward(self) -> Floats:
        """Unit vector (3,) from the scene to the viewer."""
        return np.asarray(self.axes[2])


def looking_from(toward: Floats, up: Floats | None = None) -> Floats:
    """Return camera axes (3, 3) for a viewer in direction ``toward``; ``up`` (default z) is up in the picture.

    >>> looking_from(np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])).tolist()
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    """
    near = np.asarray(toward, dtype=np.float64) / np.linalg.norm(toward)
    wanted = np.array([0.0, 0.0, 1.0]) if up is None else up
    right = np.cross(wanted, near)
    if np.linalg.norm(right) < 1e-6:
        right = np.cross([0.0, 1.0, 0.0], near)
    right /= np.linalg.norm(right)
    return np.array([right, np.cross(near, right), near])


def fitted(axes: Floats, points_m: Floats, width: int, height: int, *, margin_px: int, least_m: float) -> Camera:
    """Return the camera that shows all ``points_m`` (n, 3), ``margin_px`` from the rim; no closer than ``least_m``."""
    seen = points_m @ axes.T
    low, high = seen.min(axis=0), seen.max(axis=0)
    size = np.maximum(high - low, 0.0)
    room = np.array([max(width - 2 * margin_px, 16), max(height - 2 * margin_px, 16)], dtype=np.float64)
    scale = max(float((size[:2] / room).max()), least_m / float(room.min()))
    return Camera(axes, (low + high) / 2.0 @ axes, scale, width, height)


def round_length(length_m: float) -> float:
    """Return the largest of 1, 2, 5 × 10^n metres that is not above ``length_m``.

    >>> [round_length(x) for x in (0.07, 1.0, 4.9, 312.0)]
    [0.05, 1.0, 2.0, 200.0]
    """
    power = 10.0 ** np.floor(np.log10(length_m) + 1e-12)
    step = max(s for s in (1.0, 2.0, 5.0) if s * power <= length_m * (1.0 + 1e-9))
    return float(np.round(step * power, 12))
