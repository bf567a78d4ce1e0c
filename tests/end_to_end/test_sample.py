"""The shipped sample project: each run comes out as its table of intents says, and the demo writes what it promises."""

import csv
import json
from pathlib import Path

import pytest

from tests.scratch_project import call

SAMPLE = Path(__file__).parents[2] / "sample_models" / "workshop"


@pytest.fixture(scope="module")
def results(tmp_path_factory) -> dict:
    out = tmp_path_factory.mktemp("sample") / "results.json"
    status, output = call("check", str(SAMPLE), "--json", str(out), "--no-cache")
    assert status == 1, output
    return json.loads(out.read_text(encoding="utf-8"))


def intents() -> list[dict[str, str]]:
    with (SAMPLE / "expected.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("intent", intents(), ids=lambda row: row["run"])
def test_each_run_of_the_sample_comes_out_as_intended(results, intent) -> None:
    run = next(run for run in results["runs"] if run["id"] == intent["run"])
    violated = {
        f["check"]
        for f in results["findings"]
        if f["severity"] == "violation" and intent["run"] in (f["run"], f["other"])
    }
    exempt = {span["exempt"] for span in run["spans"] if span["exempt"]}
    assert run["verdict"] == intent["verdict"]
    assert violated == set(filter(None, intent["violations"].split(";")))
    assert exempt == set(filter(None, intent["exempt"].split(";")))


def test_the_sample_shows_every_violation_and_every_exemption_at_least_once() -> None:
    rows = intents()
    assert len(rows) >= 24
    assert {name for row in rows for name in row["violations"].split(";")} >= {
        "bend", "clash", "clearance", "securing", "environment", "deck",
    }  # fmt: skip
    assert {name for row in rows for name in row["exempt"].split(";") if name} == {"fished", "whip", "flexible"}


def test_nothing_of_the_sample_is_left_unread(results) -> None:
    assert results["unread"] == []


def test_demo_copies_checks_and_writes_report_and_results(demonstrated) -> None:
    folder = demonstrated.folder
    assert demonstrated.status == 0, demonstrated.output
    written = {path.name for path in (folder / "results").iterdir()}
    assert {"results.json", "report.html"} <= written
    page = (folder / "results" / "report.html").read_text(encoding="utf-8")
    assert "An aid for planning" in page
    assert "L1-LTG-07" in page
    assert "<script" not in page
