"""Solids, regions and surfaces that a DXF file stores as boundary representation, as triangles.

The DXF library reads the records; this module walks them, because a face that is left out must be counted. Read are
flat faces with any number of holes, between straight edges, arcs, circles and ellipses, and cylinders and cones that
are cut square to their axis: boxes, plates, profiles with rounded edges, tubes. Every other face is named, with a box
that is sure to hold it where its surface and edges allow one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from ezdxf.acis.const import AcisException
from ezdxf.acis.entities import SabLoader, SatLoader
from ezdxf.acis.sab import Token
from numpy.typing import NDArray

from importers.dxf_curves import chord_count
from importers.dxf_open import LIBRARY_ERRORS
from importers.dxf_shape import Grain, Shape, box_corners, missing, surface
from importers.polygons import CrossingPolygonError, fill, newell_normal, split_quads

Array = NDArray[np.float64]

_MEND = "redraw it as a mesh, or explode it into faces"
# A corner may be off the plane of its face by this much, relative to the face: some writers keep six digits.
_FLAT = 5e-5


@dataclass(frozen=True, slots=True, eq=False)
class _Rim:
    """A full circle or ellipse."""

    centre: Array
    normal: Array
    major: Array
    ratio: float


class _FaceError(ValueError):
    """Why a face is not read."""


def shape_of_body(entity: Any, grain: Grain) -> Shape:
    """Return what can be read of a 3DSOLID, BODY, REGION or surface entity; what is not read is in ``unread``."""
    kind, handle = entity.dxftype(), entity.dxf.handle or ""
    try:
        loader = _loader(entity)
    except (*LIBRARY_ERRORS, AcisException) as error:
        said = " ".join(str(error).split())[:60] or type(error).__name__
        return missing(kind, handle, f"its stored solid cannot be read ({said}): {_MEND}")
    if loader is None:
        return missing(kind, handle, f"it has no stored solid: {_MEND}")
    try:
        return _Body(loader, grain).shape(kind, handle)
    except (*LIBRARY_ERRORS, AcisException) as error:
        return missing(kind, handle, f"its stored solid is damaged ({type(error).__name__}): {_MEND}")


def _loader(entity: Any) -> Any:
    """Return the library's loader with all records, None where the entity stores nothing."""
    if entity.has_binary_data:
        if not entity.sab:
            return None
        loader: Any = SabLoader(entity.sab)
    else:
        if not entity.sat:
            return None
        loader = SatLoader(entity.sat)
    loader.load_entities()
    return loader


