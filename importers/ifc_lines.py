"""The centre line of a cable segment: its axis where one is drawn, else the line that its body is swept along.

Runs in the child process. Arcs come back as the corner where their end tangents meet, with the drawn radius: the same
form as runs drawn in DXF.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import ifcopenshell.util.placement as placing
import ifcopenshell.util.unit
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_DEPTH_MAX = 12
_TURN_MAX_RAD = 2.0 * math.pi / 3.0  # an arc that turns further becomes several corners
_SWEPT = ("IfcSweptDiskSolid", "IfcFixedReferenceSweptAreaSolid", "IfcSurfaceCurveSweptAreaSolid")


class NoLineError(Exception):
    """The thing has no line that a cable could follow; the text says why."""


def centre_line(ifc: Any, number: int) -> dict[str, Any]:
    """Return ``corners`` (n, 3) and drawn ``radius`` (n,) in the file's axes and unit, or ``failed``: why not."""
    try:
        product = ifc.by_id(number)
        angle = ifcopenshell.util.unit.calculate_unit_scale(ifc, "PLANEANGLEUNIT")
        corners, radius = _of_product(product, angle)
        place = placing.get_local_placement(product.ObjectPlacement)
        placed = corners @ place[:3, :3].T + place[:3, 3]
        if not np.isfinite(placed).all():
            raise NoLineError("its centre line has numbers that cannot be used")
    except NoLineError as error:
        return {"failed": str(error)}
    except (RuntimeError, ValueError, IndexError, TypeError, AttributeError, KeyError, np.linalg.LinAlgError) as error:
        return {"failed": f"its centre line is damaged ({' '.join(str(error).split())[:80]})"}
    return {"corners": placed.tolist(), "radius": radius.tolist()}


def _of_product(product: Any, angle: float) -> tuple[Array, Array]:
    if product.Representation is None:
        raise NoLineError("it has no geometry")
    by_name: dict[str, list[Any]] = {}
    for representation in product.Representation.Representations:
        by_name.setdefault(representation.RepresentationIdentifier or "Body", []).append(representation)
    for name in ("Axis", "Body"):
        items = [item for representation in by_name.get(name, ()) for item in representation.Items]
        if not items:
            continue
        if len(items) > 1:
            raise NoLineError(f"its {name.lower()} has {len(items)} parts: give it one axis")
        return _of_item(items[0], angle, 0)
    raise NoLineError("it has neither axis nor body")


def _of_item(item: Any, angle: float, depth: int) -> tuple[Array, Array]:
    if depth > _DEPTH_MAX:
        raise NoLineError("its geometry refers to itself")
    if item.is_a("IfcMappedItem"):
        inner = item.MappingSource.MappedRepresentation.Items
        if len(inner) != 1:
            raise NoLineError(f"its shape has {len(inner)} parts: give it one axis")
        corners, radius = _of_item(inner[0], angle, depth + 1)
        matrix = np.asarray(placing.get_mappeditem_transformation(item), dtype=np.float64)
        gram = matrix[:3, :3].T @ matrix[:3, :3]
        if np.abs(gram - np.eye(3)).max() > 1e-9:
            raise NoLineError("its shape is scaled: give it its true size")
        return corners @ matrix[:3, :3].T + matrix[:3, 3], radius
    if item.is_a("IfcCurve"):
        return _curve(item, angle, depth)
    if item.is_a("IfcExtrudedAreaSolid"):
        return _extruded(item), np.zeros(2)
    if any(item.is_a(kind) for kind in _SWEPT):
        corners, radius = _curve(item.Directrix, angle, depth)
        _whole_sweep(item)
        if not item.is_a("IfcSweptDiskSolid") and item.Position is not None:
            matrix = placing.get_axis2placement(item.Position)
            corners = corners @ matrix[:3, :3].T + matrix[:3, 3]
        return corners, radius
    raise NoLineError(f"no centre line can be told from its {item.is_a()}: give it an axis")


