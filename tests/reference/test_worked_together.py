"""Bundles, separation and panel spaces against worked cases with the section of the code beside each."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from route3d.checks import CHECKS, bundle, separation
from route3d.model.panel import Panel
from tests.builders import book, cable
from tests.together_scenes import body, rack, run_along, scene_of

CASES = {
    row["id"]: row
    for row in csv.DictReader((Path(__file__).parent / "worked_together.csv").read_text(encoding="utf-8").splitlines())
}
MM = 0.001


def inputs(case: str) -> dict[str, str]:
    return dict(part.split("=") for part in CASES[case]["inputs"].split(";"))


@pytest.mark.parametrize("case", [case for case in CASES if case.startswith("A")])
def test_bundle_case(case: str) -> None:
    given = inputs(case)
    each = int(given["ccc_each"])
    of = cable(size=given["size"], conductors=each + 1, jacketed=given["jacketed"] == "true")
    runs = rack(int(given["cables"]), 3.0, shared_m=float(given["bundled_mm"]) * MM)
    # touching side by side, all beside the first one over that length
    found = bundle.check(scene_of(runs, [of], rules=f"nec-{CASES[case]['edition']}")).findings
    expected = int(CASES[case]["expect"].removeprefix("FACTOR "))
    together = [f for f in found if f.run is not None]
    cautions = [f for f in together if f.severity == "caution"]
    factors = [int(f.remedy.partition(" for ")[2].partition(" %")[0]) for f in cautions]
    assert factors == ([] if expected == 100 else [expected])
    assert all(f.rule.startswith(f"NEC {CASES[case]['edition']} {CASES[case]['section']}") for f in together)
    if case in ("A01", "A02"):
        assert [f.severity for f in found] == ["note"]
    elif expected == 100:
        assert not found


@pytest.mark.parametrize("case", ["W01", "W02", "W03"])
def test_working_depth_case(case: str) -> None:
    given = inputs(case)
    depth = float(given["value_mm"]) * MM
    elements = [
        body("P", "cabinet", (0, 0, 0.9), (0.2, 0.8, 1.9)),
        body("behind", "wall", (-0.2, -2, 0), (0, 3, 3)),
        body("opposite", "wall", (0.2 + depth, -2, 0), (0.4 + depth, 3, 3)),
    ]
    panel = Panel("P", "+x", float(given["volts_to_ground"]), int(given["condition"]), floor_m=0.0)
    found = CHECKS["clearance"](scene_of([], elements=elements, panels=[panel])).findings
    assert [f.severity for f in found] == ([] if CASES[case]["expect"] == "PASS" else ["violation"])
    if found:
        assert found[0].rule == f"NEC 2023 {CASES[case]['section']}"
        assert found[0].measured == pytest.approx(depth, abs=1e-9)
        assert found[0].required == pytest.approx(1.0668)


@pytest.mark.parametrize("case", ["W04", "W05"])
def test_dedicated_space_case(case: str) -> None:
    elements = [body("P", "cabinet", (0, 0, 0.9), (0.2, 0.5, 1.9))]
    runs = []
    if inputs(case)["item"] == "pipe":
        elements.append(body("water", "pipe", (0.05, -2, 2.5), (0.1, 2, 2.55)))
    else:
        runs.append(run_along((0.1, 0.25, 3.0), (0.1, 0.25, 1.9), run_id="R0"))
    panel = Panel("P", "+x", 120.0, 1, floor_m=0.0)
    found = CHECKS["clearance"](scene_of(runs, elements=elements, panels=[panel])).findings
    assert [f.severity for f in found] == ([] if CASES[case]["expect"] == "PASS" else ["violation"])
    if found:
        assert found[0].rule == f"NEC 2023 {CASES[case]['section']}"
        assert found[0].other == "water"


@pytest.mark.parametrize("case", ["W07", "W08"])
def test_separation_case(case: str) -> None:
    given = inputs(case)
    power = cable("tc" if given["power"] == "other-in-the-open" else given["power"], cable_id="power")
    signal = cable("data-pair", cable_id="signal", overall_diameter_m=0.006, sheath_diameter_m=0.006)
    pitch = float(given["gap_mm"]) * MM + 0.006 + 0.003
    runs = [
        run_along((0, 0, 3), (5, 0, 3), run_id="D", cable_id="signal"),
        run_along((0, pitch, 3), (5, pitch, 3), run_id="P", cable_id="power"),
    ]
    found = separation.check(scene_of(runs, [power, signal])).findings
    assert [f.severity for f in found] == ([] if CASES[case]["expect"] == "PASS" else ["violation"])
    if found:
        assert found[0].rule == f"NEC 2023 {CASES[case]['section']}"
        assert (found[0].run, found[0].other) == ("D", "P")
        assert found[0].measured == pytest.approx(0.0254, abs=1e-6)


def test_every_case_is_judged() -> None:
    assert {case[0] for case in CASES} == {"A", "W"}
    assert len(CASES) == 17 + 7


def test_depths_are_the_table_of_the_section() -> None:
    """110.26(A)(1), from memory: 3 ft; 3, 3-1/2, 4 ft; 3, 4, 5 ft."""
    rows = {rule.volts_max: tuple(round(d / 0.3048, 6) for d in rule.depths_m) for rule in book().working_spaces}
    assert rows == {150: (3, 3, 3), 600: (3, 3.5, 4), 1000: (3, 4, 5)}


def test_factors_are_the_table_of_the_section() -> None:
    """Table 310.15(C)(1): 4-6 80 %, 7-9 70 %, 10-20 50 %, 21-30 45 %, 31-40 40 %, 41 and more 35 %."""
    assert book().bundle is not None
    assert book().bundle.percent_by_count == ((4, 80), (7, 70), (10, 50), (21, 45), (31, 40), (41, 35))
