"""What an IFC file says besides shapes: its unit, its place on the map, and of each thing class, name, storey, systems.

Runs in the child process. Damaged relations are passed over one by one: they cost a name, never a thing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from typing import Any

import ifcopenshell
import ifcopenshell.util.placement
import numpy as np

# What these classes draw is no thing in the building: holes, volumes of air, ideas, lines and text.
NO_THING = (
    "IfcFeatureElementSubtraction", "IfcSpatialElement", "IfcSpatialStructureElement", "IfcGrid", "IfcAnnotation",
    "IfcPort", "IfcVirtualElement", "IfcStructuralActivity", "IfcStructuralItem", "IfcPositioningElement",
)  # fmt: skip
SPACES = ("IfcSpace", "IfcSpatialZone")
_DAMAGE = (RuntimeError, ValueError, IndexError, TypeError, AttributeError, KeyError)
_DEPTH_MAX = 40
_PREFIXES = {
    None: 1.0, "KILO": 1e3, "HECTO": 1e2, "DECA": 1e1, "DECI": 1e-1, "CENTI": 1e-2, "MILLI": 1e-3, "MICRO": 1e-6,
}  # fmt: skip
_FRESH = ("NOTDEFINED", "USERDEFINED", "")


def count(ifc: Any) -> int:
    """Return how many entities were loaded."""
    return sum(1 for _ in ifc)


def facts(ifc: Any) -> dict[str, Any]:
    """Return everything that the parent wants to know before any shape is made."""
    relations = _Relations(ifc)
    products = []
    skipped: dict[str, int] = defaultdict(int)
    for product in ifc.by_type("IfcProduct"):
        kind = product.is_a()
        if any(_is_a(product, no) for no in NO_THING) and not _is_a(product, "IfcSite") and kind not in SPACES:
            if getattr(product, "Representation", None) is not None:
                skipped[kind] += 1
            continue
        products.append(_product(product, relations))
    ancestors = {kind: _ancestors(ifc, kind) for kind in {p["class"] for p in products} | {p["kind"] for p in products}}
    return {
        "schema": ifc.schema_identifier,
        "unit": _unit(ifc),
        "map": _map(ifc),
        "products": products,
        "ancestors": ancestors,
        "skipped": dict(skipped),
    }


class _Relations:
    """Who holds, types, groups and describes whom, by entity number."""

    def __init__(self, ifc: Any) -> None:
        self.holder: dict[int, Any] = {}
        self.types: dict[int, Any] = {}
        self.groups: dict[int, list[Any]] = defaultdict(list)
        self.ratings: dict[int, str] = {}
        self.wholes: set[int] = set()  # things made of other things
        for kind in ("IfcRelAggregates", "IfcRelNests"):
            for one, parts in _pairs(ifc, kind, "RelatingObject", "RelatedObjects"):
                self.wholes.add(one.id())
                self._put(self.holder, one, parts)
        for one, parts in _pairs(ifc, "IfcRelContainedInSpatialStructure", "RelatingStructure", "RelatedElements"):
            self._put(self.holder, one, parts)
        for one, parts in _pairs(ifc, "IfcRelDefinesByType", "RelatingType", "RelatedObjects"):
            self._put(self.types, one, parts)
        for one, parts in _pairs(ifc, "IfcRelAssignsToGroup", "RelatingGroup", "RelatedObjects"):
            for part in parts:
                self.groups[part.id()].append(one)
        for one, parts in _pairs(ifc, "IfcRelDefinesByProperties", "RelatingPropertyDefinition", "RelatedObjects"):
            rating = _rating(one)
            if rating:
                for part in parts:
                    self.ratings[part.id()] = rating

    @staticmethod
    def _put(table: dict[int, Any], one: Any, parts: Any) -> None:
        for part in parts:
            table.setdefault(part.id(), one)

    def storey(self, product: Any) -> str:
        """Return the name of the storey that holds a product, through whatever it is part of."""
        here = product
        for _ in range(_DEPTH_MAX):
            here = self.holder.get(here.id())
            if here is None:
                return ""
            if here.is_a("IfcBuildingStorey"):
                return _text(here, "Name") or _text(here, "LongName")
        return ""

    def systems(self, product: Any) -> list[tuple[str, str]]:
        """Return class and name of the groups that a product, or what it is part of, belongs to."""
        found: list[tuple[str, str]] = []
        here = product
        for _ in range(_DEPTH_MAX):
            for group in self.groups.get(here.id(), ()):
                name = _text(group, "Name") or _text(group, "LongName")
                if name:
                    found.append((group.is_a(), name))
            here = self.holder.get(here.id())
            if here is None:
                break
        return list(dict.fromkeys(found))

    def rating(self, product: Any) -> str:
        """Return the fire rating stated of a product or of its type."""
        own = self.ratings.get(product.id(), "")
        of_type = self.types.get(product.id())
        if own or of_type is None:
            return own
        for properties in _safe(lambda: of_type.HasPropertySets) or ():
            rating = _rating(properties)
            if rating:
                return rating
        return ""


def _pairs(ifc: Any, kind: str, one: str, many: str) -> Iterator[tuple[Any, Any]]:
    for relation in ifc.by_type(kind):
        pair = _safe(lambda relation=relation: (getattr(relation, one), getattr(relation, many)))  # type: ignore[misc]
        if pair is not None and pair[0] is not None and pair[1]:
            yield pair


def _product(product: Any, relations: _Relations) -> dict[str, Any]:
    kind = product.is_a()
    of_type = relations.types.get(product.id())
    # IFC2X3 has one class for all flow segments, and says in its type which: duct, pipe or cable carrier
    effective = of_type.is_a().removesuffix("Type").removesuffix("Style") if of_type is not None else kind
    if not kind.startswith("IfcFlow") and kind not in _BROAD:
        effective = kind
    predefined = next(filter(None, (_predefined(product), _predefined(of_type))), "")
    definition = getattr(product, "Representation", None)
    return {
        "id": product.id(),
        "guid": _text(product, "GlobalId"),
        "class": kind,
        "kind": effective,
        "type": predefined,
        "name": _text(product, "Name"),
        "long": _text(product, "LongName"),
        "storey": relations.storey(product),
        "systems": relations.systems(product),
        "fire": relations.rating(product),
        "shape": definition is not None and bool(_safe(lambda: definition.Representations)),
        "whole": product.id() in relations.wholes,
    }


_BROAD = frozenset({"IfcDistributionControlElement", "IfcEnergyConversionDevice", "IfcDistributionChamberElement"})


def _predefined(thing: Any) -> str:
    if thing is None:
        return ""
    value = _text(thing, "PredefinedType")
    if value not in _FRESH:
        return value
    return _text(thing, "ObjectType") or _text(thing, "ElementType") if value == "USERDEFINED" else ""


def _rating(properties: Any) -> str:
    for one in _safe(lambda: properties.HasProperties) or ():
        if _text(one, "Name") == "FireRating":
            value = _safe(lambda one=one: one.NominalValue.wrappedValue)  # type: ignore[misc]
            return "" if value is None else str(value).strip()
    return ""


def _ancestors(ifc: Any, kind: str) -> list[str]:
    schema = ifcopenshell.ifcopenshell_wrapper.schema_by_name(ifc.schema_identifier)
    found = []
    declaration = _safe(lambda: schema.declaration_by_name(kind).as_entity())
    while declaration is not None:
        found.append(declaration.name())
        declaration = declaration.supertype()
    return found or [kind]


def _unit(ifc: Any) -> dict[str, Any] | None:
    """Return name and metres of the project's unit of length; None where it states none."""
    for project in ifc.by_type("IfcProject"):
        assigned = _safe(lambda project=project: project.UnitsInContext.Units) or ()  # type: ignore[misc]
        for unit in assigned:
            if _text(unit, "UnitType") == "LENGTHUNIT":
                return _length(unit)
    return None


