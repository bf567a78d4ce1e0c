"""A hole to be bored through a member: how near its rim comes to the edges, in the plane of the face it enters by.

The member is cut by a plane parallel to the face, a hair inside it. The piece of the cut that holds the hole is what
the drill meets: for a plain joist the face itself, for an I or a C shape web and flanges together, so that an inner
corner between web and flange is no edge. Members that are drawn as one mesh give pieces of their own. The hole is the
section of a round bore along the run's tangent: an ellipse, where the run is not square to the face.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ON_FACE_M = 1e-5  # how far the crossing may lie from the face that it is taken to be on
INSIDE_M = 2e-5  # how far inside the face the member is cut: far below the tolerance of the comparison
GRID_M = 1e-8  # ends of cuts nearer than this are one
SAME_SIDE = math.cos(math.radians(5.0))  # stretches of the outline that turn by less are one edge


class Edge(NamedTuple):
    """One edge of a member beside a hole."""

    gap_m: float  # from the hole's rim to the edge; negative where the hole breaks through it
    point_m: Floats  # (3,) of the edge, beside the hole: where a plate would have its middle
    along: Floats  # (3,) unit, along the edge
    away: Floats  # (3,) unit, square to the edge, towards the hole
    width_m: float  # how much of the edge the hole takes up, seen along its direction
    room_m: float  # across the member, from this edge through the middle of the hole to the far side
    deep_m: float  # how much of that room the hole takes up


class Borable:
    """A member, or several drawn as one mesh, ready to be bored; the outlines of its faces are kept for the next hole.

    ``closed``: whether it has an inside; a sheet is taken along its own faces.
    """

    def __init__(self, triangles: Floats, closed: bool) -> None:
        cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
        size = np.linalg.norm(cross, axis=1)
        self._triangles = triangles[size > 0.0]
        self._normals = cross[size > 0.0] / size[size > 0.0, None]
        self._low = self._triangles.min(axis=1) - ON_FACE_M
        self._high = self._triangles.max(axis=1) + ON_FACE_M
        # unit, in the plane of the face, out of its side from corner k
        sides = np.roll(self._triangles, -1, axis=1) - self._triangles
        self._outward = np.cross(sides, self._normals[:, None])
        self._outward /= np.linalg.norm(self._outward, axis=2)[:, :, None]
        self._frames: dict[tuple[float, ...], Floats] = {}
        self._middle = triangles.reshape(-1, 3).mean(axis=0)
        self._closed = closed
        self._rings: dict[tuple[float, ...], tuple[NDArray[np.object_], list[Floats]]] = {}

    def edges_beside(
        self, point: Floats, tangent: Floats, radius: float, into: float, reach: float
    ) -> tuple[Edge, ...] | None:
        """Return the edges around one mouth of a bored hole, the nearest first, and others as far as ``reach``.

        Parameters
        ----------
        point, tangent : (3,) float
            Where the middle of the hole meets the surface, and the unit direction of the run there.
        radius : float
            Of the bore.
        into : float
            1 where the run goes into the member here, -1 where it comes out.

        Returns
        -------
        tuple of Edge, or None where no face is at ``point`` or the cut gives no closed outline around it.
        """
        normal = self._face_normal(point, tangent)
        if normal is None:
            return None
        slant = float(normal @ tangent)
        if abs(slant) < 1e-6:
            return None
        named = tuple(normal.tolist())
        if named not in self._frames:
            self._frames[named] = frame_of(normal)
        axes = self._frames[named]
        inward = normal * into * (1.0 if slant >= 0.0 else -1.0)
        ring = self._ring(point, normal, inward, axes)
        if ring is None:
            return None
        # along and across the slant of the bore, the middle of the hole at the origin
        flat = axes @ tangent
        lean = float(np.hypot(*flat))
        way = flat / lean if lean > 1e-9 else np.array([1.0, 0.0])
        turn = np.array([way, [-way[1], way[0]]])
        half = np.array([radius / abs(slant), radius])
        return edges_about((ring - axes @ (point - self._middle)) @ turn.T, half, reach, point, turn @ axes)

    def _face_normal(self, point: Floats, tangent: Floats) -> Floats | None:
        """Return the unit normal of the face at a point; where several meet, of the one that the run meets squarest."""
        near = np.flatnonzero(((self._low <= point) & (self._high >= point)).all(axis=1))
        if not len(near):
            return None
        faces, normals = self._triangles[near], self._normals[near]
        off = np.abs(np.einsum("ij,ij->i", normals, point - faces[:, 0]))
        outside = np.einsum("ijk,ijk->ij", self._outward[near], point - faces)
        on = np.flatnonzero(np.maximum(off, outside.max(axis=1)) <= ON_FACE_M)
        if not len(on):
            return None
        return np.asarray(normals[on[int(np.argmax(np.abs(normals[on] @ tangent)))]])

    def _ring(self, point: Floats, normal: Floats, inward: Floats, axes: Floats) -> Floats | None:
        """Return the outline (k, 2) around a point in the plane of its face, about the middle of the mesh."""
        place = axes @ (point - self._middle)
        for cut in (True, False) if self._closed else (False,):
            key = (*np.round(inward, 9).tolist(), round(float(inward @ (point - self._middle)), 6), float(cut))
            if key not in self._rings:
                origin = point - axes.T @ place  # the foot of the middle of the mesh on the plane
                if cut:
                    pieces = regions(cut_segments(self._triangles, origin + INSIDE_M * inward, inward, axes))
                else:
                    pieces = coplanar(self._triangles, origin, normal, axes)
                outer = shapely.polygons(shapely.get_exterior_ring(pieces)) if len(pieces) else pieces
                self._rings[key] = (outer, [shapely.get_coordinates(piece)[:-1] for piece in outer])
            outer, rings = self._rings[key]
            if len(outer):
                distance = shapely.distance(outer, shapely.Point(place))
                # nested outlines: the innermost is what is around the hole
                around = np.flatnonzero(distance <= ON_FACE_M)
                if len(around):
                    return rings[int(around[np.argmin(shapely.area(outer[around]))])]
        return None


def frame_of(normal: Floats) -> Floats:
    """Return two unit vectors (2, 3) across a normal, the same ones for both its signs."""
    first = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    first /= np.linalg.norm(first)
    first = first if first[int(np.argmax(np.abs(first)))] > 0.0 else -first
    second = np.cross(normal, first)
    second = second if second[int(np.argmax(np.abs(second)))] > 0.0 else -second
    return np.array([first, second])


def cut_segments(triangles: Floats, origin: Floats, normal: Floats, axes: Floats) -> Floats:
    """Return the segments (k, 2, 2) in which a plane cuts triangles (n, 3, 3), in its axes about ``origin``.

    A corner that lies just in the plane is taken as above it.
    """
    height = (triangles - origin) @ normal
    above = height >= 0.0
    crossing = above.any(axis=1) & ~above.all(axis=1)
    triangles, height, above = triangles[crossing] - origin, height[crossing], above[crossing]
    ends = []
    rows = np.arange(len(triangles))
    for k in range(3):
        a, b = k, (k + 1) % 3
        cuts = above[:, a] != above[:, b]
        low = np.where(above[:, a], b, a)  # from below to above: both faces of an edge then give the same point
        high = np.where(above[:, a], a, b)
        p, q = triangles[rows, low], triangles[rows, high]
        hp, hq = height[rows, low], height[rows, high]
        with np.errstate(divide="ignore", invalid="ignore"):
            place = p + (hp / (hp - hq))[:, None] * (q - p)
        ends.append(np.where(cuts[:, None], place, np.nan))
    stacked = np.stack(ends, axis=1) @ axes.T  # (n, 3, 2), two of each three are numbers
    return np.asarray(stacked[~np.isnan(stacked[:, :, 0])].reshape(-1, 2, 2))


def regions(segments: Floats) -> NDArray[np.object_]:
    """Return the polygons into which segments (k, 2, 2) divide their plane."""
    if not len(segments):
        return np.empty(0, dtype=object)
    lines = shapely.union_all(shapely.linestrings(segments), grid_size=GRID_M)
    return np.asarray(shapely.get_parts(shapely.polygonize(shapely.get_parts(lines))))


def coplanar(triangles: Floats, origin: Floats, normal: Floats, axes: Floats) -> NDArray[np.object_]:
    """Return the polygons of all faces in one plane, in its axes about ``origin``."""
    flat = (np.abs((triangles - origin) @ normal) <= ON_FACE_M).all(axis=1)
    corners = (triangles[flat] - origin) @ axes.T
    if not len(corners):
        return np.empty(0, dtype=object)
    faces = shapely.polygons(corners)
    return np.asarray(shapely.get_parts(shapely.union_all(faces[shapely.area(faces) > 0.0], grid_size=GRID_M)))


def edges_about(ring: Floats, half: Floats, reach: float, point: Floats, axes: Floats) -> tuple[Edge, ...]:
    """Return the edges of an outline (k, 2) beside an ellipse about the origin, which is ``point`` in space."""
    begin, end, way = sides_of(ring)
    size = np.linalg.norm(end - begin, axis=1)
    across = np.stack([way[:, 1], -way[:, 0]], axis=1)
    offset = np.einsum("ij,ij->i", across, begin)
    across = np.where(offset[:, None] < 0.0, -across, across)
    offset = np.abs(offset)
    # where the tangent is parallel to an edge the ellipse reaches farthest towards it
    farthest = np.linalg.norm(across * half, axis=1)
    touch = half**2 * across / farthest[:, None] if half[1] > 0.0 else np.zeros_like(across)
    gap = offset - farthest
    foot = touch + gap[:, None] * across
    share = np.einsum("ij,ij->i", foot - begin, way) / size
    beyond = (share < 0.0) | (share > 1.0)
    corner = np.where((share < 0.0)[:, None], begin, end)
    foot = np.where(beyond[:, None], corner, foot)
    near = np.linalg.norm(foot, axis=1)
    least = np.where(beyond, near - half[0], gap)  # no edge is nearer than that
    most = np.where(beyond, near - half[1], gap)
    chosen = np.flatnonzero(least <= max(reach, float(most.min())))
    for k in chosen[beyond[chosen]].tolist():
        gap[k] = _to_point(corner[k], half)
    found = []
    for k in distinct(gap, way, across, chosen, reach):
        width = 2.0 * float(np.linalg.norm(half * way[k]))
        room = room_along(begin, end, across[k])
        place, deep = point + foot[k] @ axes, 2.0 * float(farthest[k])
        found.append(Edge(float(gap[k]), place, way[k] @ axes, -across[k] @ axes, width, room, deep))
    return tuple(found)


def sides_of(ring: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the sides of an outline (k, 2): where each begins, where it ends, and its unit direction."""
    end = np.roll(ring, -1, axis=0)
    long = np.linalg.norm(end - ring, axis=1) > GRID_M
    begin, end = ring[long], end[long]
    return begin, end, (end - begin) / np.linalg.norm(end - begin, axis=1)[:, None]


