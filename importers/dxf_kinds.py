"""Every kind of DXF entity: what reads it, or why it is not read."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from ezdxf.entities.acis import Body
from numpy.typing import NDArray

from importers.acis import shape_of_body
from importers.dxf_curves import TooManyChordsError
from importers.dxf_faces import shape_of_filled, shape_of_mesh, shape_of_polyface, shape_of_polymesh
from importers.dxf_open import LIBRARY_ERRORS
from importers.dxf_profiles import (
    shape_of_arc,
    shape_of_circle,
    shape_of_line,
    shape_of_lwpolyline,
    shape_of_polyline,
)
from importers.dxf_shape import Grain, Shape, box_corners, joint_box, missing, wire

Array = NDArray[np.float64]

# Kinds that say something about the drawing and have no place of their own in the building.
ANNOTATION = frozenset(
    {
        "ACAD_TABLE", "ARCALIGNEDTEXT", "ARC_DIMENSION", "ATTDEF", "ATTRIB", "CAMERA", "DIMENSION", "GEODATA",
        "GEOPOSITIONMARKER", "HATCH", "IMAGE", "LARGE_RADIAL_DIMENSION", "LEADER", "LIGHT", "MLEADER", "MPOLYGON",
        "MTEXT", "MULTILEADER", "RAY", "RTEXT", "SECTION", "SECTIONOBJECT", "SHAPE", "TABLE", "TEXT", "TOLERANCE",
        "VIEWPORT", "WIPEOUT", "XLINE",
    }
)  # fmt: skip

# Kinds that hold geometry in a form that is not read: what they are, and how to mend it.
_UNREAD = {
    "ACAD_PROXY_ENTITY": "an object of an add-on that is not installed everywhere: explode it, or export it as solids",
    "DGNUNDERLAY": "an underlay of another file: import that file into the drawing, or give its layer the role ignore",
    "DWFUNDERLAY": "an underlay of another file: import that file into the drawing, or give its layer the role ignore",
    "PDFUNDERLAY": "an underlay of another file: import that file into the drawing, or give its layer the role ignore",
    "OLE2FRAME": "an object of another program: draw what it shows, or give its layer the role ignore",
    "OLEFRAME": "an object of another program: draw what it shows, or give its layer the role ignore",
    "POINTCLOUD": "a point cloud: model what it shows",
    "POINTCLOUDEX": "a point cloud: model what it shows",
    "COORDINATION_MODEL": "a model of another file: import that file into the drawing",
}

Reader = Callable[[Any, Grain], Shape | None]


def shape_of(entity: Any, grain: Grain) -> Shape | None:
    """Return what an entity is in the axes of its container (3D faces and block references are read elsewhere).

    None is annotation, and
    polylines without a single corner.
    """
    kind, handle = entity.dxftype(), entity.dxf.handle or ""
    if kind in ANNOTATION:
        return None
    reader = shape_of_body if isinstance(entity, Body) else _READERS.get(kind)
    if reader is None:
        return missing(
            kind, handle, _UNREAD.get(kind, "a kind of object that is not read: explode it, or draw it as a mesh")
        )
    return attempt(kind, handle, lambda: reader(entity, grain))


def attempt(kind: str, handle: str, make: Callable[[], Shape | None]) -> Shape | None:
    """Return the shape that ``make`` gives, or that of an entity of which nothing was read where it fails."""
    try:
        shape = make()
    except TooManyChordsError as error:
        return missing(kind, handle, f"{error}: draw it again")
    except LIBRARY_ERRORS as error:
        return missing(kind, handle, f"it is damaged ({type(error).__name__}): draw it again")
    if shape is not None and not (np.isfinite(shape.triangles).all() and np.isfinite(shape.segments).all()):
        return missing(kind, handle, "its coordinates are no numbers: draw it again")
    return shape


def _polyline(entity: Any, grain: Grain) -> Shape | None:
    if entity.is_poly_face_mesh:
        return shape_of_polyface(entity, grain)
    if entity.is_polygon_mesh:
        return shape_of_polymesh(entity, grain)
    return shape_of_polyline(entity, grain)


def _point(entity: Any, grain: Grain) -> Shape:
    handle = entity.dxf.handle or ""
    if not entity.dxf.hasattr("location"):
        return missing("POINT", handle, "it has no place: draw it again")
    return wire("POINT", handle, np.array([entity.dxf.location.xyz], dtype=np.float64))


def _ellipse(entity: Any, grain: Grain) -> Shape:
    kind, handle = entity.dxftype(), entity.dxf.handle or ""
    centre = np.array(entity.dxf.center.xyz)
    reach = float(np.linalg.norm(np.array(entity.dxf.major_axis.xyz))) * max(1.0, abs(float(entity.dxf.ratio)))
    return _curve(kind, handle, entity, grain, box_corners(centre - reach, centre + reach))


def _spline(entity: Any, grain: Grain) -> Shape:
    kind, handle = entity.dxftype(), entity.dxf.handle or ""
    controls = np.array(list(entity.control_points), dtype=np.float64).reshape(-1, 3)
    weights = np.array(list(entity.weights), dtype=np.float64)
    if len(controls) < 2 or (len(weights) and not (weights > 0.0).all()):
        return missing(kind, handle, "a curve without control points: draw it with thickness or as a solid")
    # a curve with positive weights stays in the hull of its control points
    return _curve(kind, handle, entity, grain, controls)


def _curve(kind: str, handle: str, entity: Any, grain: Grain, hull: Array) -> Shape:
    """Return a curve that is flattened by the library; what it could touch is judged by ``hull``, not by its chords."""
    size = float(np.ptp(hull, axis=0).max())
    if not math.isfinite(size):
        return missing(kind, handle, "its coordinates are no numbers: draw it again")
    # the library halves chords without a bound of its own
    points = np.array([p.xyz for p in entity.flattening(max(grain.chord, size * 1e-5, 1e-9))], dtype=np.float64)
    return wire(kind, handle, points, hull=hull)


def _mline(entity: Any, grain: Grain) -> Shape:
    lines = [np.array([e.dxf.start.xyz, e.dxf.end.xyz]) for e in entity.virtual_entities() if e.dxftype() == "LINE"]
    if not lines:
        return missing("MLINE", entity.dxf.handle or "", "a line of which nothing is drawn: explode it")
    # caps may be arcs, no further out than the line is wide
    corners = joint_box(lines)
    reach = float(np.linalg.norm(np.ptp(corners, axis=0))) if len(lines) > 1 else 0.0
    low, high = corners.min(axis=0) - reach, corners.max(axis=0) + reach
    return Shape("MLINE", entity.dxf.handle or "", segments=np.array(lines), hull=box_corners(low, high))


_READERS: dict[str, Reader] = {
    "LINE": shape_of_line,
    "ARC": shape_of_arc,
    "CIRCLE": shape_of_circle,
    "LWPOLYLINE": shape_of_lwpolyline,
    "POLYLINE": _polyline,
    "MESH": shape_of_mesh,
    "SOLID": shape_of_filled,
    "TRACE": shape_of_filled,
    "POINT": _point,
    "ELLIPSE": _ellipse,
    "SPLINE": _spline,
    "HELIX": _spline,
    "MLINE": _mline,
}
