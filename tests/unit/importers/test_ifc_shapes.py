"""What is read from generated IFC files: volumes in closed form, units, places, names, roles, and what is missing."""

import math

import numpy as np
import pytest

pytest.importorskip("ifcopenshell")

from importers.ifc import read_model
from importers.roles import ModelRoles, role_map
from route3d.errors import UnknownUnitError, UnreadableFileError
from tests.ifc_building import UNIT_M, IfcBuilding


def roles(patterns=None, zones=()):
    return ModelRoles(role_map(patterns or {}), list(zones), [])


def read(building, folder, patterns=None, zones=(), units=None, move_m=(0.0, 0.0, 0.0), name="b.ifc", **more):
    path = building.write(folder / name)
    asked = {"name": name, "role_of": roles(patterns, zones), "units": units, "move_m": move_m}
    return read_model(path, **asked, **{"chord_tolerance_m": 1e-4, **more})


def by_name(drawing):
    return {element.name: element for element in drawing.elements}


def volume(element):
    # about a corner of its own: far from the origin the digits would be gone
    a, b, c = (element.triangles_m[:, k] - element.triangles_m[0, 0] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


@pytest.mark.parametrize("schema", ["IFC2X3", "IFC4", "IFC4X3"])
@pytest.mark.parametrize("unit", UNIT_M)
def test_every_unit_and_schema_comes_out_in_metres(tmp_path, schema, unit):
    building = IfcBuilding(schema, unit, placed_at=(10.0, 20.0, 0.0))
    building.box("IfcBeam", "beam", (1, 2, 3), (1.5, 2.5, 7))
    drawing = read(building, tmp_path)
    beam = by_name(drawing)["beam"]
    assert drawing.source.unit == unit
    assert beam.closed and volume(beam) == pytest.approx(1.0, rel=1e-9)
    np.testing.assert_allclose(beam.box_m, [[11, 22, 3], [11.5, 22.5, 7]], atol=1e-9)


def test_curves_stay_within_the_chord_tolerance(tmp_path):
    building = IfcBuilding(unit="mm")
    building.element("IfcPipeSegment", "pipe", building.shape([building.extruded(building.circle(0.1), 2.0)]))
    pipe = by_name(read(building, tmp_path))["pipe"]
    around = np.linalg.norm(pipe.triangles_m.mean(axis=1)[:, :2], axis=1)
    corners = np.linalg.norm(pipe.triangles_m.reshape(-1, 3)[:, :2], axis=1)
    sides = np.abs(pipe.triangles_m[:, :, 2].max(axis=1) - pipe.triangles_m[:, :, 2].min(axis=1) - 2.0) < 1e-9
    assert pipe.closed
    assert corners[corners > 0.05].min() == pytest.approx(0.1, abs=1e-9)
    assert around[sides].min() > 0.1 - 1.01e-4
    assert volume(pipe) == pytest.approx(math.pi * 0.1**2 * 2.0, rel=2e-3)


@pytest.mark.parametrize("far_m", [5e5, 6e6])
@pytest.mark.parametrize("in_placement", [True, False])
def test_survey_coordinates_keep_their_digits(tmp_path, far_m, in_placement):
    at = (far_m + 0.123456, far_m + 0.654321, 12.3)
    building = IfcBuilding(unit="mm", placed_at=at if in_placement else (0, 0, 0))
    origin = (0.0, 0.0, 0.0) if in_placement else at
    solid = building.extruded(building.circle(0.1), 2.0, origin, axis=(1, 1, 1), ref=(1, -1, 0))
    building.element("IfcPipeSegment", "pipe", building.shape([solid]))
    pipe = by_name(read(building, tmp_path))["pipe"]
    along = np.ones(3) / math.sqrt(3.0)
    out = pipe.triangles_m.reshape(-1, 3) - np.array(at)
    far_from_axis = np.linalg.norm(out - np.outer(out @ along, along), axis=1)
    assert pipe.closed
    assert np.abs(far_from_axis[far_from_axis > 0.05] - 0.1).max() < 1e-6
    assert (out @ along).min() == pytest.approx(0.0, abs=1e-6)
    assert (out @ along).max() == pytest.approx(2.0, abs=1e-6)


def test_openings_are_cut_and_are_no_obstacles(tmp_path):
    building = IfcBuilding()
    wall = building.box("IfcWall", "wall", (0, 0, 0), (4, 0.2, 3))
    building.opening(wall, (1, -0.1, 0.5), (2, 0.3, 2.5))
    drawing = read(building, tmp_path)
    assert [e.name for e in drawing.elements] == ["wall"]
    assert volume(drawing.elements[0]) == pytest.approx(4 * 0.2 * 3 - 1 * 0.2 * 2)
    assert any("1 IfcOpeningElement" in note for note in drawing.source.notes)
    assert drawing.unread == ()


def test_things_keep_name_storey_system_rating_and_guid(tmp_path):
    building = IfcBuilding()
    duct = building.box("IfcDuctSegment", "SD-12", (0, 0, 2.5), (3, 0.4, 2.8), storey="Level 2")
    wall = building.box("IfcWall", "W-1", (0, 5, 0), (3, 5.2, 3), storey="Level 2")
    building.group("IfcDistributionSystem", "Supply air", [duct])
    building.property(wall, "Pset_WallCommon", "FireRating", "EI 60")
    found = by_name(read(building, tmp_path))
    assert (found["SD-12"].storey, found["SD-12"].system) == ("Level 2", "Supply air")
    assert found["SD-12"].element_id == f"b.ifc:{duct.GlobalId}" and found["SD-12"].guid == duct.GlobalId
    assert (found["W-1"].fire_rating, found["W-1"].role) == ("EI 60", "fire-wall")


DEFAULTS = {
    "IfcBeam": "structure", "IfcColumn": "structure", "IfcSlab": "structure", "IfcMember": "framing", "IfcWall": "wall",
    "IfcDuctSegment": "duct", "IfcDuctFitting": "duct", "IfcPipeSegment": "pipe", "IfcPipeFitting": "pipe",
    "IfcFireSuppressionTerminal": "sprinkler", "IfcCableCarrierSegment": "tray", "IfcLightFixture": "luminaire",
    "IfcJunctionBox": "box", "IfcElectricDistributionBoard": "cabinet", "IfcBoiler": "equipment",
    "IfcDoor": "obstacle", "IfcFurniture": "obstacle", "IfcBuildingElementProxy": "obstacle",
}  # fmt: skip


def test_classes_have_default_roles_where_no_pattern_speaks(tmp_path):
    building = IfcBuilding()
    for number, kind in enumerate(DEFAULTS):
        building.box(kind, kind, (2 * number, 0, 0), (2 * number + 1, 1, 1))
    building.box("IfcCovering", "lid", (0, 5, 3), (3, 8, 3.02), PredefinedType="CEILING")
    building.box("IfcCovering", "floor", (0, 5, 0), (3, 8, 0.02), PredefinedType="FLOORING")
    drawing = read(building, tmp_path)
    assert {e.name: e.role for e in drawing.elements} == {**DEFAULTS, "lid": "ceiling", "floor": "obstacle"}
    assert any("IFC class does" in note for note in drawing.source.notes)


def test_patterns_speak_of_class_type_name_and_system_and_the_first_wins(tmp_path):
    building = IfcBuilding()
    pipes = [building.box("IfcPipeSegment", f"P-{k}", (k, 0, 0), (k + 0.5, 1, 1)) for k in range(3)]
    building.group("IfcDistributionSystem", "Heating", [pipes[1]])
    building.box("IfcCovering", "lid", (0, 5, 3), (3, 8, 3.02), PredefinedType="CEILING")
    patterns = {
        "ifcsystem/heat*": "hot-pipe",
        "IfcPipeSegment/P-2": "ignore",
        "IfcPipe*": "equipment",
        "IfcCovering.CEILING": "obstacle",
    }
    found = {e.name: e.role for e in read(building, tmp_path, patterns).elements}
    assert found == {"P-0": "equipment", "P-1": "hot-pipe", "lid": "obstacle"}


def test_old_flow_segments_are_what_their_type_says(tmp_path):
    building = IfcBuilding("IFC2X3")
    segment = building.box("IfcFlowSegment", "tray", (0, 0, 0), (3, 0.3, 0.1))
    kind = building.rooted("IfcCableCarrierSegmentType", "ladder", PredefinedType="CABLELADDERSEGMENT")
    building.rooted("IfcRelDefinesByType", None, RelatedObjects=[segment], RelatingType=kind)
    (tray,) = read(building, tmp_path).elements
    assert (tray.role, tray.layer) == ("tray", "IfcCableCarrierSegment.CABLELADDERSEGMENT")


def test_spaces_are_no_obstacles_and_become_zones_by_name(tmp_path):
    building = IfcBuilding()
    building.box("IfcSlab", "slab", (0, 0, -0.2), (9, 9, 0))
    corridor = building.space("101", (0, 0, 0), (9, 2, 2.7), long_name="Corridor")
    office = building.space("102", (0, 2, 0), (9, 9, 2.7), long_name="Office")
    building.group("IfcZone", "Plenum A", [corridor, office])
    assert [e.name for e in read(building, tmp_path).elements] == ["slab"]
    by_long = read(building, tmp_path, zones=["IfcSpace/Corridor*"]).elements
    assert [(e.name, e.role, e.layer) for e in by_long if e.role == "zone"] == [("101", "zone", "IfcSpace/Corridor")]
    by_zone = [e for e in read(building, tmp_path, zones=["IfcZone/Plenum*"]).elements if e.role == "zone"]
    assert sorted(e.name for e in by_zone) == ["101", "102"] and all(e.closed for e in by_zone)


def test_a_file_without_unit_is_refused_and_reads_with_a_stated_one(tmp_path):
    building = IfcBuilding(unit=None)
    building.box("IfcBeam", "beam", (0, 0, 0), (1000, 100, 100))
    with pytest.raises(UnknownUnitError, match="states no unit"):
        read(building, tmp_path)
    (beam,) = read(building, tmp_path, units="mm", move_m=(1.0, 0.0, 0.0)).elements
    np.testing.assert_allclose(beam.box_m, [[1, 0, 0], [2, 0.1, 0.1]], atol=1e-12)


def test_a_stated_unit_wins_over_the_files_and_is_said(tmp_path):
    building = IfcBuilding(unit="m")
    building.box("IfcBeam", "beam", (0, 0, 0), (4000, 100, 100))
    drawing = read(building, tmp_path, units="mm")
    np.testing.assert_allclose(drawing.elements[0].box_m, [[0, 0, 0], [4, 0.1, 0.1]], atol=1e-12)
    assert any("the project states mm" in note for note in drawing.source.notes)


def test_millimetres_declared_as_metres_take_the_pass_from_every_run(tmp_path):
    building = IfcBuilding(unit="m")
    building.box("IfcWall", "a", (0, 0, 0), (40_000, 200, 3_000))
    building.box("IfcWall", "b", (0, 30_000, 0), (40_000, 30_200, 3_000))
    (row,) = read(building, tmp_path).unread
    assert row.box_m is None and 'units = "mm"' in row.reason


def test_things_that_share_a_guid_have_ids_of_their_own(tmp_path):
    building = IfcBuilding()
    beams = [building.box("IfcBeam", f"b{k}", (k, 0, 0), (k + 0.5, 1, 1)) for k in range(2)]
    beams[1].GlobalId = beams[0].GlobalId
    drawing = read(building, tmp_path)
    assert len({e.element_id for e in drawing.elements}) == 2
    assert any("share their GUID" in note for note in drawing.source.notes)


def test_a_part_that_gives_no_surface_is_said(tmp_path):
    building = IfcBuilding()
    box, nothing = building.extruded(building.rectangle(1, 1), 1), building.extruded(building.rectangle(1, 1), 0.0)
    building.element("IfcBeam", "half", building.shape([box, nothing]))
    drawing = read(building, tmp_path)
    assert [e.name for e in drawing.elements] == ["half"]
    assert [(r.kind, "part of it was not read" in r.reason) for r in drawing.unread] == [("IfcBeam", True)]


def test_a_part_lost_in_a_shared_shape_is_said_of_every_user(tmp_path):
    building = IfcBuilding(unit="mm")
    ifc = building.ifc
    items = [building.extruded(building.rectangle(1, 1), 1), building.extruded(building.rectangle(1, 1), 0.0)]
    shared = ifc.createIfcRepresentationMap(
        building.axes(), ifc.createIfcShapeRepresentation(building.body, "Body", "SweptSolid", items)
    )
    for number in range(3):
        to = ifc.createIfcCartesianTransformationOperator3D(None, None, building.point(0, 0, 0), 1.0, None)
        shape = building.shape([ifc.createIfcMappedItem(shared, to)], "MappedRepresentation")
        building.element("IfcBeam", f"b{number}", shape, (3.0 * number, 0, 0))
    assert len(read(building, tmp_path).unread) == 3


def test_an_opening_that_cannot_be_cut_leaves_the_wall_whole_and_is_said(tmp_path):
    building = IfcBuilding()
    wall = building.box("IfcWall", "wall", (0, 0, 0), (4, 0.2, 3))
    building.opening(wall, (1, -0.1, 0), (2, 0.3, 2))
    building.ifc.by_type("IfcOpeningElement")[0].Representation.Representations[0].Items[0].Depth = 0.0
    drawing = read(building, tmp_path)
    assert volume(drawing.elements[0]) == pytest.approx(2.4) and drawing.unread == ()
    assert any("cut that was not made" in note for note in drawing.source.notes)


def test_a_missing_face_of_a_mesh_is_bounded_by_its_points(tmp_path):
    building = IfcBuilding(unit="mm")
    ifc = building.ifc
    points = [building.point(*p) for p in ((0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1))]

    def face(*index):
        loop = ifc.createIfcPolyLoop([points[k] for k in index])
        return ifc.createIfcFace([ifc.createIfcFaceOuterBound(loop, True)])

    shell = ifc.createIfcClosedShell([face(0, 2, 1), face(0, 1, 3), face(1, 2, 3), face(0, 3, 3)])
    building.element("IfcBeam", "leaky", building.shape([ifc.createIfcFacetedBrep(shell)], "Brep"), (5, 0, 0))
    drawing = read(building, tmp_path)
    (row,) = drawing.unread
    assert not drawing.elements[0].closed
    np.testing.assert_allclose(row.box_m, [[5, 0, 0], [6, 1, 1]], atol=1e-9)


def test_what_has_no_body_is_bounded_or_counted(tmp_path):
    building = IfcBuilding(unit="mm")
    ifc = building.ifc
    line = ifc.createIfcPolyline([building.point(0, 0, 0), building.point(1, 0, 0)])
    building.element("IfcBeam", "axis only", building.shape([line], "Curve3D", "Axis"), (0, 0, 3))
    box = ifc.createIfcBoundingBox(building.point(0, 0, 0), 1000.0, 2000.0, 3000.0)
    building.element("IfcBeam", "box only", building.shape([box], "BoundingBox", "Box"), (7, 0, 0))
    building.element("IfcDuctSegment", "nothing")
    building.box("IfcSlab", "slab", (0, 0, -0.2), (9, 9, 0))
    drawing = read(building, tmp_path)
    rows = {row.reason.split("'")[1]: row for row in drawing.unread}
    assert set(rows) == {"axis only", "box only"}
    np.testing.assert_allclose(rows["box only"].box_m, [[7, 0, 0], [8, 2, 3]], atol=1e-9)
    assert any("without geometry" in note and "1 IfcDuctSegment" in note for note in drawing.source.notes)


def test_two_shells_of_one_thing_are_closed_when_each_is(tmp_path):
    building = IfcBuilding()
    solids = [building.extruded(building.rectangle(1, 1), 1, (x, 0, 0)) for x in (0.0, 0.5, 3.0)]
    building.element("IfcBeam", "three", building.shape(solids))
    (three,) = read(building, tmp_path).elements
    assert three.closed and volume(three) == pytest.approx(3.0)


def test_a_file_without_things_is_refused(tmp_path):
    building = IfcBuilding()
    building.ifc.remove(building.site)
    building.ifc.remove(building.building)
    with pytest.raises(UnreadableFileError, match="no thing of a building"):
        read(building, tmp_path)
