"""Files that other programs wrote; see tests/data/SOURCES.md."""

import math
from pathlib import Path

import numpy as np
import pytest

from importers import read_model
from route3d.errors import UnknownUnitError, UnreadableFileError

DATA = Path(__file__).parents[2] / "data"


def read(name, units="m", role="obstacle", tolerance_m=1e-4):
    return read_model(
        DATA / name,
        name=name,
        role_of=lambda *_: role,
        units=units,
        move_m=(0, 0, 0),
        chord_tolerance_m=tolerance_m,
    )


def volume(element):
    a, b, c = (element.triangles_m[:, i] for i in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


def test_a_cube_of_twelve_faces_is_one_solid():
    (element,) = read("box_of_faces.dxf").elements
    assert element.closed
    assert volume(element) == pytest.approx(20.0**3)


def test_a_mesh_is_the_unit_cube():
    (element,) = read("mesh_cube.dxf").elements
    assert volume(element) == pytest.approx(1.0)


def test_a_cylinder_of_faces_is_one_solid_with_the_volume_of_a_prism():
    (element,) = read("cylinder_of_faces.dxf").elements
    sides = len(element.triangles_m) // 4
    assert element.closed
    assert volume(element) == pytest.approx(20 * sides / 2 * 100 * math.sin(math.tau / sides), rel=1e-3)


def test_round_solids_in_binary_records_have_the_volumes_of_their_formulas():
    drawing = read("solids_binary_records.dxf", tolerance_m=1e-6)
    assert not drawing.unread
    volumes = sorted(volume(e) for e in drawing.elements)
    assert all(e.closed for e in drawing.elements)
    # radius and height as the file's records state them: a cylinder, and one on an ellipse of half axes 5 and 1.5
    cylinder, ellipse = math.pi * 2.5**2 * 2.5574295103562723, math.pi * 5 * 1.5 * 3
    assert any(v == pytest.approx(cylinder, rel=1e-5) for v in volumes)
    assert any(v == pytest.approx(ellipse, rel=1e-5) for v in volumes)


def test_thick_polylines_in_many_planes_are_all_read():
    drawing = read("thick_polylines.dxf")
    assert not drawing.unread
    assert len(drawing.elements) == 31
    assert all(volume(e) > 0 for e in drawing.elements if e.closed)
    # two 3D faces and their like stay open; nothing sticks out of the extent that the polylines' own corners span
    everything = np.concatenate([e.triangles_m.reshape(-1, 3) for e in drawing.elements])
    assert np.isfinite(everything).all()


def test_an_array_with_attributes_has_its_25_circles_and_polylines():
    drawing = read("array_with_attributes.dxf")
    kinds = [row.kind for row in drawing.unread]
    assert (kinds.count("CIRCLE"), kinds.count("POLYLINE")) == (25, 25)


def test_a_nested_array_with_a_scale_of_nothing_does_not_end_the_reading():
    drawing = read("array_scaled_to_nothing.dxf")
    assert [row.kind for row in drawing.unread] == ["CIRCLE"] * 6


def test_handles_that_are_double_or_empty_still_give_one_row_each():
    assert len(read("duplicate_handles.dxf").unread) == 119
    assert len(read("empty_handles.dxf").unread) == 8


def test_marks_of_a_file_with_double_handles_have_ids_of_their_own():
    drawing = read("duplicate_handles.dxf", role="strap")
    ids = [e.element_id for e in drawing.elements]
    assert len(ids) == len(set(ids)) == 119


def test_a_binary_file_is_read():
    assert [row.kind for row in read("binary_lines.dxf").unread] == ["LINE"] * 3


def test_a_file_without_a_unit_asks_for_one():
    with pytest.raises(UnknownUnitError, match=r"binary_lines\.dxf"):
        read("binary_lines.dxf", units=None)


def test_a_suffix_that_no_reader_knows_is_refused(tmp_path):
    with pytest.raises(UnreadableFileError, match="suffix"):
        read_model(tmp_path / "a.xyz", name="a.xyz", role_of=str)
