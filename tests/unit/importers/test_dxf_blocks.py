"""Block references: placing, arrays, layers, symbols, and files that are made to be too much."""

import time

import ezdxf
import numpy as np
import pytest
from ezdxf.math import Z_AXIS, Matrix44

from importers.dxf_placing import reference_matrices

FACE = [(0, 0, 0), (1, 0, 0), (1, 2, 0), (0, 2, 3)]


def with_block(name="B", base=(0, 0, 0)):
    doc = ezdxf.new()
    return doc, doc.blocks.new(name, base_point=base), doc.modelspace()


def points_of(drawing):
    return np.concatenate([e.triangles_m.reshape(-1, 3) for e in drawing.elements])


def test_the_zero_scale_of_one_axis_flattens_and_says_so(read_dxf):
    doc, block, space = with_block()
    block.add_3dface(FACE)
    space.add_blockref("B", (0, 0, 7)).dxf.unprotected_set("zscale", 0.0)  # as files have it
    drawing = read_dxf(doc)
    assert np.ptp(points_of(drawing)[:, 2]) == 0.0
    assert "scale of 0" in drawing.unread[0].reason


def test_an_array_agrees_with_the_library(read_dxf):
    doc, block, space = with_block(base=(0.5, 0.25, 0))
    block.add_3dface(FACE)
    insert = space.add_blockref("B", (3, 4, 5), dxfattribs={"rotation": 30, "xscale": 2, "yscale": -1, "zscale": 3})
    insert.grid((2, 3), (10, 20))
    drawing = read_dxf(doc)
    assert [e.element_id.split("[")[1].split("]")[0] for e in drawing.elements] == [
        "0,0",
        "0,1",
        "0,2",
        "1,0",
        "1,1",
        "1,2",
    ]
    theirs = [
        (face.dxf.vtx0, face.dxf.vtx1, face.dxf.vtx2, face.dxf.vtx3)
        for one in insert.multi_insert()
        for face in one.virtual_entities()
    ]
    wanted = np.sort(np.array([[p.xyz for p in q] for q in theirs]).reshape(-1, 3).round(9), axis=0)
    ours = np.sort(np.unique(points_of(drawing).round(9), axis=0), axis=0)
    np.testing.assert_allclose(ours, np.sort(np.unique(wanted, axis=0), axis=0), atol=1e-9)


@pytest.mark.parametrize("extrusion", [(0, 0, 1), (0, 0, -1), (1, 2, 3), (1, 0, 0), (0.001, 0.002, 1)])
def test_a_reference_matrix_is_the_library_s(extrusion):
    _doc, _, space = with_block(base=(1, 2, 3))
    insert = space.add_blockref(
        "B", (4, 5, 6), dxfattribs={"rotation": 75, "xscale": 2, "yscale": -3, "zscale": 0.5, "extrusion": extrusion}
    )
    ours = reference_matrices(insert, np.array([1.0, 2.0, 3.0]), 1, 1)[0]
    np.testing.assert_allclose(ours, np.array(list(insert.matrix44())).reshape(4, 4), atol=1e-12)


def test_nested_references_keep_a_path_of_handles_and_move_into_the_common_frame(read_dxf):
    doc, inner, space = with_block("INNER")
    outer = doc.blocks.new("OUTER")
    face = inner.add_3dface(FACE)
    middle = outer.add_blockref("INNER", (1, 0, 0))
    top = space.add_blockref("OUTER", (0, 5, 0))
    drawing = read_dxf(doc, units="mm", move_m=(100, 0, 0))
    (element,) = drawing.elements
    assert element.handle == f"{top.dxf.handle}/{middle.dxf.handle}/{face.dxf.handle}"
    assert element.element_id == f"d:{element.handle}"
    np.testing.assert_allclose(element.box_m, [[100.001, 0.005, 0], [100.002, 0.007, 0.003]], atol=1e-12)


def test_layer_zero_in_a_block_is_the_layer_of_its_reference(read_dxf):
    doc, inner, space = with_block("INNER")
    outer = doc.blocks.new("OUTER")
    inner.add_3dface(FACE)
    inner.add_3dface(FACE, dxfattribs={"layer": "own"})
    outer.add_blockref("INNER", (0, 0))
    space.add_blockref("OUTER", (0, 0), dxfattribs={"layer": "top"})
    assert sorted(e.layer for e in read_dxf(doc).elements) == ["own", "top"]


def test_chords_of_a_block_scaled_up_stay_within_the_tolerance(read_dxf):
    doc, block, space = with_block()
    block.add_circle((0, 0), 1, dxfattribs={"thickness": 1})
    space.add_blockref("B", (0, 0), dxfattribs={"xscale": 100, "yscale": 40, "zscale": 1})
    (element,) = read_dxf(doc, tolerance_m=1e-3).elements
    rim = element.triangles_m[:, :, :2].reshape(-1, 2)
    rim = np.unique(rim[np.abs(element.triangles_m[..., 2].reshape(-1)) < 1e-9].round(12), axis=0)
    rim = rim[np.argsort(np.arctan2(rim[:, 1] / 40, rim[:, 0] / 100))]
    middle = (rim + np.roll(rim, -1, axis=0)) / 2 / (100, 40)
    assert (1 - np.hypot(*middle.T)).max() * 100 <= 1e-3
    assert element.closed


