import math
from dataclasses import replace

import pytest

from route3d.checks import bend
from route3d.scene import Outcome
from tests.builders import bent_run, cable, scene_for, straight_run

MM = 0.001


def judged(
    centre_m: float, *, turn_deg: float = 90.0, bends: int = 1, rules: str = "nec-2023", **given: object
) -> Outcome:
    method = str(given.pop("method", "mc-interlocked"))
    bent = given.pop("bent", ())
    fitted = bent_run(centre_m, turn_deg, bends)
    fitted = replace(fitted, run=replace(fitted.run, bent=bent))
    return bend.check(scene_for(fitted, cable(method, **given), rules=rules))


@pytest.mark.parametrize(("less_m", "ok"), [(0.0, True), (0.09 * MM, True), (0.2 * MM, False), (0.006, False)])
def test_inner_radius_passes_at_its_limit_with_a_tenth_of_a_millimetre_of_grace(less_m: float, ok: bool) -> None:
    outcome = judged(0.090 - less_m)  # 7 × 12 mm + 6 mm
    one = outcome.bends["R1"][0]
    assert one.inner_radius_m == pytest.approx(0.084 - less_m)
    assert one.required_inner_m == pytest.approx(0.084)
    assert one.ratio == pytest.approx((0.084 - less_m) / 0.084)
    assert len(outcome.findings) == (0 if ok else 1)


def test_finding_has_both_numbers_the_rule_the_place_and_a_remedy() -> None:
    found = judged(0.080).findings[0]
    assert (found.check, found.severity, found.rule, found.unit) == ("bend", "violation", "NEC 2023 330.24(B)", "m")
    assert (found.measured, found.required) == (pytest.approx(0.074), pytest.approx(0.084))
    assert "74.0 mm (2-15/16 in)" in found.message and "84.0 mm (3-5/16 in)" in found.message
    assert "7 × 12.0 mm over the sheath" in found.message
    assert found.at_m == pytest.approx((0.0, 0.080 * math.pi / 2))
    # both legs are 80 mm and must be 90 mm
    assert found.remedy.count("10.0 mm (3/8 in) longer") == 2 and "80.0 mm now, 90.0 mm needed" in found.remedy


def test_each_tight_bend_is_a_finding() -> None:
    outcome = judged(0.070, turn_deg=45.0, bends=3)
    assert len(outcome.findings) == len(outcome.bends["R1"]) == 3
    assert [f.message[:6] for f in outcome.findings] == ["Bend 1", "Bend 2", "Bend 3"]


def test_jacket_counts_for_the_inner_edge_but_not_for_the_factor() -> None:
    given = {"overall_diameter_m": 0.0145, "jacketed": True}
    assert not judged(0.09125, **given).findings
    assert len(judged(0.0910, **given).findings) == 1


def test_missing_diameter_is_one_unchecked_caution_and_shows_the_bends_without_limit() -> None:
    outcome = judged(0.2, bends=2, turn_deg=60.0, sheath_diameter_m=None, overall_diameter_m=None)
    assert len(outcome.findings) == 1
    found = outcome.findings[0]
    assert (found.check, found.severity, found.unchecked) == ("input", "caution", True)
    assert "cable.c.sheath_diameter" in found.remedy
    assert [b.required_inner_m for b in outcome.bends["R1"]] == [None, None]


def test_a_run_without_bends_needs_no_limit() -> None:
    outcome = bend.check(scene_for(straight_run(3.0), cable("other")))
    assert not outcome.findings and outcome.bends["R1"] == ()


def test_makers_multiplier_is_named() -> None:
    found = judged(0.096, bend_multiplier=9.0).findings[0]
    assert found.rule.startswith("maker's data (9 ×)") and found.required == pytest.approx(0.108)


def test_makers_multiplier_below_the_rule_sets_asks_to_confirm() -> None:
    outcome = judged(0.080, bend_multiplier=6.0)
    assert [f.severity for f in outcome.findings] == ["caution"]


