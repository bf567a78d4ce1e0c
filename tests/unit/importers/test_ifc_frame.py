"""Files that state where they stand on the map: read in their own axes, brought into one frame, lengths kept true."""

import math

import numpy as np
import pytest

pytest.importorskip("ifcopenshell")

from importers.ifc import read_model
from importers.ifc_frame import CommonFrame, moved_model
from route3d.errors import InputError
from tests.ifc_building import IfcBuilding

EAST, NORTH, HEIGHT = 500_123.456, 6_000_321.654, 87.5


def read(building, folder, name="b.ifc", move_m=(0.0, 0.0, 0.0)):
    path = building.write(folder / name)
    return read_model(path, name=name, role_of=lambda *_: "obstacle", units=None, move_m=move_m, chord_tolerance_m=1e-4)


def beam_at(low, high, unit="m", **placed):
    building = IfcBuilding(unit=unit)
    building.box("IfcBeam", "beam", low, high)
    if placed:
        building.map_conversion(**placed)
    return building


@pytest.mark.parametrize("unit", ["mm", "m", "ft"])
def test_the_map_is_noted_and_coordinates_stay_small(tmp_path, unit):
    drawing = read(beam_at((1, 2, 3), (2, 3, 4), unit, east=EAST, north=NORTH, height=HEIGHT), tmp_path)
    np.testing.assert_allclose(drawing.elements[0].box_m, [[1, 2, 3], [2, 3, 4]], atol=1e-9)
    np.testing.assert_allclose(drawing.map_place.origin_m, (EAST, NORTH, HEIGHT), atol=1e-9)
    assert drawing.map_place.scale == pytest.approx(1.0) and drawing.map_place.crs == "EPSG:32633"


def test_files_with_different_origins_meet_in_the_frame_of_the_first(tmp_path):
    # one beam, drawn in two files whose axes differ by a turn of 30 degrees and half a kilometre
    turn = math.radians(30.0)
    first = read(beam_at((1, 2, 3), (2, 3, 4), "mm", east=EAST, north=NORTH), tmp_path, "first.ifc")
    second_origin = np.array([EAST + 400.0, NORTH - 300.0, 5.0])
    moved = IfcBuilding(unit="m")
    corner = np.array([EAST + 1.0, NORTH + 2.0, 3.0]) - second_origin
    back = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    at = (*(back @ corner[:2]), corner[2])
    axis = (math.cos(turn), -math.sin(turn), 0.0)
    moved.element("IfcBeam", "beam", moved.shape([moved.extruded(moved.rectangle(1, 1), 1)]), at, ref=axis)
    moved.map_conversion(*second_origin, abscissa=math.cos(turn), ordinate=math.sin(turn))
    second = read(moved, tmp_path, "second.ifc")
    frame = CommonFrame("local")
    assert frame.move_of("first.ifc", first.map_place) is None
    together = moved_model(second, frame.move_of("second.ifc", second.map_place), (0.0, 0.0, 0.0))
    np.testing.assert_allclose(together.elements[0].box_m, first.elements[0].box_m, atol=1e-6)
    assert any("brought into the axes of first.ifc" in note for note in frame.notes())


def test_map_coordinates_when_asked_for(tmp_path):
    drawing = read(beam_at((1, 2, 3), (2, 3, 4), "mm", east=EAST, north=NORTH, height=HEIGHT), tmp_path)
    moved = moved_model(drawing, CommonFrame("map").move_of("b.ifc", drawing.map_place), (0.0, 0.0, 0.0))
    low = np.array([EAST + 1.0, NORTH + 2.0, HEIGHT + 3.0])
    np.testing.assert_allclose(moved.elements[0].box_m, [low, low + 1.0], atol=1e-6)


def test_own_axes_when_asked_for(tmp_path):
    drawing = read(beam_at((1, 2, 3), (2, 3, 4), east=EAST, north=NORTH), tmp_path)
    assert CommonFrame("file").move_of("b.ifc", drawing.map_place) is None