def distinct(gap: Floats, way: Floats, across: Floats, chosen: NDArray[np.int64], reach: float) -> list[int]:
    """Return which sides are edges of their own, the nearest first: no further than ``reach``, but the nearest always.

    Stretches that face one way with hardly a turn between them are one edge, told by the nearest of them.
    """
    kept: list[int] = []
    for k in chosen[np.argsort(gap[chosen], kind="stable")].tolist():
        if kept and gap[k] > reach:
            break
        if not any(abs(float(way[n] @ way[k])) >= SAME_SIDE and float(across[n] @ across[k]) > 0.0 for n in kept):
            kept.append(k)
    return kept


def room_along(begin: Floats, end: Floats, across: Floats) -> float:
    """Return the length of the straight line through the origin along ``across``, as far as the outline goes."""
    side = np.array([-across[1], across[0]])
    at_begin, at_end = begin @ side, end @ side
    cuts = (at_begin >= 0.0) != (at_end >= 0.0)
    share = at_begin[cuts] / (at_begin[cuts] - at_end[cuts])
    reach = (begin[cuts] + share[:, None] * (end[cuts] - begin[cuts])) @ across
    ahead, behind = reach[reach > 0.0], reach[reach <= 0.0]
    return float((ahead.min() if len(ahead) else 0.0) - (behind.max() if len(behind) else 0.0))


