"""What must not change a verdict: where a building stands, which end a run starts at, points on a straight, units.

Whole jobs are made in memory and checked as the program does; only the units are tested through the project file.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from importers.project_file import parse_project
from route3d.fit import fit_run
from route3d.model.element import Element
from route3d.model.finding import CHECKS, Review
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.model.zone import Zone
from route3d.project import resolve_project
from route3d.review import check_job
from route3d.rules.bend import required_bend
from tests.builders import block, book, cable

Array = NDArray[np.float64]

FEW = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
ROLES = ("duct", "pipe", "hot-pipe", "structure", "framing", "wall", "fire-wall", "equipment", "deck")
ZONES = ("accessible-ceiling", "inaccessible", "wet", "plenum", "damage")
ENDS = ("box", "luminaire", "flexible-equipment", "open")
CABLES = {
    "mc": cable(cable_id="mc"),
    "ac": cable("ac", cable_id="ac"),
    "nm": cable("nm", cable_id="nm", sheath_diameter_m=0.0104, overall_diameter_m=0.0104, minor_diameter_m=0.0046),
    "emt": cable("emt", cable_id="emt", trade_size="3/4", overall_diameter_m=0.0234, sheath_diameter_m=0.0234),
    "big": cable(cable_id="big", size="250 kcmil", sheath_diameter_m=0.047, overall_diameter_m=0.047),
}


def fitted_length(run: Run) -> float:
    of = CABLES[run.cable_id]
    need = required_bend(of, book())
    assert of.radius_m is not None
    return fit_run(run, need.centre_radius_m, 1.5, of.radius_m).length_m


@st.composite
def jobs(draw: st.DrawFn) -> Job:
    """A few runs on a half-metre grid, with corners of all angles, among blocks and zones off that grid."""

    def grid(low: int, high: int) -> st.SearchStrategy[float]:
        return st.integers(low, high).map(lambda n: n * 0.5)

    elements = []
    for number in range(draw(st.integers(0, 4))):
        low = np.array([draw(grid(-1, 10)), draw(grid(-1, 10)), draw(grid(4, 8))]) + np.array([0.137, 0.211, 0.083])
        size = np.array([draw(st.sampled_from((0.05, 0.3, 1.7))) for _ in range(3)])
        role = draw(st.sampled_from(ROLES))
        elements.append(Element(f"m:{number}", role, role.upper(), "MESH", block(low, size), True, "m", str(number)))
    zones = []
    for number in range(draw(st.integers(0, 2))):
        low = np.array([draw(grid(-1, 6)), draw(grid(-1, 6)), draw(grid(3, 6))]) + 0.173
        size = np.array([draw(grid(2, 10)), draw(grid(2, 10)), draw(grid(2, 6))])
        zones.append(Zone(f"zone {number}", draw(st.sampled_from(ZONES)), (block(low, size),)))
    runs = []
    for number in range(draw(st.integers(1, 2))):
        points = [(draw(grid(0, 10)), draw(grid(0, 10)), draw(grid(5, 8)))]
        for _ in range(draw(st.integers(1, 3))):
            step = draw(st.sampled_from([(1, 0, 0), (0, 1, 0), (0, 0, 1), (-1, 0, 0), (1, 1, 0), (0, -1, 1)]))
            far = draw(grid(1, 5))
            points.append(tuple(p + far * s for p, s in zip(points[-1], step, strict=True)))
        run = Run(
            f"R{number}",
            draw(st.sampled_from(sorted(CABLES))),
            np.array(points),
            start=draw(st.sampled_from(ENDS)),
            end=draw(st.sampled_from(ENDS)),
        )
        places = st.lists(st.integers(1, 98), max_size=5, unique=True)
        straps = tuple(sorted(share / 100.0 * fitted_length(run) for share in draw(places)))
        runs.append(replace(run, straps_at_m=straps))
    return Job(
        name="made",
        occupancy=draw(st.sampled_from(("other", "dwelling"))),
        checks=CHECKS,
        cables=CABLES,
        runs=tuple(runs),
        elements=tuple(elements),
        zones=tuple(zones),
        clearance_m={"hot-pipe": 0.15, "pipe": 0.025},
        settings=Settings(),
    )


def checked(job: Job) -> Review:
    return check_job(job, book(), "2026-01-31T10:00:00Z")


def judged(review: Review) -> tuple[dict[str, str], Counter[tuple[Any, ...]]]:
    """Verdicts, and what was found; not where, and not in which words."""
    found = Counter((f.check, f.severity, f.run, f.other, f.rule, f.unchecked) for f in review.findings)
    return {run.fitted.run.run_id: run.verdict for run in review.runs}, found


def measured(review: Review) -> list[float]:
    told = [(f.check, str(f.run), str(f.other), f.rule, f.measured) for f in review.findings if f.measured is not None]
    return [row[-1] for row in sorted(told)]


def moved(job: Job, turn_rad: float, shift: Array) -> Job:
    """The whole job turned about the vertical, then shifted."""
    turn = np.array(
        [[math.cos(turn_rad), -math.sin(turn_rad), 0.0], [math.sin(turn_rad), math.cos(turn_rad), 0.0], [0.0, 0.0, 1.0]]
    )

    def place(points: Array) -> Array:
        return np.asarray(points @ turn.T + shift)

    return replace(
        job,
        runs=tuple(replace(run, corners_m=place(run.corners_m)) for run in job.runs),
        elements=tuple(replace(e, triangles_m=place(e.triangles_m)) for e in job.elements),
        zones=tuple(replace(z, solids_m=tuple(place(s) for s in z.solids_m)) for z in job.zones),
    )


def same(a: Review, b: Review) -> None:
    assert judged(a) == judged(b)
    # what is compared agrees far below the tenth of a millimetre that a comparison forgives
    assert measured(a) == pytest.approx(measured(b), abs=2e-6)


@FEW
@given(jobs(), st.tuples(*[st.floats(-200.0, 200.0)] * 3))
def test_moving_everything_changes_nothing(job: Job, shift: tuple[float, float, float]) -> None:
    same(checked(job), checked(moved(job, 0.0, np.array(shift))))


@FEW
@given(jobs(), st.sampled_from((90.0, 180.0, 37.0, -63.4)))
def test_turning_everything_about_the_vertical_changes_nothing(job: Job, degrees: float) -> None:
    same(checked(job), checked(moved(job, math.radians(degrees), np.zeros(3))))


@FEW
@given(jobs())
def test_a_run_drawn_from_its_other_end_is_judged_the_same(job: Job) -> None:
    first = checked(job)
    turned = []
    for run, review in zip(job.runs, first.runs, strict=True):
        length = review.fitted.length_m
        turned.append(
            replace(
                run,
                corners_m=run.corners_m[::-1].copy(),
                drawn_radius_m=run.drawn_radius_m[::-1].copy(),
                start=run.end,
                end=run.start,
                straps_at_m=tuple(sorted(length - at for at in run.straps_at_m)),
            )
        )
    same(first, checked(replace(job, runs=tuple(turned))))


@FEW
@given(jobs(), st.integers(0, 2), st.sampled_from((0.25, 0.5, 0.9)))
def test_a_point_on_a_straight_leg_changes_nothing(job: Job, leg: int, share: float) -> None:
    def split(run: Run) -> Run:
        k = leg % (len(run.corners_m) - 1)
        point = run.corners_m[k] + share * (run.corners_m[k + 1] - run.corners_m[k])
        corners = np.insert(run.corners_m, k + 1, point, axis=0)
        return replace(run, corners_m=corners, drawn_radius_m=np.insert(run.drawn_radius_m, k + 1, 0.0))

    same(checked(job), checked(replace(job, runs=tuple(split(run) for run in job.runs))))


def project_text(unit: str, per_unit_mm: float, spans_mm: list[float], jog_mm: float) -> str:
    """One run of metal-clad cable with a jog, strapped at the given spans; every length written in ``unit``."""

    def of(mm: float) -> float:
        return mm / per_unit_mm

    at, straps = 0.0, []
    for span in spans_mm[:-1]:
        at += span
        straps.append(of(at))
    total = sum(spans_mm)
    path = [[0.0, 0.0, of(3000.0)], [of(total), 0.0, of(3000.0)]]
    jog = [[0.0, 0.0, 0.0], [of(1000.0), 0.0, 0.0], [of(1000.0), of(jog_mm), 0.0], [of(2000.0), of(jog_mm), 0.0]]
    return "\n".join(
        (
            f'units = "{unit}"',
            '[[run]]\nid = "straight"\ncable = "mc"\nstart = "box"\nend = "box"',
            f"path = {json.dumps(path)}\nstraps = {json.dumps(straps)}",
            f'[[run]]\nid = "jog"\ncable = "mc"\nstart = "box"\nend = "box"\npath = {json.dumps(jog)}',
            f"straps = [{of(200.0)}, {of(1700.0)}]",
            f'[cable.mc]\nmethod = "mc-interlocked"\nsheath_diameter = {of(12.0)!r}\nconductors = 3\nsize = "12 AWG"',
            '[[zone]]\nname = "wash"\nkind = "wet"\n'
            f"outline = [[{of(-100.0)}, {of(-100.0)}], [{of(400.0)}, {of(-100.0)}], [{of(400.0)}, {of(100.0)}]]\n"
            f"bottom = {of(2900.0)}\ntop = {of(3100.0)}",
        )
    )


@settings(max_examples=15, deadline=None)
@given(
    st.lists(st.sampled_from((250.0, 304.8, 305.0, 1828.8, 1829.2, 1000.0)), min_size=1, max_size=4),
    st.integers(60, 400),
)
def test_a_project_written_in_another_unit_is_judged_the_same(spans_mm: list[float], jog_mm: int) -> None:
    reviews = []
    for unit, per_unit_mm in (("mm", 1.0), ("in", 25.4), ("ft", 304.8), ("m", 1000.0), ("cm", 10.0)):
        text = project_text(unit, per_unit_mm, spans_mm, float(jog_mm))
        job = resolve_project(parse_project(text, "route3d.toml"), Path("route3d.toml")).job
        reviews.append(checked(job))
    for other in reviews[1:]:
        same(reviews[0], other)


@pytest.mark.parametrize(
    ("unit", "at_limit", "beyond"),
    [("mm", 1828.8, 1829.2), ("in", 72.0, 72.02), ("ft", 6.0, 6.0015), ("m", 1.8288, 1.8292), ("cm", 182.88, 182.92)],
)
def test_six_feet_passes_in_every_unit_and_a_little_more_in_none(unit: str, at_limit: float, beyond: float) -> None:
    per_unit_mm = {"mm": 1.0, "in": 25.4, "ft": 304.8, "m": 1000.0, "cm": 10.0}[unit]
    for span, verdict in ((at_limit, "pass"), (beyond, "fail")):
        text = project_text(unit, per_unit_mm, [250.0, span * per_unit_mm, 250.0], 400.0).split("[[zone]]")[0]
        job = resolve_project(parse_project(text, "route3d.toml"), Path("route3d.toml")).job
        assert checked(job).runs[0].verdict == verdict
