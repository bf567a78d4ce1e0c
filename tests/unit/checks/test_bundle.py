"""Bundles: what is counted, what governs each run, and what must stay silent."""

from __future__ import annotations

import pytest

from route3d.checks import bundle
from route3d.model.cable import Cable
from route3d.model.job import Settings
from tests.builders import cable
from tests.together_scenes import rack, run_along, scene_of

TEN = {"size": "10 AWG"}


def two(gap_m: float, of: Cable | None = None, settings: Settings | None = None):
    """Two runs of 12 mm cable, 3 m beside each other with that gap between their surfaces."""
    kind = of if of is not None else cable(**TEN)
    return bundle.check(scene_of(rack(2, 3.0, 0.012 + gap_m), [kind], settings=settings)).findings


def test_default_spacing_is_one_diameter_and_a_gap_as_wide_is_kept_spacing() -> None:
    assert not two(0.0120)
    (found,) = two(0.0118)
    assert "practice: settings.bundle_spacing is not set" in found.message


def test_of_two_different_cables_the_larger_diameter_is_the_spacing() -> None:
    thick = cable(cable_id="thick", sheath_diameter_m=0.030, overall_diameter_m=0.030, **TEN)
    for gap, expected in ((0.0298, 1), (0.0300, 0)):
        y = 0.006 + 0.015 + gap
        runs = [
            run_along((0, 0, 3), (3, 0, 3), run_id="A"),
            run_along((0, y, 3), (3, y, 3), run_id="B", cable_id="thick"),
        ]
        assert len(bundle.check(scene_of(runs, [cable(**TEN), thick])).findings) == expected


def test_spacing_is_a_setting_and_cables_that_touch_are_together_whatever_it_is() -> None:
    assert two(0.049, settings=Settings(bundle_spacing_m=0.05))
    assert not two(0.051, settings=Settings(bundle_spacing_m=0.05))
    assert two(0.0, settings=Settings(bundle_spacing_m=0.0))
    assert not two(0.001, settings=Settings(bundle_spacing_m=0.0))


def test_it_is_one_finding_with_both_runs_and_the_arithmetic() -> None:
    (found,) = two(0.001)
    assert (found.severity, found.run, found.other) == ("caution", "R0", "R1")
    assert found.at_m == pytest.approx((0.0, 3.0))
    assert (found.measured, found.required) == (4.0, 3.0)
    assert "2 × c (2 of 3 conductors, one taken as grounding): 4 current-carrying" in found.message
    assert "80 % for 4 to 6; no relief, since c is 10 AWG, not 12 AWG" in found.message
    assert found.rule == "NEC 2023 310.15(C)(1)"


def test_relief_is_a_note_under_its_own_paragraph() -> None:
    (found,) = two(0.001, cable())
    assert found.severity == "note" and not found.unchecked
    assert found.rule == "NEC 2023 310.15(C)(1)(d)"
    assert (found.measured, found.required) == (4.0, 20.0)


@pytest.mark.parametrize(
    ("given", "reason"),
    [
        ({"method": "nm"}, "c is nm"),
        ({"jacketed": True}, "c has an outer jacket"),
        ({"size": "14 AWG"}, "c is 14 AWG, not 12 AWG"),
        ({"size": None}, "the size of c is not given"),
        ({"conductors": 5}, "c has more than 3"),
    ],
)
def test_relief_is_refused_for_each_reason(given: dict, reason: str) -> None:
    method = given.pop("method", "mc-interlocked")
    found = [f for f in two(0.001, cable(method, **given)) if f.run is not None]
    assert [f.severity for f in found] == ["caution"]
    assert f"no relief, since {reason}" in found[0].message


def test_one_cable_without_relief_takes_it_from_all() -> None:
    jacketed = cable(cable_id="j", jacketed=True)
    runs = [
        run_along((0, 0, 3), (3, 0, 3), run_id="A"),
        run_along((0, 0.013, 3), (3, 0.013, 3), run_id="B"),
        run_along((0, 0.026, 3), (3, 0.026, 3), run_id="C", cable_id="j"),
    ]
    (found,) = bundle.check(scene_of(runs, [cable(), jacketed])).findings
    assert found.severity == "caution"
    assert "2 × c (2 of 3 conductors, one taken as grounding) + 1 × j" in found.message
    assert "A at 0.00–3.00 m, B at 0.00–3.00 m, C at 0.00–3.00 m" in found.message


def test_three_conductors_in_all_need_nothing() -> None:
    assert not two(0.001, cable(conductors=2, **TEN))


def test_stated_current_carrying_conductors_come_first() -> None:
    (found,) = two(0.001, cable(conductors=4, current_carrying=2, **TEN))
    assert found.measured == 4.0 and "2 as cable.c.current_carrying says" in found.message
    assert not two(0.001, cable(conductors=4, current_carrying=1, **TEN))


def test_armored_cable_grounds_by_its_armor_so_all_its_conductors_count() -> None:
    (found,) = two(0.001, cable("ac", conductors=2))
    assert found.measured == 4.0 and "all 2 conductor(s)" in found.message