def _length(unit: Any) -> dict[str, Any] | None:
    factor = _safe(lambda: _factor(unit))
    if factor is None or not 0.0 < factor < 1e9:
        return None
    return {"name": " ".join(filter(None, (_text(unit, "Prefix"), _text(unit, "Name")))).lower(), "metres": factor}


def _factor(unit: Any) -> float | None:
    factor = 1.0
    for _ in range(_DEPTH_MAX):
        if unit.is_a("IfcSIUnit"):
            return factor * _PREFIXES[unit.Prefix]
        if not unit.is_a("IfcConversionBasedUnit"):
            return None
        measure = _safe(lambda unit=unit: unit.ConversionFactor)  # type: ignore[misc]
        if measure is None:
            return None
        factor *= float(measure.ValueComponent.wrappedValue)
        unit = measure.UnitComponent
    return None


def _map(ifc: Any) -> dict[str, Any] | None:
    """Return the conversion from the file's axes to map coordinates as it is stated; None where there is none."""
    conversion: dict[str, Any] | None = None
    target: dict[str, Any] = {}
    if ifc.schema == "IFC2X3":
        # the convention for files older than the entities: property sets of the project or the site
        for relation in ifc.by_type("IfcRelDefinesByProperties"):
            properties = _safe(lambda relation=relation: relation.RelatingPropertyDefinition)  # type: ignore[misc]
            name = _text(properties, "Name").lower()
            if name == "epset_mapconversion":
                conversion = _values(properties)
            elif name == "epset_projectedcrs":
                target = _values(properties)
    else:
        for operation in ifc.by_type("IfcCoordinateOperation"):
            conversion = _safe(lambda operation=operation: _stated(operation))  # type: ignore[misc]
            target = _safe(lambda operation=operation: operation.TargetCRS.get_info()) or {}  # type: ignore[misc]
            if conversion is not None:
                break
    if conversion is None:
        return None
    unit = target.get("MapUnit")
    map_unit = _length(unit) if hasattr(unit, "is_a") else None
    return {
        "crs": str(target.get("Name") or ""),
        "unit_m": None if map_unit is None else map_unit["metres"],
        "wcs": _wcs(ifc),
        "file_unit_m": (_unit(ifc) or {"metres": 1.0})["metres"],
        **{key: _number(conversion.get(key)) for key in _CONVERSION},
    }


