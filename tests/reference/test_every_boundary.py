"""Every limit of every shipped rule set, judged at the limit and a fifth of a millimetre beyond.

The limits are read from the rule files, so that a new rule is tested without a word here; that the files hold the right
numbers is what the worked cases are for. A comparison forgives a tenth of a millimetre, no more.
"""

from __future__ import annotations

from typing import Any

import pytest

from route3d.checks import bend, securing, supporting
from route3d.model.cable import Cable
from route3d.rules.bend import required_bend
from route3d.rules.records import ExemptionRule
from route3d.rules.rulebook import SHIPPED
from tests.builders import bent_run, book, cable, hanger, scene_for, straight_run, zone

BEYOND_M = 0.0002
CEILING = zone("accessible-ceiling", "lay-in")

HOLDS = [
    (name, check, rule.key, method)
    for name in SHIPPED
    for check in ("securing", "supporting")
    for rule in getattr(book(name), check)
    if rule.interval_m is not None
    for method in rule.methods
]


@pytest.mark.parametrize(("name", "check", "key", "method"), HOLDS)
def test_intervals(name: str, check: str, key: str, method: str) -> None:
    rule = next(r for r in getattr(book(name), check) if r.key == key)
    judge = {"securing": securing, "supporting": supporting}[check]
    for extra, ok in ((0.0, True), (BEYOND_M, False)):
        length = rule.interval_m + extra + 0.2
        given: list[Any] = [0.1, length - 0.1]
        of = cable(method, trade_size="3/4", conductors=5)
        scene = scene_for(straight_run(length), of, given, rules=name, checks=(check,))
        # the two stretches beside the boxes are 100 mm; the one between them is at the limit, or beyond
        span = judge.check(scene).spans["R1"][1]
        assert (span.ok, span.rule) == (ok, rule.cite)
        missed = [f for f in judge.check(scene).findings if f.measured is not None and f.check == check]
        assert [f.severity for f in missed] == ([] if ok else [rule.severity])


FIRSTS = [(name, rule.key, method) for name in SHIPPED for rule in book(name).first_straps for method in rule.methods]


@pytest.mark.parametrize(("name", "key", "method"), FIRSTS)
def test_first_straps(name: str, key: str, method: str) -> None:
    rule = next(r for r in book(name).first_straps if r.key == key)
    limits = [limit for limit in (rule.along_max_m, rule.straight_max_m) if limit is not None]
    for extra, ok in ((0.0, True), (BEYOND_M, False)):
        length = min(limits) + extra + 0.1
        scene = scene_for(straight_run(length), cable(method, trade_size="3/4"), [length - 0.1], rules=name, end="open")
        found = [f for f in securing.check(scene).findings if f.rule == rule.cite and "first strap" in f.message]
        assert bool(found) is not ok


EXEMPT = [
    (name, rule.key, method)
    for name in SHIPPED
    for rule in book(name).exemptions
    if rule.length_max_m is not None
    for method in rule.methods
]


@pytest.mark.parametrize(("name", "key", "method"), EXEMPT)
def test_lengths_of_exemptions(name: str, key: str, method: str) -> None:
    rule: ExemptionRule = next(r for r in book(name).exemptions if r.key == key)
    assert rule.length_max_m is not None
    kind = "luminaire" if rule.kind == "whip" else "flexible-equipment"
    zones = [(CEILING, 0.0, 9.0)] if rule.kind == "whip" else []
    for trade in rule.trade_sizes or ("3/4",):
        for extra, granted in ((0.0, True), (BEYOND_M, False)):
            fitted = straight_run(rule.length_max_m + extra)
            scene = scene_for(
                fitted,
                cable(method, trade_size=trade),
                [],
                [(z, a, fitted.length_m) for z, a, _ in zones],
                end=kind,
                occupancy=rule.occupancies[0] if rule.occupancies else "other",
                rules=name,
            )
            exempt = [s for s in securing.check(scene).spans["R1"] if s.exempt == rule.kind]
            assert [s.rule for s in exempt] == ([rule.cite] if granted else [])


def bands(rule: Any) -> tuple[float, ...]:
    """Diameters in the band of a bend rule: just above its lower end, and its upper end, which is included."""
    low = 0.010 if rule.diameter_over_m is None else rule.diameter_over_m + 1e-6
    return (low, low + 0.001) if rule.diameter_max_m is None else (low, rule.diameter_max_m)


BENDS = [(name, rule.key, method) for name in SHIPPED for rule in book(name).bends for method in rule.methods]


@pytest.mark.parametrize(("name", "key", "method"), BENDS)
def test_bends_at_both_ends_of_each_band(name: str, key: str, method: str) -> None:
    rule = next(r for r in book(name).bends if r.key == key)
    for diameter in bands(rule):
        of = cable(
            method,
            sheath_diameter_m=diameter,
            overall_diameter_m=diameter,
            shielded=bool(rule.shielded),
            conductors=2 if rule.conductors_min else 1,
            conductor_diameter_m=None if rule.conductor_multiplier is None else 0.4 * diameter,
        )
        assert required_bend(of, book(name)).rule == rule.cite
        judged_at(
            of, max(rule.multiplier * diameter, (rule.conductor_multiplier or 0.0) * 0.4 * diameter), name, rule.cite
        )


def judged_at(of: Cable, inner_m: float, name: str, cite: str) -> None:
    assert of.radius_m is not None
    for less, ok in ((0.0, True), (BEYOND_M, False)):
        found = bend.check(scene_for(bent_run(inner_m + of.radius_m - less), of, rules=name)).findings
        assert [(f.severity, f.rule) for f in found] == ([] if ok else [("violation", cite)])


RACEWAYS = [
    (name, rule.key, method) for name in SHIPPED for rule in book(name).raceway_bends for method in rule.methods
]


@pytest.mark.parametrize(("name", "key", "method"), RACEWAYS)
def test_radii_of_raceways_for_every_trade_size_and_bender(name: str, key: str, method: str) -> None:
    rule = next(r for r in book(name).raceway_bends if r.key == key)
    for row in book(name).raceway_radii:
        for bender in ("one-shot", "other"):
            centre = row.one_shot_m if rule.column == "one_shot" and bender == "one-shot" else row.other_m
            of = cable(method, trade_size=row.key, bender=bender, overall_diameter_m=0.02)
            judged_at(of, centre - 0.01, name, rule.cite)


@pytest.mark.parametrize(("name", "method"), [(n, m) for n in SHIPPED for r in book(n).bend_totals for m in r.methods])
def test_sums_of_bends(name: str, method: str) -> None:
    of = cable(method, trade_size="3/4", overall_diameter_m=0.02, bender="other")
    total = book(name).bend_total(method)
    assert total is not None
    for turn, ok in ((90.0, True), (91.0, False)):
        found = bend.check(scene_for(bent_run(0.5, turn, 4), of, rules=name)).findings
        assert [f.rule for f in found] == ([] if ok else [total.cite])


def test_a_hanger_at_the_limit_supports_and_one_beyond_does_not() -> None:
    """NEC 330.30(C): 6 ft."""
    for extra, ok in ((0.0, True), (BEYOND_M, False)):
        length = 1.8288 + extra + 0.1
        scene = scene_for(straight_run(length), cable(), [hanger(length - 0.1)], end="open")
        assert bool(supporting.check(scene).spans["R1"][0].ok) is ok
