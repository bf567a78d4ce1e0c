from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from route3d.checks import securing
from route3d.model.finding import Finding
from route3d.model.span import Span
from route3d.model.support import Support
from tests.builders import FT, IN, book_from, cable, framing, hanger, path_run, scene_for, straight_run, strap, zone

MM = 0.001
CEILING = zone("accessible-ceiling", "lay-in ceiling")
CLOSED = zone("inaccessible", "old plaster")
NEW = zone("inaccessible", "new partition", finished=False)

BIG = {"conductors": 4, "size": "8 AWG"}  # no first strap is asked of this metal-clad cable


def judged(*args: Any, **given: Any) -> tuple[tuple[Span, ...], tuple[Finding, ...]]:
    outcome = securing.check(scene_for(*args, **given))
    return outcome.spans["R1"], outcome.findings


def violations(findings: tuple[Finding, ...]) -> list[Finding]:
    return [f for f in findings if f.severity == "violation"]


# --- intervals ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "limit_m", "section"),
    [
        ("mc-interlocked", 6 * FT, "330.30(B)"),
        ("mc-corrugated", 6 * FT, "330.30(B)"),
        ("mc-smooth", 6 * FT, "330.30(B)"),
        ("ac", 4.5 * FT, "320.30(B)"),
        ("nm", 4.5 * FT, "334.30"),
        ("mi", 6 * FT, "332.30"),
        ("se", 4.5 * FT, "338.10(B)(4)"),
        ("uf", 4.5 * FT, "340.10(4)"),
        ("fmc", 4.5 * FT, "348.30(A)"),
        ("lfmc", 4.5 * FT, "350.30(A)"),
        ("emt", 10 * FT, "358.30(A)"),
    ],
)
def test_span_at_its_limit_passes_and_a_fifth_of_a_millimetre_more_fails(
    method: str, limit_m: float, section: str
) -> None:
    for extra, ok in ((0.0, True), (0.2 * MM, False)):
        run = straight_run(0.5 + limit_m + extra)
        spans, findings = judged(run, cable(method), [0.25, 0.25 + limit_m + extra])
        middle = spans[1]
        assert (middle.ok, middle.limit_m) == (ok, pytest.approx(limit_m))
        assert middle.rule == f"NEC 2023 {section}"
        assert len(violations(findings)) == (0 if ok else 1)


def test_intervals_are_measured_from_the_fittings() -> None:
    spans, _ = judged(straight_run(2.0), cable(**BIG), [0.9])
    assert [(s.from_m, s.to_m) for s in spans] == [(0.0, 0.9), (0.9, 2.0)]
    assert all(s.ok and s.exempt is None for s in spans)


def test_run_without_a_strap_is_one_span_and_one_finding() -> None:
    spans, findings = judged(straight_run(9.0), cable())
    assert len(spans) == 1 and not spans[0].ok
    assert len(findings) == 1
    assert findings[0].at_m == (0.0, 9.0)
    assert (findings[0].measured, findings[0].required) == (9.0, pytest.approx(1.8288))


def test_short_run_without_a_strap_is_one_finding_for_both_boxes() -> None:
    spans, findings = judged(straight_run(1.5), cable())
    assert len(spans) == 1 and spans[0].ok
    assert len(findings) == 1 and findings[0].severity == "violation"
    assert findings[0].required == pytest.approx(0.3048)
    assert "between 0.000 m and 0.304 m" in findings[0].remedy and "between 1.196 m and 1.500 m" in findings[0].remedy


def test_open_end_is_no_support_and_its_tail_is_a_span() -> None:
    spans, findings = judged(straight_run(3.0), cable(), [0.3, 1.0], end="open")
    assert (spans[-1].from_m, spans[-1].to_m, spans[-1].ok) == (1.0, 3.0, False)
    assert "the open end at 3.000 m" in findings[0].message
    spans, findings = judged(straight_run(2.8), cable(), [0.3, 1.0], end="open")
    assert spans[-1].ok and not findings


def test_run_open_at_both_ends_without_strap_is_one_span() -> None:
    spans, findings = judged(straight_run(3.0), cable(), start="open", end="open")
    assert len(spans) == len(findings) == 1


