"""Killed before any change of a file, or out of disk there: what was is still there, or the new is there as a whole."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

import pytest

from importers.project_file import read_project_file
from route3d.store.decisions import matters
from tests.fuzz.kills import SURVIVED, struck
from tests.scratch_project import Scratch, call

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="processes are not forked there")
STEPS_MAX = 40


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    """A project with a typed run that wants straps, and decisions; compiled and read once."""
    scratch = Scratch(tmp_path_factory.mktemp("whole"))
    scratch.box("S-BEAM", (-200, -400, 3010), (4200, 400, 3200))
    scratch.role("S-BEAM", "structure")
    scratch.run([[0, 0, 3000], [4000, 0, 3000]], "a", start="open", end="open")
    scratch.write()
    assert call("decide", "--project", str(scratch.folder), "1", "--as", "to-mend", "--by", "A. Foreman")[0] == 0
    for words in (
        ("straps", str(scratch.folder)),
        ("report", str(scratch.folder), "--csv", str(scratch.folder / "w.csv")),
    ):
        call(*words)  # what is compiled on first use is compiled before children are made
    (scratch.folder / "w.csv").unlink()
    return scratch.folder


def copied(whole: Path, tmp_path: Path, number: int) -> Path:
    folder = tmp_path / str(number)
    shutil.copytree(whole, folder)
    return folder


def every_step(whole: Path, tmp_path: Path, command: str, *words: str, full: bool = False):
    """Yield the folder, the status and the words of a command that is struck at each of its steps in turn."""
    for step in range(1, STEPS_MAX):
        folder = copied(whole, tmp_path, step)
        status, said = struck((command, *(w.format(folder) for w in words)), folder, step, full=full)
        if status == SURVIVED:
            assert step > 2
            return
        yield folder, status, said
    raise AssertionError("more steps than expected")


def assert_usable(folder: Path, before: str) -> bool:
    """The project file is what it was, or reads whole; the decisions are there. True where it was changed."""
    text = (folder / "route3d.toml").read_text()
    read_project_file(folder / "route3d.toml")
    assert next(m.decided for m in matters(folder / "route3d.decisions.sqlite")) == "to-mend"
    return text != before


def test_straps_killed_at_any_step_leave_the_old_project_or_the_new(whole, tmp_path) -> None:
    before = (whole / "route3d.toml").read_text()
    changed = [
        assert_usable(folder, before)
        for folder, status, _ in every_step(whole, tmp_path, "straps", "{0}", "--write")
        if status == 137 or pytest.fail("was not killed")
    ]
    assert changed[0] is False and changed == sorted(changed)


def test_straps_on_a_full_disk_say_so_and_leave_the_project(whole, tmp_path) -> None:
    before = (whole / "route3d.toml").read_text()
    for folder, status, said in every_step(whole, tmp_path, "straps", "{0}", "--write", full=True):
        changed = assert_usable(folder, before)
        assert "a fault in route3d" not in said and "Traceback" not in said
        assert changed or status in (0, 1) or (status == 2 and "No space left" in said), said[-300:]
        assert not list(folder.glob("*.part")) and not list(folder.glob(".*.part"))


def test_results_killed_at_any_step_are_whole_or_not_there(whole, tmp_path) -> None:
    for folder, _, _ in every_step(whole, tmp_path, "check", "{0}", "--json", "{0}/r.json"):
        if (folder / "r.json").exists():
            assert json.loads((folder / "r.json").read_text())["runs"]
        assert_usable(folder, "")


@pytest.mark.parametrize("full", [False, True])
def test_a_table_over_an_older_one_is_the_old_or_the_new(whole, tmp_path, full) -> None:
    for step in range(1, STEPS_MAX):
        folder = copied(whole, tmp_path, step)
        table = folder / "t.csv"
        table.write_text("old")
        status, said = struck(("report", str(folder), "--no-cache", "--csv", str(table)), folder, step, full=full)
        if status == SURVIVED:
            return
        assert table.read_text() == "old" or table.read_text().startswith("\ufeff") or "violation" in table.read_text()
        if full:
            assert status == 2 and "No space left" in said and "a fault" not in said
            assert table.read_text() == "old"
