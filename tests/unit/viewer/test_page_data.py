"""The review as the page gets it: the results' words, coordinates of the picture, lines that can be measured."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from route3d.model.element import Element
from route3d.model.finding import CHECKS
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.model.zone import Zone
from route3d.project import read_project
from route3d.reports.results_json import results
from route3d.review import check_job
from route3d.viewer.page_data import PageMaker, page_json
from tests.builders import book, cable

SAMPLE = Path(__file__).parents[3] / "sample_models" / "workshop"
FAR = np.array([500_000.0, 5_400_000.0, 100.0])
RADIUS = 0.006


def block(low, high) -> np.ndarray:
    corner = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return np.array([corner[[a, b, c]] for a, b, c, d in quads] + [corner[[a, c, d]] for a, b, c, d in quads], float)


def element(name: str, role: str, low, high, **more) -> Element:
    return Element(f"m.dxf:{name}", role, role.upper(), "MESH", block(low, high) + FAR, True, "m.dxf", name, **more)


def job_of(runs: dict, *elements: Element, clearance=None, **more) -> Job:
    drawn = tuple(
        Run(name, "c", np.array(path, float) + FAR, start="box", end="box", file="route3d.toml", straps_at_m=(0.2,))
        for name, path in runs.items()
    )
    zones = more.pop("zones", ())
    return Job("j", "other", CHECKS, {"c": cable()}, drawn, elements, zones, clearance or {}, Settings(), **more)


def page(job: Job) -> dict:
    review = check_job(job, book(), "2026-01-31T10:00:00Z")
    maker = PageMaker.of(job, review, book(), results, project_file="route3d.toml")
    return json.loads(page_json(maker.review(review)))


def gap_of(value: dict, check: str) -> tuple[np.ndarray, dict]:
    finding = next(f for f in value["findings"] if f["check"] == check)
    return np.array(finding["gap_line_m"]) + value["origin_m"], finding


def test_a_gap_line_runs_between_the_two_nearest_points() -> None:
    """A straight run 80 mm above a duct: the line is vertical, 80 mm less the cable's radius long."""
    duct = element("d", "duct", (1, -0.2, 2.5), (1.4, 0.2, 2.92))
    line, finding = gap_of(page(job_of({"a": [[0, 0, 3], [4, 0, 3]]}, duct, clearance={"duct": 0.1})), "clearance")
    assert finding["group"] == "duct" and finding["measured"] == pytest.approx(0.08 - RADIUS, abs=1e-6)
    assert np.allclose(line[0, 1:] - FAR[1:], [0, 3 - RADIUS], atol=1e-5)
    assert np.allclose(line[1, 1:] - FAR[1:], [0, 2.92], atol=1e-5)
    assert line[0, 0] == pytest.approx(line[1, 0], abs=1e-5, rel=0) and 1 - 1e-5 <= line[0, 0] - FAR[0] <= 1.4 + 1e-5


def test_a_gap_line_to_an_edge_is_slanted() -> None:
    duct = element("d", "duct", (1, 0.03, 2.5), (1.4, 0.4, 2.96))
    line, finding = gap_of(page(job_of({"a": [[0, 0, 3], [4, 0, 3]]}, duct, clearance={"duct": 0.1})), "clearance")
    assert finding["measured"] == pytest.approx(0.05 - RADIUS, abs=1e-6)
    assert np.allclose(line[1, 1:] - FAR[1:], [0.03, 2.96], atol=1e-5)
    assert np.linalg.norm(line[1] - line[0]) == pytest.approx(finding["measured"], abs=2e-5)
    assert np.allclose(line[0, 1:] - FAR[1:], [0.6 * RADIUS, 3 - 0.8 * RADIUS], atol=1e-5)


def test_an_overlap_is_measured_from_the_far_side_of_the_cable_to_the_surface() -> None:
    """Wholly inside, 50 mm below the top: the depth is 50 mm and a radius."""
    duct = element("d", "duct", (1, -1, 2.0), (2.4, 1, 3.05))
    line, finding = gap_of(page(job_of({"a": [[0, 0, 3], [4, 0, 3]]}, duct)), "clash")
    assert finding["measured"] == pytest.approx(-0.05 - RADIUS, abs=1e-6)
    assert np.allclose(np.sort(line[:, 2] - FAR[2]), [3 - RADIUS, 3.05], atol=1e-5)
    # only the cable's skin overlaps: 2 mm
    duct = element("d", "duct", (1, -1, 2.0), (2.4, 1, 3 - RADIUS + 0.002))
    line, finding = gap_of(page(job_of({"a": [[0, 0, 3], [4, 0, 3]]}, duct)), "clash")
    assert finding["measured"] == pytest.approx(-0.002, abs=1e-6)
    assert np.allclose(np.sort(line[:, 2] - FAR[2]), [3 - RADIUS, 3 - RADIUS + 0.002], atol=1e-5)


def test_two_runs_that_cross_get_a_line_between_their_skins() -> None:
    value = page(job_of({"a": [[0, 0, 3], [4, 0, 3]], "b": [[2, -2, 3.008], [2, 2, 3.008]]}))
    line, finding = gap_of(value, "clash")
    assert finding["group"] == "run" and finding["measured"] == pytest.approx(-0.004, abs=1e-6)
    assert np.allclose(np.sort(line[:, 2] - FAR[2]), [3.002, 3.006], atol=1e-5)
    assert np.allclose(line[:, :2] - FAR[:2], [2, 0], atol=1e-5)


