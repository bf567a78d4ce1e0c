"""DXF entities that are lines, and with thickness become walls, plates and columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from importers.dxf_curves import arc_points, circle_points, plane_axes, polyline_points, to_world
from importers.dxf_shape import Grain, Shape, Surface, joint_box, missing, surface, wire
from importers.polygons import CrossingPolygonError, prism, strip, without_repeats

Array = NDArray[np.float64]

_SPLINE_FRAME_VERTEX = 16  # bit of group 70 of VERTEX: a control point, not on the line
# Sharper corners of a wide polyline than this are not mitred: the tip would be longer than eight half widths.
_MITRE_MAX = 8.0


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """A flat polyline in its own plane."""

    corners: Array  # (n, 2)
    bulges: Array  # (n,)
    widths: Array  # (n, 2) at start and end of the segment that starts at each corner
    closed: bool
    elevation: float
    axes: Array
    thickness: float


def shape_of_line(entity: Any, grain: Grain) -> Shape:
    """Return a LINE; with thickness it is a wall."""
    dxf, handle = entity.dxf, entity.dxf.handle or ""
    if not (dxf.hasattr("start") and dxf.hasattr("end")):
        return missing("LINE", handle, "it lacks an end: draw it again")
    ends = np.array([dxf.start.xyz, dxf.end.xyz], dtype=np.float64)
    return _swept("LINE", handle, ends, plane_axes(dxf.extrusion)[2] * float(dxf.get("thickness", 0.0)), grain)


def shape_of_arc(entity: Any, grain: Grain) -> Shape:
    """Return an ARC; with thickness it is a bent wall."""
    dxf, handle = entity.dxf, entity.dxf.handle or ""
    if not all(dxf.hasattr(name) for name in ("center", "radius", "start_angle", "end_angle")):
        return missing("ARC", handle, "it lacks its centre, radius or angles: draw it again")
    sweep = math.radians((dxf.end_angle - dxf.start_angle) % 360.0) or math.tau
    turn = math.radians(dxf.start_angle), sweep
    thickness = float(dxf.get("thickness", 0.0))
    return round_of("ARC", handle, dxf.center.xyz, dxf.radius, turn, plane_axes(dxf.extrusion), thickness, grain)


def shape_of_circle(entity: Any, grain: Grain) -> Shape:
    """Return a CIRCLE; with thickness it is a cylinder, with caps whatever its role."""
    dxf, handle = entity.dxf, entity.dxf.handle or ""
    if not (dxf.hasattr("center") and dxf.hasattr("radius")):
        return missing("CIRCLE", handle, "it lacks its centre or radius: draw it again")
    thickness = float(dxf.get("thickness", 0.0))
    return round_of("CIRCLE", handle, dxf.center.xyz, dxf.radius, None, plane_axes(dxf.extrusion), thickness, grain)


def round_of(
    kind: str,
    handle: str,
    centre: Sequence[float] | Array,
    radius: float,
    turn: tuple[float, float] | None,
    axes: Array,
    thickness: float,
    grain: Grain,
    make: Surface = surface,
) -> Shape:
    """Return an arc with its start and sweep in radians, or a full circle; ``centre`` (3,) is in its plane's axes."""
    flat = [float(c) for c in centre[:2]]
    if turn is not None:
        points = to_world(arc_points(flat, radius, *turn, grain.chord), axes, float(centre[2]))
        return _swept(kind, handle, points, axes[2] * thickness, grain, make)
    points = to_world(circle_points(flat, radius, grain.chord), axes, float(centre[2]))
    if radius == 0.0:
        return wire(kind, handle, points[:1])
    if thickness == 0.0:
        return wire(kind, handle, points, closed=True, outline=points)
    return make(kind, handle, prism([points], axes[2] * thickness), grain)


def shape_of_lwpolyline(entity: Any, grain: Grain) -> Shape | None:
    """Return an LWPOLYLINE; None where it has no corner."""
    dxf = entity.dxf
    rows = np.array(entity.lwpoints.values, dtype=np.float64).reshape(-1, 5)
    widths = rows[:, 2:4]
    if not widths.any():
        widths = np.full_like(widths, float(dxf.get("const_width", 0.0)))
    profile = Profile(
        rows[:, :2],
        rows[:, 4],
        widths,
        bool(entity.closed),
        float(dxf.get("elevation", 0.0)),
        plane_axes(dxf.extrusion),
        float(dxf.get("thickness", 0.0)),
    )
    return shape_of_profile("LWPOLYLINE", dxf.handle or "", profile, grain)


