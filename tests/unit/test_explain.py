"""The chain of a finding: fact, rule, conditions, exemptions tried and refused, verdict."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from route3d.checks import CHECKS
from route3d.explain import Chains
from route3d.model.finding import STEPS, Finding, Step, with_ids
from route3d.rules.provenance import provenance
from route3d.scene import Scene
from tests.builders import bent_run, cable, hanger, scene_for, straight_run, zone

CEILING = zone("accessible-ceiling", "lay-in")


def explained(scene: Scene, check: str) -> list[tuple[Finding, tuple[Step, ...]]]:
    outcome = CHECKS[check](scene)
    findings = tuple(replace(f, source=provenance(scene.rules, f.rule, f.message)) for f in with_ids(outcome.findings))
    run = scene.fitted[0].run.run_id
    judged = SimpleNamespace(findings=findings, bends=outcome.bends.get(run, ()), spans=outcome.spans.get(run, ()))
    chains = Chains(scene, {0: judged})
    return [(finding, chains[finding.finding_id]) for finding in findings]


def said(chain: tuple[Step, ...], step: str) -> str:
    return "\n".join(s.text for s in chain if s.step == step)


def test_a_tight_bend_goes_from_the_arc_over_the_rule_to_the_verdict() -> None:
    ((_, chain),) = explained(scene_for(bent_run(0.080), cable()), "bend")
    assert [s.step for s in chain] == sorted((s.step for s in chain), key=STEPS.index)
    assert "80.0 mm (3-1/8 in) at the centre line; less half of the 12.0 mm" in said(chain, "fact")
    assert "inner edge has 74.0 mm" in said(chain, "fact")
    assert said(chain, "rule").startswith("NEC 2023 330.24(B): metal-clad cable, interlocked")
    assert "Source of the value: seen" in said(chain, "rule")
    assert "84.0 mm (3-5/16 in) = 7 × 12.0 mm over the sheath" in said(chain, "condition")
    assert "maker's bend_multiplier: none" in said(chain, "exemption")
    assert (
        said(chain, "verdict") == "74.0 mm (2-15/16 in) is 10.0 mm (3/8 in) less than 84.0 mm (3-5/16 in). Violation."
    )


def test_a_value_from_memory_is_said_to_be() -> None:
    given = {"sheath_diameter_m": 0.0254, "overall_diameter_m": 0.0254}
    ((finding, chain),) = explained(scene_for(bent_run(0.1), cable("mc-smooth", **given)), "bend")
    assert finding.source == "memory"
    assert "from memory: compare with the printed edition" in said(chain, "rule")


def test_a_sum_of_bends_rests_on_its_own_rule() -> None:
    of = cable("emt", trade_size="3/4", bender="one-shot", overall_diameter_m=0.0234)
    ((_, chain),) = explained(scene_for(bent_run(0.5, 75.0, 5), of), "bend")
    assert said(chain, "rule").startswith("NEC 2023 358.24(B): electrical metallic tubing: no more than 360°")
    assert said(chain, "verdict") == "375.0° is 15.0° more than 360.0°. Violation."


def refused(length: float, supports: list[Any], zones: list[Any], **given: Any) -> str:
    method = given.pop("method", "mc-interlocked")
    of = cable(method, trade_size=given.pop("trade_size", None))
    scene = scene_for(straight_run(length), of, supports, zones, **given)
    chains = [chain for f, chain in explained(scene, "securing") if f.severity == "violation"]
    return "\n".join(said(chain, "exemption") for chain in chains)


@pytest.mark.parametrize(
    ("given", "why"),
    [
        # the whip, for each reason that refuses it
        ({"end": "box"}, "at the end: refused, they are for luminaire, equipment, flexible-equipment, not for a box"),
        ({"end": "open"}, "at the end: refused, that end is open"),
        ({"end": "luminaire", "length": 1.5}, "whip at the end: refused, it is not within an accessible ceiling"),
        (
            {"end": "luminaire", "zones": [(CEILING, 0.0, 3.0)]},
            "whip at the end: refused, 3000.0 mm (9 ft 10-1/8 in) from the box at 0.000 m is more than the 1828.8 mm",
        ),
        (
            {"end": "luminaire", "zones": [(CEILING, 2.0, 3.0)], "supports": [1.9 - 0.6], "length": 3.0},
            "the cable leaves the accessible ceiling at 2.000 m",
        ),
        (
            {"end": "luminaire", "zones": [(CEILING, 0.0, 2.9)], "supports": [1.3]},
            "the connection at the luminaire is outside the accessible ceiling",
        ),
        (
            {"end": "luminaire", "zones": [(CEILING, 0.0, 3.0), (zone("inaccessible"), 2.0, 2.5)], "supports": [1.3]},
            "it is inside an inaccessible zone from 2.000 m to 2.500 m as well",
        ),
        (
            {"method": "nm", "end": "luminaire", "zones": [(CEILING, 0.0, 3.0)]},
            "NEC 2023 334.30(B)(2) is for dwelling occupancy, and the project's is other",
        ),
        ({"method": "mi", "end": "luminaire", "zones": [(CEILING, 0.0, 3.0)]}, "has no such exemption for mi"),
        ({"start": "open", "end": "luminaire", "zones": [(CEILING, 0.0, 3.0)]}, "nothing supports the cable before"),
        # the flexible connection
        ({"end": "luminaire"}, "flexible connection at the end: refused, the project does not say that the luminaire"),
        ({"end": "flexible-equipment"}, "flexible connection at the end: refused, 3000.0 mm"),
        (
            {"method": "nm", "end": "flexible-equipment"},
            "flexible connection at the end: refused, NEC 2023 has no such",
        ),
        ({"method": "fmc", "end": "flexible-equipment"}, "goes by trade size, add cable.c.trade_size"),
        ({"start": "open", "end": "flexible-equipment", "supports": [hanger(2.5)]}, "the cable is fastened nowhere"),
        ({"method": "mc-smooth", "end": "flexible-equipment"}, "is read as for mc-interlocked only"),
        # fishing
        ({}, "fishing: refused, no part of the stretch is inside an inaccessible zone (NEC 2023 330.30(D)(1))"),
        (
            {"zones": [(zone("inaccessible", "new wall", finished=False), 0.0, 3.0)]},
            "it is for finished buildings, the zone is not finished",
        ),
        ({"method": "uf", "zones": [(zone("inaccessible"), 0.0, 3.0)]}, "fishing: refused, NEC 2023 has no such"),
        # the longer interval for vertical runs
        ({}, "longer interval for vertical runs: refused, the stretch is not vertical throughout"),
    ],
)
def test_each_exemption_says_why_it_was_refused(given: dict[str, Any], why: str) -> None:
    given = dict(given)
    text = refused(given.pop("length", 3.0), given.pop("supports", []), given.pop("zones", []), **given)
    assert why in text


def test_a_stretch_in_the_middle_reaches_neither_end() -> None:
    text = refused(6.0, [0.2, 5.8], [])
    assert "whip and flexible connection: refused, the stretch reaches neither end of the run" in text


def test_a_first_strap_is_explained_by_its_own_rule_and_conditions() -> None:
    scene = scene_for(straight_run(2.0), cable(), [0.6, 1.8])
    ((_, chain),) = explained(scene, "securing")
    assert "strap within 12 in of a termination" in said(chain, "rule")
    assert "of 4 conductors or fewer: it has 3" in said(chain, "condition")
    assert "none larger than 10 AWG: its largest is 12 AWG" in said(chain, "condition")


def test_a_place_is_explained_by_the_rule_that_bars_the_cable() -> None:
    scene = scene_for(straight_run(2.0), cable(jacketed=True), [], [(zone("plenum"), 0.5, 1.5)])
    ((_, chain),) = explained(scene, "environment")
    assert said(chain, "rule").startswith("NEC 2023 300.22(C)(1): a nonmetallic covering keeps")
    assert "for cable that is jacketed: it is so" in said(chain, "condition")
    assert "for cable that is not plenum rated: it is not so" in said(chain, "condition")


def test_what_cannot_be_judged_is_said_to_stay_open() -> None:
    of = cable(conductors=None)
    scene = scene_for(straight_run(1.5), of, [0.6, 0.9])
    chains = [chain for finding, chain in explained(scene, "securing") if finding.unchecked]
    assert chains and "is not called passed while this is open" in said(chains[0], "verdict")
    assert "it has nothing (not said)" in said(chains[0], "condition")
