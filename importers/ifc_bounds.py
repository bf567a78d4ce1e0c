"""What can be told about a representation without making its shape: its parts, and a box around its points."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from ifcopenshell.util.placement import get_local_placement

_DEPTH_MAX = 12  # of mapped items in mapped items
_NO_SURFACE = (
    "IfcCurve", "IfcPoint", "IfcGeometricSet", "IfcTextLiteral", "IfcAnnotationFillArea", "IfcBoundingBox",
    "IfcStyledItem", "IfcSegment", "IfcVector", "IfcDirection", "IfcPlacement", "IfcLightSource",
)  # fmt: skip
# With nothing but these, a shape lies within the box of its points.
_FLAT = frozenset(
    {
        "IfcCartesianPoint", "IfcCartesianPointList3D", "IfcPolyLoop", "IfcPolyline", "IfcFace", "IfcFaceBound",
        "IfcFaceOuterBound", "IfcClosedShell", "IfcOpenShell", "IfcConnectedFaceSet", "IfcFacetedBrep",
        "IfcFaceBasedSurfaceModel", "IfcShellBasedSurfaceModel", "IfcTriangulatedFaceSet", "IfcPolygonalFaceSet",
        "IfcIndexedPolygonalFace", "IfcIndexedPolygonalFaceWithVoids", "IfcFacetedBrepWithVoids",
    }
)  # fmt: skip

_HARMLESS = ("IfcShapeRepresentation", "IfcGeometricRepresentation", "IfcAxis2Placement", "IfcDirection")


def body_items(definition: Any) -> Iterator[Any]:
    """Yield the items of a product's body representations, those of mapped items in their place."""
    for representation in definition.Representations:
        if representation.RepresentationIdentifier in ("Body", "Facetation"):
            yield from _expanded(representation.Items, 0)


def _expanded(items: Any, depth: int) -> Iterator[Any]:
    for item in items:
        if item.is_a("IfcMappedItem") and depth < _DEPTH_MAX:
            yield from _expanded(item.MappingSource.MappedRepresentation.Items, depth + 1)
        else:
            yield item


def missing_items(definition: Any, made: set[int]) -> set[str]:
    """Return the kinds of body items with a surface that are not among the ``made`` ones."""
    gone = set()
    for item in body_items(definition):
        if item.id() in made or any(item.is_a(kind) for kind in _NO_SURFACE):
            continue
        if not made & {part.id() for part in _parts(item)}:
            gone.add(item.is_a())
    return gone


def _parts(item: Any) -> Iterator[Any]:
    """Yield the entities that an item refers to: shells and sets are named in its place."""
    stack = list(item)
    while stack:
        value = stack.pop()
        if isinstance(value, tuple):
            stack += value
        elif hasattr(value, "is_a") and value.id():
            yield value


def own_entities(definition: Any) -> set[int]:
    """Return the entities that add to a shape: all that it refers to, but what is only taken away from it."""
    seen: set[int] = set()
    stack = [definition]
    while stack:
        entity = stack.pop()
        if entity.id() in seen:
            continue
        seen.add(entity.id())
        if entity.is_a("IfcBooleanResult") and entity.Operator == "DIFFERENCE":
            stack.append(entity.FirstOperand)
            continue
        stack += [part for part in _parts(entity) if not part.is_a("IfcRepresentationContext")]
    return seen


def has_unions(ifc: Any, product: Any) -> bool:
    """Tell whether a shape is put together from operands, so that its first operand does not hold all of it."""
    return any(
        entity.is_a("IfcBooleanResult") and entity.Operator == "UNION"
        for entity in ifc.traverse(product.Representation)
    )


def point_box(ifc: Any, product: Any) -> list[list[float]] | None:
    """Return low and high corner of the file's own bounding box, or of a shape of flat faces; None where unsure.

    In the file's unit and axes.
    """
    points: list[Any] = []
    for representation in product.Representation.Representations:
        if representation.RepresentationIdentifier == "Box":
            for box in representation.Items:
                low = np.array(box.Corner.Coordinates, dtype=np.float64)
                size = np.array([box.XDim, box.YDim, box.ZDim], dtype=np.float64)
                points += [low + size * corner for corner in np.ndindex(2, 2, 2)]
    if not points:
        for representation in product.Representation.Representations:
            for entity in ifc.traverse(representation):
                kind = entity.is_a()
                if kind == "IfcCartesianPoint":
                    points.append((*entity.Coordinates, 0.0)[:3])
                elif kind == "IfcCartesianPointList3D":
                    points += entity.CoordList
                elif kind not in _FLAT and not kind.startswith(_HARMLESS):
                    return None
    if not points:
        return None
    place = get_local_placement(product.ObjectPlacement)
    placed = np.array(points, dtype=np.float64) @ place[:3, :3].T + place[:3, 3]
    return [placed.min(axis=0).tolist(), placed.max(axis=0).tolist()] if np.isfinite(placed).all() else None
