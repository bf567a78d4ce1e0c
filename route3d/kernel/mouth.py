"""Openings in the flat faces of a body: their size, and how near their rims come to its edges."""

from __future__ import annotations

from functools import cached_property
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from route3d.kernel.bore import Edge, distinct, edges_about, room_along, sides_of

Floats = NDArray[np.float64]


class Aperture:
    """One opening of a cut through a body. Outlines are in the axes (2, 3) of the cut about its ``origin`` (3,).

    ``rim`` (k, 2) is that of the opening; of a notch, with the line that bridges it. ``outline`` (n, 2) is the outer
    one of the body. ``bridge`` (2, 2) are the ends of the line over a notch; None of a hole.
    """

    def __init__(self, origin: Floats, axes: Floats, rim: Floats, outline: Floats, bridge: Floats | None) -> None:
        self.origin, self.axes, self.rim, self.outline, self.bridge = origin, axes, rim, outline, bridge
        self._edges: dict[float, tuple[Edge, ...]] = {}

    @cached_property
    def size_m(self) -> tuple[float, float]:
        """The longer and the shorter side of the smallest rectangle around it."""
        corners = shapely.get_coordinates(shapely.oriented_envelope(shapely.Polygon(self.rim)))[:3]
        sides = np.linalg.norm(np.diff(corners, axis=0), axis=1)
        return float(sides.max()), float(sides.min())

    @cached_property
    def outward(self) -> Floats:
        """The unit direction (3,) out of a notch through its open side."""
        assert self.bridge is not None
        way = self.bridge[1] - self.bridge[0]
        across = np.array([way[1], -way[0]]) / np.linalg.norm(way)
        inside = self.rim.mean(axis=0)
        return np.asarray((across if across @ (self.bridge[0] - inside) >= 0.0 else -across) @ self.axes)

    def edges(self, reach: float) -> tuple[Edge, ...]:
        """Return the edges of the body beside the rim, the nearest first; of a notch the one that it breaks through."""
        if reach not in self._edges:
            self._edges[reach] = self._of_hole(reach) if self.bridge is None else (self._of_notch(self.bridge),)
        return self._edges[reach]

    def _of_notch(self, bridge: Floats) -> Edge:
        way = bridge[1] - bridge[0]
        width = float(np.linalg.norm(way))
        depth = float(np.ptp(self.rim @ self.axes @ self.outward))
        middle = self.origin + bridge.mean(axis=0) @ self.axes
        return Edge(0.0, middle, (way / width) @ self.axes, -self.outward, width, depth, depth)

    def _of_hole(self, reach: float) -> tuple[Edge, ...]:
        begin, end, way = sides_of(self.outline)
        gap = _apart(begin, end, self.rim)
        middle = shapely.get_coordinates(shapely.Polygon(self.rim).centroid)[0]
        across = np.stack([way[:, 1], -way[:, 0]], axis=1)
        across = np.where(np.einsum("ij,ij->i", across, begin - middle)[:, None] < 0.0, -across, across)
        found = []
        for k in distinct(gap, way, across, np.arange(len(gap)), reach):
            room = room_along(begin - middle, end - middle, across[k])
            taken, deep = self.rim @ way[k], float(np.ptp(self.rim @ across[k]))
            # the middle of what the opening takes up of this side, as far as the side goes
            low, high = float(begin[k] @ way[k]), float(end[k] @ way[k])
            beside = min(max((taken.min() + taken.max()) / 2.0, low), high)
            place = self.origin + (begin[k] + (beside - low) * way[k]) @ self.axes
            unit = (way[k] @ self.axes, -across[k] @ self.axes)
            found.append(Edge(float(gap[k]), place, *unit, float(np.ptp(taken)), room, deep))
        return tuple(found)


class Mouth(NamedTuple):
    """One place where a path passes through an opening in a face."""

    at_m: float  # along the path
    into: bool  # it goes into the body here
    face: int
    opening: Aperture
    point: Floats  # (3,) as the body is kept
    shift: Floats  # (3,) where the body stands

    @property
    def notch(self) -> bool:
        """Whether the opening is open to an edge."""
        return self.opening.bridge is not None

    @property
    def below_bridge_m(self) -> float:
        """How deep inside a notch the path is, from the line that bridges it."""
        return float((self.bridge_ends[0] - self.point - self.shift) @ self.opening.outward)

    @property
    def bridge_ends(self) -> Floats:
        """The ends (2, 3) of the line over a notch."""
        assert self.opening.bridge is not None
        return np.asarray(self.opening.origin + self.opening.bridge @ self.opening.axes + self.shift)

    def edges(self, reach: float) -> tuple[Edge, ...]:
        """Return the edges of the body beside the rim, the nearest first; of a notch the one that it breaks through."""
        return tuple(edge._replace(point_m=edge.point_m + self.shift) for edge in self.opening.edges(reach))

    def edges_from(self, tangent: Floats, radius: float, reach: float) -> tuple[Edge, ...]:
        """Return the edges of the body beside the cable itself, as if it lay in a bore of its own width."""
        axes = self.opening.axes
        normal, flat = np.cross(axes[0], axes[1]), axes @ tangent
        lean = float(np.hypot(*flat))
        way = flat / lean if lean > 1e-9 else np.array([1.0, 0.0])
        turn = np.array([way, [-way[1], way[0]]])
        half = np.array([radius / abs(float(normal @ tangent)), radius])
        outline = self.opening.outline - axes @ (self.point - self.opening.origin)
        return edges_about(outline @ turn.T, half, reach, self.point + self.shift, turn @ axes)


def _apart(begin: Floats, end: Floats, ring: Floats) -> Floats:
    """Return how far each of some segments (k, 2) is from an outline (n, 2) that none of them crosses.

    Two segments that do not cross are nearest at an end of one of them.
    """
    from_ring = _to_segments(ring[None], begin[:, None], end[:, None]).min(axis=1)
    from_ends = np.minimum(from_outline(begin, ring), from_outline(end, ring))
    return np.asarray(np.minimum(from_ring, from_ends))


def _to_segments(points: Floats, begin: Floats, end: Floats) -> Floats:
    """Return the distance from points to segments, by broadcasting."""
    way = end - begin
    size = np.einsum("...i,...i->...", way, way)
    share = np.einsum("...i,...i->...", points - begin, way) / np.where(size > 0.0, size, 1.0)
    return np.asarray(np.linalg.norm(points - begin - np.clip(share, 0.0, 1.0)[..., None] * way, axis=-1))


def from_outline(points: Floats, ring: Floats) -> Floats:
    """Return the distance of each point (n, 2) from an outline (k, 2)."""
    return np.asarray(_to_segments(points[:, None], ring[None], np.roll(ring, -1, axis=0)[None]).min(axis=1))