def _whole_sweep(item: Any) -> None:
    start, end = getattr(item, "StartParam", None), getattr(item, "EndParam", None)
    for value in (start, end):
        if hasattr(value, "wrappedValue"):
            raise NoLineError("it is swept along part of a curve only: give it an axis")
    parts = _parameters(item.Directrix)
    if start not in (None, 0.0) or (end is not None and (parts is None or abs(end - parts) > 1e-9)):
        raise NoLineError("it is swept along part of a curve only: give it an axis")


def _parameters(curve: Any) -> float | None:
    """Return the parameter at the end of a curve, where it is one per piece."""
    if curve.is_a("IfcPolyline"):
        return float(len(curve.Points) - 1)
    if curve.is_a("IfcIndexedPolyCurve") and not curve.Segments:
        return float(len(curve.Points.CoordList) - 1)
    return None


def _extruded(solid: Any) -> Array:
    profile = solid.SweptArea
    if not profile.is_a("IfcParameterizedProfileDef"):
        raise NoLineError(f"no centre line can be told from its {profile.is_a()}: give it an axis")
    at = (0.0, 0.0)
    if profile.Position is not None:
        at = profile.Position.Location.Coordinates[:2]
    start = np.array([*at, 0.0])
    along = np.array(solid.ExtrudedDirection.DirectionRatios, dtype=np.float64)
    end = start + along / np.linalg.norm(along) * solid.Depth
    ends = np.array([start, end])
    if solid.Position is None:
        return ends
    matrix = placing.get_axis2placement(solid.Position)
    return np.asarray(ends @ matrix[:3, :3].T + matrix[:3, 3])


def _curve(curve: Any, angle: float, depth: int) -> tuple[Array, Array]:
    if depth > _DEPTH_MAX:
        raise NoLineError("its geometry refers to itself")
    if curve.is_a("IfcPolyline"):
        points = _points([p.Coordinates for p in curve.Points])
        return points, np.zeros(len(points))
    if curve.is_a("IfcIndexedPolyCurve"):
        return _indexed(curve)
    if curve.is_a("IfcCompositeCurve"):
        pieces = []
        for segment in curve.Segments:
            if not hasattr(segment, "ParentCurve"):
                raise NoLineError(f"{segment.is_a()} is not read as part of a centre line")
            corners, radius = _curve(segment.ParentCurve, angle, depth + 1)
            pieces.append((corners, radius) if segment.SameSense else (corners[::-1], radius[::-1]))
        return _joined(pieces)
    if curve.is_a("IfcTrimmedCurve"):
        return _trimmed(curve, angle)
    raise NoLineError(f"{curve.is_a()} is not read as a centre line: give it lines and arcs")


def _points(rows: Any) -> Array:
    points = np.array([(*row, 0.0)[:3] for row in rows], dtype=np.float64)
    if len(points) < 2:
        raise NoLineError("its centre line has fewer than two points")
    return points


def _indexed(curve: Any) -> tuple[Array, Array]:
    points = _points(curve.Points.CoordList)
    if not curve.Segments:
        return points, np.zeros(len(points))
    pieces = []
    for segment in curve.Segments:
        index = [int(i) - 1 for i in segment.wrappedValue]
        if min(index) < 0:
            raise NoLineError("its centre line names a point that is not there")
        pieces.append(_arc(*points[index]) if segment.is_a("IfcArcIndex") else (points[index], np.zeros(len(index))))
    return _joined(pieces)


def _joined(pieces: list[tuple[Array, Array]]) -> tuple[Array, Array]:
    if not pieces:
        raise NoLineError("its centre line is empty")
    size = max(float(np.ptp(corners, axis=0).max()) for corners, _ in pieces)
    for (before, _), (after, _) in pairwise(pieces):
        if float(np.linalg.norm(before[-1] - after[0])) > 1e-4 * max(size, 1e-9):
            raise NoLineError("the pieces of its centre line do not meet")
    corners = [pieces[0][0], *(corners[1:] for corners, _ in pieces[1:])]
    radius = [pieces[0][1], *(radius[1:] for _, radius in pieces[1:])]
    return np.vstack(corners), np.concatenate(radius)


