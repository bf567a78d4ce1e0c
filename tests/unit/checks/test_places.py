"""Fittings and bushings at the ends, cover in the ground, ducts, return air, and fire-stops."""

from typing import Any

import numpy as np
import pytest

from route3d.model.finding import Finding
from route3d.model.job import FireStop
from route3d.model.support import Attachment, Termination
from route3d.model.zone import ZoneStretch
from route3d.rules.connectors import connectors_of
from tests.builders import FT, IN, book, cable, zone
from tests.buildings import block, element, found, review, run, turned, volume

R = 0.006
WET = {"jacketed": True, "wet_rated": True}


def environment(zones: Any, *points: Any, of: Any = None, **more: Any) -> list[Finding]:
    line = run(*(points or ((0, 0, 0), (2, 0, 0))), serves_duct=more.pop("serves_duct", False))
    return found(review([line], [], zones, of=of, checks=["environment"], **more), "environment")


# --- fittings: NEC 314.15 -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("fitting", "severity"), [(None, "caution"), ("dry", "violation"), ("wet", None)])
def test_a_wet_termination_needs_a_fitting_for_wet_places(fitting: str | None, severity: str | None) -> None:
    findings = environment([volume("wet", (1, -1, -1), (3, 1, 1))], of=cable(fitting=fitting, **WET))
    ends = [f for f in findings if f.severity != "note"]
    assert [(f.severity, f.rule, f.at_m) for f in ends] == (
        [(severity, "NEC 2023 314.15", (2.0, 2.0))] if severity else []
    )


def test_a_jacketed_run_through_the_wet_that_ends_dry_takes_an_ordinary_fitting() -> None:
    findings = environment([volume("wet", (0.5, -1, -1), (1.5, 1, 1))], of=cable(fitting="dry", **WET))
    assert [f.severity for f in findings] == ["note"]
    assert "ordinary fitting" in findings[0].message


def test_a_damp_termination_is_a_caution_even_where_a_dry_fitting_is_stated() -> None:
    findings = environment([volume("damp", (1, -1, -1), (3, 1, 1))], of=cable(fitting="dry", **WET))
    assert [f.severity for f in findings] == ["caution"]


def test_connectors_follow_the_place_of_each_termination() -> None:
    stretches = (ZoneStretch(zone("wet", "bay"), 1.0, 2.0), ZoneStretch(zone("damp", "yard"), 0.0, 0.5))
    attached = Attachment(Termination("box", "b"), Termination("equipment", None), ())
    start, end = connectors_of(cable("ac"), attached, stretches, 2.0, book())
    assert (start.location, start.fitting, start.zone, start.element_id) == ("damp", "dry", "yard", "b")
    assert (end.location, end.fitting, end.at_m, end.termination) == ("wet", "wet", 2.0, "equipment")
    assert start.bushing == end.bushing == "required"  # NEC 320.40
    open_end = Attachment(Termination("open", None), Termination("box", None), ())
    assert [c.at_end for c in connectors_of(cable("mc-smooth"), open_end, (), 2.0, book())] == [True]
    assert connectors_of(cable("mc-smooth"), open_end, (), 2.0, book())[0].bushing == "practice"
    assert connectors_of(cable("nm"), open_end, (), 2.0, book())[0].bushing == "none"


@pytest.mark.parametrize(("bushings", "severity"), [(None, "note"), (False, "violation"), (True, None)])
def test_armored_cable_takes_bushings(bushings: bool | None, severity: str | None) -> None:
    findings = environment([], of=cable("ac", bushings=bushings))
    assert [(f.severity, f.rule) for f in findings] == ([(severity, "NEC 2023 320.40")] if severity else [])


def test_metal_clad_cable_is_not_asked_for_bushings() -> None:
    assert not environment([], of=cable(bushings=False))


# --- return air -----------------------------------------------------------------------------------------------------


def lay_in(**more: Any) -> Any:
    return volume("accessible-ceiling", (-1, -1, -1), (3, 1, 1), **more)


@pytest.mark.parametrize(
    ("moves_air", "severity", "unchecked"),
    [(None, "caution", True), (True, "violation", False), (False, None, False)],
)
def test_a_jacketed_cable_above_a_ceiling_depends_on_whether_it_returns_air(
    moves_air: bool | None, severity: str | None, unchecked: bool
) -> None:
    findings = environment([lay_in(moves_air=moves_air)], of=cable(jacketed=True))
    assert [(f.severity, f.unchecked) for f in findings] == ([(severity, unchecked)] if severity else [])
    assert all("300.22(C)" in f.rule for f in findings)


def test_bare_armour_does_not_depend_on_it() -> None:
    assert not environment([lay_in()])
    assert not environment([lay_in(moves_air=True)])


def test_a_plenum_zone_that_holds_all_of_it_says_it() -> None:
    findings = environment([lay_in(), volume("plenum", (-2, -2, -2), (4, 2, 2), "p")], of=cable(jacketed=True))
    assert ["plenum zone 'p'" in f.message for f in findings] == [True]


