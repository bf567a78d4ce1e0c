"""Small IFC files written entity by entity, so that a test knows every number in them."""

from __future__ import annotations

from pathlib import Path

import ifcopenshell
import ifcopenshell.guid
import numpy as np

UNIT_M = {"mm": 0.001, "m": 1.0, "in": 0.0254, "ft": 0.3048}


class IfcBuilding:
    """One file being written; lengths are given in metres and written in the file's unit."""

    def __init__(self, schema: str = "IFC4", unit: str | None = "m", placed_at=(0.0, 0.0, 0.0)) -> None:
        self.ifc = ifcopenshell.file(schema=schema)
        self.unit_m = UNIT_M[unit] if unit is not None else 1.0
        f = self.ifc
        self.context = f.createIfcGeometricRepresentationContext(None, "Model", 3, 1e-5, self.axes())
        self.body = f.createIfcGeometricRepresentationSubContext(
            "Body", "Model", None, None, None, None, self.context, None, "MODEL_VIEW", None
        )
        units = f.createIfcUnitAssignment([f.createIfcSIUnit(None, "PLANEANGLEUNIT", None, "RADIAN")])
        if unit is not None:
            units.Units = [*units.Units, self._length_unit(unit)]
        self.project = self.rooted("IfcProject", "project", RepresentationContexts=[self.context], UnitsInContext=units)
        self.site = self.rooted("IfcSite", "site", ObjectPlacement=self.placement(placed_at))
        self.building = self.rooted("IfcBuilding", "building", ObjectPlacement=self.placement(within=self.site))
        self.storeys: dict[str, object] = {}
        self.rooted("IfcRelAggregates", None, RelatingObject=self.project, RelatedObjects=[self.site])
        self.rooted("IfcRelAggregates", None, RelatingObject=self.site, RelatedObjects=[self.building])

    def _length_unit(self, unit: str):
        f = self.ifc
        if unit in ("mm", "m"):
            return f.createIfcSIUnit(None, "LENGTHUNIT", "MILLI" if unit == "mm" else None, "METRE")
        metre = f.createIfcSIUnit(None, "LENGTHUNIT", None, "METRE")
        factor = f.createIfcMeasureWithUnit(f.createIfcLengthMeasure(UNIT_M[unit]), metre)
        exponents = f.createIfcDimensionalExponents(1, 0, 0, 0, 0, 0, 0)
        name = {"in": "INCH", "ft": "FOOT"}[unit]
        return f.createIfcConversionBasedUnit(exponents, "LENGTHUNIT", name, factor)

    def rooted(self, ifc_class: str, name: str | None, **attributes):
        return self.ifc.create_entity(ifc_class, GlobalId=ifcopenshell.guid.new(), Name=name, **attributes)

    def point(self, *xyz: float):
        return self.ifc.createIfcCartesianPoint([float(v) / self.unit_m for v in xyz])

    def axes(self, origin=(0.0, 0.0, 0.0), axis=(0.0, 0.0, 1.0), ref=(1.0, 0.0, 0.0)):
        f = self.ifc
        return f.createIfcAxis2Placement3D(
            self.point(*origin), f.createIfcDirection([*map(float, axis)]), f.createIfcDirection([*map(float, ref)])
        )

    def placement(self, origin=(0.0, 0.0, 0.0), axis=(0.0, 0.0, 1.0), ref=(1.0, 0.0, 0.0), within=None):
        parent = None if within is None else within.ObjectPlacement
        return self.ifc.createIfcLocalPlacement(parent, self.axes(origin, axis, ref))

    def storey(self, name: str, height: float = 0.0):
        if name not in self.storeys:
            storey = self.rooted(
                "IfcBuildingStorey", name, ObjectPlacement=self.placement((0, 0, height), within=self.building)
            )
            self.rooted("IfcRelAggregates", None, RelatingObject=self.building, RelatedObjects=[storey])
            self.storeys[name] = storey
        return self.storeys[name]

    def rectangle(self, x: float, y: float):
        u = self.unit_m
        at = self.ifc.createIfcAxis2Placement2D(self.point(x / 2, y / 2))
        return self.ifc.createIfcRectangleProfileDef("AREA", None, at, x / u, y / u)

    def circle(self, radius: float):
        at = self.ifc.createIfcAxis2Placement2D(self.point(0, 0))
        return self.ifc.createIfcCircleProfileDef("AREA", None, at, radius / self.unit_m)

    def extruded(self, profile, depth: float, origin=(0.0, 0.0, 0.0), axis=(0.0, 0.0, 1.0), ref=(1.0, 0.0, 0.0)):
        up = self.ifc.createIfcDirection([0.0, 0.0, 1.0])
        return self.ifc.createIfcExtrudedAreaSolid(profile, self.axes(origin, axis, ref), up, depth / self.unit_m)

    def shape(self, items, kind: str = "SweptSolid", identifier: str = "Body", context=None):
        rep = self.ifc.createIfcShapeRepresentation(context or self.body, identifier, kind, items)
        return self.ifc.createIfcProductDefinitionShape(None, None, [rep])

    def element(self, ifc_class: str, name: str, shape=None, origin=(0.0, 0.0, 0.0), storey: str | None = None, **more):
        """Add an element with its local axes at ``origin``; more: attributes, and axis and ref of its placement."""
        axes = {key: more.pop(key) for key in ("axis", "ref") if key in more}
        within = self.storey(storey) if storey is not None else self.building
        made = self.rooted(
            ifc_class, name, ObjectPlacement=self.placement(origin, within=within, **axes), Representation=shape, **more
        )
        self.rooted("IfcRelContainedInSpatialStructure", None, RelatedElements=[made], RelatingStructure=within)
        return made

    def box(self, ifc_class: str, name: str, low, high, **more):
        """Add an element that is a box between two corners, in metres."""
        size = np.subtract(high, low)
        shape = self.shape([self.extruded(self.rectangle(size[0], size[1]), size[2])])
        return self.element(ifc_class, name, shape, tuple(low), **more)

    def opening(self, host, low, high) -> None:
        size = np.subtract(high, low)
        shape = self.shape([self.extruded(self.rectangle(size[0], size[1]), size[2])])
        void = self.rooted(
            "IfcOpeningElement", "void", ObjectPlacement=self.placement(tuple(low)), Representation=shape
        )
        self.rooted("IfcRelVoidsElement", None, RelatingBuildingElement=host, RelatedOpeningElement=void)

    def space(self, name: str, low, high, long_name: str | None = None, ifc_class: str = "IfcSpace"):
        size = np.subtract(high, low)
        shape = self.shape([self.extruded(self.rectangle(size[0], size[1]), size[2])])
        space = self.rooted(
            ifc_class, name, LongName=long_name, ObjectPlacement=self.placement(tuple(low)), Representation=shape
        )
        self.rooted("IfcRelAggregates", None, RelatingObject=self.building, RelatedObjects=[space])
        return space

    def group(self, ifc_class: str, name: str, members) -> None:
        group = self.rooted(ifc_class, name)
        self.rooted("IfcRelAssignsToGroup", None, RelatedObjects=list(members), RelatingGroup=group)

    def property(self, element, pset: str, name: str, value) -> None:
        f = self.ifc
        kind = "IfcReal" if isinstance(value, float) else "IfcLabel"
        single = f.createIfcPropertySingleValue(name, None, f.create_entity(kind, value), None)
        made = self.rooted("IfcPropertySet", pset, HasProperties=[single])
        self.rooted("IfcRelDefinesByProperties", None, RelatedObjects=[element], RelatingPropertyDefinition=made)

    def map_conversion(self, east, north, height=0.0, abscissa=1.0, ordinate=0.0, scale=None, crs="EPSG:32633") -> None:
        f = self.ifc
        target = f.createIfcProjectedCRS(crs)
        target.MapUnit = f.createIfcSIUnit(None, "LENGTHUNIT", None, "METRE")
        f.createIfcMapConversion(
            self.context, target, float(east), float(north), float(height), abscissa, ordinate,
            self.unit_m if scale is None else scale,
        )  # fmt: skip

    def write(self, path: Path) -> Path:
        self.ifc.write(str(path))
        return path
