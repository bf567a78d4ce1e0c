"""One entity of a routes file as corners: straight legs, and arcs as the corner where their end tangents meet."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from ezdxf.entities.dxfgfx import DXFGraphic
from numpy.typing import NDArray

from importers.route_curves import ellipse_points, spline_points

# An arc that turns further is drawn as several corners: the corner of a half circle would be at infinity.
_TURN_MAX_RAD = math.radians(120.0)
# A corner this close to the line between its neighbours, next to an arc, is where a leg and an arc meet.
_STRAIGHT_M = 1e-5

CHAINED = frozenset({"LINE", "ARC", "SPLINE", "ELLIPSE", "HELIX"})
FLATTENED = frozenset({"SPLINE", "ELLIPSE", "HELIX"})
POLYLINES = frozenset({"POLYLINE", "LWPOLYLINE"})

# bits of group 70 of VERTEX: what a fitted or splined polyline keeps besides the line that is seen
_FRAME_VERTEX = 16


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A drawn centre line, in metres: one entity, or several joined end to end."""

    corners_m: NDArray[np.float64]  # (n, 3)
    radius_m: NDArray[np.float64]  # (n,), 0 where no arc was drawn
    layer: str
    handle: str
    kind: str
    closed: bool = False
    tags: tuple[tuple[str, str], ...] = ()  # key=value of its extended data
    members: tuple[str, ...] = ()  # handles of all entities that it stands for, repeats included; empty: its own

    @property
    def handles(self) -> tuple[str, ...]:
        """The handles of all entities that this piece stands for."""
        return self.members if self.members else (self.handle,)

    @property
    def route_id(self) -> str | None:
        """The id that its extended data gives it."""
        return dict(self.tags).get("id")

    @property
    def length_m(self) -> float:
        """Length along its corners."""
        return float(np.linalg.norm(np.diff(self.corners_m, axis=0), axis=1).sum())

    @property
    def box_m(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """Low and high corner; the corners of an arc lie outside of it, so the arc is inside."""
        low, high = self.corners_m.min(axis=0), self.corners_m.max(axis=0)
        return (float(low[0]), float(low[1]), float(low[2])), (float(high[0]), float(high[1]), float(high[2]))


class NotACentreLineError(Exception):
    """The entity has geometry, but no line that a cable could follow; the text says why and how to mend it."""


def corners_of(
    entity: DXFGraphic, chord: float, keep_arcs: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64], bool]:
    """Return corners (n, 3) and drawn radii (n,) of one entity in the axes and units of its file, and is it closed.

    ``chord`` is the deviation allowed where a curve becomes dense corners. ``keep_arcs`` False turns circular arcs
    into dense corners too: a block that is scaled unevenly makes ellipses of them.

    Raises
    ------
    NotACentreLineError
        The entity is no line, or has numbers that cannot be used.
    """
    kind = entity.dxftype()
    any_entity: Any = entity  # the classes of the library share no type that has these attributes
    if kind == "LINE":
        corners = np.array([any_entity.dxf.start, any_entity.dxf.end], dtype=np.float64)
        radius, closed = np.zeros(2), False
    elif kind == "ARC":
        corners, radius, closed = _arc(any_entity)
    elif kind == "LWPOLYLINE":
        rows = np.array(any_entity.get_points("xyb"), dtype=np.float64).reshape(-1, 3)
        elevation = float(any_entity.dxf.elevation)
        corners, radius = _bulged(rows, elevation, any_entity)
        closed = bool(any_entity.closed)
    elif kind == "POLYLINE":
        corners, radius, closed = _polyline(any_entity)
    elif kind in FLATTENED:
        corners = _curve(any_entity, kind, chord)
        radius, closed = np.zeros(len(corners)), kind == "SPLINE" and bool(any_entity.closed)
    else:
        raise NotACentreLineError(
            f"a {kind} is no centre line: draw the run as a polyline, or as lines and arcs end to end"
        )
    if not np.isfinite(corners).all() or not np.isfinite(radius).all():
        raise NotACentreLineError("it has a coordinate that is not a finite number: draw it again")
    corners, radius = tidy(corners, radius, 0.0)
    if not keep_arcs:
        corners = _chords(corners, radius, chord)
        radius = np.zeros(len(corners))
    return corners, radius, closed


