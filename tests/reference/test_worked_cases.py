"""Bend, securing and supporting against worked cases with the section of the code beside each.

``worked_cases.csv`` holds the cases; ``expect`` is PASS, FAIL, EXEMPT (passes by a named exemption), REVIEW (confirm,
or not judged) or NA. Numbers that rest on memory alone are marked so in the rule files.
"""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import pytest

from route3d.checks import bend, securing, supporting
from route3d.fit import fit_run
from route3d.model.cable import Cable
from route3d.model.finding import Finding
from route3d.model.run import FittedRun, Run
from route3d.model.support import Support
from route3d.model.zone import Zone
from route3d.scene import Scene
from tests.builders import bent_run, book, cable, framing, hanger, path_run, scene_for, straight_run, zone

CASES = {
    row["id"]: row
    for row in csv.DictReader((Path(__file__).parent / "worked_cases.csv").read_text(encoding="utf-8").splitlines())
}


def inputs(case: str) -> dict[str, str]:
    parts = [part.partition("=") for part in CASES[case]["inputs"].split(";")]
    return {key.strip(): value.strip() for key, _, value in parts}


def edition(case: str) -> str:
    return f"nec-{CASES[case]['edition']}"


def outcome(findings: tuple[Finding, ...], exempt: bool = False) -> str:
    if any(f.severity == "violation" for f in findings):
        return "FAIL"
    if any(f.unchecked or "disputed" in f.message for f in findings):
        return "REVIEW"
    return "EXEMPT" if exempt else "PASS"


# --- bends ----------------------------------------------------------------------------------------------------------


_DIAMETERS = ("od_mm", "sheath_mm", "overall_mm", "major_mm", "minor_mm", "d_mm")


def bent_cable(given: dict[str, str]) -> Cable:
    mm = {key: float(value) / 1000.0 for key, value in given.items() if key in _DIAMETERS and value != "unknown"}
    sheath = mm.get("sheath_mm", mm.get("major_mm", mm.get("od_mm")))
    if not any(key in _DIAMETERS for key in given):
        sheath = 0.012  # the case does not depend on it
    return cable(
        given["method"],
        sheath_diameter_m=sheath,
        overall_diameter_m=mm.get("overall_mm", sheath),
        minor_diameter_m=mm.get("minor_mm"),
        conductor_diameter_m=mm.get("d_mm"),
        shielded="true" in (given.get("shielded"), given.get("metal_shield")),
        jacketed=given.get("jacketed") == "true",
        bend_multiplier=float(given["maker_factor"]) if "maker_factor" in given else None,
        trade_size=given.get("trade", "3/4"),
        bender=given.get("bender"),
        pulled=given.get("state") == "pulling",
        conductors=1 if given["method"] == "mv" else 3,
    )


def bend_scene(case: str) -> Scene:
    given = inputs(case)
    of = bent_cable(given)
    if "bends_deg" in given:
        turns = [float(turn) for turn in given["bends_deg"].split("+")]
        if turns == [450.0]:
            turns = [90.0] * 5
        return scene_for(many_bends(turns), of, rules=edition(case))
    if "legs_mm" in given:
        first, last = (float(leg) / 1000.0 for leg in given["legs_mm"].split("/"))
        drawn = Run("R1", "c", path_run((0, 0, 0), (first, 0, 0), (first, last, 0)).run.corners_m)
        return scene_for(fit_run(drawn, 0.090, 1.5, 1e-6), of, rules=edition(case))
    half = 0.0 if of.overall_diameter_m is None else of.overall_diameter_m / 2.0
    centre = float(given["value_mm"]) / 1000.0 + (half if given["basis"] == "inner" else 0.0)
    fitted = bent_run(centre)
    bent = (given["bend"],) if "bend" in given else ()
    return scene_for(replace(fitted, run=replace(fitted.run, bent=bent)), of, rules=edition(case))


def many_bends(turns_deg: list[float]) -> FittedRun:
    points, heading = [(0.0, 0.0, 0.0)], 0.0
    for turn in [*turns_deg, 0.0]:
        x, y, z = points[-1]
        points.append((x + 2.0 * math.cos(heading), y + 2.0 * math.sin(heading), z))
        heading += math.radians(turn)
    return fit_run(Run("R1", "c", path_run(*points).run.corners_m), 0.2, 1.5, 1e-6)


BENDS = [case for case in CASES if case.startswith("B")]


@pytest.mark.parametrize("case", BENDS)
def test_bend_case(case: str) -> None:
    scene = bend_scene(case)
    found = bend.check(scene).findings
    expected = CASES[case]["expect"].replace("NA", "PASS")
    assert outcome(found) == expected
    required = CASES[case]["required"]
    if required.startswith(">= ") and required.endswith(" mm"):
        need = scene.bend_required[0].for_bend(inputs(case).get("bend"))
        stated = need.centre_radius_m if inputs(case)["basis"] == "centre" else need.inner_radius_m
        assert stated == pytest.approx(float(required.split()[1]) / 1000.0, abs=1e-6)
    section = CASES[case]["section"].partition(" ")[0]
    if case not in ("B29", "B30", "B31", "B35"):
        assert section.removeprefix("TIA-") in scene.bend_required[0].rule


