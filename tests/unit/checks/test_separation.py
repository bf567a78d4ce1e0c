"""Data cable and power: what is asked, and the relieved pairs that must stay silent."""

from __future__ import annotations

import pytest

from route3d.checks import separation
from route3d.rules.rulebook import load_rulebook
from tests.builders import cable
from tests.together_scenes import run_along, scene_of

INCH = 0.0254


def pair(power: str, gap_m: float, signal: str = "data-pair", **given: object):
    data = cable(signal, cable_id="d", overall_diameter_m=0.006, sheath_diameter_m=0.006, **given)
    y = gap_m + 0.009
    runs = [
        run_along((0, y, 3), (4, y, 3), run_id="P", cable_id="p"),
        run_along((1, 0, 3), (2, 0, 3), run_id="D", cable_id="d"),
    ]
    return separation.check(scene_of(runs, [cable(power, cable_id="p"), data])).findings


def test_two_inches_are_enough_and_a_fifth_of_a_millimetre_less_is_not() -> None:
    assert not pair("tc", 2 * INCH)
    assert not pair("tc", 2 * INCH - 0.00005)
    (found,) = pair("tc", 2 * INCH - 0.0002)
    assert (found.severity, found.run, found.other, found.unit) == ("violation", "D", "P", "m")
    assert found.measured == pytest.approx(2 * INCH - 0.0002, abs=1e-7)
    assert found.required == pytest.approx(2 * INCH)
    assert found.at_m == pytest.approx((0.0, 1.0), abs=1e-6)
    assert "at least 25.4 mm in -y" in pair("tc", INCH)[0].remedy


@pytest.mark.parametrize("power", load_rulebook("nec-2023", None).limit("limited-energy-separation").relieved_methods)
def test_relieved_power_beside_data_is_silent(power: str) -> None:
    assert not pair(power, 0.001)


def test_data_beside_data_and_power_beside_power_are_silent() -> None:
    assert not pair("data-pair", 0.001)
    assert not pair("tc", 0.001, signal="tc")


def test_fibre_is_silent_unless_there_is_metal_in_it() -> None:
    assert not pair("tc", 0.001, signal="fibre")
    (found,) = pair("tc", 0.001, signal="fibre", shielded=True)
    assert found.severity == "caution" and found.unchecked


def test_power_of_unknown_construction_is_to_be_confirmed() -> None:
    (found,) = pair("other", 0.001)
    assert found.severity == "caution" and found.unchecked


def test_a_crossing_is_told_with_its_exact_stretch() -> None:
    """Centre lines 30 mm apart in height, within 50.8 + 9 mm for 2·sqrt(59.8² − 30²) mm."""
    data = cable("data-pair", cable_id="d", overall_diameter_m=0.006, sheath_diameter_m=0.006)
    runs = [
        run_along((0, 0, 3), (4, 0, 3), run_id="D", cable_id="d"),
        run_along((2, -2, 3.03), (2, 2, 3.03), run_id="P", cable_id="p"),
    ]
    (found,) = separation.check(scene_of(runs, [cable("se", cable_id="p"), data])).findings
    half = (0.0598**2 - 0.03**2) ** 0.5
    assert found.at_m == pytest.approx((2 - half, 2 + half), abs=1e-6)
    assert found.measured == pytest.approx(0.021)
