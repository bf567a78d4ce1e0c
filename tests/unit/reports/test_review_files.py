"""Tables, gates, scene and paper of a review, read back by other libraries."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import jsonschema
import numpy as np
import openpyxl
import pypdfium2
import pytest
import trimesh
from lxml import etree
from PIL import Image

from route3d.drawables import origin_of
from route3d.examine import examine
from route3d.model.building import Unread
from route3d.model.decision import Matter
from route3d.model.element import Element
from route3d.model.finding import CAUTION, CHECKS, Finding, Review
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.reports.review_junit import junit
from route3d.reports.review_pdf import write_review_pdf
from route3d.reports.review_rows import finding_rows, review_notes, review_tables
from route3d.reports.review_sarif import sarif
from route3d.reports.scene_glb import scene_glb
from route3d.reports.takeoff_csv import csv_text
from route3d.reports.takeoff_xlsx import workbook_of
from route3d.review import judge
from tests.builders import block, book, cable

SCHEMAS = Path(__file__).parents[2] / "data" / "schemas"
SARIF_SCHEMA = json.loads((SCHEMAS / "sarif-2.1.0-rtm.5.json").read_text(encoding="utf-8"))
JUNIT_SCHEMA = etree.XMLSchema(etree.parse(SCHEMAS / "junit-10.xsd"))
HOSTILE = '=HYPERLINK("x")<b>&\x00\x1b\u202e ../..\\ 水'
SURVEY = np.array([512_345.25, 4_100_678.5, 120.0])
UNREAD = Unread("a.dxf", HOSTILE, "S-X", "BODY", "its data is damaged")


def job(shift: np.ndarray | None = None) -> Job:
    """Two runs, one through a duct, one beside it."""
    shift = np.zeros(3) if shift is None else shift
    runs = tuple(
        Run(name, "c", np.array([[0.0, y, 3], [4, y, 3]]) + shift, start="box", end="box", straps_at_m=(0.3, 2.0, 3.7))
        for name, y in ((HOSTILE, 0.0), ("clear", 2.0))
    )
    duct = Element("a.dxf:1", "duct", "M-DUCT", "SOLID", block((1, -0.2, 2.9), (0.4, 0.4, 0.4)) + shift, True, "a.dxf")
    return Job("made", "other", CHECKS, {"c": cable()}, runs, (duct,), (), {}, Settings())


def checked(made: Job) -> Review:
    return judge(examine(made, book()), "2026-01-31T10:00:00Z")


@pytest.fixture(scope="module")
def review() -> Review:
    return replace(checked(job()), unread=(UNREAD,))


def matter(finding: Finding) -> Matter:
    return Matter(1, finding, "accepted", "found", "2026-01-01T00:00:00Z", None, "=1+1", "B. Fitter", "", "A.", False)


# --- tables -------------------------------------------------------------------------------------------------------


def test_the_workbook_has_every_finding_run_and_unread_row_and_no_formula(review) -> None:
    known = (matter(review.findings[0]),)
    data = workbook_of(review_tables(review, review.findings, known), "Review", review_notes(review))
    again = workbook_of(review_tables(review, review.findings, known), "Review", review_notes(review))
    assert data == again
    read = openpyxl.load_workbook(io.BytesIO(data))
    assert read.sheetnames == ["findings", "runs", "not read", "decisions", "notes"]
    assert all(cell.data_type != "f" for sheet in read for row in sheet.iter_rows() for cell in row)
    findings = read["findings"]
    heads = [cell.value for cell in findings[1]]
    first = dict(zip(heads, [cell.value for cell in findings[2]], strict=True))
    worst = review.findings[0]
    assert first["finding"] == worst.finding_id and first["rule"] == worst.rule and first["decided"] == "accepted"
    assert first["measured"] == pytest.approx(worst.measured)
    assert findings.max_row == 1 + len(review.findings) and read["runs"].max_row == 3 and read["not read"].max_row == 2
    assert read["notes"]["A2"].value == CAUTION


def test_the_table_of_findings_is_safe_in_a_spreadsheet_and_ends_with_the_caution(review) -> None:
    rows = list(csv.reader(io.StringIO(csv_text(finding_rows(review.findings)).removeprefix("\ufeff"))))
    assert len(rows) == 2 + len(review.findings) and rows[-1] == [CAUTION]
    assert not any(cell.startswith(("=", "+", "@")) for row in rows for cell in row)
    run = rows[0].index("run")
    assert any(row[run].startswith("'=HYPERLINK") for row in rows[1:-1])


# --- gates --------------------------------------------------------------------------------------------------------


def test_every_run_and_check_is_a_case_and_violations_fail(review) -> None:
    root = ElementTree.fromstring(junit(review, CHECKS))
    suites = root.findall("testsuite")
    assert len(suites) == 1 + len(review.runs)
    for suite in suites[1:]:
        assert [case.get("name") for case in suite.findall("testcase")][: len(CHECKS)] == list(CHECKS)
    assert suites[1].find("testcase[@name='clash']/failure") is not None
    assert suites[2].find("testcase[@name='clash']/failure") is None
    assert suites[0].find("testcase[@name='not read']/error") is not None
    assert int(root.get("failures", "0")) == len(root.findall(".//failure")) > 0
    assert int(root.get("tests", "0")) == len(root.findall(".//testcase"))
    assert root.find(".//property[@name='caution']").get("value") == CAUTION


def test_what_could_not_be_judged_is_an_error_and_never_a_pass(review) -> None:
    silent = replace(review, findings=(), runs=tuple(replace(r, verdict="unchecked") for r in review.runs))
    root = ElementTree.fromstring(junit(silent, ("bend",)))
    assert len(root.findall("testsuite/testcase[@name='verdict']/error")) == len(review.runs)
    doubt = Finding("input", "caution", "clear", "r", "not known", "say it", unchecked=True)
    root = ElementTree.fromstring(junit(replace(review, findings=(doubt,)), ("bend",)))  # a check that was not named
    assert root.find("testsuite[@name='clear']/testcase[@name='input']/error") is not None


def test_the_log_has_a_result_per_finding_with_level_rule_and_a_relative_file(review) -> None:
    made = job()
    elements = {e.element_id: replace(e, file="C:/x y/../a#.dxf") for e in made.elements}
    log = json.loads(sarif(review, CHECKS, elements, "route3d.toml"))
    assert log["version"] == "2.1.0"
    run = log["runs"][0]
    assert len(run["results"]) == len(review.findings)
    levels = {"violation": "error", "caution": "warning", "note": "note"}
    for result, finding in zip(run["results"], review.findings, strict=True):
        assert result["level"] == levels[finding.severity] and result["message"]["text"]
        assert run["tool"]["driver"]["rules"][result["ruleIndex"]]["id"] == result["ruleId"] == finding.check
        uri = result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]
        assert ":" not in uri and " " not in uri and "#" not in uri
    assert len(run["invocations"][0]["toolExecutionNotifications"]) == 1
    assert run["tool"]["driver"]["fullDescription"]["text"] == CAUTION


@pytest.mark.parametrize("shift", [np.zeros(3), SURVEY])
def test_the_log_and_the_gate_keep_to_their_published_schemas(review, shift) -> None:
    doubt = Finding("input", "caution", None, "r", HOSTILE, HOSTILE, unchecked=True)
    for shown in (review, checked(job(shift)), replace(review, findings=(doubt,), runs=()), replace(review, unread=())):
        elements = {e.element_id: replace(e, file=HOSTILE) for e in job().elements}
        log = json.loads(sarif(shown, CHECKS, elements, "route3d.toml"))
        validator = jsonschema.Draft4Validator(SARIF_SCHEMA, format_checker=jsonschema.FormatChecker())
        assert [f"{list(e.absolute_path)}: {e.message}" for e in validator.iter_errors(log)] == []
        assert not validator.is_valid({**log, "version": "2"}) and not validator.is_valid({"runs": []})
        tree = etree.fromstring(junit(shown, CHECKS))
        JUNIT_SCHEMA.assertValid(tree)
        tree.set("surprise", "x")
        assert not JUNIT_SCHEMA.validate(tree)


# --- scene --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shift", [np.zeros(3), SURVEY])
def test_the_scene_is_small_in_numbers_and_says_its_origin(shift) -> None:
    made = job(shift)
    review = checked(made)
    data = scene_glb(made, review)
    assert data == scene_glb(made, review)
    scene = trimesh.load(io.BytesIO(data), file_type="glb")
    origin = np.array(scene.metadata["origin_m"])
    assert np.allclose(origin, origin_of(made, review)) and scene.metadata["caution"] == CAUTION
    low, high = scene.bounds
    assert np.abs(scene.bounds).max() < 10.0
    # y is up in glTF: x, y, z of the building are x, -z, y of the scene
    back = np.array([[low[0], -high[2], low[1]], [high[0], -low[2], high[1]]]) + origin
    duct = made.elements[0].box_m
    assert (back[0] <= duct[0] + 1e-4).all() and (back[1] >= duct[1] - 1e-4).all()
    names = {m.visual.material.name for m in scene.geometry.values()}
    assert {"duct", "run, fail"} <= names


# --- paper --------------------------------------------------------------------------------------------------------


def picture(finding: Finding) -> bytes | None:
    if finding.point_m is None:
        return None
    out = io.BytesIO()
    Image.new("RGB", (600, 400), (200, 90, 10)).save(out, format="PNG")
    return out.getvalue()


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_every_page_carries_the_caution_and_all_is_listed(tmp_path, review, paper) -> None:
    long = replace(review.findings[0], message="word " * 900, finding_id="clash-long")
    many = (*review.findings, long)
    drawn = write_review_pdf(tmp_path / "a.pdf", review, many, (matter(review.findings[0]),), picture, paper)
    write_review_pdf(tmp_path / "b.pdf", review, many, (matter(review.findings[0]),), picture, paper)
    assert drawn == sum(f.point_m is not None for f in many)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    with pypdfium2.PdfDocument(tmp_path / "a.pdf") as document:
        pages = [" ".join(p.get_textpage().get_text_range().split()) for p in document]
    assert all(CAUTION in page for page in pages)
    said = " ".join(pages)
    assert said.count("word") == 900 * 2  # in the table and beside its picture
    assert "Not read (1)" in said and "its data is damaged" in said and "‹U+202E›" in said
    for finding in review.findings:
        assert finding.rule.split()[-1] in said
