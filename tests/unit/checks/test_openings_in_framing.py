"""Holes, notches and wider openings that are drawn in framing: who is held there, and what their edges ask."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest

from route3d.model.element import Element
from route3d.model.finding import Review
from tests.builders import FT, IN, cable
from tests.buildings import block, element, found, profile, review, run, turned, volume
from tests.opened_members import DEEP, THICK, board, channel, i_joist, round_hole, shifted, slot

R = 0.006
EDGE = 1.25 * IN  # NEC 300.4(A)(1)
HOLE = round_hole(0.0, 0.143, 0.016)
SPACING = 16 * IN


def joists(*openings: Any, count: int = 8, spacing: float = SPACING, **more: Any) -> list[Element]:
    """A row of joists from x = 0.2 on, the same openings in each."""
    mesh = board(*openings)
    given = {"material": "wood", **more}
    return [element("framing", shifted(mesh, 0.2 + spacing * k), f"j{k}", **given) for k in range(count)]


def through(
    elements: list[Element], z: float = 0.143, y: float = 0.0, *, to: float = 3.4, rise: float = 0.0, **more: Any
) -> Review:
    keys = {key: more.pop(key) for key in ("plates_m", "grommets", "straps_at_m", "guards_m") if key in more}
    line = run((0.0, y, z), (to, y, z + rise), **{"straps_at_m": (0.1, to - 0.1), **keys})
    return review([line], elements, more.pop("zones", ()), **more)


def held_at(reviewed: Review) -> list[float]:
    return [round(s.at_m, 6) for s in reviewed.runs[0].attachment.supports if s.kind == "framing"]


def middles(count: int = 8, spacing: float = SPACING) -> list[float]:
    """Centre line of each member, from which spans are measured."""
    return [round(0.2 + spacing * k + THICK / 2, 6) for k in range(count)]


# --- who is held ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", ["mc-interlocked", "ac", "nm", "emt"])
def test_horizontal_runs_through_drawn_holes_are_held_in_each_as_through_bored_ones(method: str) -> None:
    # NEC 330.30(C), 320.30(C), 334.30(A), 358.30(B)
    of = cable(method, trade_size="1/2" if method == "emt" else None)
    drawn = through(joists(HOLE), of=of, occupancy="dwelling")
    bored = through(joists(), of=of, occupancy="dwelling")
    assert held_at(drawn) == held_at(bored) == middles()
    for name in ("securing", "supporting", "clash"):
        assert not found(drawn, name, "violation")


@pytest.mark.parametrize(("feet", "fails"), [(6.0, False), (6.05, True)])
def test_holes_hold_only_where_they_are_close_enough(feet: float, fails: bool) -> None:
    # NEC 330.30(B): 6 ft from the middle of one member to the middle of the next
    members = joists(HOLE, count=3, spacing=feet * FT)
    reviewed = through(members, to=0.4 + 2 * feet * FT)
    assert bool(found(reviewed, "securing", "violation")) == fails


@pytest.mark.parametrize(("degrees", "held"), [(44.0, True), (46.0, False)])
def test_a_steep_run_hangs_in_its_holes_and_is_not_held(degrees: float, held: bool) -> None:
    one = joists(slot(0.0, 0.143, 0.03, 0.12), count=1)
    rise = 0.4 * np.tan(np.radians(degrees))
    middle = 0.2 + THICK / 2
    line = run((0.0, 0.0, 0.143 - rise * middle / 0.4), (0.4, 0.0, 0.143 + rise * (0.4 - middle) / 0.4), straps_at_m=())
    assert bool(held_at(review([line], one))) == held


@pytest.mark.parametrize(("y", "z"), [(0.0, -R - 0.001), (0.0, DEEP + R), (2.01, 0.143), (0.0, -0.001), (-2.01, 0.143)])
def test_a_run_below_above_or_past_the_end_of_members_with_openings_is_not_held(y: float, z: float) -> None:
    assert not held_at(through(joists(HOLE, slot(0.5, 0.26, 0.04, 0.08)), z, y))


def test_a_run_in_the_recess_of_an_i_or_a_c_is_not_held() -> None:
    hole = round_hole(0.0, 0.12, 0.016)
    for mesh, x in ((i_joist(hole), 0.02), (channel(slot(0.0, 0.046, 0.1, 0.038)), 0.02)):
        part = element("framing", mesh, material="metal")
        for line in (run((x, -3, 0.06), (x, 3, 0.06)), run((x, -1.0, 0.06), (x, 1.0, 0.07))):
            assert not held_at(review([line], [part]))


def test_a_short_piece_of_an_i_holds_nothing_in_its_recess() -> None:
    # 100 mm of an I: along it no flat face bounds the recess
    right = [(0.045, 0.0), (0.045, 0.038), (0.005, 0.038), (0.005, 0.088), (0.045, 0.088), (0.045, 0.126)]
    mesh = profile(right + [(-y, z) for y, z in reversed(right)], 0.1)
    assert not held_at(review([run((-0.5, 0.02, 0.06), (0.6, 0.02, 0.06))], [element("framing", mesh)]))


def test_the_web_of_a_metal_member_holds_once_at_its_web() -> None:
    member = element("framing", shifted(channel(slot(0.0, 0.046, 0.1, 0.038)), 0.5), material="metal")
    reviewed = review([run((0, 0, 0.046), (1, 0, 0.046))], [member])
    assert held_at(reviewed) == [0.5005]
    assert not found(reviewed, "clash")


def test_a_hole_in_an_i_joist_is_measured_to_the_outside_of_its_flanges() -> None:
    for z, gap in ((0.0643, 0.0643 - 0.016), (0.12, 0.12 - 0.016)):
        member = element("framing", shifted(i_joist(round_hole(0.0, z, 0.016)), 0.5), material="wood")
        reviewed = review([run((0, 0, z), (1, 0, z))], [member])
        note = found(reviewed, "framing")[0]
        assert (note.severity, note.measured) == ("note", pytest.approx(gap, abs=1e-6))
        assert held_at(reviewed) == [0.5]


@pytest.mark.parametrize("of", ["round", "flat", "oval"])
def test_a_hole_of_any_shape_holds_on_a_slanted_and_on_a_bent_run(of: str) -> None:
    shape = {"round": round_hole(0, 0.143, 0.03), "flat": slot(0, 0.143, 0.12, 0.04), "oval": slot(0, 0.143, 0.1, 0.05)}
    one = joists(shape[of], count=1)
    slanted = run((0.0, -0.06, 0.143), (0.438, 0.06, 0.146), straps_at_m=())
    assert len(held_at(review([slanted], one))) == 1
    bent = run((0.0, 0.0, 0.143), (0.3, 0.0, 0.143), (0.3, 1.0, 0.143), straps_at_m=())
    assert len(held_at(review([bent], one))) == 1


def test_an_opening_longer_than_a_hole_for_cables_is_said_and_holds_nothing() -> None:
    for wide, holds in ((0.15, True), (0.152, False)):
        reviewed = through(joists(slot(0.0, 0.143, wide, 0.1)), straps_at_m=tuple(np.arange(0.1, 3.4, 0.3)))
        assert bool(held_at(reviewed)) == holds
        said = [f for f in found(reviewed, "framing") if "does not count as held" in f.message]
        assert bool(said) != holds


def test_between_the_webs_of_a_truss_drawn_as_one_body_nothing_holds() -> None:
    # chords of 38 mm, panels of 300 mm: NEC says nothing of open webs, so it is neither held nor passed in silence
    panels = [slot(-1.5 + 0.4 * k, 0.143, 0.3, 0.21) for k in range(8)]
    reviewed = through(joists(*panels, count=4), y=-0.3, straps_at_m=(0.1, 1.7, 3.3))
    assert not held_at(reviewed)
    note = next(f for f in found(reviewed, "framing") if "does not count as held" in f.message)
    assert "300.0 mm" in note.message and note.severity == "note"


def test_in_an_open_web_as_near_to_the_edge_as_nails_reach_it_is_a_caution() -> None:
    thin = [slot(-1.5 + 0.4 * k, 0.143, 0.3, 0.24) for k in range(8)]
    near = found(through(joists(*thin, count=4), z=0.035, y=-0.3), "framing")[0]
    assert (near.severity, near.rule, near.unchecked) == ("caution", "NEC 2023 300.4(A)(1)", False)
    assert near.measured == pytest.approx(0.035 - R)
    assert not [f for f in found(through(joists(*thin, count=4, material="metal"), z=0.035, y=-0.3), "framing")
                if f.severity != "note"]  # fmt: skip


def test_a_run_that_ends_inside_a_hole_is_not_held_by_it() -> None:
    one = joists(HOLE, count=1)
    reviewed = review([run((0.0, 0, 0.143), (0.21, 0, 0.143), end="open", straps_at_m=(0.1,))], one)
    assert not held_at(reviewed)
    assert [(f.severity, f.unchecked) for f in found(reviewed, "framing")] == [("caution", True)]


def test_a_thick_timber_holds_no_more_than_a_bored_hole_would() -> None:
    post = element("framing", shifted(board(HOLE, thick=0.2), 0.3), material="wood")
    reviewed = review([run((0, 0, 0.143), (1, 0, 0.143))], [post])
    assert not held_at(reviewed)
    assert any("settings.bore_length" in f.message for f in found(reviewed, "framing"))
    assert not found(reviewed, "clash")


# --- the edges ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("gap", "fails"), [(EDGE, False), (EDGE - 0.00005, False), (EDGE - 0.001, True)])
@pytest.mark.parametrize("upper", [False, True])
def test_a_drawn_hole_is_measured_from_its_own_rim(gap: float, fails: bool, upper: bool) -> None:
    # NEC 300.4(A)(1): from the edge of the hole; the cable of 12 mm is much further from the edge
    z = gap + 0.04
    z = DEEP - z if upper else z
    reviewed = through(joists(slot(0.0, z, 0.08, 0.08)), z, hole_allowance_m=0.01)
    finding = found(reviewed, "framing")[0]
    assert finding.severity == ("violation" if fails else "note")
    assert finding.measured == pytest.approx(gap, abs=1e-7)
    assert finding.rule == "NEC 2023 300.4(A)(1)"
    assert "measured as drawn" in finding.message
    assert held_at(reviewed) == middles()


def test_the_remedy_for_a_drawn_hole_is_told_in_numbers() -> None:
    finding = found(through(joists(slot(0.0, 0.055, 0.1, 0.07), count=1), 0.055), "framing")[0]
    assert finding.measured == pytest.approx(0.020)
    assert re.search(r"Move the hole 11\.[78] mm up", finding.remedy)  # 11.75 mm
    assert "at least 100.0 mm" in finding.remedy


@pytest.mark.parametrize(("stretch", "covers"), [((0.2, 0.238), True), ((0.21, 0.3), False)])
def test_a_stated_plate_covers_a_drawn_hole(stretch: tuple[float, float], covers: bool) -> None:
    reviewed = through(joists(slot(0.0, 0.055, 0.1, 0.07), count=1), 0.055, plates_m=(stretch,))
    assert [f.severity for f in found(reviewed, "framing")] == (["note"] if covers else ["violation"])


@pytest.mark.parametrize(("half", "covers"), [(0.05, True), (0.049, False)])
def test_a_drawn_plate_must_be_as_long_as_the_drawn_hole_is_wide(half: float, covers: bool) -> None:
    plate = element("plate", block((0.2, -half, -0.002), (0.238, half, 0.0)))
    reviewed = through([*joists(slot(0.0, 0.055, 0.1, 0.07), count=1), plate], 0.055)
    assert [f.severity for f in found(reviewed, "framing")] == (["note"] if covers else ["violation"])


def test_a_rigid_raceway_in_drawn_holes_is_relieved() -> None:
    of = cable("emt", trade_size="1/2")
    findings = found(through(joists(slot(0.0, 0.03, 0.03, 0.03)), 0.03, of=of), "framing")
    assert [f.severity for f in findings] == ["note"]
    assert "relieved" in findings[0].message


@pytest.mark.parametrize(("grommets", "severity"), [(None, "caution"), (False, "violation"), (True, None)])
def test_nonmetallic_cable_through_drawn_knock_outs_needs_grommets(grommets: bool | None, severity: str | None) -> None:
    # NEC 300.4(B)(1)
    member = element("framing", shifted(channel(slot(0.0, 0.046, 0.02, 0.02)), 0.5), material="metal")
    line = run((0, 0, 0.046), (1, 0, 0.046), grommets=grommets)
    findings = found(review([line], [member], of=cable("nm"), occupancy="dwelling"), "framing")
    assert [f.severity for f in findings] == ([severity] if severity else [])


def test_metal_clad_cable_through_knock_outs_is_noted_only() -> None:
    member = element("framing", shifted(channel(slot(0.0, 0.046, 0.1, 0.038)), 0.5), material="metal")
    findings = found(review([run((0, 0, 0.046), (1, 0, 0.046))], [member]), "framing")
    assert [f.severity for f in findings] == ["note"]


# --- notches: NEC 300.4(A)(2) ---------------------------------------------------------------------------------------

TOP, BOTTOM = slot(0.0, DEEP, 0.04, 0.06), slot(0.0, 0.0, 0.04, 0.06)


@pytest.mark.parametrize(("notch", "z"), [(TOP, DEEP - 0.02), (BOTTOM, 0.02)])
def test_a_drawn_notch_always_needs_a_plate(notch: Any, z: float) -> None:
    reviewed = through(joists(notch, count=1), z)
    finding = found(reviewed, "framing")[0]
    assert (finding.severity, finding.rule) == ("violation", "NEC 2023 300.4(A)(2)")
    assert finding.measured == 0.0
    assert "is a notch of 30.0 mm" in finding.message
    assert "at least 40.0 mm" in finding.remedy
    plated = through(joists(notch, count=1), z, plates_m=((0.15, 0.3),))
    assert [f.severity for f in found(plated, "framing")] == ["note"]
    assert found(through(joists(notch, count=1), z, rules="nec-2026"), "framing")[0].rule == "NEC 2026 300.6(A)(2)"


def test_a_notch_holds_what_lies_in_it_and_one_open_downward_only_behind_a_plate() -> None:
    assert held_at(through(joists(TOP), DEEP - 0.02)) == middles()
    assert not held_at(through(joists(BOTTOM), 0.02))
    assert held_at(through(joists(BOTTOM), 0.02, plates_m=((0.0, 3.4),))) == middles()
    plate = element("plate", block((0.2, -0.03, -0.002), (0.238, 0.03, 0.0)))
    assert held_at(through([*joists(BOTTOM, count=1), plate], 0.02)) == middles(1)
    short = element("plate", block((0.2, -0.03, -0.002), (0.238, -0.012, 0.0)))
    assert not held_at(through([*joists(BOTTOM, count=1), short], 0.02))


def test_a_cable_that_stands_out_of_its_notch_is_not_held() -> None:
    assert held_at(through(joists(TOP), DEEP - R))
    reviewed = through(joists(TOP), DEEP - R + 0.001)
    assert not held_at(reviewed)
    assert any("not wholly inside the notch" in f.message for f in found(reviewed, "framing"))


def test_a_hole_with_a_slot_to_the_edge_is_a_notch() -> None:
    keyhole = round_hole(0.0, 0.1, 0.03).union(slot(0.0, 0.05, 0.02, 0.1))
    finding = found(through(joists(keyhole, count=1), 0.1), "framing")[0]
    assert finding.rule == "NEC 2023 300.4(A)(2)"


def test_a_stud_notched_in_its_face_holds_a_level_run() -> None:
    upright = turned(board(slot(0.0, DEEP, 0.04, 0.06)), (1, 0, 0), 90.0)  # its depth is along -y now
    stud = element("framing", shifted(upright, 0.2), material="wood")
    reviewed = review([run((0, -DEEP + 0.02, 0.0), (1, -DEEP + 0.02, 0.0))], [stud])
    assert held_at(reviewed) == [0.219]
    assert found(reviewed, "framing", "violation")[0].rule == "NEC 2023 300.4(A)(2)"


def test_a_recess_as_large_as_a_bay_may_be_a_notch_and_is_a_caution() -> None:
    reviewed = through(joists(slot(0.0, DEEP, 0.3, 0.1), count=1), DEEP - 0.02)
    finding = found(reviewed, "framing")[0]
    assert (finding.severity, finding.rule) == ("caution", "NEC 2023 300.4(A)(2)")
    assert not held_at(reviewed)


# --- what it does not change ----------------------------------------------------------------------------------------


def test_a_hole_smaller_than_the_cable_is_a_clash_and_a_bore_is_none() -> None:
    tight = through(joists(round_hole(0.0, 0.143, 0.005), count=1))
    assert len(found(tight, "clash", "violation")) == 1
    assert not found(through(joists(count=1)), "clash")
    assert not found(through(joists(round_hole(0.0, 0.143, 0.0062), count=1)), "clash")


def test_beside_its_hole_a_run_is_bored_anew_and_held_once() -> None:
    reviewed = through(joists(round_hole(0.0, 0.06, 0.01)), 0.2)
    assert held_at(reviewed) == middles()
    assert found(reviewed, "framing")[0].measured == pytest.approx(DEEP - 0.2 - R)


def test_a_run_that_goes_in_by_the_hole_and_comes_out_beside_it_is_judged_by_both() -> None:
    # in at y = 0, within the hole; out at y = 0.038, beside it
    line = run((0.1, -0.1, 0.143), (0.4, 0.2, 0.143), straps_at_m=())
    for high in (0.1, 0.2):
        reviewed = review([line], joists(slot(0.0, 0.143, 0.03, high), count=1))
        assert len(held_at(reviewed)) == 1
        note = found(reviewed, "framing")[0]
        # the slot itself; one too long for a hole is no hole, but the bore beside it is
        assert note.measured == pytest.approx(0.093 if high == 0.1 else 0.143 - R, abs=1e-6)
        assert note.at_m == pytest.approx((0.1 * np.sqrt(2), 0.138 * np.sqrt(2)))


def test_members_drawn_as_one_mesh_and_sheets_hold_alike() -> None:
    one = np.concatenate([shifted(board(HOLE), 0.2 + SPACING * k) for k in range(8)])
    assert held_at(through([element("framing", one, material="wood")])) == middles()
    sheet = board(HOLE)
    sheet = sheet[np.abs(sheet[:, :, 0]).max(axis=1) < 1e-9]
    reviewed = through([element("framing", shifted(sheet, 0.2), closed=False, material="metal")])
    assert held_at(reviewed) == [0.2]


def test_in_an_attic_a_run_in_drawn_holes_needs_no_guards() -> None:
    zone = volume("attic", (-1, -5, -0.1), (5, 5, 4), stairs=True)
    guard = [f for f in found(through(joists(HOLE), zones=[zone]), "framing") if f.rule.endswith("330.23")]
    assert not guard
    over = [f for f in found(through(joists(HOLE), DEEP + R, zones=[zone]), "framing") if f.rule.endswith("330.23")]
    assert over


def test_along_a_stud_with_openings_its_nailing_edges_are_known_all_the_same() -> None:
    # NEC 300.4(D): 1-1/4 in from the edge; a truss is no such member
    mesh = turned(board(*(round_hole(-1.6 + 0.4 * k, 0.143, 0.05) for k in range(9))), (1, 0, 0), 90.0)
    zones = [volume("inaccessible", (-1, -0.4, -2), (1, 0.1, 2), finished=False)]
    for depth, fails in ((EDGE + R, False), (EDGE + R - 0.001, True)):
        line = run((-R, -depth, -1.5), (-R, -depth, 1.5))
        findings = found(review([line], [element("framing", mesh, material="wood")], zones), "framing")
        assert [f.severity for f in findings] == (["violation"] if fails else [])


def test_an_opening_between_faces_that_are_not_flat_is_never_passed_in_silence() -> None:
    bulging = board(round_hole(0.0, 0.143, 0.03))
    corners = bulging.reshape(-1, 3)
    side = np.where(corners[:, 0] > THICK / 2, 1.0, -1.0)
    corners[:, 0] += side * 0.02 * np.sin(np.pi * corners[:, 2] / DEEP) * (2.0 - np.abs(corners[:, 1]))
    reviewed = review([run((-0.5, 0, 0.143), (0.5, 0, 0.143))], [element("framing", bulging, material="wood")])
    findings = found(reviewed, "framing")
    assert not held_at(reviewed)
    assert [(f.severity, f.unchecked) for f in findings] == [("caution", True)]
    assert "no flat face" in findings[0].message
