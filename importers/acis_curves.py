"""The curves under the edges of a stored solid, each edge with its points: one set for all faces that meet there."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from importers.acis_records import FaceError, Fields, Record
from importers.acis_splines import SplineCurve
from importers.acis_topology import Edge, Solid
from importers.dxf_curves import CHORDS_MAX, TooManyChordsError, chord_count

Array = NDArray[np.float64]
Index = NDArray[np.int64]

# A vertex may be off its curve by this much relative to the curve, or by this part of the chord tolerance if that is
# more: some writers keep six digits.
NEAR = 2e-5
NEAR_CHORD = 0.5


def cross(a: Array, b: Array) -> Array:
    """Return the cross product of two vectors (3,), many times faster than for arrays of vectors."""
    (ax, ay, az), (bx, by, bz) = a.tolist(), b.tolist()
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])


class Straight:
    """A straight line between two points, by the part of the way."""

    straight = True
    period = 0.0

    def __init__(self, start: Array, end: Array) -> None:
        self._start, self._end = start, end

    def points(self, t: Array) -> Array:
        """Return the points (n, 3) at parameters (n,)."""
        return np.asarray(self._start + t[:, None] * (self._end - self._start))

    def counts(self, stops: Array, tolerance: float) -> Index:
        """Return 1 for every stretch: a straight line is its own chord."""
        return np.ones(len(stops) - 1, dtype=np.int64)


class Oval:
    """A circle or an ellipse, by the angle from its major axis."""

    straight = False
    period = math.tau

    def __init__(self, record: Record) -> None:
        fields = Fields(record.fields)
        self.centre, normal, self.major = fields.vector(), fields.vector(), fields.vector()
        ratio = fields.number()
        length, self.radius = float(np.linalg.norm(normal)), float(np.linalg.norm(self.major))
        if length == 0.0 or self.radius == 0.0 or not 0.0 < abs(ratio) <= 1.0 + 1e-9:
            raise FaceError("with a damaged circle")
        self.normal = normal / length
        self.minor = cross(self.normal, self.major) * ratio

    def points(self, t: Array) -> Array:
        """Return the points (n, 3) at angles (n,)."""
        return np.asarray(self.centre + np.cos(t)[:, None] * self.major + np.sin(t)[:, None] * self.minor)

    def parameter(self, point: Array) -> float:
        """Return the angle of a point on the curve."""
        off = point - self.centre
        return math.atan2(
            float(off @ self.minor) / float(self.minor @ self.minor),
            float(off @ self.major) / float(self.major @ self.major),
        )

    def counts(self, stops: Array, tolerance: float) -> Index:
        """Return into how many equal steps each stretch (n - 1,) between angles (n,) is cut."""
        try:
            step = math.tau / chord_count(self.radius, math.tau, tolerance)
        except TooManyChordsError:
            raise FaceError("with an arc too large for the tolerance") from None
        return np.maximum(np.ceil(np.abs(np.diff(stops)) / step - 1e-6), 1).astype(np.int64)


class EdgeLine:
    """An edge with its curve and the stretch of it; ``first`` lies at the start vertex, ``last`` at the end."""

    def __init__(self, edge: Edge, solid: Solid, tolerance: float) -> None:
        assert edge.curve is not None
        self.edge = edge
        self.curve: Straight | Oval | SplineCurve
        self.first, self.last = 0.0, 1.0
        self._gaps: Array | None = None  # from the curve to the vertices at both ends (2, 3)
        if edge.curve.name == "straight-curve":
            self.curve = Straight(edge.start, edge.end)
            return
        against = edge.backward
        if edge.curve.name == "ellipse-curve":
            self.curve = Oval(edge.curve)
        elif edge.curve.name == "intcurve-curve":
            fields = Fields(edge.curve.fields)
            against = against != fields.flag()
            if fields.peek() != "{":
                raise FaceError("with a curve whose points are not stored")
            self.curve = SplineCurve(*solid.subtype(edge.curve.fields, fields.at))
        else:
            raise FaceError(f"with an edge on a {edge.curve.name[:40]}")
        self._place(self.curve, against, NEAR_CHORD * tolerance)

    def _place(self, curve: Oval | SplineCurve, against: bool, near: float) -> None:
        ends = np.array([self.edge.start, self.edge.end])
        first, last = (curve.parameter(end) for end in ends)
        reach = curve.points(np.array([first, last]))
        size = max(float(np.abs(reach - reach.mean(axis=0)).max()), getattr(curve, "radius", 0.0))
        if np.linalg.norm(reach - ends, axis=1).max() > max(near, NEAR * size, 1e-6 * float(np.abs(ends).max())):
            raise FaceError("with a curve that misses its ends")
        if curve.period:
            apart = float(np.linalg.norm(ends[1] - ends[0]))
            stored = abs((self.edge.last or 0.0) - (self.edge.first or 0.0))
            whole = self.edge.loops_back or (apart <= 1e-9 * size and stored > curve.period / 2.0)
            sweep = curve.period if whole else (last - first) % curve.period
            if against:
                sweep = -curve.period if whole else sweep - curve.period
            last = first + sweep
        self.first, self.last = first, last
        gaps = ends - curve.points(np.array([first, last]))
        self._gaps = gaps if float(np.abs(gaps).max()) > 1e-12 * float(np.abs(ends).max()) else None
        if self.first == self.last:
            raise FaceError("with an edge without length")

    def at(self, way: Array) -> Array:
        """Return the points (n, 3) at parts (n,) of the way; both ends are the vertices to the last bit."""
        points = self.curve.points(self.first + way * (self.last - self.first))
        if self._gaps is not None:
            # a vertex that is a little off its curve draws the curve along: a jump there could never be cut at a line
            points = points + (1.0 - way[:, None]) * self._gaps[0] + way[:, None] * self._gaps[1]
        points[way <= 0.0] = self.edge.start
        points[way >= 1.0] = self.edge.end
        return points

    def steps(self, stops: Array, tolerance: float) -> Array:
        """Return the parts of the way (m,) of all stops (n,) and of the points between them that chords need."""
        counts = self.curve.counts(self.first + stops * (self.last - self.first), tolerance)
        if (counts == 1).all():
            return stops
        if counts.sum() > CHORDS_MAX:
            raise FaceError("with a curve of too many chords")
        rank = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        way = np.repeat(stops[:-1], counts) + rank * np.repeat(np.diff(stops) / counts, counts)
        return np.append(way, stops[-1])