_CONVERSION = ("Eastings", "Northings", "OrthogonalHeight", "XAxisAbscissa", "XAxisOrdinate", "Scale")


def _stated(operation: Any) -> dict[str, Any] | None:
    stated = operation.get_info()
    if operation.is_a("IfcMapConversion"):
        return dict(stated)
    if operation.is_a("IfcRigidOperation"):
        return {
            "Eastings": operation.FirstCoordinate.wrappedValue,
            "Northings": operation.SecondCoordinate.wrappedValue,
            "OrthogonalHeight": operation.Height,
        }
    return None


def _values(properties: Any) -> dict[str, Any]:
    found = {}
    for one in _safe(lambda: properties.HasProperties) or ():
        value = _safe(lambda one=one: one.NominalValue.wrappedValue)  # type: ignore[misc]
        if value is not None:
            found[_text(one, "Name")] = value
    return found


def _wcs(ifc: Any) -> list[list[float]]:
    for context in ifc.by_type("IfcGeometricRepresentationContext", include_subtypes=False):
        if _text(context, "ContextType") == "Model":
            axes = _safe(
                lambda context=context: ifcopenshell.util.placement.get_axis2placement(context.WorldCoordinateSystem)  # type: ignore[misc]
            )
            if axes is not None:
                return [[float(v) for v in row] for row in axes]
    return [[float(v) for v in row] for row in np.eye(4)]


def _number(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if np.isfinite(number) else None


def _is_a(product: Any, kind: str) -> bool:
    try:
        return bool(product.is_a(kind))
    except RuntimeError:  # a class that this schema does not have
        return False


def _text(thing: Any, key: str) -> str:
    value = _safe(lambda: getattr(thing, key, None))
    return value.strip() if isinstance(value, str) else ""


def _safe(look: Callable[[], Any]) -> Any:
    """Return what ``look`` gives, None where the file is damaged there."""
    try:
        return look()
    except _DAMAGE:
        return None
