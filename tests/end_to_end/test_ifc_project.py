"""A project whose building is an IFC model: clashes, walls, zones, runs drawn as cable segments, unread things."""

import pytest

pytest.importorskip("ifcopenshell")

from tests.ifc_building import IfcBuilding


def model(scratch, building, roles=(), name="model.ifc"):
    building.write(scratch.folder / name)
    lines = "\n".join(roles)
    scratch.table(f'[[model]]\nfile = "{name}"\n[model.roles]\n{lines}\n')


def office():
    building = IfcBuilding(unit="mm")
    duct = building.box("IfcDuctSegment", "SD-12", (2, -1, 2.8), (2.6, 1, 3.1), storey="Level 2")
    building.group("IfcDistributionSystem", "Supply air", [duct])
    wall = building.box("IfcWall", "W-7", (5, -2, 0), (5.15, 2, 4), storey="Level 2")
    building.property(wall, "Pset_WallCommon", "FireRating", "1 h")
    return building, duct


def test_a_run_clashes_with_a_duct_by_its_name_and_passes_a_rated_wall(scratch):
    building, duct = office()
    model(scratch, building)
    scratch.run([(0, 0, 3000), (8000, 0, 3000)], straps=[200 + 1500 * k for k in range(6)])
    checked = scratch.check()
    assert checked.status == 1, checked.output
    (clash,) = checked.findings("clash")
    assert clash["other"] == f"model.ifc:{duct.GlobalId}"
    assert "duct 'SD-12', system Supply air, Level 2" in clash["message"]
    (wall,) = checked.findings("penetration")
    assert "fire-wall 'W-7', Level 2, fire rating 1 h" in wall["message"]


def test_a_second_check_says_the_same(scratch):
    building, _ = office()
    model(scratch, building, ['"IfcWall*" = "ignore"'])
    scratch.run([(0, 0, 3000), (8000, 0, 3000)])
    first, second = scratch.check(), scratch.check()
    assert first.findings("penetration") == []
    assert first.results["findings"] == second.results["findings"]


def test_a_map_conversion_at_half_a_million_metres_changes_nothing(scratch):
    building, _ = office()
    building.map_conversion(500_000.25, 6_000_000.5, 120.0, abscissa=0.8, ordinate=0.6)
    model(scratch, building)
    scratch.run([(0, 0, 3000), (8000, 0, 3000)])
    (clash,) = scratch.check().findings("clash")
    # half of 600 mm to each side is further than up 100 mm and down 200 mm: the top of the duct is the nearest face
    assert clash["measured"] == pytest.approx(-0.1 - 0.006, abs=1e-4)


def test_survey_coordinates_without_a_map_conversion_stay_exact(scratch):
    building = IfcBuilding(unit="mm", placed_at=(500_000.1234, 6_000_000.4321, 0.0))
    building.box("IfcDuctSegment", "SD-12", (2, -1, 2.8), (2.6, 1, 3.1))
    model(scratch, building)
    at = (500_000_123.4, 6_000_000_432.1)
    scratch.run([(at[0], at[1], 3150), (at[0] + 8000, at[1], 3150)])
    scratch.table("[clearance]\nduct = 50\n")
    (near,) = scratch.check().findings("clearance")
    assert near["measured"] == pytest.approx(0.05 - 0.006, abs=1e-5)


def test_cable_segments_are_runs_and_spaces_are_zones(scratch):
    building, _ = office()
    ifc = building.ifc
    line = ifc.createIfcPolyline([building.point(0, 0, 0), building.point(8, 0, 0)])
    building.element("IfcCableSegment", "L2-LTG-1", building.shape([line], "Curve3D", "Axis"), (0, 0, 3))
    building.space("201", (-1, -2, 2.7), (9, 2, 4), long_name="Corridor ceiling")
    model(scratch, building)
    scratch.table('[[routes]]\nfile = "model.ifc"\n[routes.cables]\n"IfcCableSegment" = "mc"\n')
    scratch.table('[[zone]]\nname = "wet"\nkind = "wet"\nlayer = "IfcSpace/Corridor*"\n')
    checked = scratch.check()
    assert [run["id"] for run in checked.results["runs"]] == ["L2-LTG-1"]
    assert len(checked.findings("clash")) == 1
    assert checked.findings("environment"), checked.output


def test_a_thing_that_was_not_read_takes_the_pass(scratch):
    building = IfcBuilding()
    box, nothing = building.extruded(building.rectangle(1, 1), 1), building.extruded(building.rectangle(1, 1), 0.0)
    building.element("IfcBeam", "half", building.shape([box, nothing]), (0, 50, 0))
    model(scratch, building)
    scratch.run([(0, 0, 3000), (1000, 0, 3000)], straps=[200, 800])
    checked = scratch.check()
    assert checked.status == 3, checked.output
    assert checked.results["unread"][0]["kind"] == "IfcBeam"


def test_a_damaged_file_is_one_sentence(scratch):
    (scratch.folder / "model.ifc").write_bytes(b"ISO-10303-21;HEADER;FILE_SCHEMA(('IFC4X1'));ENDSEC;")
    scratch.table('[[model]]\nfile = "model.ifc"\n')
    scratch.run([(0, 0, 3000), (1000, 0, 3000)])
    checked = scratch.check()
    assert checked.status == 2 and "draft" in checked.output and "Traceback" not in checked.output
