"""Flat curves of the DXF reference as points: arcs, circles and bulges, in chords no further off than a tolerance.

Plain arrays in drawing units; planes are given as an origin and three axes, see :func:`plane_axes`.
"""

from __future__ import annotations

import math

import numpy as np
from ezdxf.math import OCS, Vec3
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# 0.1 mm off an arc of 1 km radius takes 7025 chords for a full turn; beyond this bound it is a mistake in the file.
CHORDS_MAX = 40_000


class TooManyChordsError(ValueError):
    """An arc so large that the tolerance asks for more chords than a building can need."""


def plane_axes(extrusion: Vec3) -> Array:
    """Return the axes (3, 3), one a row, of the plane that an extrusion direction stands for.

    The arbitrary axis algorithm of the DXF reference; a null direction stands for z, as the reference's default.
    """
    if not all(math.isfinite(c) for c in extrusion) or extrusion.is_null:
        extrusion = Vec3(0, 0, 1)
    ocs = OCS(extrusion)
    return np.array([ocs.ux, ocs.uy, ocs.uz], dtype=np.float64)


def axes_of(extrusion: Array) -> Array:
    """Return the axes (n, 3, 3) of extrusion directions (n, 3)."""
    different, number = np.unique(extrusion, axis=0, return_inverse=True)
    axes = np.array([plane_axes(Vec3(direction)) for direction in different.tolist()]).reshape(-1, 3, 3)
    return np.asarray(axes[number.reshape(-1)])


def arc_points(centre: ArrayLike, radius: float, start_rad: float, sweep_rad: float, tolerance: float) -> Array:
    """Return points (n, 2) on an arc, both ends included, with chords no further off than ``tolerance``.

    Raises
    ------
    TooManyChordsError
        The tolerance asks for more than ``CHORDS_MAX`` chords.

    >>> arc_points((0, 0), 1.0, 0.0, math.pi, 0.3).round(6).tolist()
    [[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]]
    """
    count = chord_count(radius, sweep_rad, tolerance)
    angle = start_rad + sweep_rad * np.arange(count + 1) / count
    return np.asarray(centre, dtype=np.float64) + abs(radius) * np.column_stack([np.cos(angle), np.sin(angle)])


def chord_count(radius: float, sweep_rad: float, tolerance: float) -> int:
    """Return into how many chords an arc is cut so that its sagitta r(1 - cos(a/2)) stays within the tolerance."""
    radius = abs(radius)
    if not math.isfinite(radius) or not math.isfinite(sweep_rad):
        raise TooManyChordsError("its radius is not a number")
    # a chord of 90 degrees at most, so that a small circle is still seen to be round
    # and r(1 - cos(a/2)) as 2r sin²(a/4), which keeps its digits where the tolerance is small beside the radius
    step = (
        math.pi / 2 if tolerance >= radius else min(4.0 * math.asin(math.sqrt(tolerance / radius / 2.0)), math.pi / 2)
    )
    count = math.inf if step <= 0.0 else math.ceil(abs(sweep_rad) / step - 1e-9)
    if count > CHORDS_MAX:
        raise TooManyChordsError("its radius is too large for the tolerance")
    return max(int(count), 1)


def circle_points(centre: ArrayLike, radius: float, tolerance: float) -> Array:
    """Return points (n, 2) around a circle, the first not repeated."""
    return arc_points(centre, radius, 0.0, math.tau, tolerance)[:-1]


def bulge_points(start: Array, end: Array, bulge: float, tolerance: float) -> Array:
    """Return points (n, 2) from start to before ``end``; a bulge is the tangent of a quarter of the turning angle."""
    chord = end - start
    length = math.hypot(*chord)
    if length == 0.0 or abs(bulge) * length / 2.0 <= min(tolerance, length / 4.0):
        return start[None, :]  # the arc leaves its chord by no more than the tolerance
    sweep = 4.0 * math.atan(bulge)
    # midpoint of the chord plus its left normal times (1 - b²) / 4b
    centre = (start + end) / 2.0 + np.array([-chord[1], chord[0]]) * ((1.0 - bulge * bulge) / (4.0 * bulge))
    radius = length * (1.0 + bulge * bulge) / (4.0 * abs(bulge))
    first = math.atan2(start[1] - centre[1], start[0] - centre[0])
    points = arc_points(centre, radius, first, sweep, tolerance)[:-1]
    points[0] = start  # to the last bit: neighbours share it
    return points


def polyline_points(corners: Array, bulges: Array, closed: bool, tolerance: float) -> tuple[Array, NDArray[np.intp]]:
    """Return the flattened polyline (n, 2) and, for each point, the number of the segment that starts or holds it.

    A closed polyline is not repeated at its end; the last point of an open one belongs to the last segment.
    """
    count = len(corners)
    pieces: list[Array] = []
    segments: list[NDArray[np.intp]] = []
    for number in range(count if closed else count - 1):
        piece = bulge_points(corners[number], corners[(number + 1) % count], float(bulges[number]), tolerance)
        pieces.append(piece)
        segments.append(np.full(len(piece), number))
    if not closed and count:
        pieces.append(corners[-1:])
        segments.append(np.full(1, max(count - 2, 0)))
    if not pieces:
        return np.empty((0, 2)), np.empty(0, dtype=np.intp)
    return np.concatenate(pieces), np.concatenate(segments).astype(np.intp)


def to_world(points: ArrayLike, axes: Array, elevation: float | Array = 0.0) -> Array:
    """Return points (n, 2) or (n, 3) of a plane in the world (n, 3); ``elevation`` is added along the normal."""
    flat = np.asarray(points, dtype=np.float64)
    height = elevation if flat.shape[1] == 2 else flat[:, 2] + elevation
    return np.asarray(
        flat[:, 0, None] * axes[0]
        + flat[:, 1, None] * axes[1]
        + np.broadcast_to(np.asarray(height), (len(flat),))[:, None] * axes[2]
    )
