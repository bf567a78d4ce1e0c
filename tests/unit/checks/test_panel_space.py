"""Working and dedicated space of panels: what is in the way, what is not, and what cannot be told."""

from __future__ import annotations

from dataclasses import replace

import pytest

from route3d.checks import CHECKS
from route3d.model.panel import Panel
from tests.builders import cable
from tests.together_scenes import body, run_along, scene_of

FT, IN = 0.3048, 0.0254
SAID = Panel("P", "+x", 120.0, 1, floor_m=0.0)
# 8 in deep, 30 in wide, its top 6 ft above the floor
P = body("P", "cabinet", (0, 0, 0.9), (0.2, 0.762, 1.8288))
WALL = body("W", "wall", (-0.2, -3, 0), (0, 4, 3.5))


def judged(*, runs=(), elements=(), panel=SAID, ends=None, cables=None, own=P):
    scene = scene_of(list(runs), cables, elements=[own, *elements], panels=[panel], ends=ends)
    return CHECKS["clearance"](scene).findings


def across(z: float, x: float = 0.6, run_id: str = "R", cable_id: str = "c"):
    return run_along((x, -2, z), (x, 3, z), run_id=run_id, cable_id=cable_id)


def test_a_run_through_the_working_space_is_told_with_its_stretch() -> None:
    (found,) = judged(runs=[across(1.5)], elements=[WALL])
    assert (found.severity, found.run, found.other) == ("violation", "R", "P")
    # a tube of 6 mm radius touches the box from 6 mm before it on, and the comparison gives it 0.1 mm
    assert found.at_m == pytest.approx((2 - 0.0059, 2.762 + 0.0059), abs=1e-6)
    assert found.rule == "NEC 2023 110.26(A)(3)"


def test_a_run_above_six_and_a_half_feet_is_silent() -> None:
    top = 6.5 * FT
    assert not judged(runs=[across(top + 0.006)], elements=[WALL])
    assert not judged(runs=[across(top + 0.00595)], elements=[WALL])
    assert judged(runs=[across(top + 0.0057)], elements=[WALL])


def test_a_run_that_ends_at_the_panel_is_silent() -> None:
    feeder = run_along((0.6, 0.4, 3.0), (0.6, 0.4, 1.2), (0.2, 0.4, 1.2), run_id="R")
    assert judged(runs=[feeder], elements=[WALL])
    assert not judged(runs=[feeder], elements=[WALL], ends={"R": "P"})


def test_depth_is_exact_by_voltage_and_condition() -> None:
    for volts, condition, depth_ft in ((120, 3, 3.0), (277, 1, 3.0), (277, 2, 3.5), (277, 3, 4.0), (600.5, 3, 5.0)):
        panel = Panel("P", "+x", volts, condition, floor_m=0.0)
        x = 0.2 + depth_ft * FT
        assert not judged(runs=[across(1.5, x + 0.006)], elements=[WALL], panel=panel)
        assert judged(runs=[across(1.5, x + 0.0057)], elements=[WALL], panel=panel)


def test_above_and_below_the_panel_six_inches_in_front_are_for_other_gear() -> None:
    out = 0.2 + 6 * IN
    assert not judged(runs=[across(0.5, out - 0.006)], elements=[WALL])
    assert judged(runs=[across(0.5, out)], elements=[WALL])
    assert judged(runs=[across(1.0, out - 0.006)], elements=[WALL])


def test_beside_the_panel_against_the_wall_is_silent() -> None:
    assert not judged(runs=[run_along((0.1, 0.8, 0.0), (0.1, 0.8, 3.0), run_id="R")], elements=[WALL])


def test_electrical_cable_in_the_dedicated_space_is_silent_and_data_is_a_caution() -> None:
    assert not judged(runs=[across(2.5, 0.1)])
    data = cable("data-pair", overall_diameter_m=0.006, sheath_diameter_m=0.006)
    (found,) = judged(runs=[across(2.5, 0.1)], cables=[data])
    assert found.severity == "caution" and not found.unchecked
    assert found.rule == "NEC 2023 110.26(E)(1)"
    assert not judged(runs=[across(2.5, 0.1)], cables=[data], ends={"R": "P"})