def tidy(
    corners: NDArray[np.float64], radius: NDArray[np.float64], straight: float = _STRAIGHT_M
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the corners without repeated ones and without those where a leg runs straight on into an arc.

    The tangent point of an arc is no corner; left in, it would shorten the leg that a larger bend may use. Plain
    straight-through corners away from arcs stay: they do no harm, and somebody drew them.
    """
    keep = np.ones(len(corners), dtype=bool)
    keep[1:] = (np.diff(corners, axis=0) != 0.0).any(axis=1)
    if len(corners) and not keep[1:].all():
        corners, radius = corners[keep], radius[keep]
    kept = [0] if len(corners) else []
    for i in range(1, len(corners) - 1):
        beside_arc = radius[i] == 0.0 and (radius[i - 1] > 0.0 or radius[i + 1] > 0.0)
        if not (beside_arc and _between(corners[kept[-1]], corners[i], corners[i + 1], straight)):
            kept.append(i)
    if len(corners) > 1:
        kept.append(len(corners) - 1)
    return corners[kept], radius[kept]


def _between(a: NDArray[np.float64], b: NDArray[np.float64], c: NDArray[np.float64], tolerance: float) -> bool:
    along = c - a
    length = float(np.linalg.norm(along))
    if length == 0.0:
        return False
    along = along / length
    s = float(np.dot(b - a, along))
    return 0.0 < s < length and float(np.linalg.norm(b - a - s * along)) <= tolerance


def _curve(entity: Any, kind: str, chord: float) -> NDArray[np.float64]:
    """Return a spline, helix or ellipse as dense corners (n, 3); a helix is read as the spline that it keeps."""
    if kind == "ELLIPSE":
        ellipse = entity.construction_tool()
        start, end = float(ellipse.start_param), float(ellipse.end_param)
        sweep = (end - start) % math.tau or math.tau
        axes = (ellipse.center.xyz, ellipse.major_axis.xyz, ellipse.minor_axis.xyz)
        return ellipse_points(*axes, start, sweep, chord)
    spline = entity.construction_tool()
    return spline_points(
        [p.xyz for p in spline.control_points], list(spline.knots()), list(spline.weights()), spline.degree, chord
    )


def _to_wcs(points: NDArray[np.float64], entity: Any) -> NDArray[np.float64]:
    ocs = entity.ocs()
    if not ocs.transform:
        return points
    axes = np.array([ocs.ux, ocs.uy, ocs.uz], dtype=np.float64)
    return np.asarray(points @ axes)


def _arc(entity: Any) -> tuple[NDArray[np.float64], NDArray[np.float64], bool]:
    dxf = entity.dxf
    start = math.radians(dxf.start_angle)
    sweep = math.radians((dxf.end_angle - dxf.start_angle) % 360.0)
    closed = sweep == 0.0
    if closed:
        sweep = math.tau
    centre = np.array(dxf.center, dtype=np.float64)
    flat, radius = _turn(centre[:2], float(dxf.radius), start, sweep)
    first = centre[:2] + dxf.radius * np.array([math.cos(start), math.sin(start)])
    last = centre[:2] + dxf.radius * np.array([math.cos(start + sweep), math.sin(start + sweep)])
    corners = np.column_stack([np.vstack([first, flat, last]), np.full(len(flat) + 2, centre[2])])
    return _to_wcs(corners, entity), np.concatenate([[0.0], radius, [0.0]]), closed


def _turn(
    centre: NDArray[np.float64], radius: float, start: float, sweep: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the corners (k, 2) that stand for an arc, each turning at most 120 degrees, and their radii (k,)."""
    count = max(1, math.ceil(abs(sweep) / _TURN_MAX_RAD - 1e-9))
    step = sweep / count
    middle = start + step * (np.arange(count) + 0.5)
    out = radius / math.cos(step / 2.0)  # where the tangents of a part's two ends meet
    return centre + out * np.column_stack([np.cos(middle), np.sin(middle)]), np.full(count, radius)


def _bulged(
    rows: NDArray[np.float64], elevation: float, entity: Any
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return corners and radii of a flat polyline of rows x, y, bulge: tan(sweep / 4), positive to the left."""
    flat: list[NDArray[np.float64]] = []
    radius: list[float] = []
    for i, (x, y, bulge) in enumerate(rows):
        here = np.array([x, y])
        flat.append(here)
        radius.append(0.0)
        if i + 1 == len(rows) or bulge == 0.0:
            continue
        chord = rows[i + 1, :2] - here
        length = float(np.hypot(*chord))
        if length == 0.0:
            continue
        sweep = 4.0 * math.atan(bulge)
        half = sweep / 2.0
        r = length / (2.0 * abs(math.sin(half)))
        left = np.array([-chord[1], chord[0]]) / length
        middle = here + chord / 2.0
        if abs(sweep) <= _TURN_MAX_RAD:
            # from the chord, not from the centre, which is far away where the arc is nearly straight
            flat.append(middle - left * (length / 2.0) * math.tan(half))
            radius.append(r)
            continue
        centre = middle + left * (length / 2.0) / math.tan(half)
        start = math.atan2(here[1] - centre[1], here[0] - centre[0])
        parts, radii = _turn(centre, r, start, sweep)
        flat.extend(parts)
        radius.extend(radii)
    corners = np.array(flat, dtype=np.float64).reshape(-1, 2)
    corners = np.column_stack([corners, np.full(len(corners), elevation)])
    return _to_wcs(corners, entity), np.array(radius)


def _polyline(entity: Any) -> tuple[NDArray[np.float64], NDArray[np.float64], bool]:
    if entity.is_poly_face_mesh or entity.is_polygon_mesh:
        raise NotACentreLineError("a mesh is no centre line: draw the run as a polyline, or move the mesh to a model")
    vertices = [v for v in entity.vertices if not int(v.dxf.flags) & _FRAME_VERTEX]
    closed = bool(entity.is_closed)
    if entity.is_3d_polyline:
        corners = np.array([v.dxf.location for v in vertices], dtype=np.float64).reshape(-1, 3)
        return corners, np.zeros(len(corners)), closed
    rows = np.array([(v.dxf.location.x, v.dxf.location.y, v.dxf.get("bulge", 0.0)) for v in vertices], dtype=np.float64)
    elevation = float(entity.dxf.elevation.z) if entity.dxf.hasattr("elevation") else 0.0
    corners, radius = _bulged(rows.reshape(-1, 3), elevation, entity)
    return corners, radius, closed


def _chords(corners: NDArray[np.float64], radius: NDArray[np.float64], chord: float) -> NDArray[np.float64]:
    """Return dense corners that stay within ``chord`` of the arcs that the radii stand for."""
    out = [corners[:1]]
    for i in range(1, len(corners) - 1):
        if radius[i] == 0.0:
            out.append(corners[i : i + 1])
            continue
        into, away = corners[i] - corners[i - 1], corners[i + 1] - corners[i]
        into, away = into / np.linalg.norm(into), away / np.linalg.norm(away)
        turn = math.atan2(float(np.linalg.norm(np.cross(into, away))), float(np.dot(into, away)))
        r = float(radius[i])
        first = corners[i] - into * r * math.tan(turn / 2.0)
        inward = away - into * math.cos(turn)
        inward = inward / np.linalg.norm(inward)
        count = max(2, math.ceil(turn / (2.0 * math.acos(max(1.0 - chord / r, 0.0)))))
        angle = turn * np.arange(count + 1) / count
        out.append(first + r * (np.sin(angle)[:, None] * into + (1.0 - np.cos(angle))[:, None] * inward))
    out.append(corners[-1:])
    dense = np.vstack(out)
    keep = np.ones(len(dense), dtype=bool)
    keep[1:] = (np.abs(np.diff(dense, axis=0)) > 1e-12 * (1.0 + np.abs(dense[1:]))).any(axis=1)
    return dense[keep]