def test_runs_through_one_point_get_a_line_as_long_as_measured() -> None:
    line, finding = gap_of(page(job_of({"a": [[0, 0, 3], [4, 0, 3]], "b": [[2, -2, 3], [2, 2, 3]]})), "clash")
    assert np.linalg.norm(line[1] - line[0]) == pytest.approx(-finding["measured"], abs=2e-5)


def test_every_coordinate_is_near_the_origin() -> None:
    zone = Zone("z", "wet", (block((0, -1, 2), (1, 1, 4)) + FAR,), unclosed_m=(np.array([[0, 0, 2], [1, 1, 4]]) + FAR,))
    duct = element("d", "duct", (1, -1, 2.0), (2.4, 1, 3.05))
    value = page(job_of({"a": [[0, 0, 3], [2, 0, 3], [2, 0.05, 3], [2, 0.05, 2]]}, duct, zones=(zone,)))
    assert np.allclose(value["origin_m"], FAR, atol=20)

    def numbers(part, name=""):
        if isinstance(part, dict):
            for key, inner in part.items():
                yield from numbers(inner, key)
        elif isinstance(part, list):
            for inner in part:
                yield from numbers(inner, name)
        elif isinstance(part, int | float) and not isinstance(part, bool) and name != "origin_m":
            yield name, part

    far = [(name, number) for name, number in numbers(value) if abs(number) > 1_000]
    assert far == []


def test_runs_and_findings_say_what_the_results_say() -> None:
    read = read_project(SAMPLE, cached=False)
    review = check_job(read.job, read.rules, "2026-01-31T10:00:00Z")
    value = PageMaker.of(read.job, review, read.rules, results, project_file="route3d.toml").review(review, revision=3)
    said = results(review)
    assert value["summary"] == said["summary"] and value["revision"] == 3
    placed = {"point_m", "box_m", "corners_m"}
    for mine, theirs in zip(value["findings"], said["findings"], strict=True):
        assert {k: mine[k] for k in theirs if k not in placed | {"chain"}} == {
            k: theirs[k] for k in theirs if k not in placed | {"chain"}
        }
        assert value["chains"][mine["id"]] == theirs["chain"]
        if theirs["point_m"] is not None:
            assert np.allclose(np.add(mine["point_m"], value["origin_m"]), theirs["point_m"], atol=1e-5)
    assert [f["number"] for f in value["findings"]] == list(range(1, len(said["findings"]) + 1))
    for mine, theirs in zip(value["runs"], said["runs"], strict=True):
        assert (mine["id"], mine["verdict"], mine["length_m"]) == (theirs["id"], theirs["verdict"], theirs["length_m"])
        assert mine["spans"] == theirs["spans"] and len(mine["bends"]) == len(theirs["bends"])
        assert all(b["required_arc_m"] is None for b in mine["bends"] if b["ratio"] is None or b["ratio"] >= 1.0)
        assert [z["name"] for z in mine["zones"]] == [z["zone"] for z in theirs["zones"]]
        assert len(mine["line_m"]) == len(mine["line_at_m"])
    short = [b for run in value["runs"] for b in run["bends"] if b["ratio"] is not None and b["ratio"] < 0.99]
    assert short and all(b["required_arc_m"] for b in short)
    measured = [f for f in value["findings"] if f["check"] in ("clash", "clearance", "separation") and f["run"]]
    assert measured and all(f["gap_line_m"] for f in measured)
    assert {run["source"] for run in value["runs"]} == {"project", "drawing"}


def test_corners_come_back_to_a_micrometre() -> None:
    path = [[0.123456789, 0, 3], [1, 0, 3.00000049]]
    value = page(job_of({"a": path}))
    back = np.add(value["runs"][0]["corners_m"], value["origin_m"])
    assert np.abs(back - (np.array(path) + FAR)).max() <= 0.51e-6


def test_storeys_come_from_the_ends_then_from_the_height() -> None:
    low = [element(f"l{k}", "structure", (k, 5, 0.0), (k + 0.5, 6, 3.0), storey="Level 1") for k in range(5)]
    high = [element(f"h{k}", "structure", (k, 5, 3.6), (k + 0.5, 6, 6.0), storey="Level 2") for k in range(5)]
    box = element("bx", "box", (-0.05, -0.05, 3.3), (0.05, 0.05, 3.4), storey="Level 2")
    runs = {"a": [[0, 0, 3.35], [0, 3, 3.35]], "b": [[3, 0, 3], [3, 3, 3]], "c": [[4, 0, 4], [4, 3, 4]]}
    job = job_of(runs, *low, *high, box)
    job = replace(job, runs=tuple(replace(run, start=None) for run in job.runs))
    assert {run["id"]: run["storey"] for run in page(job)["runs"]} == {"a": "Level 2", "b": "Level 1", "c": "Level 2"}


def test_a_cable_without_a_diameter_is_said_to_have_none() -> None:
    job = job_of({"a": [[0, 0, 3], [1, 0, 3], [1, 1, 3]]})
    bare = replace(cable(), sheath_diameter_m=None, overall_diameter_m=None)
    value = page(replace(job, cables={"c": bare}))
    assert value["runs"][0]["radius_m"] is None and value["cables"]["c"]["required_inner_m"] is None


def test_numbers_of_findings_are_kept_and_never_used_twice() -> None:
    job = job_of({"a": [[0, 0, 3], [4, 0, 3]], "b": [[2, -2, 3], [2, 2, 3]]})
    review = check_job(job, book(), "now")
    maker = PageMaker.of(job, review, book(), results)
    count = len(review.findings)
    assert [maker.numbers.of(f.finding_id) for f in review.findings] == list(range(1, count + 1))
    assert maker.numbers.of("clash-new") == count + 1 == maker.numbers.of("clash-new")
    assert maker.numbers.of("bend-new") == count + 2