def shape_of_polyline(entity: Any, grain: Grain) -> Shape | None:
    """Return a two- or three-dimensional POLYLINE (meshes are elsewhere); None where it has no corner."""
    dxf, handle = entity.dxf, entity.dxf.handle or ""
    vertices = [v for v in entity.vertices if not v.dxf.flags & _SPLINE_FRAME_VERTEX]
    if not vertices:
        return None
    points = np.array([v.dxf.location.xyz for v in vertices], dtype=np.float64)
    if entity.is_3d_polyline:
        return wire("POLYLINE", handle, points, closed=bool(entity.is_closed) and len(points) > 2)
    start, end = float(dxf.get("default_start_width", 0.0)), float(dxf.get("default_end_width", 0.0))
    profile = Profile(
        points[:, :2],
        np.array([float(v.dxf.get("bulge", 0.0)) for v in vertices]),
        np.array([[v.dxf.get("start_width", start), v.dxf.get("end_width", end)] for v in vertices], dtype=np.float64),
        bool(entity.is_closed),
        float(dxf.elevation.z) if dxf.hasattr("elevation") else float(points[0, 2]),
        plane_axes(dxf.extrusion),
        float(dxf.get("thickness", 0.0)),
    )
    return shape_of_profile("POLYLINE", handle, profile, grain)


def _swept(kind: str, handle: str, line: Array, along: Array, grain: Grain, make: Surface = surface) -> Shape:
    """Return an open line moved along a thickness, or the line itself where there is none."""
    if not along.any():
        return wire(kind, handle, line)
    wall = make(kind, handle, strip(line, along, closed=False), grain)
    # a line along its own thickness sweeps no wall: it stays a line
    return wall if len(wall.triangles) else wire(kind, handle, np.concatenate([line, line + along]))


def shape_of_profile(kind: str, handle: str, profile: Profile, grain: Grain, make: Surface = surface) -> Shape | None:
    """Return a flat polyline; None where it has no corner."""
    if len(profile.corners) == 0:
        return None
    profile = _clean(profile)
    along = profile.axes[2] * profile.thickness
    if profile.thickness != 0.0 and profile.widths.any():
        return _wide(kind, handle, profile, along, grain, make)
    flat, _ = polyline_points(profile.corners, profile.bulges, profile.closed, grain.chord)
    points = to_world(flat, profile.axes, profile.elevation)
    loop = profile.closed and len(points) > 2
    if profile.thickness == 0.0:
        # a wide line without thickness is bounded by its edges, a mitre included
        reach = float(profile.widths.max(initial=0.0)) / 2.0 * _MITRE_MAX
        hull = None if reach == 0.0 else joint_box([points - reach, points + reach])
        return wire(kind, handle, points, closed=loop, outline=points if loop else None, hull=hull)
    if not loop:
        return _swept(kind, handle, points, along, grain, make)
    walls = strip(points, along, closed=True)
    try:
        solid = make(kind, handle, prism([points], along), grain)
    except CrossingPolygonError:
        return make(kind, handle, walls, grain, note="closed profiles cross themselves, their ends are left open")
    return replace(solid, uncapped=walls)


def _clean(profile: Profile) -> Profile:
    """Drop corners that repeat the one before; a polyline that comes back to its start is closed."""
    corners = profile.corners
    keep = np.ones(len(corners), dtype=bool)
    # of two equal corners the first goes: the bulge and width of its segment of no length mean nothing
    keep[:-1] = (corners[1:] != corners[:-1]).any(axis=1)
    closed = profile.closed
    kept = np.flatnonzero(keep)
    if len(kept) > 2 and (corners[kept[0]] == corners[kept[-1]]).all():
        closed, kept = True, kept[:-1]
    return replace(
        profile, corners=corners[kept], bulges=profile.bulges[kept], widths=profile.widths[kept], closed=closed
    )


