"""The database is of our kind, whole, up to date and shared; history cannot be changed."""

import multiprocessing
import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from route3d.errors import StoreError
from route3d.model.decision import Decision
from route3d.model.finding import CHECKS
from route3d.model.topic import topic_guid
from route3d.store.decisions import decide, finding_text, history, matters
from route3d.store.opening import opened, writing
from route3d.store.recording import kept, record, trend_points
from route3d.store.schema import STEPS
from tests.unit.store.test_recording import CLASH, revision

ROUNDS = int(os.environ.get("ROUTE3D_KILL_ROUNDS", "8"))  # by hand: 200

WRITER = """
import sys
from pathlib import Path
from route3d.model.decision import Decision
from route3d.store.decisions import decide
n = int(sys.argv[2])
while True:
    decide(Path(sys.argv[1]), [1], Decision("2026-01-01", "N. N.", "to-mend", str(n), "", ""))
    print(n, flush=True)
    n += 1
"""


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "p.decisions.sqlite"
    record(path, revision(CLASH), CHECKS, "2026-01-01")
    return path


def test_history_cannot_be_changed_or_deleted(store: Path) -> None:
    decide(store, [1], Decision("2026-01-01", "N. N.", "to-mend", "", "", ""))
    for statement in (
        "UPDATE decision SET note = 'x'",
        "DELETE FROM decision",
        "DELETE FROM matter",
        "DELETE FROM event",
    ):
        with pytest.raises(StoreError, match="never changed"), opened(store) as connection, writing(connection):
            connection.execute(statement)
    assert len(history(store, 1)[0]) == 1


def test_another_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "other.sqlite"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE t (x)")
    other.commit()
    other.close()
    with pytest.raises(StoreError, match="not a database of decisions"):
        matters(path)


@pytest.mark.parametrize("content", [b"not a database at all, just text" * 40, b"SQLite format 3\0" + b"\xff" * 4000])
def test_a_damaged_file_is_refused_in_one_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "bad.sqlite"
    path.write_bytes(content)
    with pytest.raises(StoreError) as caught:
        matters(path)
    assert "bad.sqlite" in str(caught.value) and "\n" not in str(caught.value)


def test_a_damaged_page_is_found_on_opening(store: Path) -> None:
    with opened(store) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    content = bytearray(store.read_bytes())
    for start in range(4096, len(content), 4096):
        content[start : start + 200] = b"\xff" * 200
    store.write_bytes(bytes(content))
    with pytest.raises(StoreError, match=r"damaged|cannot be used"):
        matters(store)


def test_a_later_version_is_refused(store: Path) -> None:
    with opened(store) as connection:
        connection.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    with pytest.raises(StoreError, match="later version"):
        matters(store)


def test_in_a_folder_that_cannot_be_written_to_it_is_read_and_left_alone(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    decide(store, [1], Decision("2026-01-01", "N. N.", "to-mend", "", "", ""))
    before = {path.name: path.read_bytes() for path in store.parent.iterdir()}
    monkeypatch.setattr("route3d.store.opening.os.access", lambda path, mode: False)
    whole = kept(store)
    assert [m.decided for m in whole.matters] == ["to-mend"] and whole.matters == matters(store)
    assert {path.name: path.read_bytes() for path in store.parent.iterdir()} == before
    store.write_bytes(b"not a database" * 100)
    with pytest.raises(StoreError):
        kept(store)


def test_in_such_a_folder_an_earlier_version_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "old.sqlite"
    with opened(path, STEPS[:1]):
        pass
    monkeypatch.setattr("route3d.store.opening.os.access", lambda path, mode: False)
    with pytest.raises(StoreError, match="earlier version"):
        matters(path)


def test_bringing_up_to_date_keeps_a_copy_and_what_was_there(store: Path) -> None:
    more = (*STEPS, "ALTER TABLE matter ADD COLUMN storey TEXT NOT NULL DEFAULT '';")
    with opened(store, more) as connection:
        assert connection.execute("SELECT storey FROM matter").fetchall() == [("",)]
    copy = store.with_name(f"{store.name}.before-{len(more)}")
    assert len(matters(copy)) == 1


def test_a_database_of_the_first_release_is_brought_up_to_date_with_its_topics(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    finding = finding_text(CLASH)
    with opened(path, STEPS[:1]) as old, writing(old):
        old.execute(
            "INSERT INTO revision (recorded, made, project, rules, checks, inputs, unread, counts, digest) "
            "VALUES ('2026-01-01', '2026-01-01', 'p', 'nec-2023', '[]', '[]', 0, '{}', 'x')"
        )
        for name in ("clash-1", "clash-2", "clash-1"):  # the first is mended, and its id went to another one
            old.execute(
                "INSERT INTO matter (since, presence, mended, ambiguous, finding_id, finding) "
                "VALUES ('2026-01-01', 'found', NULL, 0, ?, ?)", (name, finding),
            )  # fmt: skip
            old.execute("INSERT INTO event (matter, at, kind, why) VALUES (1, '2026-01-01', 'first-found', '')")
    topics = [m.topic for m in matters(path)]
    assert topics[:2] == [topic_guid("p", "clash-1"), topic_guid("p", "clash-2")] and len(set(topics)) == 3
    assert [p.fresh for p in trend_points(path)] == [3]
    assert path.with_name(f"{path.name}.before-{len(STEPS)}").exists()


def test_a_step_that_fails_changes_nothing(store: Path) -> None:
    broken = (*STEPS, "ALTER TABLE matter ADD COLUMN storey TEXT; CREATE TABLE matter (x);")
    with pytest.raises(StoreError), opened(store, broken):
        pass
    assert len(matters(store)) == 1
    with opened(store) as connection:
        assert "storey" not in {row[1] for row in connection.execute("PRAGMA table_info(matter)")}


def _decide_often(path: Path, by: str, count: int) -> None:
    for number in range(count):
        decide(path, [1], Decision("2026-01-01", by, "to-mend", str(number), "", ""))


def test_two_processes_write_at_once_and_nothing_is_lost(store: Path) -> None:
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_decide_often, args=(store, by, 20)) for by in ("one", "two")]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
        assert writer.exitcode == 0
    told = history(store, 1)[0]
    for by in ("one", "two"):
        assert [d.note for d in told if d.by == by] == [str(n) for n in range(20)]


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that cannot be caught")
def test_what_was_said_to_be_written_survives_a_kill(store: Path) -> None:
    said = 0
    for round_ in range(ROUNDS):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(store), str(said)], stdout=subprocess.PIPE, text=True
        )
        assert writer.stdout is not None
        writer.stdout.readline()
        time.sleep(0.003 * (round_ % 7))
        writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read().split()
        writer.wait()
        writer.stdout.close()
        last = int(rest[-1]) if rest else said
        notes = [d.note for d in history(store, 1)[0]]
        assert notes == [str(n) for n in range(len(notes))]
        assert len(notes) >= last + 1
        said = len(notes)
