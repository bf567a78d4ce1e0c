"""The shapes of marks and markers, by name: what doubles the meaning of a colour."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.shapes import Solid, ball, box, join, moved, octahedron, revolve, torus

Floats = NDArray[np.float64]


def frame_along(tangent: Floats) -> Floats:
    """Return axes (3, 3) whose last row is ``tangent`` and whose second row points up as far as it can."""
    up = np.array([0.0, 0.0, 1.0]) if abs(tangent[2]) < 0.99 else np.array([0.0, 1.0, 0.0])
    across = np.cross(up, tangent)
    across /= np.linalg.norm(across)
    return np.array([across, np.cross(tangent, across), tangent])


# Sizes in cable radii as drawn; z lies along the cable.
SUPPORT_SHAPES: Mapping[str, Callable[[], Solid]] = {
    "strap": lambda: box((2.1, 1.3, 0.7)),
    "hanger": lambda: torus(1.9, 0.4),
    "framing": lambda: octahedron_of(1.9),
}
END_SHAPES: Mapping[str, Callable[[], Solid]] = {
    "box": lambda: box((1.9, 1.9, 1.9)),
    "cabinet": lambda: box((2.3, 2.3, 2.3)),
    "fitting": lambda: box((1.7, 1.7, 1.7)),
    "luminaire": lambda: revolve([(0.0, -0.6), (2.6, -0.6), (2.6, 0.6), (0.0, 0.6)], 20),
    "equipment": lambda: revolve([(0.0, -2.0), (2.0, -2.0), (2.0, 2.0), (0.0, 2.0)], 20),
    "flexible-equipment": lambda: revolve([(0.0, -2.0), (2.0, -2.0), (2.0, 2.0), (0.0, 2.0)], 20),
    "open": lambda: torus(2.1, 0.5),
}


def octahedron_of(radius: float) -> Solid:
    """Return an octahedron of the given corner radius."""
    return moved(octahedron(), (0.0, 0.0, 0.0), scale=radius)


def _cone() -> Solid:
    return revolve([(0.0, -0.7), (0.85, -0.7), (0.0, 1.0)], 24)


def _cup() -> Solid:
    return revolve([(0.0, -1.0), (0.85, 0.7), (0.0, 0.7)], 24)


def _drop() -> Solid:
    angle = np.linspace(-np.pi / 2, np.radians(35.0), 9)
    bulb = [(0.68 * float(np.cos(t)), 0.68 * float(np.sin(t)) - 0.3) for t in angle]
    return revolve([*bulb, (0.0, 1.05)], 24)


def _jack() -> Solid:
    return join([box((0.95, 0.24, 0.24)), box((0.24, 0.95, 0.24)), box((0.24, 0.24, 0.95))])


# One shape per check, within about one unit of the origin, z up.
MARKER_SHAPES: Mapping[str, Callable[[], Solid]] = {
    "bend": lambda: moved(torus(0.72, 0.24), (0.0, 0.0, 0.0), np.array([[1.0, 0, 0], [0, 0, 1.0], [0, -1.0, 0]])),
    "clash": octahedron,
    "clearance": lambda: box((0.66, 0.66, 0.66)),
    "securing": _cone,
    "supporting": _cup,
    "environment": _drop,
    "framing": lambda: revolve([(0.0, -0.8), (0.9, -0.8), (0.9, 0.8), (0.0, 0.8)], 3),
    "deck": lambda: revolve([(0.0, -0.2), (0.98, -0.2), (0.98, 0.2), (0.0, 0.2)], 28),
    "bundle": lambda: join([moved(ball(0.46), s) for s in ((-0.46, 0, -0.35), (0.46, 0, -0.35), (0.0, 0, 0.45))]),
    "separation": lambda: join([box((0.3, 0.6, 0.85), (-0.55, 0, 0)), box((0.3, 0.6, 0.85), (0.55, 0, 0))]),
    "penetration": lambda: join([box((0.16, 0.85, 0.85)), moved(_rod(), (0, 0, 0), np.roll(np.eye(3), 1, axis=0))]),
    "input": _jack,
}


def _rod() -> Solid:
    return revolve([(0.0, -1.05), (0.26, -1.05), (0.26, 1.05), (0.0, 1.05)], 16)


def _icon_tilt() -> Floats:
    side, lift = np.radians(26.0), np.radians(24.0)
    # x to the right, z up, y away from the viewer: then turned to the side, then tipped forwards
    plain = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    about_up = np.array([[np.cos(side), 0, -np.sin(side)], [0, 1, 0], [np.sin(side), 0, np.cos(side)]])
    about_right = np.array([[1, 0, 0], [0, np.cos(lift), np.sin(lift)], [0, -np.sin(lift), np.cos(lift)]])
    return np.asarray(plain @ about_up @ about_right)


# Rows: where a marker shape's x, y and z point in a view whose axes are right, up and towards the viewer.
ICON_TILT: Floats = _icon_tilt()