def _wide(kind: str, handle: str, profile: Profile, along: Array, grain: Grain, make: Surface) -> Shape:
    """Return a polyline with width and thickness: its band, mitred at corners, made a solid."""
    if len(profile.corners) < 2:
        return wire(kind, handle, to_world(profile.corners, profile.axes, profile.elevation))
    flat, segment, half = _band(profile, grain)

    def placed(ring: Array) -> Array:
        return to_world(without_repeats(ring), profile.axes, profile.elevation)

    try:
        offset = _offsets(flat, segment, profile)
        left = np.concatenate([flat[i] + offset[i] * h for i, hs in enumerate(half) for h in hs[:, None, None]])
        right = np.concatenate([flat[i] - offset[i] * h for i, hs in enumerate(half) for h in hs[:, None, None]])
        if profile.closed:
            rings = sorted([placed(left), placed(right)], key=lambda ring: -float(np.ptp(ring, axis=0).max()))
        else:
            rings = [placed(np.concatenate([left, right[::-1]]))]
        return make(kind, handle, prism(rings, along), grain)
    except CrossingPolygonError:
        pass
    # too tight for one band: a block for each segment, and one more at each corner to fill the outer side
    blocks = []
    count = len(flat)
    for i in range(count if profile.closed else count - 1):
        start, end = flat[i], flat[(i + 1) % count]
        h0, h1 = float(half[i][-1]), float(half[(i + 1) % count][0])
        across = np.array([start[1] - end[1], end[0] - start[0]]) / math.hypot(*(end - start))
        quad = np.array([start + across * h0, start - across * h0, end - across * h1, end + across * h1])
        square = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * float(half[i].max()) + start
        for ring in (quad, square) if profile.closed or i > 0 else (quad,):
            try:
                blocks.append(prism([placed(ring)], along))
            except CrossingPolygonError:
                continue
    if not blocks:
        return wire(kind, handle, to_world(flat, profile.axes, profile.elevation))
    note = "wide polylines turn too tightly for their width, read as one block for each segment"
    return make(kind, handle, np.concatenate(blocks), grain, note=note)


def _band(profile: Profile, grain: Grain) -> tuple[Array, NDArray[np.intp], list[Array]]:
    """Return the flattened centre line, the segment of each point and the half widths before and after each point."""
    count = len(profile.corners)
    tolerance = grain.chord
    widest = float(np.abs(profile.widths).max())
    lengths = np.linalg.norm(np.roll(profile.corners, -1, axis=0) - profile.corners, axis=1)
    bent = profile.bulges != 0.0
    if bent.any():
        # the outer edge of a bent band is r + w/2 from its centre, so its chords are further off than the centre line's
        with np.errstate(divide="ignore"):
            radius = (lengths * (1.0 + profile.bulges**2) / (4.0 * np.abs(profile.bulges)))[bent].min()
        tolerance = tolerance * radius / (radius + widest / 2.0)
    flat, segment = polyline_points(profile.corners, profile.bulges, profile.closed, tolerance)
    first = np.r_[True, segment[1:] != segment[:-1]]
    if not profile.closed:
        first[-1] = True
    half: list[Array] = []
    per_segment = np.bincount(segment, minlength=count)
    position = np.zeros(count, dtype=int)
    for i, number in enumerate(segment):
        start, end = profile.widths[number] / 2.0
        if not profile.closed and i == len(flat) - 1:
            half.append(np.array([end]))
            continue
        # the last segment of an open polyline also counts its end point
        chords = per_segment[number] - (1 if not profile.closed and number == segment[-1] else 0)
        here = start + (end - start) * position[number] / max(chords, 1)
        position[number] += 1
        if first[i] and (profile.closed or i > 0):
            before = profile.widths[number - 1][1] / 2.0
            half.append(np.array([here]) if before == here else np.array([before, here]))
        else:
            half.append(np.array([here]))
    return flat, segment, half


def _offsets(flat: Array, segment: NDArray[np.intp], profile: Profile) -> Array:
    """Return the vector (n, 2) to the left edge for a half width of one: square to the line, mitred at corners."""
    ahead = np.roll(flat, -1, axis=0) - flat
    if not profile.closed:
        ahead[-1] = ahead[-2]
    ahead /= np.linalg.norm(ahead, axis=1)[:, None]
    behind = np.roll(ahead, 1, axis=0)
    if not profile.closed:
        behind[0] = ahead[0]
    n1 = np.column_stack([-behind[:, 1], behind[:, 0]])
    n2 = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    between = n1 + n2
    length = np.linalg.norm(between, axis=1)
    if (length < 2.0 / _MITRE_MAX).any():
        raise CrossingPolygonError("it turns back on itself")
    unit = between / length[:, None]
    mitre = 2.0 / length
    # chords of one arc: the edge is an arc too, and a mitre would leave it
    inside = (segment == np.roll(segment, 1)) & (profile.bulges[segment] != 0.0)
    mitre[inside] = 1.0
    return np.asarray(unit * mitre[:, None])
