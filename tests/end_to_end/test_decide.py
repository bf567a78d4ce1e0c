"""Decisions through the command line, from one check to the next."""

import json
from pathlib import Path

import pytest

from tests.scratch_project import call

TIGHT = [(0, 0, 3000), (500, 0, 3000), (500, 150, 3000), (1000, 150, 3000)]


@pytest.fixture
def project(scratch) -> Path:
    scratch.run(TIGHT, straps=[300, 850])
    scratch.check()
    return scratch.folder


def bends(folder: Path, to: Path) -> list[str]:
    call("check", str(folder), "--json", str(to))
    return [f["id"] for f in json.loads(to.read_text(encoding="utf-8"))["findings"] if f["check"] == "bend"]


def test_a_check_without_decisions_leaves_no_database(project: Path) -> None:
    assert not list(project.glob("*.sqlite*"))


def test_decided_then_mended_then_found_again(project: Path, tmp_path: Path) -> None:
    ids = bends(project, tmp_path / "r.json")
    status, output = call(
        "decide",
        *ids,
        "--project",
        str(project),
        "--as",
        "to-mend",
        "--by",
        "N. N.",
        "--owner",
        "crew",
        "--due",
        "2026-01-31",
    )
    assert status == 0, output
    assert "to-mend" in output and "overdue" in output
    file = project / "route3d.toml"
    tight = file.read_text(encoding="utf-8")
    file.write_text(tight.replace("150", "400"), encoding="utf-8")
    _, output = call("check", str(project))
    assert f"{len(ids)} mended" in output
    file.write_text(tight, encoding="utf-8")
    _, output = call("check", str(project))
    assert f"{len(ids)} found again" in output
    status, output = call("decide", "1", "--project", str(project), "--history")
    assert status == 0
    assert "found-again" in output and "reopened" in output


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["no-such-finding", "--as", "to-mend", "--by", "x"], "no-such-finding"),
        (["--as", "to-mend", "--by", "x"], "nothing to decide"),
        (["1", "--as", "accepted", "--by", "x"], "reason"),
        (["1", "--as", "to-mend"], "name"),
        (["1", "--as", "to-mend", "--by", "x", "--due", "soon"], "2026-01-31"),
    ],
)
def test_what_cannot_be_decided_is_one_sentence(project: Path, arguments: list[str], word: str) -> None:
    status, output = call("decide", *arguments, "--project", str(project))
    assert status == 2 and word in output and "Traceback" not in output


def test_a_damaged_database_is_said_and_takes_nothing_from_the_check(project: Path) -> None:
    (project / "route3d.decisions.sqlite").write_bytes(b"not a database" * 100)
    status, output = call("check", str(project))
    assert status == 1 and "decisions were not brought up to date" in output
    assert call("decide", "--list", "--project", str(project))[0] == 2


def test_hostile_names_are_shown_as_they_are(project: Path, tmp_path: Path) -> None:
    bends(project, tmp_path / "r.json")
    status, output = call(
        "decide",
        "1",
        "--project",
        str(project),
        "--as",
        "accepted",
        "--by",
        "[red]x",
        "--note",
        "'); DROP TABLE matter;--",
    )
    assert status == 0
    status, output = call("decide", "--list", "--project", str(project))
    assert status == 0 and "DROP" in output