def test_strap_at_zero_makes_no_empty_span_and_is_a_first_strap() -> None:
    spans, findings = judged(straight_run(1.0), cable(), [0.0, 1.0])
    assert len(spans) == 1 and not findings


def test_hangers_support_but_do_not_secure() -> None:
    spans, findings = judged(straight_run(4.0), cable(), [0.3, hanger(1.5), hanger(2.7), 3.8])
    assert [(s.from_m, s.to_m) for s in spans] == [(0.0, 0.3), (0.3, 3.8), (3.8, 4.0)]
    assert len(findings) == 1
    assert "not secured" in findings[0].message and "supported" not in findings[0].message


def test_a_span_that_is_not_supported_either_says_both() -> None:
    _, findings = judged(straight_run(4.0), cable(), [0.3, 3.8])
    assert "neither secured nor supported" in findings[0].message


def test_message_has_both_numbers_in_both_units_and_the_places() -> None:
    _, findings = judged(straight_run(4.0), cable(), [0.3, 3.8])
    message = findings[0].message
    assert "3500.0 mm (11 ft 5-13/16 in)" in message and "1828.8 mm (6 ft 0 in)" in message
    assert "the strap at 0.300 m" in message and "the strap at 3.800 m" in message
    assert findings[0].point_m == pytest.approx((2.05, 0.0, 3.0))


def test_remedy_for_one_strap_says_between_where() -> None:
    _, findings = judged(straight_run(4.0), cable(), [0.3, 3.8])
    assert findings[0].remedy == "Add 1 strap between 1.972 m and 2.128 m."


def test_remedy_for_one_strap_at_exactly_twice_the_limit_names_the_place() -> None:
    _, findings = judged(straight_run(12 * FT + 0.6), cable(), [0.3, 0.3 + 12 * FT])
    assert findings[0].remedy == "Add 1 strap at 2.1288 m."


def test_remedy_for_many_straps_says_how_far_apart() -> None:
    _, findings = judged(straight_run(8.0), cable(), [0.3, 7.7])
    assert findings[0].remedy == "Add 4 straps between 0.300 m and 7.700 m, at most 1828.8 mm (6 ft 0 in) apart."


def test_remedy_of_a_bare_run_counts_the_straps_beside_its_boxes() -> None:
    _, findings = judged(straight_run(4.0), cable())
    # 4.0 m less twice 12 in leaves 3.39 m, which one more strap halves
    assert findings[0].remedy.startswith(
        "Add 3 straps: one within 304.8 mm (1 ft 0 in) of the box at the start and one"
    )


def test_framing_secures_metal_clad_cable() -> None:
    _, findings = judged(straight_run(2.2), cable(), [framing(0.25), framing(1.1), framing(2.0)])
    assert not findings


@pytest.mark.parametrize(("edition", "ok"), [("nec-2017", False), ("nec-2020", True), ("nec-2023", True)])
def test_framing_secures_armored_cable_from_2020_on(edition: str, ok: bool) -> None:
    straps: list[Support | float] = [0.25, framing(1.0), 1.75]
    _, findings = judged(straight_run(2.0), cable("ac"), straps, rules=edition)
    assert bool(findings) is not ok


def test_supports_beyond_the_run_hold_nothing() -> None:
    _, findings = judged(straight_run(1.0), cable(**BIG), [-0.5, 1.5])
    assert not findings
    spans, findings = judged(straight_run(3.0), cable(**BIG), [5.0])
    assert len(spans) == 1 and len(findings) == 1


# --- vertical runs --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "direction", "length_m", "ok"),
    [
        ("250 kcmil", (0, 0, 1), 10 * FT, True),
        ("250 kcmil", (0, 0, -1), 10 * FT, True),
        ("250 kcmil", (0, 0, 1), 10 * FT + 0.2 * MM, False),
        ("500 kcmil", (0.08, 0, 1), 10 * FT, True),  # 4.6° from the plumb line
        ("250 kcmil", (0.09, 0, 1), 10 * FT, False),  # 5.1°
        ("250 kcmil", (1, 0, 0), 10 * FT, False),
        ("4/0 AWG", (0, 0, 1), 10 * FT, False),
        (None, (0, 0, 1), 10 * FT, False),
    ],
)
def test_ten_feet_are_for_heavy_cable_that_runs_vertically(
    size: str | None, direction: tuple[float, ...], length_m: float, ok: bool
) -> None:
    spans, _ = judged(straight_run(length_m, direction), cable(size=size, conductors=5))
    assert spans[0].ok is ok
    if size is None:
        assert "cable.c.size is missing" in spans[0].why
    if size == "4/0 AWG":
        assert "4/0 AWG is smaller than the 250 kcmil" in spans[0].why