def test_a_plenum_zone_over_a_part_leaves_the_rest_open() -> None:
    findings = environment([lay_in(), volume("plenum", (1, -2, -2), (4, 2, 2), "p")], of=cable(jacketed=True))
    assert sorted(f.severity for f in findings) == ["caution", "violation"]


def test_in_a_dwelling_return_air_is_not_asked_for() -> None:
    assert not environment([lay_in()], of=cable(jacketed=True), occupancy="dwelling")


# --- in the ground: NEC Table 300.5 ---------------------------------------------------------------------------------


def earth(top: float, **more: Any) -> Any:
    return volume("buried", (-5, -5, -3), (5, 5, top), **more)


@pytest.mark.parametrize(("cover", "fails"), [(24 * IN, False), (24 * IN - 5e-5, False), (24 * IN - 0.001, True)])
def test_cover_is_from_the_top_of_the_cable_to_grade(cover: float, fails: bool) -> None:
    findings = environment([earth(cover + R)], of=cable("uf"))
    assert [f.rule for f in findings] == (["NEC 2023 Table 300.5"] if fails else [])
    assert all(f.measured == pytest.approx(cover) and f.at_m == pytest.approx((0.0, 2.0)) for f in findings)


def test_under_sloping_ground_the_shortest_way_to_grade_counts() -> None:
    slope = volume("buried", (-50, -50, -20), (50, 50, 0.0))
    tilted = turned(slope.solids_m[0], (0, 1, 0), 20.0)
    deep = 0.500
    point = turned(np.array([[0.0, 0, -deep - R], [2.0, 0, -deep - R]]), (0, 1, 0), 20.0)
    line = run(*point)
    buried = type(slope)("slope", "buried", (tilted,))
    finding = found(review([line], [], [buried], of=cable("uf"), checks=["environment"]), "environment")[0]
    assert finding.measured == pytest.approx(deep, abs=1e-6)


def test_what_rises_out_of_the_ground_is_asked_for_protection_not_for_cover() -> None:
    findings = environment([earth(0.0)], (0, 0, -0.7), (2, 0, -0.7), (2, 0, 1), of=cable("uf"))
    assert [(f.severity, f.rule) for f in findings] == [("note", "NEC 2023 300.5(D)")]


def test_a_gentle_rise_is_no_riser() -> None:
    findings = environment([earth(0.0)], (0, 0, -0.7), (4, 0, -0.1), of=cable("uf"))
    assert [f.severity for f in findings] == ["violation"]


@pytest.mark.parametrize(
    ("method", "location", "cover", "fails"),
    [
        ("rmc", "general", 6 * IN, False),
        ("rmc", "general", 5.9 * IN, True),
        ("pvc", "general", 17.9 * IN, True),
        ("pvc", "under-concrete", 12 * IN, False),
        ("rmc", "street", 23 * IN, True),
        ("uf", "under-slab", 18 * IN, False),
        ("uf", "driveway", 17 * IN, True),
        ("rmc", "under-slab", 4 * IN, False),
        ("imc", "under-building", 0.001, False),
        ("uf", "under-building", 2 * FT, True),  # only in a raceway
        ("mi", "under-building", 0.01, False),
    ],
)
def test_rows_of_the_table_of_cover(method: str, location: str, cover: float, fails: bool) -> None:
    findings = environment([earth(cover + R, location=location)], of=cable(method, trade_size="1/2"))
    assert any(f.severity == "violation" for f in findings) == fails


def test_a_method_without_a_row_is_not_passed() -> None:
    findings = environment([earth(1.0)], of=cable("emt", trade_size="1/2"))
    assert any(f.unchecked and "states no cover" in f.message for f in findings)


# --- fire-stops: NEC 300.21 -----------------------------------------------------------------------------------------


def crossings(stated: tuple[FireStop, ...] | None) -> list[Finding]:
    walls = [element("fire-wall", block((x, -3, -3), (x + 0.2, 3, 3)), f"w{x}") for x in (0.5, 1.5)]
    findings = found(
        review([run((0, 0, 0), (3, 0, 0))], walls, checks=["penetration"], firestops=stated), "penetration"
    )
    return sorted(findings, key=lambda f: f.at_m or (0.0, 0.0))


@pytest.mark.parametrize(
    ("stated", "severities"),
    [
        (None, ["caution", "caution"]),
        ((), ["violation", "violation"]),
        ((FireStop("a", "W-L-1"),), ["note", "note"]),
        ((FireStop("a", "W-L-1", 0.6),), ["note", "violation"]),
        ((FireStop("a", "W-L-1", 1.76), FireStop("a", "W-L-2", 0.44)), ["note", "note"]),  # within attach
        ((FireStop("a", "W-L-1", 1.0),), ["violation", "violation"]),
        ((FireStop("b", "W-L-1"),), ["violation", "violation"]),
    ],
)
def test_rated_crossings_against_the_fire_stops_that_a_project_states(stated: Any, severities: list[str]) -> None:
    findings = crossings(stated)
    assert [f.severity for f in findings] == severities
    assert all(f.rule == "NEC 2023 300.21" for f in findings)
    assert all("W-L" in f.message for f in findings if f.severity == "note")