class _Body:
    """The walk over one stored solid."""

    def __init__(self, loader: Any, grain: Grain) -> None:
        self.grain = grain
        self.records = loader.records
        self.raw = {id(loader.entities[id(record)]): record for record in loader.records}
        self.bodies = loader.bodies()
        rims = [rim for r in self.records if r.name == "ellipse-curve" and (rim := _rim(r)) is not None]
        # one number for all rims of the solid, so that the two rims of a cone match point by point
        self.count = max(
            (chord_count(float(np.linalg.norm(rim.major)), math.tau, grain.chord) for rim in rims), default=4
        )
        self.count = max(self.count, 8)
        self.edges: dict[int, Array] = {}
        # full circles that share their loop with a seam start at its end, not where the axis says
        self.seamed = {
            id(coedge.edge)
            for body in self.bodies
            for face in self._faces(body)
            for loop in _linked(face.loop, "next_loop")
            if len(coedges := list(_linked(loop.coedge, "next_coedge"))) > 1
            for coedge in coedges
        }

    def shape(self, kind: str, handle: str) -> Shape:
        if any(abs(_scale(record) - 1.0) > 1e-9 for record in self.records if record.name == "transform"):
            return missing(kind, handle, f"its stored solid is scaled by a transform of its own: {_MEND}")
        triangles: list[Array] = []
        hull: list[Array] | None = []
        reasons: dict[str, int] = {}
        walked = 0
        for body in self.bodies:
            matrix = None if body.transform.is_none else np.array(list(body.transform.matrix)).reshape(4, 4)
            for face in self._faces(body):
                walked += 1
                try:
                    triangles.append(_moved(self._face(face), matrix))
                except (_FaceError, CrossingPolygonError) as error:
                    reasons[str(error)] = reasons.get(str(error), 0) + 1
                    points = self._face_hull(face)
                    if points is None or hull is None:
                        hull = None
                    else:
                        hull.append(_moved(points, matrix))
        written = sum(record.name == "face" for record in self.records)
        if written == 0:
            return missing(kind, handle, f"its stored solid has no faces: {_MEND}")
        if walked != written:
            reasons["out of reach"] = written - walked
            hull = None
        mesh = np.concatenate(triangles) if triangles else np.empty((0, 3, 3))
        if not reasons:
            return surface(kind, handle, mesh, self.grain)
        said = ", ".join(f"{count} {reason}" for reason, count in reasons.items())
        return surface(
            kind,
            handle,
            mesh,
            self.grain,
            unread=f"{sum(reasons.values())} of its {written} faces are not read ({said}): {_MEND}",
            hull=np.concatenate(hull) if hull else None,
        )

    def _faces(self, body: Any) -> Iterator[Any]:
        """Yield every face of a body once; links that run in a circle end the walk."""
        for lump in _linked(body.lump, "next_lump"):
            for shell in _linked(lump.shell, "next_shell"):
                yield from _linked(shell.face, "next_face")

    def _face(self, face: Any) -> Array:
        """Return the triangles (n, 3, 3) of one face, or raise ``_FaceError``."""
        name = self._name(face.surface)
        if name == "plane-surface":
            return self._flat_face(face)
        if name == "cone-surface":
            return self._round_face(face)
        raise _FaceError(f"on a {name}")

    def _flat_face(self, face: Any) -> Array:
        rings = [self._ring(loop) for loop in _linked(face.loop, "next_loop")]
        if not rings:
            raise _FaceError("without an edge")
        origin = np.array(face.surface.origin.xyz)
        normal = np.array(face.surface.normal.xyz)
        size = max(float(np.ptp(ring, axis=0).max()) for ring in rings)
        off = max(float(np.abs((ring - origin) @ normal).max()) for ring in rings)
        if not off <= _FLAT * max(size, 1.0):
            raise _FaceError("with corners off their plane")
        rings.sort(key=lambda ring: -float(np.linalg.norm(newell_normal(ring))))
        return fill(rings)

    def _round_face(self, face: Any) -> Array:
        """The wall between two full rims of a cylinder or a cone, between a rim and the tip, or between two arcs."""
        loops = [list(_coedges(loop)) for loop in _linked(face.loop, "next_loop")]
        cone = np.array(_floats(self.raw[id(face.surface)]))
        axis = cone[3:6] / np.linalg.norm(cone[3:6])
        round_edges = [c for loop in loops for c in loop if self._name(c.edge.curve) == "ellipse-curve"]
        for coedge in round_edges:
            rim = self._rim_of(coedge.edge)
            if abs(abs(float(rim.normal @ axis)) - 1.0) > 1e-9:
                raise _FaceError("on a round surface cut at a slant")
            if float(np.linalg.norm(np.cross(rim.centre - cone[:3], axis))) > 1e-6 * float(np.linalg.norm(rim.major)):
                raise _FaceError("on a round surface with a rim off its axis")
        shape = [len(loop) for loop in loops]
        if len(loops) == 1 and shape[0] in (3, 4) and len(round_edges) == shape[0] - 2:
            return self._patch(loops[0], round_edges)
        if shape != [1, 1] or not round_edges:
            raise _FaceError("on a round surface with an edge that is no full circle")
        first = self._edge_points(round_edges[0].edge)
        centre = self._rim_of(round_edges[0].edge).centre
        if len(round_edges) == 2:
            second = self._edge_points(round_edges[1].edge)
            second = _aligned(second, first, self._rim_of(round_edges[1].edge).centre, centre)
        else:
            tips = [loop[0].edge for loop in loops if self._is_tip(loop[0].edge)]
            if not tips:
                raise _FaceError("on a round surface with one rim")
            second = np.broadcast_to(np.array(tips[0].start_vertex.point.location.xyz), first.shape)
        return _wall(np.concatenate([first, first[:1]]), np.concatenate([second, second[:1]]))

    def _patch(self, loop: list[Any], arcs: list[Any]) -> Array:
        """The part of a cylinder or a cone between two straight edges, and two arcs or an arc and the tip."""
        straight = [c for c in loop if self._name(c.edge.curve) == "straight-curve"]
        places = [loop.index(arc) for arc in arcs]
        if len(straight) != 2 or (len(arcs) == 2 and (places[1] - places[0]) % 4 != 2):
            raise _FaceError("on a round surface with more than two arcs")
        first = self._run(arcs[0])
        if len(arcs) == 2:
            second = self._run(arcs[1])[::-1]
            here, there = self._rim_of(arcs[0].edge).centre, self._rim_of(arcs[1].edge).centre
            if len(first) != len(second):
                raise _FaceError("on a round surface with arcs that do not match")
            a, b = first - here, second - there
            if np.abs(a / np.linalg.norm(a[0]) - b / np.linalg.norm(b[0])).max() > 1e-6:
                raise _FaceError("on a round surface with arcs that do not match")
        else:
            ends = (straight[0].edge.start_vertex, straight[0].edge.end_vertex)
            others = (straight[1].edge.start_vertex, straight[1].edge.end_vertex)
            tips = [v for v in ends if any(v is w for w in others)]
            if len(tips) != 1:
                raise _FaceError("on a round surface without a tip")
            second = np.broadcast_to(np.array(tips[0].point.location.xyz), first.shape)
        return _wall(first, second)

    def _ring(self, loop: Any) -> Array:
        """Return the corners (n, 3) of one loop."""
        coedges = list(_coedges(loop))
        if len(coedges) == 1 and self._name(coedges[0].edge.curve) == "ellipse-curve":
            return self._edge_points(coedges[0].edge)
        corners = np.concatenate([self._run(coedge)[:-1] for coedge in coedges])
        if len(corners) < 3:
            raise _FaceError("with fewer than three corners")
        return corners

    def _run(self, coedge: Any) -> Array:
        """Return the points (n, 3) along one edge in the direction of its loop, both ends included."""
        edge = coedge.edge
        name = self._name(edge.curve)
        if name == "straight-curve":
            points = np.array([edge.start_vertex.point.location.xyz, edge.end_vertex.point.location.xyz])
        else:
            points = self._edge_points(edge)
            if edge.start_vertex is edge.end_vertex:
                points = np.concatenate([points, points[:1]])
        return points[::-1] if coedge.sense else points

    def _rim_of(self, edge: Any) -> _Rim:
        name = self._name(edge.curve)
        rim = _rim(self.raw[id(edge.curve)]) if name == "ellipse-curve" else None
        if rim is None:
            raise _FaceError(f"with an edge on a {name}")
        return rim

    def _edge_points(self, edge: Any) -> Array:
        """Return the points of a round edge, the same for every face that meets there.

        An arc has both its ends; a full circle does not repeat its first point.
        """
        if id(edge) not in self.edges:
            rim = self._rim_of(edge)
            full = edge.start_vertex is edge.end_vertex
            self.edges[id(edge)] = self._arc(rim, edge) if not full or id(edge) in self.seamed else self._full(rim)
        return self.edges[id(edge)]

    def _arc(self, rim: _Rim, edge: Any) -> Array:
        """Points from the start to the end vertex, or around from the start vertex where they are the same."""
        u = rim.major
        v = np.cross(rim.normal, u) * rim.ratio
        ends = [np.array(vertex.point.location.xyz) for vertex in (edge.start_vertex, edge.end_vertex)]
        angles = [
            math.atan2(float((p - rim.centre) @ v) / float(v @ v), float((p - rim.centre) @ u) / float(u @ u))
            for p in ends
        ]
        for end, angle in zip(ends, angles, strict=True):
            if np.linalg.norm(rim.centre + math.cos(angle) * u + math.sin(angle) * v - end) > 1e-6 * np.linalg.norm(u):
                raise _FaceError("with an arc that misses its ends")
        full = edge.start_vertex is edge.end_vertex
        sweep = math.tau if full else (angles[1] - angles[0]) % math.tau
        if edge.sense:  # against the curve
            sweep = sweep - math.tau if not full else -math.tau
        count = max(math.ceil(self.count * abs(sweep) / math.tau - 1e-6), 1)
        turn = angles[0] + sweep * np.arange(count + 1) / count
        points = rim.centre + np.cos(turn)[:, None] * u + np.sin(turn)[:, None] * v
        points[0], points[-1] = ends
        return np.asarray(points[:-1] if full else points)

    def _full(self, rim: _Rim) -> Array:
        """Points around a full circle or ellipse."""
        normal = rim.normal * np.sign(rim.normal[np.argmax(np.abs(rim.normal))])
        size = float(np.linalg.norm(rim.major))
        if abs(rim.ratio - 1.0) < 1e-12:
            # start where the axis says, not where the modeller put the seam: both rims of a cylinder agree
            u = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
            u /= np.linalg.norm(u)
        else:
            u = rim.major / size * np.sign(rim.major[np.argmax(np.abs(rim.major))])
        angle = math.tau * np.arange(self.count) / self.count
        v = np.cross(normal, u) * rim.ratio
        return np.asarray(rim.centre + size * (np.cos(angle)[:, None] * u + np.sin(angle)[:, None] * v))

    def _is_tip(self, edge: Any) -> bool:
        """Tell whether an edge is the tip of a cone: a point, with no curve."""
        return bool(edge.curve.is_none) and edge.start_vertex is edge.end_vertex

    def _name(self, entity: Any) -> str:
        record = self.raw.get(id(entity))
        return "curve that is not stored" if record is None else str(record.name)

    def _face_hull(self, face: Any) -> Array | None:
        """Return points whose box holds the face, None where that is not certain.

        A point of a flat face, a cylinder or a cone lies between points of its edges (and the tip), along a straight
        line of the surface; spheres and tori are held whole.
        """
        try:
            name = self._name(face.surface)
            numbers = _floats(self.raw[id(face.surface)])
            if name == "sphere-surface":
                return _cube(numbers[:3], abs(numbers[3]))
            if name == "torus-surface":
                return _cube(numbers[:3], abs(numbers[6]) + abs(numbers[7]))
            points: list[Array] = []
            if name == "cone-surface":
                sine, cosine = numbers[10], numbers[11]
                if abs(math.hypot(sine, cosine) - 1.0) > 1e-6:
                    return None
                if abs(sine) > 1e-9:
                    height = np.array(numbers[3:6]) * float(np.linalg.norm(numbers[6:9])) * cosine / sine
                    points += [np.array([numbers[:3]]) + height, np.array([numbers[:3]]) - height]
            elif name != "plane-surface":
                return None
            for loop in _linked(face.loop, "next_loop"):
                for coedge in _coedges(loop):
                    edge = coedge.edge
                    points.append(np.array([edge.start_vertex.point.location.xyz, edge.end_vertex.point.location.xyz]))
                    curve = self._name(edge.curve)
                    if curve == "ellipse-curve":
                        rim = _floats(self.raw[id(edge.curve)])
                        points.append(_cube(rim[:3], float(np.linalg.norm(rim[6:9])) * max(1.0, abs(rim[9]))))
                    elif curve != "straight-curve" and not self._is_tip(edge):
                        return None
        except (*LIBRARY_ERRORS, AcisException, _FaceError):
            return None
        return np.concatenate(points) if points else None