def test_a_span_that_is_vertical_only_in_part_gets_six_feet() -> None:
    run = path_run((0, 0, 0), (0, 0, 2.0), (0.5, 0, 2.0))
    spans, _ = judged(run, cable(size="250 kcmil"))
    assert not spans[0].ok and spans[0].limit_m == pytest.approx(6 * FT)


# --- first straps ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "limit_m"),
    [("mc-interlocked", 12 * IN), ("ac", 12 * IN), ("nm", 12 * IN), ("fmc", 12 * IN), ("emt", 3 * FT)],
)
def test_first_strap_at_its_limit_passes_and_a_fifth_of_a_millimetre_more_fails(method: str, limit_m: float) -> None:
    for extra, ok in ((0.0, True), (0.2 * MM, False)):
        _, findings = judged(straight_run(1.3), cable(method), [limit_m + extra, 1.2])
        assert bool(violations(findings)) is not ok
        if not ok:
            assert findings[0].measured == pytest.approx(limit_m + extra)
            assert findings[0].required == pytest.approx(limit_m)


@pytest.mark.parametrize("kind", ["box", "cabinet", "fitting", "luminaire", "equipment", "flexible-equipment"])
def test_every_termination_asks_for_a_first_strap(kind: str) -> None:
    _, findings = judged(straight_run(2.0), cable(), [0.2, 1.0], end=kind)
    assert len(findings) == 1 and f"from the {kind} at the end" in findings[0].message


@pytest.mark.parametrize(
    ("conductors", "size", "severity"),
    [
        (4, "10 AWG", "violation"),
        (5, "12 AWG", None),
        (4, "8 AWG", None),
        (4, "1/0 AWG", None),
        (None, "12 AWG", "caution"),
        (3, None, "caution"),
        (None, None, "caution"),
        (5, None, None),
        (None, "6 AWG", None),
    ],
)
def test_metal_clad_first_strap_depends_on_conductors_and_size(
    conductors: int | None, size: str | None, severity: str | None
) -> None:
    spans, findings = judged(straight_run(2.0), cable(conductors=conductors, size=size), [0.5, 1.8])
    assert [f.severity for f in findings] == ([] if severity is None else [severity])
    if severity == "caution":
        assert findings[0].unchecked
        assert "missing" in findings[0].message and "cable.c." in findings[0].message
    if severity is None:
        assert "this one" in spans[0].why


def test_unknown_conductors_do_not_matter_where_the_strap_is_near_anyway() -> None:
    _, findings = judged(straight_run(2.0), cable(conductors=None, size=None), [0.3, 1.8])
    assert not findings


def test_armored_cable_always_needs_its_first_strap() -> None:
    _, findings = judged(straight_run(1.2), cable("ac", conductors=None, size=None), [0.5, 1.0])
    assert len(violations(findings)) == 1


def test_a_fitting_is_not_its_own_first_strap() -> None:
    _, findings = judged(straight_run(0.25), cable())
    assert len(findings) == 1


def test_mineral_insulated_cable_has_no_first_strap_rule() -> None:
    _, findings = judged(straight_run(1.8), cable("mi"))
    assert not findings


@pytest.mark.parametrize(("edition", "fails"), [("nec-2023", True), ("nec-2020", True), ("nec-2017", False)])
def test_nonmetallic_cable_is_measured_both_ways_from_2020_on(edition: str, fails: bool) -> None:
    # a loop: 20 in along the cable, 12 in as the tape is held
    run = path_run((0, 0, 0), (0, 16 * IN, 0), (12 * IN, 0, 0), (1.0, 0, 0))
    along = 16 * IN + 20 * IN  # 12-16-20 triangle: 36 in along, 12 in straight
    _, findings = judged(run, cable("nm"), [along, run.length_m - 0.1], rules=edition)
    assert bool(violations(findings)) is fails
    if fails:
        assert findings[0].measured == pytest.approx(along)
        assert findings[0].required == pytest.approx(18 * IN)


