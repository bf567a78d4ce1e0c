"""Joists with real holes and notches, from a drawing to the command line's answer."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from ezdxf.render import MeshBuilder

from tests.opened_members import board, channel, round_hole, slot

MM = 1000.0


def draw(scratch, layer: str, mesh: np.ndarray, at_mm, kind: str = "polyface") -> None:
    """Draw triangles in metres as a mesh in millimetres, shifted."""
    corners, faces = np.unique(np.round(mesh.reshape(-1, 3) * MM, 6), axis=0, return_inverse=True)
    builder = MeshBuilder()
    builder.vertices = [tuple(c) for c in (corners + np.array(at_mm)).tolist()]
    builder.faces = faces.reshape(-1, 3).tolist()
    if kind == "polyface":
        builder.render_polyface(scratch.space, dxfattribs={"layer": layer})
    else:
        builder.render_mesh(scratch.space, dxfattribs={"layer": layer})


def joists(scratch, opening: shapely.Polygon, kind: str = "polyface", count: int = 6) -> None:
    for k in range(count):
        draw(scratch, "S-JOIS", board(opening, long=2.0), (200 + 406.4 * k, 0, 0), kind)
    scratch.role("S-JOIS", "framing")
    scratch.table('[framing]\n"S-JOIS" = "wood"\n')


RUN = [(0, 0, 143), (2500, 0, 143)]


@pytest.mark.parametrize("kind", ["polyface", "mesh"])
def test_a_run_through_drawn_holes_is_held_by_the_joists_and_passes(scratch, kind: str) -> None:
    # NEC 330.30(C): 16 in apart, first and last within 12 in of the boxes
    joists(scratch, round_hole(0.0, 0.143, 0.016), kind)
    scratch.run(RUN, straps=[])
    checked = scratch.check()
    assert checked.status == 0, checked.output
    note = checked.findings("framing")[0]
    assert "6 drawn opening(s)" in note["message"] and "as drawn" in note["message"]
    assert note["measured"] == pytest.approx(0.127, abs=1e-6)


def test_beside_the_holes_below_the_joists_it_is_not_held(scratch) -> None:
    joists(scratch, round_hole(0.0, 0.143, 0.016))
    scratch.run([(0, 0, -8), (2500, 0, -8)], straps=[])
    checked = scratch.check()
    assert checked.status == 1
    assert {f["check"] for f in checked.violations()} == {"securing"}


def test_a_wide_hole_near_the_edge_fails_though_the_cable_is_far_from_it(scratch) -> None:
    # NEC 300.4(A)(1): from the edge of the hole
    joists(scratch, slot(0.0, 0.06, 0.08, 0.08))
    scratch.run([(0, 0, 90), (2500, 0, 90)], straps=[])
    checked = scratch.check()
    assert {f["rule"] for f in checked.violations()} == {"NEC 2023 300.4(A)(1)"}
    assert checked.violations()[0]["measured"] == pytest.approx(0.020, abs=1e-6)


def test_notches_fail_without_plates_and_pass_with_them(scratch) -> None:
    # NEC 300.4(A)(2)
    joists(scratch, slot(0.0, 0.286, 0.03, 0.05))
    scratch.run([(0, 0, 270), (2500, 0, 270)], straps=[])
    checked = scratch.check()
    assert {f["rule"] for f in checked.violations()} == {"NEC 2023 300.4(A)(2)"}
    plates = [[190 + 406.4 * k, 250 + 406.4 * k] for k in range(6)]
    scratch.tables = scratch.tables[:-1]
    scratch.run([(0, 0, 270), (2500, 0, 270)], straps=[], plates=plates)
    assert scratch.check().status == 0


def test_studs_with_knock_outs_hold_a_run_through_them(scratch) -> None:
    for k in range(4):
        draw(scratch, "S-STUD", channel(slot(0.0, 0.046, 0.1, 0.038)), (200 + 406.4 * k, 0, 0))
    scratch.role("S-STUD", "framing")
    scratch.table('[framing]\n"S-STUD" = "metal"\n')
    scratch.run([(0, 0, 46), (1650, 0, 46)], straps=[])
    checked = scratch.check()
    assert checked.status == 0, checked.output


def test_what_goes_through_an_open_web_is_said_not_to_be_held(scratch) -> None:
    joists(scratch, slot(0.0, 0.143, 0.4, 0.2))
    scratch.run(RUN, straps=[])
    checked = scratch.check()
    assert {f["check"] for f in checked.violations()} == {"securing"}
    assert "does not count as held there" in checked.findings("framing")[0]["message"]
