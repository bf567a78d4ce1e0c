"""Openings drawn in framing against the sections that speak of them, and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh

from route3d.kernel.path import arc_piece, straight_piece
from route3d.kernel.pierced import Pierced
from tests.builders import FT, IN, cable
from tests.buildings import element, found, review, run
from tests.opened_members import DEEP, THICK, board, channel, i_joist, round_hole, shifted, slot

MC, AC, NM = "mc-interlocked", "ac", "nm"


def row(opening: shapely.Polygon, spacing: float, count: int, first: float = 0.2):
    return [
        element("framing", shifted(board(opening), first + spacing * k - THICK / 2), f"j{k}", material="wood")
        for k in range(count)
    ]


# --- the sections ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "edition", "section", "spacing", "fails"),
    [
        (MC, "nec-2023", "330.30", 6 * FT, False),  # 330.30(B), (C): openings no more than 6 ft apart
        (MC, "nec-2023", "330.30", 6 * FT + 0.002, True),
        (MC, "nec-2017", "330.30", 6 * FT, False),
        (AC, "nec-2020", "320.30", 4.5 * FT, False),  # 320.30(B), (C): 4-1/2 ft
        (AC, "nec-2020", "320.30", 4.5 * FT + 0.002 + 0.0284, True),  # the metric value is 1.4 m
        (NM, "nec-2023", "334.30", 4.5 * FT, False),  # 334.30(A)
        (NM, "nec-2023", "334.30", 4.5 * FT + 0.002 + 0.0284, True),
        ("emt", "nec-2023", "358.30", 10 * FT, False),  # 358.30(B)
        ("emt", "nec-2023", "358.30", 10 * FT + 0.002, True),
    ],
)
def test_openings_secure_and_support_at_the_interval_of_each_method(method, edition, section, spacing, fails) -> None:
    of = cable(method, trade_size="1/2" if method == "emt" else None)
    line = run((0, 0, 0.143), (0.4 + 2 * spacing, 0, 0.143), straps_at_m=(0.15, 0.25 + 2 * spacing))
    reviewed = review([line], row(round_hole(0, 0.143, 0.016), spacing, 3), of=of, rules=edition, occupancy="dwelling")
    broken = found(reviewed, "securing", "violation") + found(reviewed, "supporting", "violation")
    assert bool(broken) == fails, [f.message for f in broken]
    assert all(section in f.rule for f in broken)


@pytest.mark.parametrize(("from_box", "fails"), [(0.254, False), (12 * IN, False), (0.3556, True)])
def test_the_last_opening_is_the_first_strap_only_within_12_in_of_the_box(from_box: float, fails: bool) -> None:
    # 330.30(B), (C); 10 in passes, 14 in does not: the conservative reading of both together
    spacing = 16 * IN
    length = from_box + 5 * spacing + from_box
    line = run((0, 0, 0.143), (length, 0, 0.143), straps_at_m=())
    reviewed = review([line], row(round_hole(0, 0.143, 0.016), spacing, 6, first=from_box))
    assert bool(found(reviewed, "securing", "violation")) == fails


@pytest.mark.parametrize(("gap", "plated", "fails"), [(31.75, False, False), (25.4, False, True), (25.4, True, False)])
def test_the_edge_of_a_drawn_hole_is_no_less_than_an_inch_and_a_quarter_from_the_edge(gap, plated, fails) -> None:
    # 300.4(A)(1): from the edge of the hole, else a plate
    z = gap / 1000 + 0.025
    line = run((0, 0, z), (0.5, 0, z), plates_m=((0.1, 0.3),) if plated else ())
    findings = found(review([line], row(slot(0, z, 0.06, 0.05), 1.0, 1)), "framing")
    assert [f.severity for f in findings] == ["violation" if fails else "note"]
    assert findings[0].rule == "NEC 2023 300.4(A)(1)"
    if not plated:
        assert findings[0].measured == pytest.approx(gap / 1000, abs=1e-7)
        assert findings[0].required == pytest.approx(0.03175)


def test_vertical_runs_are_not_held_by_the_openings_that_they_pass() -> None:
    # 334.30(A), 330.30(C): of other than vertical runs
    plate = board(round_hole(0.0, 0.045, 0.016), deep=0.089)[:, :, [2, 1, 0]] * np.array([1.0, 1.0, -1.0])
    reviewed = review([run((0.045, 0, -1), (0.045, 0, 1))], [element("framing", plate, material="wood")])
    assert not [s for s in reviewed.runs[0].attachment.supports if s.kind == "framing"]
    assert found(reviewed, "framing")[0].measured == pytest.approx(0.045 - 0.001 - 0.016, abs=1e-4)


# --- closed forms ---------------------------------------------------------------------------------------------------


def passages(mesh, *pieces, closed: bool = True):
    return Pierced(mesh, closed).passages(np.array(pieces), np.zeros(3), 1.0)


def test_meshes_of_the_tests_are_closed_and_have_one_tunnel() -> None:
    for mesh in (
        board(round_hole(0, 0.1, 0.02)),
        channel(slot(0, 0.046, 0.1, 0.038)),
        i_joist(round_hole(0, 0.1, 0.03)),
    ):
        solid = trimesh.Trimesh(**trimesh.triangles.to_kwargs(mesh))
        solid.merge_vertices()
        assert solid.is_watertight and solid.is_winding_consistent and solid.volume > 0.0
        assert solid.euler_number == 0  # 2 - 2 × tunnels


@pytest.mark.parametrize("angle", np.radians([30.0, 45.0, 60.0, 80.0]).tolist())
def test_a_bend_meets_both_faces_where_the_circle_does(angle: float) -> None:
    # level, about a centre at (r·cos a, -r·sin a): x = r·cos a - r·cos t
    radius, hole = 0.5, slot(0.0, 0.143, 0.14, 0.1)
    centre = np.array([radius * np.cos(angle), -radius * np.sin(angle), 0.143])
    bend = arc_piece(centre, np.array([-1.0, 0, 0]), np.array([0, 1.0, 0]), radius, np.pi / 2, 2.0)
    (passage,) = passages(board(hole), bend)
    at = [2.0 + radius * np.arccos((centre[0] - x) / radius) for x in (0.0, THICK)]
    assert (passage.from_m, passage.to_m) == pytest.approx(at, abs=1e-12)
    assert passage.whole


def test_a_leg_that_ends_on_a_face_is_counted_once() -> None:
    hole = round_hole(0.0, 0.143, 0.03)
    for corner in (0.0, THICK, 0.019):
        a, b, c = np.array([-0.5, 0, 0.143]), np.array([corner, 0, 0.143]), np.array([0.5, 0.05, 0.15])
        second = straight_piece(b, c, float(np.linalg.norm(b - a)))
        (passage,) = passages(board(hole), straight_piece(a, b, 0.0), second)
        assert passage.whole and len(passage.mouths) == 2


@pytest.mark.parametrize("radius", [0.008, 0.02, 0.05])
@pytest.mark.parametrize("z", [0.07, 0.143, 0.2])
def test_a_round_hole_is_as_far_from_the_edge_as_its_radius_says(radius: float, z: float) -> None:
    (passage,) = passages(
        board(round_hole(0.0, z, radius)), straight_piece(np.array([-1.0, 0, z]), np.array([1.0, 0, z]), 0)
    )
    edge = passage.mouths[0].edges(0.1)[0]
    assert edge.gap_m == pytest.approx(min(z, DEEP - z) - radius, abs=1e-7)
    assert edge.width_m == pytest.approx(2 * radius, abs=1e-7)
    assert edge.room_m == pytest.approx(DEEP, abs=1e-6)
    assert abs(edge.away[2]) == pytest.approx(1.0)


def test_a_notch_in_the_flange_of_an_i_is_one_way_through_from_side_to_side() -> None:
    section = [(0.045, 0.0), (0.045, 0.038), (0.005, 0.038), (0.005, 0.203), (0.045, 0.203), (0.045, 0.241)]
    outline = shapely.Polygon(section + [(-x, z) for x, z in reversed(section)])
    plain = trimesh.creation.extrude_polygon(outline, 1.0)
    notched = trimesh.creation.extrude_polygon(outline.difference(shapely.box(-1, 0.221, 1, 1)), 0.04)
    parts = [plain.triangles, shifted(notched.triangles, 0, 0, 1.0), shifted(plain.triangles, 0, 0, 1.04)]
    # three lengths drawn as one body: the faces that they share are taken out
    whole = np.concatenate(parts)[:, :, [0, 2, 1]]
    solid = shared_faces_removed(whole, outline.difference(shapely.box(-1, 0.221, 1, 1)), outline)
    (passage,) = passages(solid, straight_piece(np.array([-1.0, 1.02, 0.23]), np.array([1.0, 1.02, 0.23]), 0))
    assert passage.notch and passage.whole
    assert (passage.from_m, passage.to_m) == pytest.approx((0.955, 1.045))
    assert passage.mouths[0].opening.size_m[0] == pytest.approx(0.04, abs=1e-5)
    assert passage.mouths[0].opening.size_m[1] == pytest.approx(0.02, abs=1e-5)


def shared_faces_removed(triangles, below: shapely.Polygon, whole: shapely.Polygon):
    """Return the three lengths as one closed body: their inner ends replaced by the two cheeks of the notch."""
    inner = [(np.abs(triangles[:, :, 1] - y) < 1e-9).all(axis=1) for y in (1.0, 1.04)]
    cheek = whole.difference(below)
    flat, faces = trimesh.creation.triangulate_polygon(cheek, engine="earcut")
    cheeks = [np.insert(flat[faces], 1, y, axis=2) for y in (1.0, 1.04)]
    return np.concatenate([triangles[~(inner[0] | inner[1])], *cheeks])
