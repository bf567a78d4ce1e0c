"""Runs as true lines and arcs of a DXF drawing: one polyline with bulges where a run lies in a plane, else its pieces.

Arcs stay arcs, wherever their plane: their coordinates are those of the object coordinate system that the extrusion
vector defines (DXF reference, arbitrary axis algorithm).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from ezdxf.entities.dxfgfx import DXFGraphic
from ezdxf.layouts.layout import Modelspace
from ezdxf.math import OCS, Vec3
from numpy.typing import NDArray

from route3d.kernel.path import ARC, KIND, LENGTH, ORIGIN, RADIUS, TURN, U, V, points_at

Floats = NDArray[np.float64]

_FLAT_M = 1e-6  # a run off its plane by less is in it
_NONE_M = 1e-9


def draw_run(space: Modelspace, pieces: Floats, per_m: float, look: dict[str, Any]) -> list[DXFGraphic]:
    """Draw one path, ``per_m`` drawing units to the metre, and return its entities in order."""
    rows = pieces[pieces[:, LENGTH] > _NONE_M]
    if not len(rows):
        return []
    normal = plane_of(rows)
    if normal is None or len(rows) == 1:
        return [_piece(space, row, per_m, look) for row in rows]
    ocs = OCS(Vec3(normal))
    vertices: list[tuple[float, float, float]] = []
    height = 0.0
    for row in rows:
        start = ocs.from_wcs(Vec3(_start(row)) * per_m)
        bulge = 0.0
        if row[KIND] == ARC:
            # positive where the arc turns anticlockwise about the extrusion vector
            sign = math.copysign(1.0, float(np.cross(row[U], row[V]) @ normal))
            bulge = sign * math.tan(row[TURN] / 4.0)
        vertices.append((start.x, start.y, bulge))
        height = start.z
    last = ocs.from_wcs(Vec3(_end(rows)) * per_m)
    vertices.append((last.x, last.y, 0.0))
    attributes = {**look, "elevation": height, "extrusion": tuple(normal)}
    return [space.add_lwpolyline(vertices, format="xyb", dxfattribs=attributes)]


def plane_of(rows: Floats) -> Floats | None:
    """Return the unit normal of the plane that a path lies in, upward where there is a choice; None where it has none.

    A straight path takes the plane that is most nearly level.
    """
    at = np.concatenate([[0.0], np.cumsum(rows[:, LENGTH])])
    own = rows.copy()
    own[:, 1] = at[:-1]
    points = points_at(own, np.sort(np.concatenate([at, (at[1:] + at[:-1]) / 2.0])))
    middle = points - points.mean(axis=0)
    _, sizes, axes = np.linalg.svd(middle, full_matrices=True)
    if len(sizes) > 1 and sizes[1] <= _FLAT_M:
        along = axes[0]
        normal = np.array([0.0, 0.0, 1.0]) - along[2] * along
        if np.linalg.norm(normal) < 1e-3:
            normal = np.array([1.0, 0.0, 0.0]) - along[0] * along
        normal = normal / np.linalg.norm(normal)
    else:
        normal = axes[2]
    # axes that are meant come out of the search with a rest of some 1e-17
    normal = np.where(np.abs(normal) < 1e-12, 0.0, normal)
    normal = normal / np.linalg.norm(normal)
    if np.abs(middle @ normal).max() > _FLAT_M:
        return None
    lead = next(c for c in (normal[2], normal[1], normal[0]) if abs(c) > 1e-9)
    return np.asarray(normal if lead > 0.0 else -normal)


def _piece(space: Modelspace, row: Floats, per_m: float, look: dict[str, Any]) -> DXFGraphic:
    if row[KIND] != ARC:
        start = row[ORIGIN] * per_m
        stop = (row[ORIGIN] + row[LENGTH] * row[V]) * per_m
        return space.add_line(Vec3(start), Vec3(stop), dxfattribs=look)
    axis = np.cross(row[U], row[V])
    axis = np.where(np.abs(axis) < 1e-12, 0.0, axis)
    ocs = OCS(Vec3(axis))
    first = ocs.from_wcs(Vec3(row[U]))
    from_deg = math.degrees(math.atan2(first.y, first.x))
    return space.add_arc(
        center=ocs.from_wcs(Vec3(row[ORIGIN]) * per_m),
        radius=float(row[RADIUS]) * per_m,
        start_angle=from_deg,
        end_angle=from_deg + math.degrees(row[TURN]),
        dxfattribs={**look, "extrusion": tuple(axis)},
    )


def _start(row: Floats) -> Floats:
    return np.asarray(row[ORIGIN] + row[RADIUS] * row[U] if row[KIND] == ARC else row[ORIGIN])


def _end(rows: Floats) -> Floats:
    last = rows[-1].copy()
    last[1] = 0.0
    return np.asarray(points_at(last[None, :], np.array([last[LENGTH]]))[0])
