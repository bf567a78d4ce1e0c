from typing import Any

import pytest

from route3d.checks import securing, supporting
from route3d.model.finding import CHECKS
from tests.builders import FT, cable, hanger, scene_for, straight_run, zone

MM = 0.001
CEILING = zone("accessible-ceiling", "lay-in ceiling")
CLOSED = zone("inaccessible", "old plaster")
ALONE = ("supporting",)


@pytest.mark.parametrize(
    ("method", "limit_m", "section"),
    [
        ("mc-interlocked", 6 * FT, "330.30(C)"),
        ("ac", 4.5 * FT, "320.30(C)"),
        ("nm", 4.5 * FT, "334.30"),
        ("mi", 6 * FT, "332.30"),
        ("emt", 10 * FT, "358.30(A)"),
    ],
)
def test_hangers_at_the_limit_support_and_a_fifth_of_a_millimetre_more_does_not(
    method: str, limit_m: float, section: str
) -> None:
    for extra, ok in ((0.0, True), (0.2 * MM, False)):
        length = limit_m + extra
        scene = scene_for(straight_run(2.0 * length), cable(method), [hanger(length)])
        outcome = supporting.check(scene)
        spans = outcome.spans["R1"]
        assert [s.ok for s in spans] == [ok, ok]
        assert all(s.check == "supporting" and s.rule == f"NEC 2023 {section}" for s in spans)
        assert len(outcome.findings) == (0 if ok else 2)


def test_draped_over_joists_is_supported_but_not_secured() -> None:
    joists = [hanger(1.2192 * k) for k in range(1, 8)]
    scene = scene_for(straight_run(9.0), cable(), joists)
    assert not supporting.check(scene).findings
    found = securing.check(scene).findings
    assert len(found) == 1 and "not secured" in found[0].message


def test_a_span_missed_by_both_checks_is_one_finding_and_two_spans() -> None:
    scene = scene_for(straight_run(4.0), cable(), [0.3, 3.8])
    held, carried = securing.check(scene), supporting.check(scene)
    assert len(held.findings) == 1 and not carried.findings
    assert [s.ok for s in held.spans["R1"]] == [s.ok for s in carried.spans["R1"]] == [True, False, True]


def test_supporting_alone_reports_what_securing_would_have_said() -> None:
    scene = scene_for(straight_run(4.0), cable(), [0.3, 3.8], checks=ALONE)
    found = supporting.check(scene).findings
    assert len(found) == 1
    assert found[0].check == "supporting" and "not supported" in found[0].message
    assert found[0].remedy == "Add 1 strap or support between 1.972 m and 2.128 m."


def test_spans_that_differ_are_reported_by_each_check() -> None:
    # the hanger cuts the unsecured stretch, one part of which is still not supported
    scene = scene_for(straight_run(4.5), cable(), [0.3, hanger(1.0), 4.3])
    assert len(securing.check(scene).findings) == 1
    found = supporting.check(scene).findings
    assert len(found) == 1 and found[0].at_m == (1.0, 4.3)


def test_whip_is_exempt_from_supporting_too() -> None:
    scene = scene_for(straight_run(1.8), cable("ac"), zones=[(CEILING, 0.0, 1.8)], end="luminaire")
    outcome = supporting.check(scene)
    assert [s.exempt for s in outcome.spans["R1"]] == ["whip"] and not outcome.findings


def test_fishing_asks_to_confirm_once() -> None:
    given: dict[str, Any] = {"supports": [0.2, 5.8], "zones": [(CLOSED, 0.0, 6.0)]}
    both = scene_for(straight_run(6.0), cable(), **given, checks=CHECKS)
    assert len(securing.check(both).findings) == 1 and not supporting.check(both).findings
    alone = scene_for(straight_run(6.0), cable(), **given, checks=ALONE)
    assert [f.severity for f in supporting.check(alone).findings] == ["caution"]


def test_vertical_relief_is_said_to_be_stated_for_securing_only() -> None:
    scene = scene_for(straight_run(3.0, (0, 0, 1)), cable(size="250 kcmil"))
    span = supporting.check(scene).spans["R1"][0]
    assert span.ok and "not restated for supporting" in span.why


@pytest.mark.parametrize("method", ["data-pair", "fibre"])
def test_data_cable_hooks_are_practice_and_only_a_caution(method: str) -> None:
    at_limit = scene_for(straight_run(10 * FT), cable(method), [hanger(5 * FT)])
    assert not supporting.check(at_limit).findings
    beyond = scene_for(straight_run(10 * FT + 0.2 * MM), cable(method), [hanger(5 * FT)])
    found = supporting.check(beyond).findings
    assert [f.severity for f in found] == ["caution"]
    assert found[0].rule.startswith("practice")


@pytest.mark.parametrize(("method", "severity"), [("tc", "note"), ("other", "caution")])
def test_where_the_rule_set_has_no_interval_that_is_said(method: str, severity: str) -> None:
    found = supporting.check(scene_for(straight_run(9.0), cable(method))).findings
    assert [f.severity for f in found] == [severity]
