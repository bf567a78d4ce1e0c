"""Two revisions compared through the command line: results files, projects, and git revisions."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.scratch_project import call

FINE = [(0, 0, 3000), (1000, 0, 3000)]
TIGHT = [(0, 0, 3000), (500, 0, 3000), (500, 150, 3000), (1000, 150, 3000)]


@pytest.fixture
def before(scratch, tmp_path: Path) -> Path:
    """A project with one failing bend pair, checked; its results are kept beside it."""
    scratch.run(TIGHT, straps=[300, 850])
    scratch.check()
    copy = tmp_path / "before"
    shutil.copytree(scratch.folder, copy)
    return copy


def compared(*arguments: str, to: Path) -> tuple[int, dict, str]:
    status, output = call("compare", *arguments, "--json", str(to))
    return status, json.loads(to.read_text(encoding="utf-8")) if to.exists() else {}, output


def test_a_project_compared_with_itself_has_nothing_new(before: Path, tmp_path: Path) -> None:
    status, value, output = compared(str(before), str(before), to=tmp_path / "c.json")
    assert status == 0, output
    assert value["counts"]["stayed"] > 0
    assert sum(value["counts"].values()) == value["counts"]["stayed"]
    assert value["runs"] == value["elements"] == value["files"] == []
    assert "an aid" in output.lower()


def test_a_tighter_bend_is_worse_and_status_1(before: Path, tmp_path: Path) -> None:
    after = tmp_path / "after"
    shutil.copytree(before, after)
    project = after / "route3d.toml"
    project.write_text(project.read_text(encoding="utf-8").replace("150", "120"), encoding="utf-8")
    status, value, output = compared(
        str(before), str(after), "--picture", str(tmp_path / "p.png"), to=tmp_path / "c.json"
    )
    assert status == 1, output
    assert value["counts"]["worse"] >= 1 and value["counts"]["new"] == 0
    assert [run["change"] for run in value["runs"]] == ["changed"]
    assert (tmp_path / "p.png").read_bytes().startswith(b"\x89PNG")


def test_results_files_and_projects_compare_alike(before: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept.json"
    call("check", str(before), "--json", str(kept))
    _, value, _ = compared(str(kept), str(before), to=tmp_path / "c.json")
    assert value["counts"]["stayed"] > 0 and value["counts"]["new"] == value["counts"]["gone"] == 0
    assert value["runs"] == [] and value["elements"] is None


@pytest.mark.parametrize(
    "content",
    ["", "[]", "{", '{"schema": "other/1"}', '{"schema": "route3d-results/1"}', "[" * 100_000],
)
def test_a_damaged_results_file_is_one_sentence_and_status_2(before: Path, tmp_path: Path, content: str) -> None:
    bad = tmp_path / "bad.json"
    bad.write_text(content, encoding="utf-8")
    status, output = call("compare", str(bad), str(before))
    assert status == 2
    assert "bad.json" in output and "Traceback" not in output


@pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")
def test_a_git_revision_of_the_project_can_be_the_earlier_one(before: Path, tmp_path: Path) -> None:
    identity = ["-c", "user.name=t", "-c", "user.email=t@example.org"]
    for arguments in (["init", "-q"], ["add", "."], [*identity, "commit", "-qm", "one"]):
        subprocess.run(["git", "-C", str(before), *arguments], check=True)
    project = before / "route3d.toml"
    project.write_text(project.read_text(encoding="utf-8").replace("150", "120"), encoding="utf-8")
    status, value, output = compared(f"HEAD:{before}", str(before), to=tmp_path / "c.json")
    assert status == 1, output
    assert value["counts"]["worse"] >= 1
    status, output = call("compare", f"nosuch:{before}", str(before))
    assert status == 2 and "no such revision" in output


def test_a_name_that_is_nothing_is_said(tmp_path: Path) -> None:
    status, output = call("compare", "nothing-here", str(tmp_path))
    assert status == 2 and "nothing-here" in output
