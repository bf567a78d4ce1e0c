"""Findings and runs are known again after small shifts, new names and new handles, and nothing else is."""

from dataclasses import replace

import numpy as np
import pytest
import trimesh

from route3d.compare import compare, compare_elements
from route3d.matching import REACH_M, match_revisions
from route3d.model.element import Element
from route3d.model.finding import Finding
from route3d.model.revision import Revision, RunMark


def found(name: str, at: tuple[float, float, float] | None, **more: object) -> Finding:
    values = {
        "check": "clash", "severity": "violation", "run": "a", "other": "m:1", "rule": "clearance to duct",
        "at_m": None, "point_m": at, "measured": -0.01, "required": 0.0, "unit": "m", "message": "", "remedy": "",
        "finding_id": name, **more,
    }  # fmt: skip
    return Finding(**values)  # type: ignore[arg-type]


def a_run(name: str, *corners: tuple[float, float, float], cable: str = "mc") -> RunMark:
    points = np.array(corners, dtype=float)
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    return RunMark(name, cable, "fail", length, points)


def cube(role: str, name: str) -> Element:
    triangles = np.asarray(trimesh.creation.box((1, 1, 1)).triangles)
    return Element(f"model:{name}", role, role.upper(), "MESH", triangles, True)


RUN_A = a_run("a", (0, 0, 3), (5, 0, 3), (5, 4, 3))
RUN_B = a_run("b", (0, 1, 3), (4, 1, 3))


def revision(findings: list[Finding], runs: tuple[RunMark, ...] = (RUN_A, RUN_B), rules: str = "nec-2023") -> Revision:
    return Revision("p", rules, "", runs, tuple(findings), (), 0)


def pairs(old: Revision, new: Revision) -> list[tuple[str, str]]:
    matching = match_revisions(old, new)
    return [(old.findings[m.old].finding_id, new.findings[m.new].finding_id) for m in matching.matches]


def test_a_finding_that_shifts_a_little_is_the_same() -> None:
    assert pairs(revision([found("x", (1, 0, 3))]), revision([found("y", (1.1, 0, 3))])) == [("x", "y")]


def test_a_renamed_element_is_known_by_the_place() -> None:
    assert pairs(revision([found("x", (1, 0, 3))]), revision([found("y", (1.1, 0, 3), other="m:99")])) == [("x", "y")]


def test_another_element_further_away_is_another_finding() -> None:
    assert pairs(revision([found("x", (1, 0, 3))]), revision([found("y", (2, 0, 3), other="m:99")])) == []


def test_the_same_pair_further_away_is_the_same_and_said_to_be_far() -> None:
    (match,) = match_revisions(revision([found("x", (1, 0, 3))]), revision([found("y", (3, 0, 3))])).matches
    assert match.far and match.moved_m == pytest.approx(2.0)


def test_a_new_bad_bend_is_not_taken_for_a_mended_one() -> None:
    old = revision([found("x", (1, 0, 3), check="bend", other=None)])
    new = revision([found("x", (4, 0, 3), check="bend", other=None)])
    assert pairs(old, new) == []


def test_another_rule_of_the_same_edition_is_another_finding() -> None:
    assert pairs(revision([found("x", (1, 0, 3))]), revision([found("y", (1, 0, 3), rule="clearance to pipe")])) == []


def test_the_same_section_of_another_edition_is_the_same() -> None:
    old = revision([found("x", (1, 0, 3), rule="NEC 2020 330.24(B)")], rules="nec-2020")
    new = revision([found("y", (1, 0, 3), rule="NEC 2023 330.24(B)")])
    assert pairs(old, new) == [("x", "y")]


def test_renamed_runs_are_known_by_their_path_in_either_direction() -> None:
    renamed = (replace(RUN_A, run_id="a2", corners_m=RUN_A.corners_m[::-1]), RUN_B)
    old, new = revision([found("x", (1, 0, 3))]), revision([found("y", (1, 0, 3), run="a2")], renamed)
    assert match_revisions(old, new).runs == {"a": "a2", "b": "b"}
    assert pairs(old, new) == [("x", "y")]


def test_handles_used_again_for_another_run_do_not_mislead() -> None:
    swapped = (replace(RUN_A, run_id="b"), replace(RUN_B, run_id="a"))
    assert match_revisions(revision([]), revision([], swapped)).runs == {"a": "b", "b": "a"}


def test_a_building_moved_as_a_whole_is_said_and_taken_out() -> None:
    by = np.array([100.0, -20.0, 0.5])
    runs = tuple(replace(run, corners_m=run.corners_m + by) for run in (RUN_A, RUN_B))
    old, new = revision([found("x", (1, 0, 3), other="m:1")]), revision([found("y", (101, -20, 3.5), other="z")], runs)
    compared = compare(old, new)
    assert compared.counts["stayed"] == 1
    assert compared.shift_m == pytest.approx(tuple(by))
    assert any("moved by" in note for note in compared.notes)


def test_two_candidates_at_like_distance_are_said_to_be_ambiguous() -> None:
    old = revision([found("x", (1, 0, 3))])
    new = revision([found("y", (1.1, 0, 3), other="m:7"), found("z", (0.9, 0, 3), other="m:8")])
    (match,) = match_revisions(old, new).matches
    assert len(match.ambiguous) == 1


def test_findings_without_a_place_match_by_their_words_whatever_the_numbers() -> None:
    at = {"check": "input", "run": None, "other": None}
    old = revision([found("x", None, message="3 things on layer A were not read", **at)])
    new = revision(
        [found("y", None, message="5 things on layer A were not read", **at), found("z", None, message="other", **at)]
    )
    assert pairs(old, new) == [("x", "y")]


@pytest.mark.parametrize(
    ("more", "change"),
    [
        ({"measured": -0.02}, "worse"),
        ({"measured": -0.005}, "better"),
        ({"measured": -0.01005}, "stayed"),
        ({"severity": "caution"}, "better"),
    ],
)
def test_trend(more: dict[str, object], change: str) -> None:
    compared = compare(revision([found("x", (1, 0, 3))]), revision([found("x", (1, 0, 3), **more)]))
    assert [c.change for c in compared.findings] == [change]


def test_what_is_no_longer_found_is_gone_and_what_was_not_there_is_new() -> None:
    compared = compare(revision([found("x", (1, 0, 3))]), revision([found("y", (4, 4, 3), check="clearance")]))
    assert compared.counts == {"new": 1, "worse": 0, "stayed": 0, "better": 0, "gone": 1}


def test_elements_with_new_handles_are_renamed_and_moved_ones_say_how_far() -> None:
    duct, pipe = cube("duct", "1"), cube("pipe", "2")
    duct = replace(duct, triangles_m=duct.triangles_m + np.array([3.0, 0.0, 0.0]))
    moved = replace(pipe, triangles_m=pipe.triangles_m + np.array([0.0, 0.05, 0.0]))
    changes = compare_elements([duct, pipe], [replace(duct, element_id="model:9"), moved])
    assert [(c.change, c.name) for c in changes] == [("renamed", "model:9"), ("changed", "model:2")]
    assert "0.0500 m" in changes[1].what


def test_reach_is_the_last_distance_at_which_findings_match() -> None:
    at = [1 + REACH_M - 1e-6, 1 + REACH_M + 1e-6]
    said = [pairs(revision([found("x", (1, 0, 3))]), revision([found("y", (x, 0, 3), other="new")])) for x in at]
    assert said == [[("x", "y")], []]
