"""The surfaces under the faces of a stored solid: each maps points to two parameters u, v and back.

Where u or v go round they have a period. Where a whole line of u is one point (the tip of a cone, a pole of a ball) v
ends: it is a pole. ``outward`` is 1 where the normal of the record is du x dv, and -1 where it is the other way.
"""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from importers.acis_curves import cross
from importers.acis_records import FaceError, Fields, Record
from importers.acis_splines import SplineSurface
from importers.acis_topology import Solid
from importers.dxf_curves import TooManyChordsError, chord_count

Array = NDArray[np.float64]

CELLS_MAX = 400_000


class Surface(Protocol):
    """What the triangulation asks of a curved surface."""

    periods: tuple[float, float]  # 0 for none
    v_ends: tuple[float, float]  # infinite where v has no end
    poles: tuple[bool, bool]  # whether the low and the high end of v are single points
    outward: int
    sure_sides: bool  # a loop has an inside and an outside whichever way it runs
    size: float

    def uv(self, points: Array) -> Array:
        """Return the parameters (n, 2) of points (n, 3)."""

    def xyz(self, uv: Array) -> Array:
        """Return the points (n, 3) at parameters (n, 2)."""

    def steps(self, tolerance: float, uv: Array) -> tuple[float, float]:
        """Return how far lines of u and of v may be apart; infinite where no lines are needed."""

    def box(self) -> Array | None:
        """Return points (n, 3) whose box holds the whole surface, None where it has no end."""


def frame(normal: Array, across: Array) -> Array:
    """Return three axes (3, 3), one a row: z along the normal, x along the other as far as it is square to it."""
    length = math.hypot(*normal.tolist())
    if length == 0.0:
        raise FaceError("on a surface without an axis")
    z = normal / length
    x = across - (across @ z) * z
    if math.hypot(*x.tolist()) <= 1e-9 * max(math.hypot(*across.tolist()), 1e-300):
        x = cross(z, np.eye(3)[int(np.argmin(np.abs(z)))])
    x = x / math.hypot(*x.tolist())
    return np.array([x, cross(z, x), z])


def _turn(radius: float, tolerance: float) -> float:
    try:
        return math.tau / chord_count(radius, math.tau, tolerance)
    except TooManyChordsError:
        raise FaceError("on a surface too large for the tolerance") from None


class Cone:
    """A cylinder or a cone, round or elliptical: u is the angle, v the height along the axis."""

    periods = (math.tau, 0.0)
    sure_sides = True

    def __init__(self, record: Record) -> None:
        fields = Fields(record.fields)
        self.centre, axis, major = fields.vector(), fields.vector(), fields.vector()
        self.ratio = abs(fields.number())
        if isinstance(fields.peek(), (bool, str)) and fields.peek() in (True, False, "I", "F"):
            fields.bound(), fields.bound()
        sine, cosine = fields.number(), fields.number()
        self.size = self.radius = float(np.linalg.norm(major))
        if self.radius == 0.0 or not 0.0 < self.ratio < 1e6 or abs(math.hypot(sine, cosine) - 1.0) > 1e-4:
            raise FaceError("on a damaged cone")
        if abs(cosine) < 1e-9:
            raise FaceError("on a cone that is flat")
        self.axes = frame(axis, major)
        self.slope = sine / cosine if abs(sine) > 1e-9 else 0.0
        self.outward = 1 if cosine > 0.0 else -1
        tip = -self.radius / self.slope if self.slope else math.inf
        self.v_ends = (tip, math.inf) if self.slope > 0.0 else (-math.inf, tip)
        self.poles = (self.slope > 0.0, self.slope < 0.0)

    def uv(self, points: Array) -> Array:
        """Return angle and height (n, 2) of points (n, 3)."""
        x, y, z = self.axes @ (points - self.centre).T
        return np.column_stack([np.arctan2(y / self.ratio, x), z])

    def xyz(self, uv: Array) -> Array:
        """Return the points (n, 3) at angle and height (n, 2)."""
        radius = self.radius + self.slope * uv[:, 1]
        local = np.column_stack([radius * np.cos(uv[:, 0]), self.ratio * radius * np.sin(uv[:, 0]), uv[:, 1]])
        return np.asarray(self.centre + local @ self.axes)

    def steps(self, tolerance: float, uv: Array) -> tuple[float, float]:
        """Return the step of the angle at the largest radius; straight lines run along the height."""
        radius = float(np.abs(self.radius + self.slope * uv[:, 1]).max(initial=0.0)) * max(1.0, self.ratio)
        return _turn(radius, tolerance), math.inf

    def box(self) -> Array | None:
        """Return None: a cone has no end. Its tip is given by :meth:`tip`."""
        return None

    def tip(self) -> Array | None:
        """Return the tip (1, 3), None for a cylinder."""
        if not self.slope:
            return None
        return np.asarray(self.centre - self.radius / self.slope * self.axes[2])[None, :]


