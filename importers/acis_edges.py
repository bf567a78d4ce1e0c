"""The points along the edges of a stored solid: set once for each edge, so that the faces on both sides of it fit."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from importers.acis_curves import EdgeLine
from importers.acis_records import DamagedError, FaceError
from importers.acis_topology import Solid

Array = NDArray[np.float64]
Index = NDArray[np.int64]

# points closer along an edge than this part of it are one
_SAME_WAY = 1e-9
_ROUGH = 16  # least number of stretches in which an edge is searched for crossings


class EdgeSet:
    """The edges of one solid, each as parts of its way from start (0) to end (1), and their points."""

    def __init__(self, solid: Solid, tolerance: float) -> None:
        self._solid = solid
        self.tolerance = tolerance
        self._lines: dict[int, EdgeLine | FaceError | None] = {}
        self._rough: dict[int, tuple[Array, Array]] = {}
        self._marks: dict[int, list[Array]] = {}
        self._settled: dict[int, tuple[Array, Index, Array]] = {}
        self._ends: dict[tuple[float, ...], int] = {}
        self._points: list[Array] = []
        self._count = 0

    def line(self, number: int) -> EdgeLine | None:
        """Return an edge with its curve, None where the edge is a point; raises ``FaceError``."""
        if number not in self._lines:
            try:
                edge = self._solid.edge(number)
                if edge.curve is None:
                    if float(np.linalg.norm(edge.start - edge.end)) > 1e-6 * float(np.abs(edge.start).max(initial=1.0)):
                        raise FaceError("with an edge on a curve that is not stored")
                    self._lines[number] = None
                else:
                    self._lines[number] = EdgeLine(edge, self._solid, self.tolerance)
            except DamagedError as error:
                self._lines[number] = FaceError(str(error))
        found = self._lines[number]
        if isinstance(found, FaceError):
            raise found
        return found

    def rough(self, number: int) -> tuple[Array, Array]:
        """Return parts of the way (n,) and points (n, 3), close enough to search an edge for crossings."""
        if number not in self._rough:
            line = self.line(number)
            assert line is not None
            way = line.steps(np.linspace(0.0, 1.0, _ROUGH + 1), self.tolerance)
            self._rough[number] = way, line.at(way)
        return self._rough[number]

    def mark(self, number: int, way: Array) -> None:
        """Ask for points at parts of the way of an edge."""
        if len(way):
            self._marks.setdefault(number, []).append(way)
            self._settled.pop(number, None)

    def settled(self, number: int) -> tuple[Array, Index, Array]:
        """Return parts of the way (n,), numbers (n,) and points (n, 3) of an edge, both ends included."""
        if number not in self._settled:
            line = self.line(number)
            assert line is not None
            stops = np.unique(np.concatenate([np.array([0.0, 1.0]), *self._marks.get(number, [])]))
            inner = stops[(stops > _SAME_WAY) & (stops < 1.0 - _SAME_WAY)]
            inner = inner[np.diff(inner, prepend=-1.0) > _SAME_WAY]
            stops = np.concatenate([[0.0], inner, [1.0]])
            way = line.steps(stops, self.tolerance)
            points = line.at(way)
            ids = np.empty(len(way), dtype=np.int64)
            ids[0], ids[-1] = self._end(points[0]), self._end(points[-1])
            ids[1:-1] = self.add(points[1:-1])
            self._settled[number] = way, ids, points
        return self._settled[number]

    def points_at(self, number: int, way: Array) -> Array:
        """Return the points (n, 3) of an edge at parts of its way."""
        line = self.line(number)
        assert line is not None
        return line.at(way)

    def add(self, points: Array) -> Index:
        """Return the numbers of new points (n, 3)."""
        self._points.append(points)
        first, self._count = self._count, self._count + len(points)
        return np.arange(first, self._count)

    def _end(self, point: Array) -> int:
        key = tuple(point.tolist())
        if key not in self._ends:
            self._ends[key] = int(self.add(point[None, :])[0])
        return self._ends[key]

    def all_points(self) -> Array:
        """Return every point (n, 3) by its number."""
        self._points = [np.concatenate(self._points)] if self._points else [np.empty((0, 3))]
        return self._points[0]