def test_metal_clad_cable_is_measured_along_and_the_straight_distance_is_told() -> None:
    run = path_run((0, 0, 0), (0, 8 * IN, 0), (6 * IN, 8 * IN, 0), (1.0, 8 * IN, 0))
    _, findings = judged(run, cable(), [14 * IN, run.length_m - 0.1])
    assert len(violations(findings)) == 1
    assert "In a straight line it is 254.0 mm" in findings[0].message


def test_interval_and_first_strap_are_two_findings_where_both_miss() -> None:
    _, findings = judged(straight_run(4.0), cable(), [0.2, 1.0])
    assert [f.required for f in findings] == [pytest.approx(6 * FT), pytest.approx(12 * IN)]


# --- whips ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "limit_m", "occupancy", "rule"),
    [
        ("mc-interlocked", 6 * FT, "other", "330.30(D)(2)"),
        ("mc-smooth", 6 * FT, "other", "330.30(D)(2)"),
        ("ac", 6 * FT, "other", "320.30(D)(3)"),
        ("fmc", 6 * FT, "other", "348.30(A) Ex. 4"),
        ("lfmc", 6 * FT, "other", "350.30(A) Ex. 4"),
        ("nm", 4.5 * FT, "dwelling", "334.30(B)(2)"),
    ],
)
def test_whip_at_its_limit_is_exempt_and_a_fifth_of_a_millimetre_more_is_not(
    method: str, limit_m: float, occupancy: str, rule: str
) -> None:
    for extra, ok in ((0.0, True), (0.2 * MM, False)):
        length = limit_m + extra
        zones = [(CEILING, 0.0, length)]
        spans, findings = judged(straight_run(length), cable(method), zones=zones, end="luminaire", occupancy=occupancy)
        assert (spans[0].exempt, spans[0].ok or not ok) == ("whip" if ok else None, True)
        assert bool(violations(findings)) is not ok
        assert (rule in spans[0].rule) if ok else ("no whip" in spans[0].why and "more than" in spans[0].why)


@pytest.mark.parametrize("end", ["luminaire", "equipment", "flexible-equipment"])
def test_whip_is_for_luminaires_and_equipment(end: str) -> None:
    spans, findings = judged(straight_run(1.7), cable(), zones=[(CEILING, 0.0, 1.7)], end=end)
    assert spans[0].exempt == "whip" and not findings


@pytest.mark.parametrize("end", ["box", "cabinet", "fitting"])
def test_whip_is_not_for_boxes(end: str) -> None:
    spans, findings = judged(straight_run(1.7), cable(), zones=[(CEILING, 0.0, 1.7)], end=end)
    assert spans[0].exempt is None and len(findings) == 1


def test_whip_from_a_strap_excuses_the_first_strap_at_the_luminaire_only() -> None:
    run = straight_run(3.0)
    spans, findings = judged(run, cable(), [0.2, 1.5], zones=[(CEILING, 0.0, 3.0)], end="luminaire")
    assert [s.exempt for s in spans] == [None, None, "whip"] and not findings
    _, findings = judged(run, cable(), [0.5, 1.5], zones=[(CEILING, 0.0, 3.0)], end="luminaire")
    assert len(violations(findings)) == 1 and "from the box" in findings[0].message


def test_whip_may_be_at_the_start_too() -> None:
    spans, findings = judged(straight_run(1.7), cable(), zones=[(CEILING, 0.0, 1.7)], start="luminaire")
    assert spans[0].exempt == "whip" and not findings


def test_hop_from_luminaire_to_luminaire_is_one_whip() -> None:
    given = {"start": "luminaire", "end": "luminaire"}
    spans, findings = judged(straight_run(1.8), cable(), zones=[(CEILING, 0.0, 1.8)], **given)
    assert [s.exempt for s in spans] == ["whip"] and not findings
    spans, findings = judged(straight_run(3.2), cable(), [1.6], zones=[(CEILING, 0.0, 3.2)], **given)
    assert [s.exempt for s in spans] == ["whip", "whip"] and not findings


