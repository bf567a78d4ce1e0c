"""Drafts on disk: what was written is found again, whatever was torn, cut or forged."""

import json
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from route3d.errors import InputError
from route3d.viewer.draft_files import read_journal
from route3d.viewer.edits import Edit
from route3d.viewer.journal import FOLDER, Journal

A, B = Edit("a", straps_at_m=(0.5, 1.0)), Edit("b", deleted=True)
ROOT = Path(__file__).parents[3]


@pytest.fixture
def project(tmp_path) -> Path:
    return tmp_path / "route3d.toml"


def files(project: Path) -> list[Path]:
    return sorted((project.parent / FOLDER).glob("*")) if (project.parent / FOLDER).exists() else []


def abandoned(project: Path, *states: dict[str, Edit]) -> Path:
    """Write states and let go without closing, as a killed server does."""
    journal = Journal(project)
    for state in states:
        journal.record(state)
    os.close(journal._file)
    return files(project)[-1]


def test_nothing_is_written_before_the_first_draft(project) -> None:
    journal = Journal(project)
    journal.record({})
    assert journal.left() is None
    journal.close()
    assert not (project.parent / FOLDER).exists()


def test_the_last_word_on_each_run_is_found_again(project) -> None:
    abandoned(project, {"a": Edit("a", cable="x")}, {"a": A, "b": B}, {"a": A}, {"a": A, "b": B})
    left = Journal(project).left()
    assert left is not None and left.edits == {"a": A, "b": B} and left.unreadable == 0
    assert left.since.endswith("Z")


def test_drafts_that_were_undone_or_saved_are_not_offered(project) -> None:
    abandoned(project, {"a": A}, {})
    assert Journal(project).left() is None
    assert files(project) == []


def test_an_orderly_end_keeps_drafts_and_removes_an_empty_journal(project) -> None:
    journal = Journal(project)
    journal.record({"a": A})
    journal.close()
    left = Journal(project).left()
    assert left is not None and left.edits == {"a": A}
    Journal(project).done_with(left)
    assert not (project.parent / FOLDER).exists()


@pytest.mark.parametrize("keep", range(0, 400, 7))
def test_cut_off_anywhere_it_holds_what_was_complete(project, keep) -> None:
    path = abandoned(project, {"a": A}, {"a": A, "b": B})
    raw = path.read_bytes()
    path.write_bytes(raw[:keep])
    found = read_journal(path, "route3d")
    assert found is not None and found.unreadable == 0
    complete = raw[:keep].count(b"\n")
    assert set(found.edits) == (set() if complete < 2 else {"a"} if complete < 3 else {"a", "b"})


def test_a_line_that_cannot_be_read_is_counted_and_its_file_kept(project) -> None:
    path = abandoned(project, {"a": A}, {"a": A, "b": B})
    lines = path.read_bytes().splitlines(keepends=True)
    lines[1] = b"\x00" * 20 + b"\n"
    path.write_bytes(b"".join(lines))
    journal = Journal(project)
    left = journal.left()
    assert left is not None and left.unreadable == 1 and left.edits == {"b": B}
    journal.done_with(left)
    assert [p.name for p in files(project)] == [path.name + ".unreadable"]


@pytest.mark.parametrize(
    "forged",
    [
        '{"at":"x","runs":{"a":{"straps_at_m":["1"]}}}',
        '{"at":"x","runs":{"a":{"file":"/etc/passwd"}}}',
        '{"at":"x","runs":{"a":7}}',
        '{"at":"x","runs":[1]}',
        '{"runs":{}}',
        "[1]",
        "[" * 3_000,
        '{"at":"x","runs":{"a":{"corners_m":[[0,0,1e999],[0,0,0]]}}}',
    ],
)
def test_a_forged_journal_is_met_with_distrust(project, forged) -> None:
    path = abandoned(project, {"b": B})
    path.write_bytes(path.read_bytes() + forged.encode() + b"\n")
    left = Journal(project).left()
    assert left is not None and left.edits == {"b": B} and left.unreadable == 1


def test_a_living_server_keeps_its_drafts(project) -> None:
    one = Journal(project)
    one.record({"a": A})
    assert Journal(project).left() is None
    one.close()
    left = Journal(project).left()
    assert left is not None
    # while one offers them, another does not
    assert Journal(project).left() is None


def test_other_projects_in_the_folder_are_not_touched(project) -> None:
    abandoned(project.with_name("other.toml"), {"a": A})
    assert Journal(project).left() is None
    assert Journal(project.with_name("other.toml")).left() is not None


def test_drafts_of_several_dead_servers_are_offered_together_the_latest_last(project) -> None:
    first = abandoned(project, {"a": Edit("a", cable="old"), "b": B})
    second = abandoned(project, {"a": A})
    os.utime(first, (1, 1)) if second != first else None
    left = Journal(project).left()
    assert left is not None and left.edits == {"a": A, "b": B} and len(left.paths) == 2


def test_a_long_journal_is_written_anew_and_stays_locked(project, monkeypatch) -> None:
    monkeypatch.setattr("route3d.viewer.journal._COMPACT_BYTES", 2_000)
    journal = Journal(project)
    for k in range(200):
        journal.record({"a": Edit("a", straps_at_m=(k / 100,)), "b": B})
    (path,) = files(project)
    assert path.stat().st_size < 2_500
    assert Journal(project).left() is None
    os.close(journal._file)
    left = Journal(project).left()
    assert left is not None and left.edits == {"a": Edit("a", straps_at_m=(1.99,)), "b": B}


def test_a_full_disk_is_an_error_and_does_not_spoil_the_next_line(project, monkeypatch) -> None:
    journal = Journal(project)
    journal.record({"a": A})
    write = os.write
    monkeypatch.setattr(os, "write", lambda file, raw: write(file, raw[: len(raw) // 2]))
    with pytest.raises(InputError, match="drafts cannot be kept"):
        journal.record({"a": A, "b": B})
    monkeypatch.undo()
    journal.record({"a": A, "b": B})
    os.close(journal._file)
    left = Journal(project).left()
    assert left is not None and left.edits == {"a": A, "b": B} and left.unreadable == 1


def test_a_folder_that_leads_elsewhere_is_not_written_to(project, tmp_path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (tmp_path / FOLDER).symlink_to(elsewhere)
    with pytest.raises(InputError, match="is a link"):
        Journal(project).record({"a": A})
    assert Journal(project).left() is None and list(elsewhere.iterdir()) == []


def test_killed_while_it_writes_every_complete_line_is_there(project) -> None:
    """A process that writes as fast as it can is killed; what it had confirmed before is found."""
    script = textwrap.dedent(f"""
        from pathlib import Path
        from route3d.viewer.edits import Edit
        from route3d.viewer.journal import Journal
        journal = Journal(Path({str(project)!r}))
        for k in range(10**6):
            journal.record({{"a": Edit("a", straps_at_m=(float(k),))}})
            print(k, flush=True)
    """)
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        assert process.stdout is not None
        for _ in range(500):
            confirmed = int(process.stdout.readline())
        process.kill()
    left = Journal(project).left()
    assert left is not None and left.unreadable == 0
    assert left.edits["a"].straps_at_m is not None and left.edits["a"].straps_at_m[0] >= confirmed
    assert json.loads(files(project)[0].read_bytes().split(b"\n")[0])["format"] == 1
