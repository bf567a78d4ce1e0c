"""Routes files made here, one case each, read back as runs."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from ezdxf.document import Drawing as DxfDocument
from ezdxf.layouts import Modelspace
from ezdxf.math import Matrix44
from hypothesis import given, settings
from hypothesis import strategies as st

from importers.dxf_routes import read_routes
from route3d.errors import UnknownUnitError
from route3d.model.building import RouteDrawing

LAYER = "E-CABL-MC122"
ON = {"layer": LAYER}


def read(doc: DxfDocument, folder: Path, **options: object) -> RouteDrawing:
    path = folder / "routes.dxf"
    doc.saveas(path)
    given_options: dict[str, object] = {"units": None, "wanted": lambda layer: layer.startswith("E-CABL"), **options}
    return read_routes(path, name="routes.dxf", **given_options)  # type: ignore[arg-type]


@pytest.fixture
def doc() -> DxfDocument:
    new = ezdxf.new("R2018", units=4)
    new.appids.add("ROUTE3D")
    new.layers.add(LAYER)
    return new


@pytest.fixture
def space(doc: DxfDocument) -> Modelspace:
    return doc.modelspace()


def tag(entity: object, *strings: str) -> None:
    entity.set_xdata("ROUTE3D", [(1000, text) for text in strings])  # type: ignore[attr-defined]


def on_arc(corner: np.ndarray, before: np.ndarray, after: np.ndarray, radius: float) -> np.ndarray:
    """Middle point of the arc of ``radius`` that is tangent to both legs of a corner."""
    into = (corner - before) / np.linalg.norm(corner - before)
    away = (after - corner) / np.linalg.norm(after - corner)
    half = math.acos(float(np.clip(np.dot(into, away), -1, 1))) / 2
    inward = away - into
    inward = inward / np.linalg.norm(inward)
    return np.asarray(corner + inward * radius * (1 / math.cos(half) - 1))


def test_3d_polyline_comes_back_in_metres_with_layer_and_handle_as_id(
    doc: DxfDocument, space: Modelspace, tmp_path: Path
) -> None:
    line = space.add_polyline3d([(0, 0, 2900), (4000, 0, 2900), (4000, 2500, 3100)], dxfattribs=ON)
    drawing = read(doc, tmp_path)
    (route,) = drawing.routes
    assert route.route_id == f"{LAYER}/{line.dxf.handle}"
    assert (route.layer, route.file) == (LAYER, "routes.dxf")
    np.testing.assert_allclose(route.corners_m, [[0, 0, 2.9], [4, 0, 2.9], [4, 2.5, 3.1]])
    assert not route.drawn_radius_m.any()
    assert drawing.unread == ()
    assert drawing.source.unit == "mm"


def test_inches_are_read_as_inches_and_the_project_may_say_otherwise(tmp_path: Path) -> None:
    doc = ezdxf.new("R2000", units=1)
    doc.modelspace().add_polyline3d([(0, 0, 0), (100, 0, 0)], dxfattribs=ON)
    np.testing.assert_allclose(read(doc, tmp_path).routes[0].corners_m[1], [2.54, 0, 0])
    stated = read(doc, tmp_path, units="ft")
    np.testing.assert_allclose(stated.routes[0].corners_m[1], [30.48, 0, 0])
    assert any("the project states ft" in note for note in stated.source.notes)


def test_no_unit_at_all_is_an_error(tmp_path: Path) -> None:
    doc = ezdxf.new("R2000", units=0)
    doc.modelspace().add_line((0, 0), (1, 0), dxfattribs=ON)
    with pytest.raises(UnknownUnitError):
        read(doc, tmp_path)


def test_survey_offset_is_moved_without_losing_a_tenth_of_a_millimetre(
    doc: DxfDocument, space: Modelspace, tmp_path: Path
) -> None:
    far = np.array([512_345_678.125, 4_012_345_678.25, 250_000.0])  # mm
    east, north = np.array([1000.0, 0, 0]), np.array([0, 1000.0, 0])
    space.add_line(far, far + east, dxfattribs=ON)
    space.add_line(far + east + north, far + east, dxfattribs=ON)
    (route,) = read(doc, tmp_path, move_m=-far / 1000).routes
    np.testing.assert_allclose(route.corners_m, [[0, 0, 0], [1, 0, 0], [1, 1, 0]], atol=1e-6)


def test_other_layers_are_not_runs(doc: DxfDocument, space: Modelspace, tmp_path: Path) -> None:
    space.add_line((0, 0), (1, 0), dxfattribs={"layer": "A-WALL"})
    drawing = read(doc, tmp_path)
    assert (drawing.routes, drawing.unread) == ((), ())


@pytest.mark.parametrize("extrusion", [(0, 0, 1), (0, 0, -1), (1, 0, 0), (0.6, 0, 0.8)])
def test_bulge_is_the_corner_of_its_end_tangents(
    doc: DxfDocument, space: Modelspace, tmp_path: Path, extrusion: tuple[float, float, float]
) -> None:
    bulge = math.tan(math.radians(90) / 4)  # a quarter circle to the left
    line = space.add_lwpolyline([(0, 0, 0), (900, 0, bulge), (1000, 100, 0), (1000, 600, 0)], format="xyb")
    line.dxf.layer, line.dxf.elevation, line.dxf.extrusion = LAYER, 2900, extrusion
    (route,) = read(doc, tmp_path).routes
    flat = [(0, 0, 2900), (1000, 0, 2900), (1000, 600, 2900)]
    expected = [tuple(p) for p in line.ocs().points_to_wcs(ezdxf.math.Vec3.list(flat))]
    np.testing.assert_allclose(route.corners_m, np.array(expected) / 1000, atol=1e-12)
    np.testing.assert_allclose(route.drawn_radius_m, [0, 0.1, 0], atol=1e-12)


def test_2d_polyline_uses_its_elevation_and_skips_the_frame_of_a_spline(
    doc: DxfDocument, space: Modelspace, tmp_path: Path
) -> None:
    line = space.add_polyline2d([(0, 0), (500, 0), (500, 500)], dxfattribs={**ON, "elevation": (0, 0, 2750)})
    frame = space.add_polyline3d([(0, 0, 9), (99, 99, 9), (200, 0, 9)], dxfattribs=ON)
    frame.vertices[1].dxf.flags |= 16
    routes = read(doc, tmp_path).routes
    np.testing.assert_allclose(routes[0].corners_m[:, 2], 2.75)
    assert routes[0].handle == line.dxf.handle
    np.testing.assert_allclose(routes[1].corners_m, [[0, 0, 0.009], [0.2, 0, 0.009]])


@pytest.mark.parametrize("sweep", [60, 120, 121, 180, 240, 300, 359])
@pytest.mark.parametrize("extrusion", [(0, 0, 1), (0, 0, -1), (0, 1, 0)])
def test_arc_corners_turn_at_most_120_degrees_and_lie_on_the_arc_again(
    doc: DxfDocument, space: Modelspace, tmp_path: Path, sweep: float, extrusion: tuple[float, float, float]
) -> None:
    arc = space.add_arc((300, 200, 50), 150, 20, 20 + sweep, dxfattribs={**ON, "extrusion": extrusion})
    (route,) = read(doc, tmp_path).routes
    corners, radius = route.corners_m, route.drawn_radius_m
    assert len(corners) - 2 == math.ceil(sweep / 120)
    centre = np.array(tuple(arc.ocs().to_wcs((300, 200, 50)))) / 1000
    np.testing.assert_allclose(corners[[0, -1]], np.array([arc.start_point, arc.end_point]) / 1000, atol=1e-12)
    for i in range(1, len(corners) - 1):
        np.testing.assert_allclose(radius[i], 0.15)
        middle = on_arc(corners[i], corners[i - 1], corners[i + 1], radius[i])
        np.testing.assert_allclose(np.linalg.norm(middle - centre), 0.15, atol=1e-9)


@pytest.mark.parametrize("bulge", [1.0, -1.0, 1.7, -0.3, 1e-7])
def test_bulges_of_either_sign_and_beyond_half_a_circle_stay_on_their_circle(
    doc: DxfDocument, space: Modelspace, tmp_path: Path, bulge: float
) -> None:
    space.add_lwpolyline([(100, 50, bulge), (400, 250, 0)], format="xyb", dxfattribs=ON)
    (route,) = read(doc, tmp_path).routes
    centre, _, _, radius = ezdxf.math.bulge_to_arc((100, 50), (400, 250), bulge)
    corners = route.corners_m[:, :2] * 1000
    for i in range(1, len(corners) - 1):
        middle = on_arc(corners[i], corners[i - 1], corners[i + 1], radius)
        np.testing.assert_allclose(np.linalg.norm(middle - np.array(tuple(centre))), radius, rtol=1e-9)
        np.testing.assert_allclose(route.drawn_radius_m[i] * 1000, radius, rtol=1e-9)


def test_lines_and_arcs_join_in_order_whichever_way_they_were_drawn(
    doc: DxfDocument, space: Modelspace, tmp_path: Path
) -> None:
    space.add_line((1000, 600, 0), (1000, 100, 0), dxfattribs=ON)  # drawn backwards, and first: sets the direction
    space.add_arc((900, 100, 0), 100, 270, 360, dxfattribs=ON)
    space.add_line((0, 0, 0), (900, 0, 0), dxfattribs=ON)
    (route,) = read(doc, tmp_path).routes
    np.testing.assert_allclose(route.corners_m, [[1, 0.6, 0], [1, 0, 0], [0, 0, 0]], atol=1e-12)
    np.testing.assert_allclose(route.drawn_radius_m, [0, 0.1, 0])


def test_small_gap_is_closed_and_said_and_a_wide_one_makes_two_runs(
    doc: DxfDocument, space: Modelspace, tmp_path: Path
) -> None:
    space.add_line((0, 0), (1000, 0), dxfattribs=ON)
    space.add_line((1000.4, 0.3), (1000, 1000), dxfattribs=ON)
    space.add_line((1000, 1001.5), (0, 1001.5), dxfattribs=ON)
    drawing = read(doc, tmp_path)
    assert len(drawing.routes) == 2
    assert any("1 gaps between ends of up to 0.5 mm" in note for note in drawing.source.notes)


def test_chords_shorter_than_the_joining_distance_do_not_crumple(
    doc: DxfDocument, space: Modelspace, tmp_path: Path
) -> None:
    points = [(0.4 * k, 30 * math.sin(k / 60), 0) for k in range(300)]
    for a, b in pairwise(points):
        space.add_line(a, b, dxfattribs=ON)
    (route,) = read(doc, tmp_path).routes
    np.testing.assert_allclose(route.corners_m, np.array(points) / 1000, atol=1e-12)


def test_three_lines_at_one_point_end_there_and_are_asked_about(
    doc: DxfDocument, space: Modelspace, tmp_path: Path
) -> None:
    for far in ((1000, 0), (-1000, 0), (0, 1000)):
        space.add_line((0, 0), far, dxfattribs=ON)
    drawing = read(doc, tmp_path)
    assert len(drawing.routes) == 3
    (junction,) = drawing.unread
    assert "three lines meet at (0.000, 0.000, 0.000) m; which is the run?" in junction.reason
    assert junction.box_m == ((0, 0, 0), (0, 0, 0))


def test_ids_put_lines_at_a_shared_box_in_order(doc: DxfDocument, space: Modelspace, tmp_path: Path) -> None:
    for far, run in (((1000, 0), "A"), ((-1000, 0), "A"), ((0, 1000), "B")):
        tag(space.add_line((0, 0), far, dxfattribs=ON), f"id={run}")
    drawing = read(doc, tmp_path)
    assert sorted((r.route_id, len(r.corners_m)) for r in drawing.routes) == [("A", 3), ("B", 2)]
    assert drawing.unread == ()


def test_conflicting_ids_in_one_chain_are_not_guessed(doc: DxfDocument, space: Modelspace, tmp_path: Path) -> None:
    tag(space.add_line((0, 0), (1000, 0), dxfattribs=ON), "id=A")
    space.add_line((1000, 0), (2000, 0), dxfattribs=ON)
    tag(space.add_line((2000, 0), (3000, 0), dxfattribs=ON), "id=B")
    drawing = read(doc, tmp_path)
    assert drawing.routes == ()
    assert "different ids (A, B)" in drawing.unread[0].reason
    assert drawing.unread[0].box_m == ((0, 0, 0), (3, 0, 0))


def test_extended_data_gives_id_and_ends_and_the_rest_is_said(
    doc: DxfDocument, space: Modelspace, tmp_path: Path
) -> None:
    line = space.add_polyline3d([(0, 0, 0), (1000, 0, 0)], dxfattribs=ON)
    tag(line, "id=L1-LTG-04", "start = box", "end=luminaire", "colour=red", "nonsense")
    drawing = read(doc, tmp_path)
    (route,) = drawing.routes
    assert route.route_id == "L1-LTG-04"
    assert route.attributes == (("end", "luminaire"), ("start", "box"))
    assert any("'colour' is not known" in note for note in drawing.source.notes)
    assert any("'nonsense' is not of the form key=value" in note for note in drawing.source.notes)


def test_id_of_any_member_names_the_chain(doc: DxfDocument, space: Modelspace, tmp_path: Path) -> None:
    space.add_line((0, 0), (1000, 0), dxfattribs=ON)
    tag(space.add_line((1000, 1000), (1000, 0), dxfattribs=ON), "id=P-07")
    (route,) = read(doc, tmp_path).routes
    assert route.route_id == "P-07"


def draw_closed_polyline(space: Modelspace) -> None:
    space.add_lwpolyline([(0, 0), (9, 0), (9, 9)], close=True, dxfattribs=ON)


def draw_loop_of_lines(space: Modelspace) -> None:
    for a, b in (((0, 0), (900, 0)), ((900, 0), (900, 900)), ((900, 900), (0, 0))):
        space.add_line(a, b, dxfattribs=ON)


def draw_circle(space: Modelspace) -> None:
    space.add_circle((0, 0), 5, dxfattribs=ON)


def draw_full_arc(space: Modelspace) -> None:
    space.add_arc((0, 0), 5, 0, 360, dxfattribs=ON)


def draw_no_length(space: Modelspace) -> None:
    space.add_line((7, 7, 7), (7, 7, 7), dxfattribs=ON)


def draw_face(space: Modelspace) -> None:
    space.add_3dface([(0, 0, 0), (1, 0, 0), (1, 1, 0)], dxfattribs=ON)


def draw_mesh(space: Modelspace) -> None:
    space.add_polyface(dxfattribs=ON).append_face([(0, 0, 0), (1, 0, 0), (1, 1, 0)])


def draw_point(space: Modelspace) -> None:
    space.add_point((0, 0, 0), dxfattribs=ON)


@pytest.mark.parametrize(
    ("draw", "reason"),
    [
        (draw_closed_polyline, "closed loop"),
        (draw_loop_of_lines, "closed loop"),
        (draw_circle, "CIRCLE is no centre line"),
        (draw_full_arc, "closed loop"),
        (draw_no_length, "no length"),
        (draw_face, "3DFACE is no centre line"),
        (draw_mesh, "a mesh is no centre line"),
        (draw_point, "POINT is no centre line"),
    ],
)
def test_what_is_no_run_is_unread_with_its_reason(
    doc: DxfDocument, space: Modelspace, tmp_path: Path, draw: Callable[[Modelspace], None], reason: str
) -> None:
    draw(space)
    drawing = read(doc, tmp_path)
    assert drawing.routes == ()
    assert [reason in row.reason for row in drawing.unread] == [True]
    assert drawing.unread[0].layer == LAYER


def test_text_is_passed_over_with_a_note(doc: DxfDocument, space: Modelspace, tmp_path: Path) -> None:
    space.add_text("12/2", dxfattribs=ON)
    space.add_line((0, 0), (1, 0), dxfattribs=ON)
    drawing = read(doc, tmp_path)
    assert drawing.unread == ()
    assert any("(TEXT)" in note for note in drawing.source.notes)


def test_hidden_layers_are_read_and_said(doc: DxfDocument, space: Modelspace, tmp_path: Path) -> None:
    space.add_line((0, 0), (1, 0), dxfattribs=ON)
    doc.layers.get(LAYER).freeze()
    drawing = read(doc, tmp_path)
    assert len(drawing.routes) == 1
    assert any(f"layer {LAYER} is switched off or frozen" in note for note in drawing.source.notes)


def test_the_same_line_drawn_twice_is_one_run(doc: DxfDocument, space: Modelspace, tmp_path: Path) -> None:
    space.add_polyline3d([(0, 0, 0), (1000, 0, 0), (1000, 700, 0)], dxfattribs=ON)
    space.add_polyline3d([(1000, 700, 0), (1000, 0, 0), (0, 0, 0)], dxfattribs=ON)
    space.add_line((0, 0), (1000, 0), dxfattribs=ON)
    space.add_line((1000, 0), (1000, 700), dxfattribs=ON)
    space.add_line((1000, 700), (1000, 0), dxfattribs=ON)
    drawing = read(doc, tmp_path)
    assert len(drawing.routes) == 1
    assert sum("lies exactly on" in note for note in drawing.source.notes) == 3


def test_two_ids_on_one_line_are_two_runs(doc: DxfDocument, space: Modelspace, tmp_path: Path) -> None:
    for run in ("A", "B"):
        tag(space.add_polyline3d([(0, 0, 0), (1000, 0, 0)], dxfattribs=ON), f"id={run}")
    assert sorted(r.route_id for r in read(doc, tmp_path).routes) == ["A", "B"]


def test_nested_blocks_are_followed_and_layer_0_takes_the_layer_of_its_reference(
    doc: DxfDocument, space: Modelspace, tmp_path: Path
) -> None:
    inner = doc.blocks.new("INNER", base_point=(10, 0, 0))
    inner.add_lwpolyline([(10, 0, 0), (110, 0, math.tan(math.pi / 8)), (120, 10, 0), (120, 90, 0)], format="xyb")
    inner.add_line((0, 0), (5, 5), dxfattribs={"layer": "A-WALL"})
    outer = doc.blocks.new("OUTER")
    outer.add_blockref("INNER", (100, 0, 0), dxfattribs={"rotation": 90, "xscale": 2, "yscale": 2, "zscale": 2})
    space.add_blockref("OUTER", (1000, 500, 250), dxfattribs=ON)
    space.add_blockref("OUTER", (0, 0, 0), dxfattribs={"layer": "A-OTHER"})
    (route,) = read(doc, tmp_path).routes
    np.testing.assert_allclose(route.corners_m, [[1.1, 0.5, 0.25], [1.1, 0.72, 0.25], [0.92, 0.72, 0.25]], atol=1e-12)
    np.testing.assert_allclose(route.drawn_radius_m, [0, 0.02, 0], atol=1e-12)
    assert ">" in route.handle


def test_mirrored_block_keeps_its_arcs_and_an_uneven_one_becomes_dense_corners(
    doc: DxfDocument, space: Modelspace, tmp_path: Path
) -> None:
    block = doc.blocks.new("BEND")
    block.add_arc((0, 0), 100, 0, 90)
    space.add_blockref("BEND", (0, 0, 0), dxfattribs={**ON, "xscale": -1})
    space.add_blockref("BEND", (5000, 0, 0), dxfattribs={**ON, "xscale": 3})
    drawing = read(doc, tmp_path, chord_tolerance_m=0.0001)
    mirrored, uneven = drawing.routes
    np.testing.assert_allclose(mirrored.corners_m, [[-0.1, 0, 0], [-0.1, 0.1, 0], [0, 0.1, 0]], atol=1e-12)
    np.testing.assert_allclose(mirrored.drawn_radius_m, [0, 0.1, 0])
    assert not uneven.drawn_radius_m.any()
    on_ellipse = ((uneven.corners_m[:, 0] - 5) / 0.3) ** 2 + (uneven.corners_m[:, 1] / 0.1) ** 2
    np.testing.assert_allclose(on_ellipse, 1.0)
    assert any("scaled unevenly" in note for note in drawing.source.notes)


def test_array_of_blocks_gives_one_run_each(doc: DxfDocument, space: Modelspace, tmp_path: Path) -> None:
    doc.blocks.new("ONE").add_line((0, 0), (500, 0))
    grid = {"row_count": 2, "column_count": 3, "row_spacing": 1000, "column_spacing": 2000}
    space.add_blockref("ONE", (0, 0), dxfattribs={**ON, **grid})
    routes = read(doc, tmp_path).routes
    assert len({r.route_id for r in routes}) == 6
    assert sorted(round(float(r.corners_m[0, 0]), 6) for r in routes) == [0, 0, 2, 2, 4, 4]


def test_block_that_holds_itself_does_not_hang(doc: DxfDocument, space: Modelspace, tmp_path: Path) -> None:
    block = doc.blocks.new("LOOP")
    block.add_line((0, 0), (500, 0))
    block.add_blockref("LOOP", (0, 100))
    space.add_blockref("LOOP", (0, 0), dxfattribs=ON)
    drawing = read(doc, tmp_path)
    assert len(drawing.routes) == 1
    assert any("holds itself" in note for note in drawing.source.notes)


def test_splines_ellipses_and_helices_become_dense_corners_and_join(
    doc: DxfDocument, space: Modelspace, tmp_path: Path
) -> None:
    space.add_line((-500, 0, 0), (0, 0, 0), dxfattribs=ON)
    space.add_spline([(0, 0, 0), (300, 100, 50), (600, 0, 0)], dxfattribs=ON)
    space.add_ellipse((0, 5000), (400, 0), 0.5, 0, math.pi, dxfattribs=ON)
    space.add_helix(200, 100, 2, dxfattribs=ON)
    drawing = read(doc, tmp_path, chord_tolerance_m=0.0005)
    assert len(drawing.routes) == 3
    assert sum("read as dense corners" in note for note in drawing.source.notes) == 3
    ellipse = drawing.routes[1].corners_m - [0, 5, 0]
    np.testing.assert_allclose((ellipse[:, 0] / 0.4) ** 2 + (ellipse[:, 1] / 0.2) ** 2, 1.0)
    middle = (ellipse[1:] + ellipse[:-1]) / 2
    # a chord's middle is off the ellipse by no more than asked (radial distance is at least the true one here)
    assert (1 - np.sqrt((middle[:, 0] / 0.4) ** 2 + (middle[:, 1] / 0.2) ** 2)).max() * 0.2 < 0.0005


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_polyline_exploded_into_shuffled_and_reversed_lines_comes_back(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    number = st.integers(-30000, 30000)
    points = data.draw(st.lists(st.tuples(number, number, number), min_size=2, max_size=9, unique=True))
    order = data.draw(st.permutations(range(len(points) - 1)))
    doc = ezdxf.new("R2000", units=4)
    for k in order:
        a, b = points[k], points[k + 1]
        doc.modelspace().add_line(*((b, a) if data.draw(st.booleans()) else (a, b)), dxfattribs=ON)
    drawing = read(doc, tmp_path_factory.mktemp("exploded"), join_m=0.0005)
    (route,) = drawing.routes
    expected = np.array(points) / 1000
    assert any(np.allclose(route.corners_m, e, atol=1e-9) for e in (expected, expected[::-1]))


@settings(max_examples=30, deadline=None)
@given(
    turn=st.floats(0.1, 2.0),
    axis=st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: np.linalg.norm(v) > 0.2),
    angle=st.floats(-3, 3),
)
def test_a_line_arc_line_chain_in_any_plane_is_one_corner_with_its_radius(
    tmp_path_factory: pytest.TempPathFactory, turn: float, axis: tuple[float, float, float], angle: float
) -> None:
    doc = ezdxf.new("R2010", units=4)
    space = doc.modelspace()
    r = 120.0
    setback = r * math.tan(turn / 2)
    away = np.array([math.cos(turn), math.sin(turn), 0])
    corner = np.array([500.0, 0, 0])
    far = corner + away * 700
    parts = [
        space.add_line((0, 0, 0), corner - [setback, 0, 0], dxfattribs=ON),
        space.add_arc((500 - setback, r, 0), r, 270, 270 + math.degrees(turn), dxfattribs=ON),
        space.add_line(far, corner + away * setback, dxfattribs=ON),
    ]
    m = Matrix44.axis_rotate(axis, angle)
    for part in parts:
        part.transform(m)
    (route,) = read(doc, tmp_path_factory.mktemp("plane")).routes
    expected = np.array([tuple(m.transform(tuple(p))) for p in (np.zeros(3), corner, far)]) / 1000
    np.testing.assert_allclose(route.corners_m, expected, atol=1e-6)
    np.testing.assert_allclose(route.drawn_radius_m, [0, 0.12, 0], atol=1e-9)