def test_whip_counts_from_a_hanger_and_the_rest_is_judged_up_to_it() -> None:
    zones = [(CEILING, 0.0, 3.2)]
    spans, findings = judged(straight_run(3.2), cable(), [0.2, hanger(1.6)], zones=zones, end="luminaire")
    assert [(s.from_m, s.to_m, s.exempt) for s in spans][-2:] == [(0.2, 1.6, None), (1.6, 3.2, "whip")]
    assert not findings


@pytest.mark.parametrize(
    ("zones", "reason"),
    [
        ([], "not within an accessible ceiling"),
        ([(CLOSED, 0.0, 1.5)], "not within an accessible ceiling"),
        ([(CEILING, 0.0, 1.2)], "the connection at the luminaire is outside the accessible ceiling"),
        ([(CEILING, 0.4, 1.5)], "the cable leaves the accessible ceiling at 0.400 m"),
        ([(CEILING, 0.0, 0.5), (CEILING, 0.8, 1.5)], "the cable leaves the accessible ceiling at 0.800 m"),
        ([(CEILING, 0.0, 1.5), (NEW, 0.5, 0.7)], "inside an inaccessible zone from 0.500 m to 0.700 m as well"),
    ],
)
def test_whip_is_refused_outside_of_accessible_ceilings(zones: list[Any], reason: str) -> None:
    spans, findings = judged(straight_run(1.5), cable(), zones=zones, end="luminaire")
    assert spans[0].exempt is None and reason in spans[0].why
    assert len(violations(findings)) == 1 and reason in findings[0].message


def test_whip_may_cross_from_one_accessible_ceiling_to_the_next() -> None:
    other = zone("accessible-ceiling", "room")
    spans, findings = judged(
        straight_run(1.5), cable(), zones=[(CEILING, 0.0, 0.7), (other, 0.7, 1.5)], end="luminaire"
    )
    assert spans[0].exempt == "whip" and not findings


def test_whip_is_refused_where_the_zone_has_no_inside_and_that_is_said() -> None:
    broken = zone("accessible-ceiling", "corridor", unclosed=("plan.dxf:2F1",))
    spans, findings = judged(straight_run(1.5), cable(), end="luminaire", other_zones=[broken])
    assert violations(findings)
    assert "the zone is not closed: 'corridor' (plan.dxf:2F1)" in spans[0].why


@pytest.mark.parametrize(
    ("method", "occupancy", "reason"),
    [("nm", "other", "dwelling occupancy, and the project's is other"), ("uf", "dwelling", "no such exemption for uf")],
)
def test_whip_is_refused_for_the_occupancy_or_the_method(method: str, occupancy: str, reason: str) -> None:
    zones = [(CEILING, 0.0, 1.2)]
    spans, findings = judged(straight_run(1.2), cable(method), zones=zones, end="luminaire", occupancy=occupancy)
    assert spans[0].exempt is None and reason in spans[0].why and violations(findings)


def test_whip_is_refused_where_nothing_supports_the_cable_before_it() -> None:
    zones = [(CEILING, 0.0, 1.5)]
    spans, findings = judged(straight_run(1.5), cable(), zones=zones, start="open", end="luminaire")
    assert "nothing supports the cable before the luminaire" in spans[0].why and violations(findings)


def test_an_exemption_that_is_not_needed_is_not_claimed() -> None:
    spans, findings = judged(straight_run(2.0), cable(), [0.2, 1.8], zones=[(CEILING, 0.0, 2.0)], end="luminaire")
    assert all(s.exempt is None for s in spans) and not findings


def test_a_strap_inside_a_whip_does_no_harm() -> None:
    # without the strap the whip counts from the box
    zones = [(CEILING, 0.0, 1.7)]
    spans, findings = judged(straight_run(1.7), cable(), [0.85], zones=zones, end="luminaire")
    assert [s.exempt for s in spans] == ["whip"] and not findings