def _linked(first: Any, link: str) -> Iterator[Any]:
    """Yield the entities of a linked list, each once."""
    seen: set[int] = set()
    while not first.is_none and id(first) not in seen:
        seen.add(id(first))
        yield first
        first = getattr(first, link)


def _coedges(loop: Any) -> Iterator[Any]:
    """Yield the edges around a loop; raises ``_FaceError`` where it does not come back to its start."""
    seen: set[int] = set()
    coedge = loop.coedge
    while id(coedge) not in seen:
        if coedge.is_none:
            raise _FaceError("with an open edge loop")
        seen.add(id(coedge))
        yield coedge
        coedge = coedge.next_coedge
    if coedge is not loop.coedge:
        raise _FaceError("with a tangled edge loop")


def _floats(record: Any) -> list[float]:
    """Return all numbers of a raw record in their order; flags and pointers are left out."""
    numbers: list[float] = []
    for token in record.data:
        if isinstance(token, Token):
            if isinstance(token.value, float):
                numbers.append(token.value)
            elif isinstance(token.value, (tuple, list)):
                numbers.extend(float(v) for v in token.value)
        elif isinstance(token, str):
            try:
                numbers.append(float(token))
            except ValueError:
                continue
    return numbers


def _rim(record: Any) -> _Rim | None:
    numbers = _floats(record)
    if len(numbers) < 10 or not np.isfinite(numbers).all():
        return None
    normal, major = np.array(numbers[3:6]), np.array(numbers[6:9])
    length = float(np.linalg.norm(normal))
    if length == 0.0 or not np.any(major) or not 0.0 < numbers[9] <= 1.0 + 1e-12:
        return None
    return _Rim(np.array(numbers[:3]), normal / length, major, numbers[9])