@pytest.mark.parametrize(
    ("edition", "severity", "unchecked"),
    [("nec-2023", "violation", False), ("nec-2026", "caution", True), ("nec-2020", "caution", True)],
)
def test_flat_cable_that_passes_on_its_flat_side_only(edition: str, severity: str, unchecked: bool) -> None:
    given = {"sheath_diameter_m": 0.0104, "overall_diameter_m": 0.0104, "minor_diameter_m": 0.0046}
    outcome = judged(0.030 + 0.0052, method="nm", rules=edition, **given)
    assert [(f.severity, f.unchecked) for f in outcome.findings] == [(severity, unchecked)]


def test_flat_cable_that_is_too_tight_on_either_side_is_a_violation() -> None:
    given = {"sheath_diameter_m": 0.0104, "overall_diameter_m": 0.0104, "minor_diameter_m": 0.0046}
    outcome = judged(0.020 + 0.0052, method="nm", rules="nec-2026", **given)
    assert [f.severity for f in outcome.findings] == ["violation"]


FLAT = {"method": "nm", "sheath_diameter_m": 0.0104, "overall_diameter_m": 0.0104, "minor_diameter_m": 0.0046}


@pytest.mark.parametrize(
    ("edition", "bent", "severity", "unchecked"),
    [
        ("nec-2026", ("flat-side",), None, False),  # 334.24, 2026: the minor axis counts
        ("nec-2026", ("edge",), "violation", False),
        ("nec-2026", (), "caution", True),
        ("nec-2023", ("flat-side",), "violation", False),  # 334.24, 2023: always the major axis
        ("nec-2020", ("flat-side",), "caution", False),  # silent on the axis: disputed
        ("nec-2020", ("edge",), "violation", False),
    ],
)
def test_how_a_flat_cable_lies_in_a_bend_counts_by_edition(edition, bent, severity, unchecked) -> None:
    found = judged(0.030 + 0.0052, rules=edition, bent=bent, **FLAT).findings
    assert [(f.severity, f.unchecked) for f in found] == ([] if severity is None else [(severity, unchecked)])


def test_each_bend_of_a_flat_cable_may_lie_in_its_own_way() -> None:
    outcome = judged(0.030 + 0.0052, bends=2, rules="nec-2026", bent=("flat-side", "edge"), **FLAT)
    assert [b.required_inner_m for b in outcome.bends["R1"]] == [pytest.approx(0.023), pytest.approx(0.052)]
    assert [f.message[:6] for f in outcome.findings] == ["Bend 2"]


def test_a_list_of_ways_that_does_not_fit_the_bends_is_not_guessed() -> None:
    found = judged(0.060, bends=2, rules="nec-2026", bent=("flat-side",) * 3, **FLAT).findings
    assert [(f.check, f.unchecked) for f in found] == [("input", True)]
    assert "names 3 bends, and the fit has 2" in found[0].message


@pytest.mark.parametrize(
    ("bender", "severity", "unchecked"),
    [("one-shot", None, False), ("other", "violation", False), (None, "caution", True)],
)
def test_which_bender_makes_the_bend_decides_the_column(bender, severity, unchecked) -> None:
    given = {"method": "emt", "trade_size": "3/4", "overall_diameter_m": 0.0234, "bender": bender}
    found = judged(0.1143, **given).findings  # Chapter 9 Table 2: 4-1/2 in and 5 in
    assert [(f.severity, f.unchecked) for f in found] == ([] if severity is None else [(severity, unchecked)])


@pytest.mark.parametrize(("bends", "turn_deg", "ok"), [(4, 90.0, True), (5, 75.0, False)])
def test_bends_of_a_raceway_add_up_to_360_degrees_at_most(bends: int, turn_deg: float, ok: bool) -> None:
    outcome = judged(0.5, bends=bends, turn_deg=turn_deg, method="emt", overall_diameter_m=0.0234, trade_size="3/4")
    assert len(outcome.findings) == (0 if ok else 1)
    if not ok:
        assert outcome.findings[0].rule == "NEC 2023 358.24(B)"
        assert (outcome.findings[0].measured, outcome.findings[0].unit) == (pytest.approx(375.0), "deg")


def test_cables_have_no_degree_total() -> None:
    assert not judged(0.2, bends=5, turn_deg=90.0).findings