class Ball:
    """A sphere: u is the longitude, v the latitude about an axis of choice."""

    periods = (math.tau, 0.0)
    v_ends = (-math.pi / 2, math.pi / 2)
    poles = (True, True)
    sure_sides = False

    def __init__(self, record: Record) -> None:
        fields = Fields(record.fields)
        self.centre = fields.vector()
        radius = fields.number()
        across, pole = fields.vector(), fields.vector()
        self.size = self.radius = abs(radius)
        if self.radius == 0.0:
            raise FaceError("on a damaged sphere")
        self.outward = 1 if radius > 0.0 else -1
        self.axes = frame(pole, across)

    def avoid(self, points: Array) -> None:
        """Turn the axis so that its poles stay away from points (n, 3) on edges."""
        if not len(points):
            return
        rays = (points - self.centre) / self.radius
        corners = np.array([[x, y, z] for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1)], dtype=np.float64)
        tries = np.concatenate([self.axes[::-1], corners[14:] @ np.diag([1.0, 0.83, 0.61]) @ self.axes])
        tries /= np.linalg.norm(tries, axis=1)[:, None]
        near = np.abs(rays @ tries.T).max(axis=0)  # cosine of the angle to the nearest point
        best = 0 if near[0] < 0.985 else int(np.argmin(near))
        if near[best] > 0.9999:
            raise FaceError("on a sphere with edges everywhere")
        if best:
            self.axes = frame(tries[best], self.axes[2])

    def uv(self, points: Array) -> Array:
        """Return longitude and latitude (n, 2) of points (n, 3)."""
        x, y, z = self.axes @ (points - self.centre).T
        return np.column_stack([np.arctan2(y, x), np.arctan2(z, np.hypot(x, y))])

    def xyz(self, uv: Array) -> Array:
        """Return the points (n, 3) at longitude and latitude (n, 2)."""
        ring = np.cos(uv[:, 1])
        local = np.column_stack([ring * np.cos(uv[:, 0]), ring * np.sin(uv[:, 0]), np.sin(uv[:, 1])])
        return np.asarray(self.centre + self.radius * local @ self.axes)

    def steps(self, tolerance: float, uv: Array) -> tuple[float, float]:
        """Return the steps; each direction may use half of the tolerance."""
        step = _turn(self.radius, tolerance / 2.0)
        return step, step

    def box(self) -> Array | None:
        """Return the corners of the cube about the sphere."""
        return _cube(self.centre, self.radius)


class Torus:
    """A ring: u is the angle about its axis, v about the tube; one that cuts itself ends at the axis."""

    sure_sides = False

    def __init__(self, record: Record) -> None:
        fields = Fields(record.fields)
        self.centre, axis = fields.vector(), fields.vector()
        self.major, minor = fields.number(), fields.number()
        self.axes = frame(axis, fields.vector())
        self.minor = abs(minor)
        self.size = abs(self.major) + self.minor
        self.outward = 1 if minor > 0.0 else -1
        if self.minor == 0.0 or self.major <= -self.minor:
            raise FaceError("on a damaged torus")
        if self.major > self.minor:
            self.periods, self.poles = (math.tau, math.tau), (False, False)
            self.v_ends = (-math.inf, math.inf)
        else:
            end = math.acos(-self.major / self.minor)
            self.periods, self.poles, self.v_ends = (math.tau, 0.0), (True, True), (-end, end)

    def uv(self, points: Array) -> Array:
        """Return both angles (n, 2) of points (n, 3)."""
        x, y, z = self.axes @ (points - self.centre).T
        return np.column_stack([np.arctan2(y, x), np.arctan2(z, np.hypot(x, y) - self.major)])

    def xyz(self, uv: Array) -> Array:
        """Return the points (n, 3) at both angles (n, 2)."""
        ring = self.major + self.minor * np.cos(uv[:, 1])
        local = np.column_stack([ring * np.cos(uv[:, 0]), ring * np.sin(uv[:, 0]), self.minor * np.sin(uv[:, 1])])
        return np.asarray(self.centre + local @ self.axes)

    def steps(self, tolerance: float, uv: Array) -> tuple[float, float]:
        """Return the steps; each direction may use half of the tolerance."""
        return _turn(self.major + self.minor, tolerance / 2.0), _turn(self.minor, tolerance / 2.0)

    def box(self) -> Array | None:
        """Return the corners of the cube about the ring."""
        return _cube(self.centre, self.size)