def _scale(record: Any) -> float:
    """Return the factor that a transform record states after its twelve matrix values; NaN where it has none."""
    words = [w for token in record.data for w in str(token.value if isinstance(token, Token) else token).split()]
    try:
        return float(words[12])
    except (IndexError, ValueError):
        return math.nan


def _aligned(ring: Array, other: Array, centre: Array, other_centre: Array) -> Array:
    """Return the ring turned (and reversed) so that its points face those of the other; both run about one axis."""
    here, there = ring - centre, other - other_centre
    here, there = here / np.linalg.norm(here[0]), there / np.linalg.norm(there[0])
    for candidate in (np.arange(len(ring)), np.arange(len(ring))[::-1]):
        start = int(np.argmin(np.linalg.norm(here[candidate] - there[0], axis=1)))
        order = np.roll(candidate, -start)
        if np.abs(here[order] - there).max() < 1e-6:
            return np.asarray(ring[order])
    raise _FaceError("on a round surface with rims that do not match")


def _wall(first: Array, second: Array) -> Array:
    """Return the triangles between two lines of as many points."""
    return split_quads(np.stack([first[:-1], first[1:], second[1:], second[:-1]], axis=1))


def _moved(points: Array, matrix: Array | None) -> Array:
    """Return points (..., 3) moved by a row vector matrix (4, 4); equal points stay equal to the last bit."""
    if matrix is None:
        return points
    x, y, z = points[..., 0, None], points[..., 1, None], points[..., 2, None]
    return np.asarray(x * matrix[0, :3] + y * matrix[1, :3] + z * matrix[2, :3] + matrix[3, :3])


def _cube(centre: list[float], half: float) -> Array:
    middle = np.array(centre)
    return box_corners(middle - half, middle + half)