@pytest.mark.parametrize("role", ["duct", "pipe", "hot-pipe", "sprinkler"])
def test_foreign_things_in_the_dedicated_space_are_told_of_the_job(role: str) -> None:
    top = 1.8288 + 6 * FT
    for z, count in ((2.5, 1), (top - 0.001, 1), (top, 0), (0.3, 1)):
        found = judged(elements=[body("X", role, (0.05, -2, z), (0.1, 2, z + 0.05))])
        assert len(found) == count, z
        assert all((f.severity, f.run, f.other) == ("violation", None, "X") for f in found)


def test_things_beside_the_dedicated_space_and_electrical_ones_in_it_are_silent() -> None:
    assert not judged(elements=[body("X", "pipe", (-0.05, -2, 2.5), (0, 2, 2.55))])
    for role in ("tray", "box", "luminaire", "strap", "framing"):
        assert not judged(elements=[body("X", role, (0.05, -2, 2.5), (0.1, 2, 2.55))]), role


def test_a_duct_that_swallows_the_whole_space_is_found() -> None:
    found = judged(elements=[body("X", "duct", (-1, -1, -1), (3, 3, 5))])
    assert [f.severity for f in found] == ["violation", "violation"]
    assert found[1].measured == pytest.approx(0.0, abs=2e-4)  # of the working space, nothing is left


def test_the_structural_ceiling_ends_the_dedicated_space_and_neither_tiles_nor_a_beam_do() -> None:
    pipe = body("X", "pipe", (0.05, -2, 3.2), (0.1, 2, 3.25))
    assert not judged(elements=[pipe, body("D", "deck", (-5, -5, 3.0), (5, 5, 3.05))])
    assert not judged(elements=[pipe, body("D", "structure", (-5, -5, 3.0), (5, 5, 3.15))])
    assert judged(elements=[pipe, body("D", "ceiling", (-5, -5, 2.7), (5, 5, 2.72))])
    assert judged(elements=[pipe, body("D", "structure", (-5, 0.2, 2.8), (5, 0.3, 3.15))])


def test_equipment_in_the_dedicated_space_is_to_be_confirmed() -> None:
    (found,) = judged(elements=[body("X", "equipment", (0.05, 0, 2.5), (0.1, 0.3, 2.6))])
    assert found.severity == "caution"


def test_something_opposite_leaves_too_little_depth() -> None:
    near = body("O", "wall", (0.2 + 0.9, -3, 0), (1.4, 4, 3.5))
    (found,) = judged(elements=[WALL, near])
    assert (found.severity, found.run, found.other) == ("violation", None, "O")
    assert (found.measured, found.required) == (pytest.approx(0.9), pytest.approx(3 * FT))
    assert not judged(elements=[WALL, body("O", "wall", (0.2 + 3 * FT, -3, 0), (1.4, 4, 3.5))])


def test_floor_slab_curb_and_ceiling_are_not_in_the_way() -> None:
    slab = body("S", "structure", (-5, -5, -0.2), (5, 5, 0.0))
    curb = body("C", "structure", (0.3, -5, 0), (5, 5, 0.04))
    lid = body("L", "ceiling", (-5, -5, 1.9), (5, 5, 1.95))
    assert not judged(elements=[WALL, slab, curb, lid])


def test_a_wall_beside_a_narrow_panel_is_not_in_the_way_but_one_on_each_side_is() -> None:
    """20 in wide: the 30 in may lie to either side of it, so that one side may be built up."""
    narrow = body("P", "cabinet", (0, 0, 0.9), (0.2, 20 * IN, 1.9))
    left = body("A", "wall", (0, -0.3, 0), (2, -0.02, 3))
    right = body("B", "wall", (0, 20 * IN + 0.03, 0), (2, 1.0, 3))
    assert not judged(own=narrow, elements=[WALL, left])
    (found,) = judged(own=narrow, elements=[WALL, left, right])
    assert found.measured == pytest.approx(20 * IN + 0.05)
    assert found.required == pytest.approx(30 * IN)
    assert found.rule == "NEC 2023 110.26(A)(2)"