# --- flexible connections -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "trade", "limit_m"),
    [
        ("mc-interlocked", None, 3 * FT),
        ("ac", None, 2 * FT),
        ("fmc", "3/4", 3 * FT),
        ("fmc", "1-1/4", 3 * FT),
        ("fmc", "1-1/2", 4 * FT),
        ("fmc", "2-1/2", 5 * FT),
        ("lfmc", "2", 4 * FT),
    ],
)
def test_flexible_connection_at_its_limit_is_exempt_and_more_is_not(
    method: str, trade: str | None, limit_m: float
) -> None:
    for extra, ok in ((0.0, True), (0.2 * MM, False)):
        run = straight_run(0.2 + limit_m + extra)
        spans, findings = judged(run, cable(method, trade_size=trade), [0.2], end="flexible-equipment")
        assert spans[-1].exempt == ("flexible" if ok else None)
        assert bool(violations(findings)) is not ok
        assert ok or "no flexible connection" in spans[-1].why


def test_flexible_connection_is_measured_from_a_strap_not_from_a_hanger() -> None:
    spans, findings = judged(straight_run(1.5), cable(), [0.2, hanger(0.8)], end="flexible-equipment")
    assert spans[-1].exempt is None and "from the strap at 0.200 m" in spans[-1].why and violations(findings)


@pytest.mark.parametrize("method", ["mc-smooth", "mc-corrugated"])
def test_flexible_connection_of_other_armour_is_a_disputed_reading(method: str) -> None:
    spans, findings = judged(straight_run(1.0), cable(method), [0.2], end="flexible-equipment")
    assert spans[-1].exempt is None
    assert [f.severity for f in findings] == ["caution"] and "disputed reading" in findings[0].message


def test_flexible_connection_of_other_armour_that_is_too_long_is_not_disputed() -> None:
    _, findings = judged(straight_run(1.2), cable("mc-smooth"), [0.2], end="flexible-equipment")
    assert [f.severity for f in findings] == ["violation"]


@pytest.mark.parametrize(
    ("method", "trade", "reason"),
    [
        ("nm", None, "no such exemption for nm"),
        ("fmc", None, "add cable.c.trade_size"),
        ("fmc", "7/8", "none for trade size 7/8"),
    ],
)
def test_flexible_connection_is_refused_with_its_reason(method: str, trade: str | None, reason: str) -> None:
    spans, findings = judged(straight_run(0.9), cable(method, trade_size=trade), [0.2], end="flexible-equipment")
    assert spans[-1].exempt is None and reason in spans[-1].why and violations(findings)


def test_flexible_connection_needs_a_place_where_the_cable_is_fastened() -> None:
    spans, _ = judged(straight_run(0.6), cable(), [hanger(0.2)], start="open", end="flexible-equipment")
    assert "fastened nowhere before the equipment" in spans[-1].why


def test_equipment_that_does_not_move_gets_no_flexible_connection() -> None:
    spans, findings = judged(straight_run(0.9), cable(), [0.2], end="equipment")
    assert spans[-1].exempt is None and violations(findings)


# --- fishing --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", ["mc-interlocked", "mc-corrugated", "mc-smooth", "ac", "nm", "mi", "fmc", "emt"])
def test_fished_cable_in_finished_construction_is_excused_and_asked_to_confirm(method: str) -> None:
    run = straight_run(6.0)
    spans, findings = judged(run, cable(method), [0.2, 5.8], zones=[(CLOSED, 0.1, 5.9)])
    assert [s.exempt for s in spans] == [None, "fished", None]
    assert [f.severity for f in findings] == ["caution"]
    assert "Confirm" in findings[0].remedy and "finished" in findings[0].message
    assert not findings[0].unchecked


@pytest.mark.parametrize("method", ["se", "uf", "lfmc"])
def test_fishing_is_refused_for_methods_without_the_exemption(method: str) -> None:
    spans, findings = judged(straight_run(6.0), cable(method), [0.2, 5.8], zones=[(CLOSED, 0.0, 6.0)])
    assert not spans[1].ok and f"no such exemption for {method}" in spans[1].why and violations(findings)


def test_fishing_is_refused_where_the_zone_is_not_finished() -> None:
    spans, findings = judged(straight_run(4.4), cable(), [0.2, 4.2], zones=[(NEW, 0.0, 4.4)])
    assert not spans[1].ok and "'new partition'" in spans[1].why and "not finished" in spans[1].why
    assert len(violations(findings)) == 1 and "not finished" in findings[0].message


