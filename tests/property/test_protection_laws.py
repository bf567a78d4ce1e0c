"""What always holds of holes, nailing edges, attics, cover and supports: the frame of the building does not matter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.model.element import Element
from route3d.model.finding import Finding
from route3d.model.run import Run
from route3d.model.zone import Zone
from tests.builders import cable
from tests.buildings import block, element, profile, review, run, turned, volume

CHECKS = ["framing", "environment", "securing", "deck", "penetration"]
SLOPED = turned(profile([(-0.02, 0), (0.02, 0), (0.02, 0.24), (-0.02, 0.24)], 4.0), (0, 1, 0), 25.0)


@st.composite
def buildings(draw: st.DrawFn) -> tuple[list[Run], list[Element], list[Zone]]:
    """Three runs through, along and over framing, under a deck, past a duct, in the ground."""
    low = draw(st.floats(0.005, 0.12))
    spacing = draw(st.floats(0.3, 2.2))
    joists = [
        element("framing", block((0.3 + spacing * k, -2, -low), (0.338 + spacing * k, 2, 0.24 - low)), f"j{k}")
        for k in range(4)
    ]
    rafter = element("framing", SLOPED + np.array([0.3, -3.0, 0.0]), "rafter", material="wood")
    deck = element("deck", block((-1, -5, 0.25), (12, 5, 0.3)))
    duct = element("duct", block((-1, 1.02, -0.2), (12, 1.3, 0.1)))
    hatch = element("access-panel", block((1.0, draw(st.floats(2.2, 4.5)), -0.02), (1.6, 5.0, 0.0)))
    plate = element("plate", block((0.28, -0.03, -low - 0.002), (0.36, 0.03, -low)))
    end = 0.3 + spacing * 3 + draw(st.floats(0.2, 0.6))
    along = draw(st.floats(0.0, 0.1))
    way = turned(np.array([1.0, 0, 0]), (0, 1, 0), 25.0)
    begin = (
        np.array([0.3, -3.0 + 0.02 + 0.006, 0.0]) + along * turned(np.array([0, 0, 1.0]), (0, 1, 0), 25.0) + 0.3 * way
    )
    runs = [
        run((0, 0, 0), (end, 0, 0), run_id="bored"),
        run(begin, begin + 3.0 * way, run_id="along"),
        run((0, 1.0, 0.21), (end, 1.0, 0.21), run_id="high"),
    ]
    zones = [
        volume("attic", (-1, 0.5, -1), (12, 6, 3), "attic"),
        volume("inaccessible", (-1, -4, -3), (12, -2.5, 3), "closed", finished=draw(st.booleans())),
        volume("buried", (-1, 0.9, -3), (1.0, 1.1, draw(st.floats(0.3, 1.5))), "earth"),
        volume("wet", (draw(st.floats(0.5, 6.0)), -0.5, -1), (14, 0.5, 1), "wet"),
    ]
    return runs, [*joists, rafter, deck, duct, hatch, plate], zones


def told(findings: tuple[Finding, ...]) -> list[tuple[object, ...]]:
    def number(value: float | None) -> float:
        return -99.0 if value is None else round(value, 5)

    return sorted(
        (f.check, f.severity, f.run or "", f.other or "", f.rule, number(f.measured), number(f.required),
         *(round(a, 4) for a in (f.at_m or (-1.0, -1.0))))
        for f in findings
    )  # fmt: skip


def same(a: list[tuple[object, ...]], b: list[tuple[object, ...]]) -> None:
    assert [row[:5] for row in a] == [row[:5] for row in b]
    for one, other in zip(a, b, strict=True):
        assert one[5:] == pytest.approx(other[5:], abs=3e-4)


@settings(max_examples=25, deadline=None)
@given(
    buildings(),
    st.floats(0.0, 360.0),
    st.tuples(st.floats(-500, 500), st.floats(-500, 500), st.floats(-50, 50)),
)
def test_moving_and_turning_everything_changes_no_finding(building, degrees: float, shift) -> None:
    runs, elements, zones = building
    of = cable(jacketed=True, wet_rated=True, overall_diameter_m=0.014)

    def moved(points: np.ndarray) -> np.ndarray:
        return turned(points, (0, 0, 1), degrees) + np.array(shift)

    before = review(runs, elements, zones, of=of, checks=CHECKS).findings
    after = review(
        [replace(r, corners_m=moved(r.corners_m)) for r in runs],
        [replace(e, triangles_m=moved(e.triangles_m)) for e in elements],
        [replace(z, solids_m=tuple(moved(s) for s in z.solids_m)) for z in zones],
        of=of,
        checks=CHECKS,
    ).findings
    same(told(before), told(after))


@settings(max_examples=25, deadline=None)
@given(buildings())
def test_reversing_a_run_moves_its_findings_to_the_other_end_and_changes_no_number(building) -> None:
    runs, elements, zones = building
    of = cable(overall_diameter_m=0.012)
    there = review(runs, elements, zones, of=of, checks=["framing", "deck"])
    lengths = {r.fitted.run.run_id: r.fitted.length_m for r in there.runs}
    back = [replace(r, corners_m=r.corners_m[::-1], straps_at_m=tuple(
        sorted(lengths[r.run_id] - a for a in r.straps_at_m))) for r in runs]  # fmt: skip
    again = review(back, elements, zones, of=of, checks=["framing", "deck"])

    def key(findings: tuple[Finding, ...], turn: bool) -> list[tuple[object, ...]]:
        flipped = [
            replace(f, at_m=(lengths[f.run] - f.at_m[1], lengths[f.run] - f.at_m[0]))
            if turn and f.run and f.at_m
            else f
            for f in findings
        ]
        return told(tuple(flipped))

    same(key(there.findings, False), key(again.findings, True))


@settings(max_examples=25, deadline=None)
@given(buildings(), st.floats(0.001, 0.02))
def test_a_wider_hole_is_never_further_from_the_edge(building, wider: float) -> None:
    runs, elements, zones = building
    of = cable(overall_diameter_m=0.012)

    def worst(allowance: float) -> float:
        found = review(runs, elements, zones, of=of, checks=["framing"], hole_allowance_m=allowance).findings
        gaps = [f.measured for f in found if f.run == "bored" and f.measured is not None and "300.4(A)" in f.rule]
        return min(gaps, default=np.inf)

    assert worst(wider) <= worst(0.0) + 1e-9