def _trimmed(curve: Any, angle: float) -> tuple[Array, Array]:
    basis = curve.BasisCurve
    ends = [_trim(basis, trims, angle) for trims in (curve.Trim1, curve.Trim2)]
    if not curve.SenseAgreement:
        ends.reverse()
    if basis.is_a("IfcLine"):
        corners, radius = np.array([ends[0][0], ends[1][0]]), np.zeros(2)
    else:
        matrix = _axes(basis)
        sweep = (ends[1][1] - ends[0][1]) % math.tau
        middle = ends[0][1] + sweep / 2.0
        mid = matrix[:3, 3] + basis.Radius * (matrix[:3, 0] * math.cos(middle) + matrix[:3, 1] * math.sin(middle))
        corners, radius = _arc(ends[0][0], mid, ends[1][0])
    return (corners, radius) if curve.SenseAgreement else (corners[::-1], radius[::-1])


def _axes(circle: Any) -> Array:
    return np.asarray(placing.get_axis2placement(circle.Position), dtype=np.float64)


def _trim(basis: Any, trims: Any, angle: float) -> tuple[Array, float]:
    """Return the point where a line or circle is cut, and the angle there."""
    points = [(*t.Coordinates, 0.0)[:3] for t in trims if t.is_a("IfcCartesianPoint")]
    value = next((float(t.wrappedValue) for t in trims if not t.is_a("IfcCartesianPoint")), None)
    if basis.is_a("IfcLine"):
        if value is None:
            return np.array(points[0]), 0.0
        along = np.array((*basis.Dir.Orientation.DirectionRatios, 0.0)[:3], dtype=np.float64)
        along *= basis.Dir.Magnitude / np.linalg.norm(along)
        return np.array((*basis.Pnt.Coordinates, 0.0)[:3]) + value * along, 0.0
    if not basis.is_a("IfcCircle"):
        raise NoLineError(f"{basis.is_a()} is not read as a centre line: give it lines and arcs")
    matrix = _axes(basis)
    if value is None:
        out = np.array(points[0]) - matrix[:3, 3]
        at = math.atan2(float(out @ matrix[:3, 1]), float(out @ matrix[:3, 0]))
    else:
        at = value * angle
    place = matrix[:3, 3] + basis.Radius * (matrix[:3, 0] * math.cos(at) + matrix[:3, 1] * math.sin(at))
    return np.asarray(place), at


def _arc(start: Array, middle: Array, end: Array) -> tuple[Array, Array]:
    """Return corners and radii for the arc through three points; its ends are corners of radius 0."""
    a, b = middle - start, end - start
    normal = np.cross(a, b)
    square = float(normal @ normal)
    if square <= 1e-20 * float(b @ b) ** 2:
        return np.array([start, end]), np.zeros(2)  # straight
    centre = start + np.cross(float(a @ a) * b - float(b @ b) * a, normal) / (2.0 * square)
    out = start - centre
    radius = float(np.linalg.norm(out))
    x, y = out / radius, np.cross(normal, out) / (math.sqrt(square) * radius)
    last = end - centre
    sweep = math.atan2(float(last @ y), float(last @ x)) % math.tau
    count = max(1, math.ceil(sweep / _TURN_MAX_RAD - 1e-9))
    step = sweep / count
    turns = step * (np.arange(count) + 0.5)
    far = radius / math.cos(step / 2.0)
    corners = centre + far * (np.cos(turns)[:, None] * x + np.sin(turns)[:, None] * y)
    return np.vstack([start, corners, end]), np.array([0.0, *[radius] * count, 0.0])
