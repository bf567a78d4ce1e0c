"""Bodies with openings that are drawn in them, and where a path passes through one: holes, notches, sheets.

A flat face of a body is cut a hair inside it, as in ``kernel/bore.py``. Where the path meets the plane of the face

- inside a ring of the cut, it threads a closed loop of the body: a **hole**;
- outside the cut, inside its convex hull, and with the body on both sides along the axis: a **notch**, open to the
  edge where the hull bridges it. The recess of an I or a C shape is none: along its axis nothing bounds it.

A way in through one face and the way out through another make a passage; one of them alone is told as that. Nothing
is sampled: paths meet planes in closed form, and outlines are those of the triangles.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from route3d.kernel.bore import INSIDE_M, ON_FACE_M, coplanar, cut_segments, frame_of, regions
from route3d.kernel.cut import Cut
from route3d.kernel.member import axis_of
from route3d.kernel.mouth import Mouth
from route3d.kernel.path import ARC, AT, KIND, LENGTH, ORIGIN, RADIUS, U, V, path_boxes, points_at, tangents_at

Floats = NDArray[np.float64]

ALONG_FACE = 0.2  # the most that the axis may lean out of a face for a notch to be in it: 11.5°
FLAT_TURN = 1e-9  # faces of one plane turn by no more than 0.003°
LEAST_FACES, LEAST_FACES_OPEN = 14, 6  # no surface of fewer triangles has a hole: a closed one, an open one
AGAIN_M = 1e-8  # where two pieces of a path meet in a plane, both of them tell
LEAST_SLANT = 1e-6  # a path that leans less out of a plane lies in it

_NOWHERE = np.zeros(3)


class Passage(NamedTuple):
    """A path's way through a drawn opening; where it is not whole, only one side of it is a flat face."""

    mouths: tuple[Mouth, ...]  # in order along the path; several where it is stepped, as through web and flange
    whole: bool

    @property
    def notch(self) -> bool:
        """Whether it is open to an edge."""
        return any(mouth.notch for mouth in self.mouths)

    @property
    def from_m(self) -> float:
        """Where along the path it begins."""
        return self.mouths[0].at_m

    @property
    def to_m(self) -> float:
        """Where along the path it ends."""
        return self.mouths[-1].at_m


class _Faces(NamedTuple):
    """The planes of the flat faces; all faces in one plane that look one way are one."""

    normal: Floats  # (f, 3) unit, out of the body
    origin: Floats  # (f, 3) a corner of each
    axes: Floats  # (f, 2, 3)
    low: Floats  # (f, 2) of its box in its own axes
    high: Floats