def test_a_symbol_on_a_strap_layer_is_one_element(read_dxf):
    doc, block, space = with_block()
    block.add_circle((0, 0), 0.1)
    block.add_line((0, 0), (0.2, 0), dxfattribs={"layer": "other"})
    block.add_text("S")
    insert = space.add_blockref("B", (5, 5, 1), dxfattribs={"layer": "strap"})
    drawing = read_dxf(doc, roles={"strap": "strap"})
    (element,) = drawing.elements
    assert (element.handle, element.role, element.kind) == (insert.dxf.handle, "strap", "INSERT")
    assert not drawing.unread
    assert element.box_m[1, 0] == pytest.approx(5.2)


def test_a_symbol_of_text_only_is_at_its_insertion_point(read_dxf):
    doc, block, space = with_block(base=(1, 1, 0))
    block.add_text("X")
    space.add_blockref("B", (5, 6, 7), dxfattribs={"layer": "strap", "rotation": 45})
    (element,) = read_dxf(doc, roles={"strap": "hanger"}).elements
    np.testing.assert_allclose(element.triangles_m, [[[5, 6, 7]] * 3], atol=1e-12)


def test_points_circles_and_lines_on_a_strap_layer_become_marks(read_dxf):
    doc = ezdxf.new()
    doc.modelspace().add_point((1, 2, 3))
    doc.modelspace().add_circle((0, 0), 1)
    doc.modelspace().add_line((0, 0), (1, 0))
    drawing = read_dxf(doc, role="strap")
    assert not drawing.unread
    assert [e.kind for e in drawing.elements] == ["POINT", "CIRCLE", "LINE"]
    assert (drawing.elements[0].triangles_m == (1, 2, 3)).all()


@pytest.mark.parametrize("role", ["equipment", "cabinet"])
def test_lines_of_equipment_are_a_mark_and_an_unread_row(read_dxf, role):
    doc, block, space = with_block()
    block.add_line((0, 0), (1, 0))
    space.add_blockref("B", (0, 0))
    space.add_line((5, 0), (6, 0))
    drawing = read_dxf(doc, role=role)
    assert len(drawing.elements) == 2
    assert len(drawing.unread) == 2


def test_a_nested_symbol_in_a_plain_block_is_one_element(read_dxf):
    doc, symbol, space = with_block("SYMBOL")
    room = doc.blocks.new("ROOM")
    symbol.add_line((0, 0), (1, 0))
    symbol.add_line((0, 0), (0, 1))
    room.add_blockref("SYMBOL", (0, 0), dxfattribs={"layer": "box"})
    room.add_3dface(FACE)
    space.add_blockref("ROOM", (0, 0))
    drawing = read_dxf(doc, roles={"box": "box"})
    assert sorted(e.role for e in drawing.elements) == ["box", "obstacle"]


def test_a_closed_body_in_a_box_symbol_stays_closed(read_dxf):
    doc, block, space = with_block()
    block.add_circle((0, 0), 1, dxfattribs={"thickness": 1})
    block.add_line((0, 0, 0), (0.5, 0, 0))
    space.add_blockref("B", (0, 0))
    (element,) = read_dxf(doc, role="box").elements
    assert element.closed


def test_blocks_that_hold_themselves_and_blocks_that_multiply_are_bounded(read_dxf):
    doc, a, space = with_block("A")
    b = doc.blocks.new("C")
    a.add_blockref("C", (0, 0))
    b.add_blockref("A", (0, 0))
    space.add_blockref("A", (0, 0))
    doc.blocks.new("L0").add_line((0, 0), (1, 0))
    for level in range(1, 30):
        block = doc.blocks.new(f"L{level}")
        for _ in range(10):
            block.add_blockref(f"L{level - 1}", (0, 0))
    space.add_blockref("L29", (0, 0))
    space.add_blockref("L0", (0, 0)).grid((30000, 30000), (1, 1))
    start = time.process_time()
    drawing = read_dxf(doc)
    assert time.process_time() - start < 5.0
    reasons = " ".join(row.reason for row in drawing.unread)
    assert "contains itself" in reasons
    assert "more than 1000000 entities" in reasons
    assert "array of 30000 by 30000" in reasons


def test_too_many_unread_lines_are_put_together(read_dxf):
    doc, block, space = with_block()
    block.add_line((0, 0), (1, 0))
    space.add_blockref("B", (0, 0)).grid((100, 60), (2, 2))
    drawing = read_dxf(doc)
    assert len(drawing.unread) == 5001
    last = drawing.unread[-1]
    assert last.reason.startswith("1000 more like this")
    assert last.box_m[1] == pytest.approx((119.0, 198.0, 0.0), abs=2e-3)