def test_fishing_is_refused_where_a_finished_and_an_unfinished_zone_overlap() -> None:
    _, findings = judged(straight_run(4.4), cable(), [0.2, 4.2], zones=[(CLOSED, 0.0, 4.4), (NEW, 0.0, 4.4)])
    assert len(violations(findings)) == 1


def test_fishing_is_refused_where_the_zone_has_no_inside() -> None:
    broken = zone("inaccessible", "old wall", unclosed=("plan.dxf:3A",))
    spans, _ = judged(straight_run(4.4), cable(), [0.2, 4.2], other_zones=[broken])
    assert "not fished; the zone is not closed: 'old wall' (plan.dxf:3A)" in spans[1].why


@pytest.mark.parametrize(("extra", "ok"), [(0.0, True), (0.2 * MM, False)])
def test_what_is_outside_the_finished_zone_is_judged_up_to_the_next_support(extra: float, ok: bool) -> None:
    outside = 6 * FT + extra
    run = straight_run(0.2 + 3.0 + outside + 0.2)
    spans, findings = judged(run, cable(), [0.2, 3.2 + outside], zones=[(CLOSED, 0.0, 3.2)])
    assert [(s.exempt, s.ok) for s in spans] == [(None, True), ("fished", True), (None, ok), (None, True)]
    assert len(violations(findings)) == (0 if ok else 1)
    if not ok:
        assert findings[0].at_m == pytest.approx((3.2, 3.2 + outside))


def test_first_strap_is_excused_only_where_all_that_could_take_it_is_inside_the_zone() -> None:
    for inside_to, ok in ((0.31, True), (0.25, False)):
        zones = [(CLOSED, 0.0, inside_to)]
        _, findings = judged(straight_run(2.0), cable(), [1.0, 1.8], zones=zones)
        assert bool(violations(findings)) is not ok


def test_fishing_does_not_excuse_the_first_strap_at_a_luminaire() -> None:
    zones = [(CLOSED, 0.0, 4.0)]
    assert not violations(judged(straight_run(4.0), cable(), zones=zones)[1])
    found = violations(judged(straight_run(4.0), cable(), zones=zones, end="luminaire")[1])
    assert len(found) == 1 and "from the luminaire" not in found[0].remedy and "of the luminaire" in found[0].remedy


def test_a_span_within_its_limit_claims_no_fishing() -> None:
    spans, findings = judged(straight_run(2.0), cable(), [0.2, 1.8], zones=[(CLOSED, 0.0, 2.0)])
    assert all(s.exempt is None for s in spans) and not findings


# --- methods without an interval, and the project's own rules -------------------------------------------------------


@pytest.mark.parametrize(("method", "severity"), [("tc", "note"), ("data-pair", "note"), ("other", "caution")])
def test_where_the_rule_set_has_no_interval_that_is_said(method: str, severity: str) -> None:
    spans, findings = judged(straight_run(9.0), cable(method))
    assert [(s.limit_m, s.ok) for s in spans] == [(None, True)]
    assert [f.severity for f in findings] == [severity]
    assert findings[0].unchecked is (method == "other")
    assert "No interval for securing in the rule set" in findings[0].message


def test_findings_of_a_projects_own_rule_say_so(tmp_path: Path) -> None:
    own = book_from(tmp_path, 'extends = "nec-2023"\n[securing.mc]\ninterval = "4 ft"\n')
    spans, findings = judged(straight_run(1.9), cable(), [0.2, 1.7], rules=own)
    assert not spans[1].ok
    assert findings[0].rule == "project rule office.toml (NEC 2023 330.30(B))"


def test_terminations_without_a_fitting_in_the_list_hold_all_the_same() -> None:
    scene = scene_for(straight_run(1.0), cable(**BIG))
    bare = type(scene.attached[0])(scene.attached[0].start, scene.attached[0].end, (strap(0.5),))
    outcome = securing.check(replace(scene, attached=(bare,)))
    assert [(s.from_m, s.to_m) for s in outcome.spans["R1"]] == [(0.0, 0.5), (0.5, 1.0)]
