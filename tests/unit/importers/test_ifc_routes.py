"""Cable segments of IFC files as runs."""

import math

import numpy as np
import pytest

pytest.importorskip("ifcopenshell")

from importers.ifc_routes import read_routes
from importers.roles import layer_matches
from tests.ifc_building import IfcBuilding


def read(building, folder, pattern="IfcCableSegment*", **more):
    path = building.write(folder / "r.ifc")
    return read_routes(path, name="r.ifc", wanted=lambda layer: layer_matches(layer, pattern), units=None, **more)


def segment(building, name, items, kind="Curve3D", identifier="Axis", **more):
    return building.element("IfcCableSegment", name, building.shape(items, kind, identifier), **more)


def polyline(building, *points):
    return building.ifc.createIfcPolyline([building.point(*p) for p in points])


def test_an_axis_is_the_run(tmp_path):
    building = IfcBuilding(unit="mm")
    segment(building, "C-1", [polyline(building, (0, 0, 0), (4, 0, 0), (4, 2.5, 0))], origin=(1, 0, 2.9))
    (route,) = read(building, tmp_path, move_m=(0.0, 0.0, 1.0)).routes
    assert (route.route_id, route.layer) == ("C-1", "IfcCableSegment")
    np.testing.assert_allclose(route.corners_m, [[1, 0, 3.9], [5, 0, 3.9], [5, 2.5, 3.9]], atol=1e-12)


def test_a_round_extrusion_runs_along_its_middle(tmp_path):
    building = IfcBuilding(unit="ft")
    solid = building.extruded(building.circle(0.006), 3.0, (1, 2, 0), axis=(1, 0, 0), ref=(0, 1, 0))
    segment(building, "C-1", [solid], "SweptSolid", "Body")
    (route,) = read(building, tmp_path).routes
    np.testing.assert_allclose(route.corners_m, [[1, 2, 0], [4, 2, 0]], atol=1e-9)


def test_a_swept_disk_with_an_arc_keeps_its_radius(tmp_path):
    building = IfcBuilding(unit="mm")
    ifc = building.ifc
    half = 0.2 * math.sqrt(0.5)
    # 1 m along x, a quarter of radius 0.2 m to the left, 1 m along y
    points = [(0, 0, 0), (1, 0, 0), (1 + half, 0.2 - half, 0), (1.2, 0.2, 0), (1.2, 1.2, 0)]
    coordinates = ifc.createIfcCartesianPointList3D([[1000.0 * v for v in p] for p in points])
    parts = [
        ifc.create_entity("IfcLineIndex", (1, 2)),
        ifc.create_entity("IfcArcIndex", (2, 3, 4)),
        ifc.create_entity("IfcLineIndex", (4, 5)),
    ]
    disk = ifc.createIfcSweptDiskSolid(ifc.createIfcIndexedPolyCurve(coordinates, parts), 6.0)
    segment(building, "C-1", [disk], "AdvancedSweptSolid", "Body")
    (route,) = read(building, tmp_path).routes
    np.testing.assert_allclose(route.corners_m, [[0, 0, 0], [1.2, 0, 0], [1.2, 1.2, 0]], atol=1e-9)
    np.testing.assert_allclose(route.drawn_radius_m, [0, 0.2, 0], atol=1e-9)


def test_a_trimmed_circle_is_an_arc(tmp_path):
    building = IfcBuilding(unit="m")
    ifc = building.ifc
    at = building.axes((0, 0, 0))
    trims = [ifc.create_entity("IfcParameterValue", value) for value in (0.0, math.pi / 2)]
    arc = ifc.createIfcTrimmedCurve(ifc.createIfcCircle(at, 0.5), [trims[0]], [trims[1]], True, "PARAMETER")
    lines = [polyline(building, (0.5, -1, 0), (0.5, 0, 0)), arc, polyline(building, (0, 0.5, 0), (-1, 0.5, 0))]
    pieces = [ifc.createIfcCompositeCurveSegment("CONTINUOUS", True, curve) for curve in lines]
    segment(building, "C-1", [ifc.createIfcCompositeCurve(pieces, False)])
    (route,) = read(building, tmp_path).routes
    np.testing.assert_allclose(route.corners_m, [[0.5, -1, 0], [0.5, 0.5, 0], [-1, 0.5, 0]], atol=1e-9)
    np.testing.assert_allclose(route.drawn_radius_m, [0, 0.5, 0], atol=1e-9)


def test_segments_that_meet_are_one_run_and_circuits_are_kept_apart(tmp_path):
    building = IfcBuilding(unit="mm")
    legs = [((0, 0, 0), (1, 0, 0)), ((1, 0, 0), (1, 1, 0)), ((1, 1, 0), (1, 1, 1))]
    first = [segment(building, "A", [polyline(building, *leg)]) for leg in legs]
    other = [segment(building, f"B{k}", [polyline(building, *leg)]) for k, leg in enumerate([((0, 0, 0), (-1, 0, 0))])]
    building.group("IfcDistributionCircuit", "circuit 1", first)
    building.group("IfcDistributionCircuit", "circuit 2", other)
    routes = {route.route_id: route for route in read(building, tmp_path).routes}
    assert set(routes) == {"A", "B0"}
    np.testing.assert_allclose(routes["A"].corners_m, [[0, 0, 0], [1, 0, 0], [1, 1, 0], [1, 1, 1]], atol=1e-12)


def test_patterns_may_name_a_circuit(tmp_path):
    building = IfcBuilding()
    one, two = (segment(building, f"C{k}", [polyline(building, (0, k, 0), (1, k, 0))]) for k in (0, 5))
    building.group("IfcDistributionCircuit", "lighting", [one])
    building.group("IfcDistributionCircuit", "power", [two])
    (route,) = read(building, tmp_path, "IfcSystem/light*").routes
    assert (route.route_id, route.layer) == ("C0", "IfcSystem/lighting")


def test_what_has_no_line_is_said(tmp_path):
    building = IfcBuilding()
    brep = building.ifc.createIfcBoundingBox(building.point(0, 0, 0), 1.0, 1.0, 1.0)
    segment(building, "box", [brep], "BoundingBox", "Body")
    segment(building, "dot", [polyline(building, (0, 0, 0), (0, 0, 0))])
    building.element("IfcCableSegment", "nothing")
    drawing = read(building, tmp_path)
    assert drawing.routes == () and len(drawing.unread) == 3


def test_a_junction_of_three_ends_is_said(tmp_path):
    building = IfcBuilding()
    for name, end in (("a", (1, 0, 0)), ("b", (0, 1, 0)), ("c", (0, 0, 1))):
        segment(building, name, [polyline(building, (0, 0, 0), end)])
    drawing = read(building, tmp_path)
    assert len(drawing.routes) == 3
    assert [row.kind for row in drawing.unread] == ["junction"]