class Pierced:
    """One shell (n, 3, 3), its faces cut when a path first meets their planes."""

    def __init__(self, triangles: Floats, closed: bool) -> None:
        cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
        size = np.linalg.norm(cross, axis=1)
        self._triangles, self._closed = triangles[size > 0.0], closed
        self._normals = cross[size > 0.0] / size[size > 0.0, None]
        if closed and float(np.einsum("ij,ij->", triangles[:, 0], cross)) < 0.0:
            self._normals = -self._normals
        self._areas = size[size > 0.0] / 2.0
        self._cuts: dict[int, Cut] = {}
        self._sections: dict[tuple[float, ...], Cut] = {}
        points = triangles.reshape(-1, 3)
        self._box = np.concatenate([points.min(axis=0) - ON_FACE_M, points.max(axis=0) + ON_FACE_M])

    @cached_property
    def _axis(self) -> Floats | None:
        return axis_of(self._triangles, self._normals, self._areas)

    @cached_property
    def plain(self) -> bool:
        """Whether it can have no opening: one section from end to end, both ends cut square; or too few faces."""
        if len(self._triangles) < (LEAST_FACES if self._closed else LEAST_FACES_OPEN):
            return True
        if not self._closed or self._axis is None:
            return False
        place = self._triangles @ self._axis
        at_ends = np.minimum(place - place.min(), place.max() - place).max(axis=1) <= ON_FACE_M
        return bool((np.abs(self._normals @ self._axis) <= 1e-6)[~at_ends].all())

    def passages(self, pieces: Floats, shift: Floats, longest_m: float) -> list[Passage]:
        """Return where a path (rows of kernel/path.py) passes through openings of this body, in order along it.

        The body stands at ``shift`` (3,). What goes in and comes out no more than ``longest_m`` later belongs together.
        """
        if self.plain:
            return []
        moved = pieces.copy()
        moved[:, ORIGIN] -= shift
        boxes = path_boxes(moved)
        near = ((boxes[:, :3] <= self._box[3:]) & (boxes[:, 3:] >= self._box[:3])).all(axis=1)
        mouths = sorted((m for row in moved[near] for m in self._mouths(row)), key=lambda m: m.at_m)
        twice = [
            any(m.face == n.face and m.at_m - n.at_m <= AGAIN_M for n in mouths[max(k - 4, 0) : k])
            for k, m in enumerate(mouths)
        ]
        mouths = [m._replace(shift=shift) for m, again in zip(mouths, twice, strict=True) if not again]
        if not self._closed:
            return [Passage((m,), True) for m in mouths]
        return _paired(mouths, longest_m)

    def enclosing(self, pieces: Floats, shift: Floats) -> Mouth | None:
        """Return the opening around a path in a plane along the axis, whatever the faces beside it are like.

        It tells that a path is in an opening of a slender body, but not where that begins and ends.
        """
        if self._axis is None or not self._closed:
            return None
        moved = pieces.copy()
        moved[:, ORIGIN] -= shift
        boxes = path_boxes(moved)
        middle = self._triangles.reshape(-1, 3).mean(axis=0)
        for row in moved[((boxes[:, :3] <= self._box[3:]) & (boxes[:, 3:] >= self._box[:3])).all(axis=1)]:
            normal = row[V] - (row[V] @ self._axis) * self._axis
            if np.linalg.norm(normal) < ALONG_FACE:
                continue
            normal /= np.linalg.norm(normal)
            axes = frame_of(normal)
            _, at_m = _crossings(row, middle[None], normal[None])
            key = tuple(np.round(normal, 9).tolist())
            for at, point in zip(at_m.tolist(), points_at(row[None], at_m), strict=True):
                if key not in self._sections:
                    self._sections[key] = self._section(middle, middle, normal, axes)
                opening = self._sections[key].opening_at(axes @ (point - middle))
                if opening is not None:
                    return Mouth(at, True, -1, opening, point, shift)
        return None

    def _mouths(self, row: Floats) -> list[Mouth]:
        faces = self._faces
        found: list[Mouth] = []
        number, at_m = _crossings(row, faces.origin, faces.normal)
        if not len(number):
            return found
        points, ways = points_at(row[None], at_m), tangents_at(row[None], at_m)
        places = np.einsum("kij,kj->ki", faces.axes[number], points - faces.origin[number])
        slants = np.einsum("ki,ki->k", ways, faces.normal[number])
        within = ((places >= faces.low[number]) & (places <= faces.high[number])).all(axis=1)
        for k in np.flatnonzero(within & (np.abs(slants) >= LEAST_SLANT)).tolist():
            f = int(number[k])
            opening = self._cut(f).opening_at(places[k])
            if opening is not None:
                found.append(Mouth(float(at_m[k]), bool(slants[k] < 0.0), f, opening, points[k], _NOWHERE))
        return found

    @cached_property
    def _faces(self) -> _Faces:
        offsets = np.einsum("ij,ij->i", self._normals, self._triangles[:, 0])
        rough = np.round(np.concatenate([self._normals / 1e-5, offsets[:, None] / ON_FACE_M], axis=1))
        _, first, group = np.unique(rough, axis=0, return_index=True, return_inverse=True)
        group = group.reshape(-1)
        kept, axes, boxes = [], [], []
        done = np.zeros(len(first), dtype=bool)
        for k in range(len(first)):
            if done[k]:
                continue
            normal, origin = self._normals[first[k]], self._triangles[first[k], 0]
            # rounding may have put triangles of one plane into neighbouring groups
            alike = self._normals[first] @ normal >= 1.0 - FLAT_TURN
            alike &= np.abs(offsets[first] - offsets[first[k]]) <= ON_FACE_M
            done |= alike
            kept.append(first[k])
            axes.append(frame_of(normal))
            flat = (self._triangles[alike[group]].reshape(-1, 3) - origin) @ axes[-1].T
            boxes.append((flat.min(axis=0), flat.max(axis=0)))
        low, high = np.array(boxes).transpose(1, 0, 2)
        return _Faces(self._normals[kept], self._triangles[kept, 0], np.array(axes), low, high)

    def _cut(self, number: int) -> Cut:
        """Return the cut just inside a face, or of a sheet the faces in its plane."""
        if number not in self._cuts:
            normal, origin, axes = (column[number] for column in self._faces[:3])
            if self._closed:
                self._cuts[number] = self._section(origin - INSIDE_M * normal, origin, normal, axes)
            else:
                parts = _polygons(coplanar(self._triangles, origin, normal, axes))
                self._cuts[number] = Cut(parts, origin, axes, self._along(normal, axes))
        return self._cuts[number]

    def _section(self, through: Floats, origin: Floats, normal: Floats, axes: Floats) -> Cut:
        """Return the cut by a plane through a point; it is told in the axes of the plane about ``origin``."""
        segments = cut_segments(self._triangles, through, normal, axes)
        parts = _polygons([part for part in regions(segments) if _odd(part, segments)])
        return Cut(parts, origin, axes, self._along(normal, axes))

    def _along(self, normal: Floats, axes: Floats) -> Floats | None:
        if self._axis is None or abs(normal @ self._axis) > ALONG_FACE:
            return None
        along = axes @ self._axis
        return np.asarray(along / np.linalg.norm(along))