def test_an_external_reference_and_a_missing_block_are_unread(read_dxf):
    doc, _, space = with_block()
    doc.add_xref_def("other.dxf", "X")
    space.add_blockref("X", (0, 0))
    space.add_blockref("B", (0, 0)).dxf.name = "GONE"
    reasons = [row.reason for row in read_dxf(doc).unread]
    assert "'other.dxf'" in reasons[0] and "not there" in reasons[0]
    assert "not in the file" in reasons[1]


def test_a_zone_layer_gives_outlines_and_solids_and_names_what_is_open(read_dxf):
    doc, _, space = with_block()
    space.add_lwpolyline([(0, 0), (4, 0), (4, 3)], close=True, dxfattribs={"elevation": 2})
    space.add_circle((0, 0), 1)
    space.add_lwpolyline([(0, 0), (4, 0), (4, 3)])
    space.add_circle((9, 9), 1, dxfattribs={"thickness": 2})
    drawing = read_dxf(doc, role="zone")
    assert len(drawing.outlines) == 2
    assert drawing.outlines[0].points_m.tolist() == [[0, 0, 2], [4, 0, 2], [4, 3, 2]]
    assert [row.reason.split(":")[0] for row in drawing.unread] == ["a zone outline is not closed"]
    assert [(e.role, e.closed) for e in drawing.elements] == [("zone", True)]


def test_numbers_that_are_none_and_sizes_beyond_any_building_stay_out(read_dxf):
    doc, block, space = with_block()
    space.add_3dface([(0, 0, 0), (1e12, 0, 0), (0, 1, 0), (0, 1, 0)])
    block.add_3dface(FACE)
    space.add_blockref("B", (0, 0), dxfattribs={"xscale": 1e300, "yscale": 1e300})
    drawing = read_dxf(doc)
    assert not drawing.elements
    assert len(drawing.unread) == 2


def test_ids_are_unique_where_handles_are_not(read_dxf):
    doc, _, space = with_block()
    for shift in range(3):
        face = space.add_3dface([(x + 9 * shift, y, z) for x, y, z in FACE])
        face.dxf.handle = "AB"
    ids = [e.element_id for e in read_dxf(doc).elements]
    assert len(set(ids)) == 3


def test_frozen_layers_and_invisible_entities_are_read_and_named(read_dxf):
    doc, _, space = with_block()
    doc.layers.add("cold").freeze()
    space.add_3dface(FACE, dxfattribs={"layer": "cold", "invisible": 1})
    drawing = read_dxf(doc)
    assert len(drawing.elements) == 1
    notes = " / ".join(drawing.source.notes)
    assert "cold" in notes
    assert "1 invisible entity" in notes


def test_annotation_ignored_layers_and_paper_are_counted(read_dxf):
    doc, _, space = with_block()
    space.add_text("a")
    space.add_point((0, 0))
    space.add_line((0, 0), (1, 1), dxfattribs={"layer": "skip"})
    doc.layout("Layout1").add_line((0, 0), (1, 1))
    drawing = read_dxf(doc, roles={"skip": "ignore"})
    assert not drawing.unread
    assert not drawing.elements
    notes = " / ".join(drawing.source.notes)
    assert "2 annotation entities" in notes
    assert "1 entity is on layers of role ignore" in notes
    assert "1 entity on paper layouts" in notes
    assert {s.layer: dict(s.kinds) for s in drawing.layers} == {"0": {"POINT": 1}, "skip": {"LINE": 1}}


@pytest.mark.parametrize("extrusion", [(0, 0, -1), (1, 1, 1), (0, 1, 0)])
def test_plane_entities_stand_where_the_library_puts_them(read_dxf, extrusion):
    doc, _, space = with_block()
    attribs = {"thickness": 2, "extrusion": extrusion}
    entities = [
        space.add_lwpolyline([(0, 0), (3, 0), (3, 1)], dxfattribs={**attribs, "elevation": 4}),
        space.add_solid([(0, 0, 1), (1, 0, 1), (0, 1, 1), (1, 1, 1)], dxfattribs=attribs),
    ]
    drawing = read_dxf(doc)
    poly, solid = entities
    wanted = np.array([p.xyz for p in poly.vertices_in_wcs()])
    ours = points_of(drawing)
    along = np.array(ezdxf.math.Vec3(extrusion).normalize().xyz) * 2
    for point in [*wanted, *(wanted + along)]:
        assert np.abs(ours - point).max(axis=1).min() < 1e-12
    for point in solid.wcs_vertices():
        assert np.abs(ours - np.array(point.xyz)).max(axis=1).min() < 1e-12


def test_a_wire_row_names_what_to_do_and_where_it_is(read_dxf):
    doc, block, space = with_block()
    block.add_ellipse((0, 0), (2, 0), 0.5)
    space.add_blockref("B", (10, 0)).transform(Matrix44.axis_rotate(Z_AXIS, 0.7))
    row = read_dxf(doc).unread[0]
    assert row.reason.endswith("or give its layer the role ignore")
    (x0, y0, _), (x1, y1, _) = row.box_m
    assert x1 - x0 >= 2 * np.hypot(2 * np.cos(0.7), np.sin(0.7)) - 1e-9
    assert y1 - y0 >= 2 * np.hypot(2 * np.sin(0.7), np.cos(0.7)) - 1e-9
