"""The stored splines of a solid: curves and surfaces by knots and control points, rational or not."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline, NdBSpline
from scipy.spatial import cKDTree

from importers.acis_records import FaceError, Fields
from importers.dxf_curves import CHORDS_MAX

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_CLOSURES = {"open": 0, "closed": 1, "periodic": 2}
_CONTROLS_MAX = 200_000
_DEGREE_MAX = 25
_NEWTON_STEPS = 30


def _spline_start(fields: Sequence[Any], at: int) -> Fields:
    """Return a reader behind the first ``nubs`` or ``nurbs`` in the braces that hold the field at ``at``."""
    depth = 0
    for place in range(at, len(fields)):
        token = fields[place]
        if token == "{":
            depth += 1
        elif token == "}":
            depth -= 1
            if depth < 0:
                break
        elif depth == 0 and token in ("nubs", "nurbs"):
            return Fields(fields, place)
    raise FaceError("with a curve or surface whose points are not stored")


def _closure(fields: Fields) -> int:
    token = fields.take()
    return _CLOSURES[token] if token in _CLOSURES else int(token) if token in (0, 1, 2) else 0


def _knots(fields: Fields, count: int, degree: int) -> tuple[Array, int]:
    """Return the full knots and the number of control points; the stored ends lack one repeat."""
    values: list[float] = []
    for _ in range(count):
        knot = fields.number()
        values += [knot] * fields.count(degree + 1)
    if len(values) < 2 or any(b < a for a, b in pairwise(values)):
        raise FaceError("with damaged knots")
    knots = np.array([values[0], *values, values[-1]])
    controls = len(knots) - degree - 1
    if controls < degree + 1 or controls > _CONTROLS_MAX or knots[degree] >= knots[-degree - 1]:
        raise FaceError("with damaged knots")
    return knots, controls


class SplineCurve:
    """A curve by knots and control points."""

    straight = False

    def __init__(self, fields: Sequence[Any], at: int) -> None:
        reader = _spline_start(fields, at)
        rational = reader.take() == "nurbs"
        degree = reader.count(_DEGREE_MAX)
        if degree < 1:
            raise FaceError("with damaged knots")
        _closure(reader)
        knots, count = _knots(reader, reader.count(_CONTROLS_MAX), degree)
        width = 4 if rational else 3
        controls = np.array([[reader.number() for _ in range(width)] for _ in range(count)])
        self.box = controls[:, :3].copy()  # the curve lies between its control points
        if rational:
            if not (controls[:, 3] > 0.0).all():
                raise FaceError("with a weight that is not positive")
            controls[:, :3] *= controls[:, 3:]
        self._spline = BSpline(knots, controls, degree)
        self._rational = rational
        self.low, self.high = float(knots[degree]), float(knots[-degree - 1])
        self._spans = np.unique(knots[degree : len(knots) - degree])
        self.period = 0.0
        ends = self.points(np.array([self.low, self.high]))
        size = float(np.ptp(self.box, axis=0).max())
        if np.linalg.norm(ends[1] - ends[0]) <= 1e-7 * size:
            self.period = self.high - self.low

    def points(self, t: Array) -> Array:
        """Return the points (n, 3) at parameters (n,)."""
        if self.period:
            t = self.low + (t - self.low) % self.period
        values = np.asarray(self._spline(np.clip(t, self.low, self.high)))
        return values[:, :3] / values[:, 3:] if self._rational else values

    def parameter(self, point: Array) -> float:
        """Return the parameter of the point of the curve that is nearest to a point."""
        t = np.concatenate([np.linspace(a, b, 17) for a, b in pairwise(self._spans)])
        t = t[t < self.high] if self.period else t
        best = float(t[np.argmin(np.linalg.norm(self.points(t) - point, axis=1))])
        width = float(np.diff(self._spans).max()) / 16
        for _ in range(40):
            around = best + width * np.linspace(-1.0, 1.0, 9)
            if not self.period:
                around = np.clip(around, self.low, self.high)
            best = float(around[np.argmin(np.linalg.norm(self.points(around) - point, axis=1))])
            width /= 3.0
        return best

    def counts(self, stops: Array, tolerance: float) -> Index:
        """Return into how many equal steps each stretch (n - 1,) between parameters (n,) is cut."""
        stretches = pairwise(stops.tolist())
        return np.array([self._count(a, b, tolerance) for a, b in stretches], dtype=np.int64)

    def _count(self, first: float, last: float, tolerance: float) -> int:
        number = max(round(len(self._spans) * abs(last - first) / (self.high - self.low)), 1)
        while number <= CHORDS_MAX:
            t = np.linspace(first, last, 4 * number + 1)
            points = self.points(t)
            start, end = points[:-1:4], points[4::4]
            # a chord may meet the middle of its stretch by chance, not the quarters too
            off = max(
                float(np.linalg.norm(points[k::4] - (start + (end - start) * k / 4.0), axis=1).max()) for k in (1, 2, 3)
            )
            if off <= tolerance:
                return number
            number *= 2
        raise FaceError("with a curve of too many chords")


class SplineSurface:
    """A surface by knots and control points."""

    def __init__(self, fields: Sequence[Any], at: int) -> None:
        reader = _spline_start(fields, at)
        rational = reader.take() == "nurbs"
        degrees = reader.count(_DEGREE_MAX), reader.count(_DEGREE_MAX)
        if min(degrees) < 1:
            raise FaceError("with damaged knots")
        if rational:
            reader.take()  # in which direction it is rational
        _closure(reader), _closure(reader)
        reader.take(), reader.take()  # singularities: found from the points themselves
        counts = reader.count(_CONTROLS_MAX), reader.count(_CONTROLS_MAX)
        (u_knots, u_count), (v_knots, v_count) = (
            _knots(reader, count, degree) for count, degree in zip(counts, degrees, strict=True)
        )
        if u_count * v_count > _CONTROLS_MAX:
            raise FaceError("with damaged knots")
        width = 4 if rational else 3
        flat = np.array([reader.number() for _ in range(u_count * v_count * width)])
        controls = flat.reshape(v_count, u_count, width).transpose(1, 0, 2).copy()  # u runs fastest
        self.box = controls[..., :3].reshape(-1, 3).copy()
        if rational:
            if not (controls[..., 3] > 0.0).all():
                raise FaceError("with a weight that is not positive")
            controls[..., :3] *= controls[..., 3:]
        self._spline = NdBSpline((u_knots, v_knots), controls, degrees)
        self._rational = rational
        self._knots = (
            np.unique(u_knots[degrees[0] : len(u_knots) - degrees[0]]),
            np.unique(v_knots[degrees[1] : len(v_knots) - degrees[1]]),
        )
        self.low = np.array([k[0] for k in self._knots])
        self.high = np.array([k[-1] for k in self._knots])
        self.size = float(np.ptp(self.box, axis=0).max())
        self._tree: tuple[cKDTree, Array] | None = None
        self.periods = tuple(self._closed(axis) for axis in (0, 1))

    def _closed(self, axis: int) -> float:
        along = np.linspace(self.low[1 - axis], self.high[1 - axis], 9)
        ends = []
        for end in (self.low[axis], self.high[axis]):
            uv = np.empty((9, 2))
            uv[:, axis], uv[:, 1 - axis] = end, along
            ends.append(self._values(uv))
        same = np.linalg.norm(ends[1] - ends[0], axis=1).max() <= 1e-7 * self.size
        return float(self.high[axis] - self.low[axis]) if same else 0.0

    def pole(self, axis: int, end: float) -> bool:
        """Tell whether one border of the surface is a single point."""
        uv = np.empty((9, 2))
        uv[:, axis], uv[:, 1 - axis] = end, np.linspace(self.low[1 - axis], self.high[1 - axis], 9)
        return bool(np.ptp(self._values(uv), axis=0).max() <= 1e-7 * self.size)

    def _values(self, uv: Array) -> Array:
        values = np.asarray(self._spline(np.clip(uv, self.low, self.high)))
        return values[..., :3] / values[..., 3:] if self._rational else values

    def xyz(self, uv: Array) -> Array:
        """Return the points (n, 3) at parameters (n, 2)."""
        uv = uv.copy()
        for axis in (0, 1):
            if self.periods[axis]:
                uv[:, axis] = self.low[axis] + (uv[:, axis] - self.low[axis]) % self.periods[axis]
        return self._values(uv)

    def _slopes(self, uv: Array) -> tuple[Array, Array, Array]:
        value = np.asarray(self._spline(uv))
        along_u, along_v = np.asarray(self._spline(uv, nu=(1, 0))), np.asarray(self._spline(uv, nu=(0, 1)))
        if self._rational:
            weight = value[:, 3:]
            value = value[:, :3] / weight
            along_u = (along_u[:, :3] - value * along_u[:, 3:]) / weight
            along_v = (along_v[:, :3] - value * along_v[:, 3:]) / weight
        return value, along_u, along_v

    def uv(self, points: Array) -> Array:
        """Return the parameters (n, 2) of the nearest points of the surface."""
        if self._tree is None:
            # where there are many stretches between knots, each is short
            samples = 9 if len(self._knots[0]) * len(self._knots[1]) <= 2_000 else 3
            axes = [
                np.unique(np.concatenate([np.linspace(a, b, samples) for a, b in pairwise(k)])) for k in self._knots
            ]
            grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 2)
            self._tree = cKDTree(self._values(grid)), grid
        tree, grid = self._tree
        uv: Array = grid[tree.query(points)[1]].copy()
        for _ in range(_NEWTON_STEPS):
            value, du, dv = self._slopes(uv)
            off = points - value
            a, b, c = (du * du).sum(1), (du * dv).sum(1), (dv * dv).sum(1)
            p, q = (du * off).sum(1), (dv * off).sum(1)
            # a little damping leads out of a pole, where one of the slopes is nothing
            a, c = a + 1e-12 * (a + c) + 1e-300, c + 1e-12 * (a + c) + 1e-300
            size = np.maximum(a * c - b * b, 1e-15 * a * c)
            step = np.column_stack([(c * p - b * q) / size, (a * q - b * p) / size])
            span = (self.high - self.low) / 4.0
            new = uv + np.clip(step, -span, span)
            for axis in (0, 1):
                if self.periods[axis]:
                    new[:, axis] = self.low[axis] + (new[:, axis] - self.low[axis]) % self.periods[axis]
            new = np.asarray(np.clip(new, self.low, self.high))
            moved = float(np.abs(new - uv).max(initial=0.0))
            uv = new
            if moved <= 1e-13 * float((self.high - self.low).max()):
                break
        return uv

    def divisions(self, tolerance: float, most: int) -> list[Array]:
        """Return lines in both directions so that the surface between them is flat to a tolerance."""
        number = [len(k) - 1 for k in self._knots]
        while number[0] * number[1] <= most:
            lines = [_refined(k, n) for k, n in zip(self._knots, number, strict=True)]
            *off, twist = self._sagittas(lines)
            if max(*off, twist / 2.0) <= tolerance / 2.0:
                return lines
            for axis in (0, 1):
                if off[axis] > tolerance / 2.0 or (twist > tolerance and max(off) <= tolerance / 2.0):
                    number[axis] *= 2
        raise FaceError("on a surface of too many triangles")

    def _sagittas(self, lines: list[Array]) -> tuple[float, float, float]:
        """Return how far chords of cells along u, along v and across are off the surface."""
        fine = [np.sort(np.concatenate([at, (at[1:] + at[:-1]) / 2.0])) for at in lines]
        grid = self._values(np.stack(np.meshgrid(*fine, indexing="ij"), axis=-1).reshape(-1, 2))
        grid = grid.reshape(len(fine[0]), len(fine[1]), 3)
        along_u = grid[1::2] - (grid[:-1:2] + grid[2::2]) / 2.0
        along_v = grid[:, 1::2] - (grid[:, :-1:2] + grid[:, 2::2]) / 2.0
        middle = grid[1::2, 1::2]
        across = middle - (grid[:-1:2, :-1:2] + grid[2::2, 2::2]) / 2.0
        other = middle - (grid[:-1:2, 2::2] + grid[2::2, :-1:2]) / 2.0
        along = [float(np.linalg.norm(off, axis=-1).max()) for off in (along_u, along_v)]
        return along[0], along[1], max(float(np.linalg.norm(off, axis=-1).max()) for off in (across, other))


def _refined(knots: Array, number: int) -> Array:
    """Return the knots with every stretch cut into as many parts as bring the sum to ``number`` or more."""
    parts = max(int(np.ceil(number / (len(knots) - 1))), 1)
    pieces = [np.linspace(a, b, parts + 1)[:-1] for a, b in pairwise(knots)]
    return np.concatenate([*pieces, knots[-1:]])