def _polygons(parts: Sequence[shapely.Polygon] | NDArray[np.object_]) -> list[shapely.Polygon]:
    """Return the union of polygons as polygons that do not touch but in points."""
    return [p for p in shapely.get_parts(shapely.union_all(parts)) if p.geom_type == "Polygon"]


def _paired(mouths: list[Mouth], longest_m: float) -> list[Passage]:
    """Join ways in and out to passages; what lies within another passage becomes part of it."""
    found: list[Passage] = []
    open_: list[Mouth] = []
    for mouth in mouths:
        open_, lost = _split(open_, mouth.at_m - longest_m)
        found += [Passage((m,), False) for m in lost]
        if mouth.into:
            open_.append(mouth)
        elif open_ and open_[-1].face != mouth.face:
            begin = open_.pop()
            inner = [p for p in found if p.from_m > begin.at_m]
            found = [p for p in found if p.from_m <= begin.at_m]
            between = [m for p in inner for m in p.mouths]
            found.append(Passage((begin, *sorted(between, key=lambda m: m.at_m), mouth), True))
        else:
            found.append(Passage((mouth,), False))
    found += [Passage((m,), False) for m in open_]
    return sorted(found, key=lambda p: p.from_m)


def _split(mouths: list[Mouth], at_m: float) -> tuple[list[Mouth], list[Mouth]]:
    """Return the mouths from ``at_m`` on, and those before."""
    return [m for m in mouths if m.at_m >= at_m], [m for m in mouths if m.at_m < at_m]


def _odd(region: shapely.Polygon, segments: Floats) -> bool:
    """Tell whether a ray from inside a region crosses an odd number of segments: whether it is in the body."""
    x, y = region.representative_point().coords[0]
    begin, end = segments[:, 0], segments[:, 1]
    cuts = (begin[:, 1] > y) != (end[:, 1] > y)
    a, b = begin[cuts], end[cuts]
    at = a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
    return bool(int((at > x).sum()) % 2)


def _crossings(row: Floats, origins: Floats, normals: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Return which planes one piece of a path meets, its ends included, and where along the path."""
    height = np.einsum("ij,ij->i", row[ORIGIN] - origins, normals)
    with np.errstate(divide="ignore", invalid="ignore"):
        if row[KIND] != ARC:
            reach = (-height / (normals @ row[V]))[:, None]
        else:
            # height + radius · (cos(t) · u + sin(t) · v) · normal = 0
            a, b = normals @ row[U], normals @ row[V]
            half = np.arccos(-height / (np.hypot(a, b) * row[RADIUS]))
            turn = np.arctan2(b, a)
            angle = np.mod(np.stack([turn - half, turn + half], axis=1), 2.0 * np.pi)
            reach = np.where(angle * row[RADIUS] >= 2.0 * np.pi * row[RADIUS] - AGAIN_M / 4.0, 0.0, angle * row[RADIUS])
        number, which = np.nonzero((reach >= -AGAIN_M / 4.0) & (reach <= row[LENGTH] + AGAIN_M / 4.0))
    return number, row[AT] + np.clip(reach[number, which], 0.0, row[LENGTH])