def test_a_front_is_told_from_the_wall_behind_and_said_so() -> None:
    panel = replace(SAID, front=None)
    found = judged(runs=[across(1.5)], elements=[WALL], panel=panel)
    assert [f.severity for f in found] == ["violation", "note"]
    assert "front taken as +x from the wall behind it" in found[1].message


@pytest.mark.parametrize(
    ("own", "elements", "fronts"),
    [
        (P, [], "+x or -x"),  # free on both sides
        (P, [WALL, body("V", "wall", (0.25, -3, 0), (0.4, 4, 3))], "+x or -x"),  # walled on both
        (body("P", "cabinet", (0, 0, 0.9), (0.6, 0.7, 1.9)), [WALL], "+x or -x or +y or -y"),  # not thin
    ],
)
def test_a_front_that_cannot_be_told_is_a_note_and_a_run_there_a_caution(own, elements, fronts) -> None:
    panel = replace(SAID, front=None)
    found = judged(own=own, elements=elements, panel=panel)
    assert [(f.severity, f.unchecked) for f in found] == [("note", False)]
    assert f"could be {fronts}" in found[0].message
    found = judged(own=own, runs=[across(1.5, 0.8)], elements=elements, panel=panel)
    assert [(f.severity, f.run, f.unchecked) for f in found] == [("caution", "R", True), ("note", None, False)]


def test_volts_not_said_are_judged_by_the_least_and_cautioned_up_to_the_most() -> None:
    panel = Panel("P", "+x", floor_m=0.0)
    severities = {}
    for depth_ft in (2.9, 3.1, 3.9, 4.1):
        found = judged(runs=[across(1.5, 0.2 + depth_ft * FT)], elements=[WALL], panel=panel)
        severities[depth_ft] = [f.severity for f in found if f.run is not None]
    assert severities == {2.9: ["violation"], 3.1: ["caution"], 3.9: ["caution"], 4.1: []}


def test_floor_not_said_is_judged_over_the_height_of_the_panel_alone() -> None:
    panel = replace(SAID, floor_m=None)
    severities = {}
    for z in (-0.3, 0.5, 1.2, 2.5, 2.9):
        found = judged(runs=[across(z)], elements=[WALL], panel=panel)
        severities[z] = [f.severity for f in found if f.run is not None]
    # no lower than 6 ft - 6.5 ft, no higher than 0.9 m + 6.5 ft
    assert severities == {-0.3: [], 0.5: ["caution"], 1.2: ["violation"], 2.5: ["caution"], 2.9: []}


def test_a_wider_and_higher_space_may_be_asked() -> None:
    beside = run_along((0.6, 0.9, 0), (0.6, 0.9, 3), run_id="R")
    assert not judged(runs=[beside], elements=[WALL])
    assert judged(runs=[beside], elements=[WALL], panel=replace(SAID, width_m=1.2))
    assert judged(runs=[across(2.1)], elements=[WALL], panel=replace(SAID, height_m=2.2))


@pytest.mark.parametrize(
    ("panel", "own", "why"),
    [
        (replace(SAID, volts_to_ground=2400.0), P, "states no depth for 2400 V to ground"),
        (SAID, body("P", "cabinet", (0, 0, 0.9), (0, 0.7, 1.9)), "drawn without a body"),
    ],
)
def test_what_has_no_space_is_said_and_not_passed(panel, own, why) -> None:
    (found,) = judged(own=own, panel=panel)
    assert found.severity == "note" and found.unchecked
    assert why in found.message


def test_no_cabinet_no_word() -> None:
    assert not CHECKS["clearance"](scene_of([across(1.5)])).findings