def test_the_projects_move_stays_the_last_step(tmp_path):
    frame = CommonFrame("local")
    frame.move_of("first.ifc", read(beam_at((0, 0, 0), (1, 1, 1), east=EAST, north=NORTH), tmp_path).map_place)
    move = (0.0, 0.0, 7.0)
    second = read(beam_at((0, 0, 0), (1, 1, 1), east=EAST + 10.0, north=NORTH), tmp_path, move_m=move)
    moved = moved_model(second, frame.move_of("second.ifc", second.map_place), move)
    np.testing.assert_allclose(moved.elements[0].box_m, [[10, 0, 7], [11, 1, 8]], atol=1e-8)


def test_a_map_scale_counts_between_origins_and_not_for_shapes(tmp_path):
    # a grid factor of 0.9996: 100 m on the map are 100.04 m on the ground
    grid = 0.9996
    frame = CommonFrame("local")
    first = read(beam_at((0, 0, 0), (1, 1, 1), east=EAST, north=NORTH, scale=grid), tmp_path)
    second = read(beam_at((0, 0, 0), (1, 1, 1), east=EAST + 100.0, north=NORTH, scale=grid), tmp_path)
    frame.move_of("first.ifc", first.map_place)
    moved = moved_model(second, frame.move_of("second.ifc", second.map_place), (0.0, 0.0, 0.0))
    np.testing.assert_allclose(moved.elements[0].box_m, [[100 / grid, 0, 0], [100 / grid + 1, 1, 1]], atol=1e-6)


def test_a_scale_that_is_a_unit_is_said_and_lengths_are_kept(tmp_path):
    drawing = read(beam_at((0, 0, 0), (1, 1, 1), "mm", east=EAST, north=NORTH, scale=1.0), tmp_path)
    assert drawing.map_place.scale == 1.0
    assert any("does not fit its units" in note for note in drawing.source.notes)


def test_two_map_systems_are_refused(tmp_path):
    frame = CommonFrame("local")
    frame.move_of("a.ifc", read(beam_at((0, 0, 0), (1, 1, 1), east=1, north=2), tmp_path).map_place)
    other = read(beam_at((0, 0, 0), (1, 1, 1), east=1, north=2, crs="EPSG:25832"), tmp_path)
    with pytest.raises(InputError, match="map system"):
        frame.move_of("b.ifc", other.map_place)


def test_a_file_without_a_place_is_said_beside_one_that_has_it(tmp_path):
    frame = CommonFrame("local")
    frame.move_of("a.ifc", None)
    frame.move_of("b.ifc", read(beam_at((0, 0, 0), (1, 1, 1), east=1, north=2), tmp_path).map_place)
    assert [note for note in frame.notes() if note.startswith("a.ifc: states no place")]


def test_old_files_state_their_place_in_property_sets(tmp_path):
    building = IfcBuilding("IFC2X3")
    building.box("IfcBeam", "beam", (0, 0, 0), (1, 1, 1))
    for key, value in (("Eastings", EAST), ("Northings", NORTH), ("OrthogonalHeight", HEIGHT)):
        f = building.ifc
        building.conversion = [
            *getattr(building, "conversion", []),
            f.createIfcPropertySingleValue(key, None, f.create_entity("IfcReal", value), None),
        ]
    made = building.rooted("IfcPropertySet", "ePSet_MapConversion", HasProperties=building.conversion)
    building.rooted("IfcRelDefinesByProperties", None, RelatedObjects=[building.site], RelatingPropertyDefinition=made)
    np.testing.assert_allclose(read(building, tmp_path).map_place.origin_m, (EAST, NORTH, HEIGHT))


def test_an_offset_world_coordinate_system_moves_the_place_and_not_the_things(tmp_path):
    building = IfcBuilding(unit="mm")
    building.context.WorldCoordinateSystem = building.axes((10.0, 20.0, 0.0))
    building.box("IfcBeam", "beam", (10, 20, 0), (11, 21, 1))
    building.map_conversion(EAST, NORTH)
    drawing = read(building, tmp_path)
    np.testing.assert_allclose(drawing.elements[0].box_m, [[10, 20, 0], [11, 21, 1]], atol=1e-9)
    np.testing.assert_allclose(drawing.map_place.origin_m, (EAST - 10.0, NORTH - 20.0, 0.0), atol=1e-9)