class Sheet:
    """A surface by knots and control points, turned so that a border that is a single point is an end of v."""

    outward = 1

    def __init__(self, record: Record, solid: Solid) -> None:
        fields = Fields(record.fields)
        self.outward = -1 if fields.flag() else 1
        if fields.peek() != "{":
            raise FaceError("on a surface whose points are not stored")
        self._spline = spline = SplineSurface(*solid.subtype(record.fields, fields.at))
        ends = [[spline.pole(axis, end[axis]) for end in (spline.low, spline.high)] for axis in (0, 1)]
        if any(ends[0]) and any(ends[1]):
            raise FaceError("on a spline surface with too many poles")
        # a pole, or else the direction that does not go round, belongs to v
        self._swap = any(ends[0]) or (spline.periods[1] > 0.0 and spline.periods[0] == 0.0 and not any(ends[1]))
        order = (1, 0) if self._swap else (0, 1)
        self._order = list(order)
        self.outward *= -1 if self._swap else 1
        self.periods = (spline.periods[order[0]], spline.periods[order[1]])
        low, high = spline.low[self._order], spline.high[self._order]
        self.u_ends = (float(low[0]), float(high[0]))
        self.v_ends = (-math.inf, math.inf) if self.periods[1] else (float(low[1]), float(high[1]))
        poles = ends[order[1]]
        self.poles = (poles[0], poles[1])
        self.sure_sides = self.periods == (0.0, 0.0)
        self.size = spline.size

    def uv(self, points: Array) -> Array:
        """Return the parameters (n, 2) of the nearest points of the surface."""
        return self._spline.uv(points)[:, self._order]

    def xyz(self, uv: Array) -> Array:
        """Return the points (n, 3) at parameters (n, 2)."""
        return self._spline.xyz(uv[:, self._order])

    def steps(self, tolerance: float, uv: Array) -> tuple[float, float]:
        """Return infinite steps: :meth:`lines` gives the lines themselves."""
        return math.inf, math.inf

    def lines(self, tolerance: float) -> tuple[Array, Array]:
        """Return the lines of u and of v between which the surface is flat to the tolerance."""
        lines = self._spline.divisions(tolerance, CELLS_MAX)
        return lines[self._order[0]], lines[self._order[1]]

    def box(self) -> Array | None:
        """Return the control points, between which the surface lies."""
        return self._spline.box


def _cube(centre: Array, half: float) -> Array:
    return np.asarray(centre + half * np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]))


def surface_of(record: Record, solid: Solid) -> Cone | Ball | Torus | Sheet:
    """Return a curved surface; raises ``FaceError`` for kinds that are not read."""
    if record.name == "cone-surface":
        return Cone(record)
    if record.name == "sphere-surface":
        return Ball(record)
    if record.name == "torus-surface":
        return Torus(record)
    if record.name == "spline-surface":
        return Sheet(record, solid)
    raise FaceError(f"on a {record.name[:40]}")


def plane_of(record: Record) -> tuple[Array, Array]:
    """Return a point of a plane and its unit normal."""
    fields = Fields(record.fields)
    origin, normal = fields.vector(), fields.vector()
    length = float(np.linalg.norm(normal))
    if length == 0.0:
        raise FaceError("on a surface without an axis")
    return origin, normal / length


def off_surface(surface: Surface, points: Array, uv: Array) -> float:
    """Return how far points (n, 3) are from the points of the surface at their parameters (n, 2)."""
    return float(np.linalg.norm(surface.xyz(uv) - points, axis=1).max(initial=0.0))