def _to_point(corner: Floats, half: Floats) -> float:
    """Return the signed distance from an ellipse about the origin to a point, negative inside it.

    By bisection of the equation whose root is the foot of the point on the ellipse (Eberly 2013), to rounding.
    """
    y0, y1 = np.abs(corner)
    e0, e1 = half
    if abs(e0 - e1) < 1e-12:
        return float(math.hypot(y0, y1) - e0)
    if y1 <= 1e-12:
        inner = (e0 * e0 - e1 * e1) / e0
        if y0 < inner:
            x = e0 * e0 * y0 / (e0 * e0 - e1 * e1)
            return -math.hypot(x - y0, e1 * math.sqrt(max(1.0 - (x / e0) ** 2, 0.0)))
        return float(y0 - e0)
    z0, z1, ratio = y0 / e0, y1 / e1, (e0 / e1) ** 2
    low, high = z1 - 1.0, math.hypot(ratio * z0, z1) - 1.0
    for _ in range(200):
        middle = (low + high) / 2.0
        if middle in (low, high):
            break
        if (ratio * z0 / (middle + ratio)) ** 2 + (z1 / (middle + 1.0)) ** 2 > 1.0:
            low = middle
        else:
            high = middle
    t = (low + high) / 2.0
    x0, x1 = ratio * y0 / (t + ratio), y1 / (t + 1.0)
    return math.copysign(math.hypot(x0 - y0, x1 - y1), z0 * z0 + z1 * z1 - 1.0)