def test_unknown_conductors_take_the_pass_from_every_run_of_the_bundle() -> None:
    found = two(0.001, cable(conductors=None))
    assert [f.run for f in found] == ["R0", "R1"]
    assert all(f.unchecked and f.severity == "caution" for f in found)


def test_unknown_conductors_of_a_lonely_run_are_nobodys_business() -> None:
    assert not bundle.check(scene_of(rack(1, 3.0), [cable(conductors=None)])).findings


def test_data_fibre_and_raceways_are_not_counted() -> None:
    for method in ("data-pair", "fibre", "emt", "fmc", "lfmc"):
        assert not two(0.001, cable(method, **TEN)), method


def test_more_than_three_in_one_cable_are_told_once_for_its_kind() -> None:
    found = bundle.whole(scene_of(rack(2, 3.0, 0.5), [cable(conductors=5)]))
    assert [(f.run, f.severity, f.measured) for f in found] == [(None, "caution", 4.0)]
    assert "R0, R1" in found[0].message and "say current_carrying" in found[0].message
    assert not bundle.whole(scene_of(rack(2, 3.0, 0.5), [cable(conductors=5, current_carrying=3)]))
    assert not bundle.whole(scene_of(rack(2, 0.6, 0.5), [cable(conductors=5)]))


def test_twenty_four_inches_exactly_do_not_count_and_a_fifth_of_a_millimetre_more_does() -> None:
    for shared, expected in ((0.6096, 0), (0.60965, 0), (0.6098, 1)):
        scene = scene_of(rack(2, 3.0, shared_m=shared), [cable(**TEN)])
        assert len(bundle.check(scene).findings) == expected, shared


def test_cables_that_meet_at_a_box_are_no_bundle() -> None:
    runs = [run_along((0, 0, 3), (3, k * 0.4, 3), run_id=f"R{k}") for k in range(4)]
    assert not bundle.check(scene_of(runs, [cable(**TEN)])).findings


def test_cables_that_cross_are_no_bundle() -> None:
    runs = [run_along((0, k * 0.02, 3), (3, k * 0.02, 3), run_id=f"A{k}") for k in range(1)]
    runs += [run_along((k * 0.02, -1, 3.013), (k * 0.02, 1, 3.013), run_id=f"B{k}") for k in range(0, 140, 30)]
    assert not bundle.check(scene_of(runs, [cable(**TEN)])).findings


def test_neighbours_of_neighbours_belong_together() -> None:
    (found,) = bundle.check(scene_of(rack(5, 3.0, 0.020), [cable(**TEN)])).findings
    assert found.measured == 10.0


def test_a_short_third_cable_does_not_count_for_the_other_two() -> None:
    runs = [*rack(2, 3.0), run_along((1, 0.026, 3), (1.5, 0.026, 3), run_id="C")]
    (found,) = bundle.check(scene_of(runs, [cable(**TEN)])).findings
    assert found.measured == 4.0
    assert found.at_m == pytest.approx((0.0, 3.0))


def test_each_run_goes_by_the_worst_company_that_it_keeps_long_enough() -> None:
    runs = [
        run_along((0, 0, 3), (6, 0, 3), run_id="A"),
        run_along((0, 0.013, 3), (6, 0.013, 3), run_id="B"),
        run_along((0, 0.026, 3), (2, 0.026, 3), run_id="C"),
        run_along((0, 0.039, 3), (2, 0.039, 3), run_id="D"),
        run_along((4, 0.026, 3), (6, 0.026, 3), run_id="E"),
    ]
    found = {f.run: f for f in bundle.check(scene_of(runs, [cable(**TEN)])).findings}
    assert {run: f.measured for run, f in found.items()} == {"A": 8.0, "E": 6.0}
    assert found["A"].at_m == pytest.approx((0.0, 2.0), abs=1e-4)
    assert "A, B, decided by another bundle" in found["E"].message


def test_company_that_changes_without_a_break_is_one_stretch() -> None:
    runs = [
        run_along((0, 0, 3), (1, 0, 3), run_id="A"),
        run_along((0, 0.013, 3), (0.5, 0.013, 3), run_id="B"),
        run_along((0.5, -0.013, 3), (1, -0.013, 3), run_id="C"),
    ]
    (found,) = bundle.check(scene_of(runs, [cable(**TEN)])).findings
    assert found.run == "A" and found.at_m == pytest.approx((0.0, 1.0), abs=1e-4)
    assert "Not the same cables all along" in found.message


def test_editions_cite_their_own_paragraph() -> None:
    (found,) = bundle.check(scene_of(rack(2, 3.0), [cable(**TEN)], rules="nec-2017")).findings
    assert found.rule == "NEC 2017 310.15(B)(3)(a)"
    (found,) = bundle.check(scene_of(rack(2, 3.0), [cable()], rules="nec-2017")).findings
    assert found.rule == "NEC 2017 310.15(B)(3)(a)(4)"