@pytest.mark.parametrize(("case", "section"), [("B29", "358.24(B)"), ("B30", "358.24(B)")])
def test_sum_of_bends_case_cites_its_section(case: str, section: str) -> None:
    total = book(edition(case)).bend_total("emt")
    assert total is not None and total.cite == f"NEC 2023 {section}" and total.degrees_max == 360


# --- securing and supporting ----------------------------------------------------------------------------------------

MM = 0.001


def held_cable(given: dict[str, str]) -> Cable:
    return cable(
        given.get("method", "mc-interlocked"),
        size=given.get("size", "12 AWG"),
        conductors=int(given.get("conductors", "3")),
        trade_size=given.get("trade"),
    )


def value(given: dict[str, str], *names: str) -> float:
    return next(float(given[name]) for name in names if name in given) * MM


def first_strap_scene(case: str) -> Scene:
    given = inputs(case)
    at_m = value(given, "value_mm", "first_strap_mm")
    return scene_for(straight_run(at_m + 0.2), held_cable(given), [at_m], rules=edition(case))


def interval_scene(case: str) -> Scene:
    given = inputs(case)
    length = value(given, "value_mm", "interval_mm")
    up = (0, 0, 1) if given.get("orientation") == "vertical" else (1, 0, 0)
    zones: list[tuple[Zone, float, float]] = []
    if given.get("fished") == "true":
        zones = [(zone("inaccessible", finished=given["building"] == "finished"), 0.2, 0.2 + length)]
    return scene_for(straight_run(length + 0.4, up), held_cable(given), [0.2, 0.2 + length], zones, rules=edition(case))


def framing_scene(case: str) -> Scene:
    given = inputs(case)
    step, last = value(given, "opening_interval_mm"), value(given, "last_opening_to_box_mm")
    openings: list[Support | float] = [framing(last + step * k) for k in range(6)]
    return scene_for(straight_run(last + step * 5 + 0.2), held_cable(given), openings, rules=edition(case))


def tail_scene(case: str) -> Scene:
    """From the fitting at a box, or from a strap, to a luminaire or to equipment."""
    given = inputs(case)
    length = value(given, "value_mm", "whip_length_mm", "flex_length_mm")
    lead = 0.0 if given.get("straps") == "none" else 0.2
    kind = given.get("zone", "").partition(" ")[0]
    zones = [(zone(kind), 0.0, lead + length)] if kind not in ("", "none") else []
    return scene_for(
        straight_run(lead + length),
        held_cable(given),
        [lead] if lead > 0.0 else [],
        zones,
        end=given.get("end", "luminaire"),
        occupancy="dwelling" if given.get("occupancy") == "dwelling" else "other",
        rules=edition(case),
    )


def loop_scene(case: str) -> Scene:
    given = inputs(case)
    along, straight = value(given, "cable_length_to_support_mm"), value(given, "first_support_straight_mm")
    side = math.sqrt((along / 2.0) ** 2 - (straight / 2.0) ** 2)
    run = path_run((0, 0, 0), (straight / 2.0, side, 0), (straight, 0, 0), (straight + 0.2, 0, 0))
    return scene_for(run, held_cable(given), [along], rules=edition(case))


def draped_scene(case: str) -> Scene:
    given = inputs(case)
    step, length = 1219.2 * MM, value(given, "run_mm")
    joists: list[Support | float] = [hanger(step * k) for k in range(1, int(length / step) + 1)]
    return scene_for(straight_run(length), held_cable(given), joists, rules=edition(case))


SCENES = {
    **dict.fromkeys(("S01", "S02", "S03", "S04", "S32", "S35"), first_strap_scene),
    **dict.fromkeys(("S05", "S06", "S07", "S08", "S09", "S25", "S26", "S27", "S28", "S31", "S36"), interval_scene),
    **dict.fromkeys(("S10", "S11"), framing_scene),
    **dict.fromkeys(("S29", "S30"), loop_scene),
    "S40": draped_scene,
}
SECURED = [case for case in CASES if case.startswith("S")]
EXEMPTIONS = {
    "S12": "whip", "S16": "whip", "S17": "whip", "S18": "whip", "S20": "flexible", "S23": "flexible",
    "S25": "fished", "S33": "flexible",
}  # fmt: skip


@pytest.mark.parametrize("case", SECURED)
def test_securing_case(case: str) -> None:
    scene = SCENES.get(case, tail_scene)(case)
    held = securing.check(scene)
    exempt = [s for s in held.spans["R1"] if s.exempt is not None]
    assert [s.exempt for s in exempt] == ([EXEMPTIONS[case]] if case in EXEMPTIONS else [])
    assert outcome(held.findings, CASES[case]["expect"] == "EXEMPT") == CASES[case]["expect"]
    section = CASES[case]["section"]
    if exempt:
        assert section.replace("Ex 2", "Ex. 2") in exempt[0].rule
    elif held.findings:
        assert held.findings[0].rule.partition(" ")[2].removeprefix("2023 ")[:6] == section[:6]


def test_armored_cable_within_the_rounded_metric_value_is_told_so() -> None:
    found = securing.check(interval_scene("S28")).findings
    assert "1400.0 mm" in found[0].message and "the value in feet decides" in found[0].message


def test_draped_cable_is_supported() -> None:
    assert not supporting.check(draped_scene("S40")).findings
