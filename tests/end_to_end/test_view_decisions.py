"""Decisions in the viewer: the same as on the command line, in the same store, and seen in every window."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from websockets.sync.client import connect

from route3d.model.decision import Decision, Matter
from route3d.store import opening
from route3d.store.decisions import decide, histories, matters
from route3d.store.opening import store_path
from route3d.store.recording import trend_points
from route3d.viewer.page_decisions import HISTORY_MAX
from tests.scratch_project import Scratch, call
from tests.unit.store.test_opening import WRITER
from tests.viewer_window import Served, Window, served

ROUNDS = int(os.environ.get("ROUTE3D_KILL_ROUNDS", "2"))  # by hand: 200

# four bends that are too tight, in two pairs
TIGHT = [(0, 0, 3000), (500, 0, 3000), (500, 150, 3000), (1500, 150, 3000), (1500, 300, 3000), (2000, 300, 3000)]
CLEAR = [(0, 2000, 3000), (2000, 2000, 3000)]


@pytest.fixture
def project(scratch: Scratch) -> Path:
    """Run a has four bends that are too tight; b is straight."""
    scratch.run(TIGHT, "a", straps=[300, 1100, 1900])
    scratch.run(CLEAR, "b", straps=[200, 1800])
    scratch.write()
    return scratch.folder


@pytest.fixture
def server(project: Path) -> Iterator[Served]:
    with served(project) as running:
        yield running


def bends(server: Served) -> list[dict]:
    found = [f for f in server.review()["findings"] if f["check"] == "bend" and f["run"] == "a"]
    return sorted(found, key=lambda f: f["at_m"])


def store_of(project: Path) -> Path:
    return store_path(project / "route3d.toml")


def by_id(project: Path) -> dict[str, Matter]:
    return {m.finding.finding_id: m for m in matters(store_of(project))}


WORDS = {"decided": "to-mend", "by": "N. N.", "note": "wider form", "owner": "crew", "due": "2026-01-31"}


def test_a_decision_is_in_the_store_at_once_and_in_every_window(server: Served, project: Path) -> None:
    first, second, *_ = (f["id"] for f in bends(server))
    assert not store_of(project).exists() and server.review()["decisions"] == {}
    with server.window() as one, server.window() as two:
        hello = two.hear("hello")
        told = one.ask("decide", findings=[first], **WORDS)
        assert told["say"] == "decided"
        kept = by_id(project)[first]
        assert (kept.decided, kept.by, kept.note, kept.owner, kept.due) == tuple(WORDS.values())
        followed = two.hear("decided")
        assert followed["seq"] is None and followed["decisions"] == told["decisions"]
        assert followed["decisions_number"] > hello["decisions_number"]
    entry = told["decisions"][first]
    assert entry["history"] == [{"at": entry["at"], **WORDS}]
    assert told["decisions"][second]["decided"] == "open" and told["decisions"][second]["history"] == []
    assert len(told["trend"]) == 1 and told["trend"][0]["new"] == len(told["decisions"])
    whole = server.review()
    assert whole["decisions"][first] == entry
    assert {key: whole[key] for key in ("decisions", "past", "trend", "decisions_number")} == {
        key: server.get("/decisions.json").json()[key] for key in ("decisions", "past", "trend", "decisions_number")
    }


def test_what_is_decided_on_the_command_line_appears_in_an_open_page(server: Served, project: Path) -> None:
    first = bends(server)[0]["id"]
    with server.window() as window:
        window.hear("hello")
        status, output = call("decide", first, "--project", str(project), "--as", "not-ours", "--by", "A. B.",
                              "--note", "the plumber's")  # fmt: skip
        assert status == 0, output
        while True:
            told = window.hear("decided")
            if told["decisions"].get(first, {}).get("decided") == "not-ours":
                break
        assert told["decisions"][first]["by"] == "A. B."
        # and the other way round: the command line lists what the window decides
        assert window.ask("decide", findings=[first], **WORDS)["say"] == "decided"
    status, output = call("decide", "--list", "--project", str(project))
    assert status == 0 and "to-mend" in output and "wider form" in output


@pytest.mark.parametrize(
    ("said", "word"),
    [
        ({**WORDS, "by": " "}, "name"),
        ({**WORDS, "decided": "accepted", "note": ""}, "reason"),
        ({**WORDS, "decided": "done"}, "no decision"),
        ({**WORDS, "due": "soon"}, "2026-01-31"),
        ({**WORDS, "note": "x" * 5000}, "at most"),
        ({**WORDS, "note": 7}, "text"),
        ({**WORDS, "findings": []}, "names the findings"),
        ({**WORDS, "findings": "all"}, "names the findings"),
        ({**WORDS, "findings": [None]}, "names the findings"),
        ({**WORDS, "findings": ["x"] * 6000}, "at most"),
        ({**WORDS, "findings": ["nothing"]}, "not in the project as it is saved"),
    ],
)
def test_what_cannot_be_decided_is_one_sentence_and_writes_nothing(
    server: Served, project: Path, said: dict, word: str
) -> None:
    first = bends(server)[0]["id"]
    with server.window() as window:
        told = window.ask("decide", **{"findings": [first], **said})
    assert told["say"] == "failed" and word in told["why"] and "\n" not in told["why"]
    assert not any(m.decided != "open" for m in matters(store_of(project)))


def test_several_are_decided_together_or_not_at_all(server: Served, project: Path) -> None:
    ids = [f["id"] for f in bends(server)]
    with server.window() as window:
        assert window.ask("decide", findings=[*ids, "nothing"], **WORDS)["say"] == "failed"
        assert not any(m.decided != "open" for m in matters(store_of(project)))
        told = window.ask("decide", findings=[*ids, ids[0]], **WORDS)
    assert [told["decisions"][i]["decided"] for i in ids] == ["to-mend"] * 4
    assert all(len(told["decisions"][i]["history"]) == 1 for i in ids)


def corners(server: Served, run_id: str) -> list[list[float]]:
    return next(run for run in server.review()["runs"] if run["id"] == run_id)["corners_m"]


def first_bends_gone(server: Served) -> dict:
    """An edit that takes the first two tight bends away, so that the others take their ids."""
    a, _, c, *rest = corners(server, "a")
    return {"run": "a", "corners_m": [[a[0], c[1], a[2]], *rest]}


def test_unsaved_drafts_are_not_recorded_and_do_not_move_a_decision_to_its_neighbour(
    server: Served, project: Path
) -> None:
    first, second, third, fourth = (f["id"] for f in bends(server))
    accepted = {**WORDS, "decided": "accepted", "note": "made by hand"}
    with server.window() as window:
        window.ask("decide", findings=[first], **accepted)
        told = window.ask("draft", edits=[first_bends_gone(server)])
        # ids count along the run: what is left is called like the one that was accepted, and is another one
        assert {f["id"] for f in bends(server)} == {first, second}
        assert told["saved_as"] == {first: third, second: fourth} == server.review()["saved_as"]
        assert len(trend_points(store_of(project))) == 1
        fresh = {"run": "b", "corners_m": [[0, 5, 3], [0.3, 5, 3], [0.3, 5.1, 3], [1, 5.1, 3]]}
        told = window.ask("draft", edits=[fresh])
        new = [f["id"] for f in told["findings"] if f["run"] == "b" and f["check"] == "bend"]
        assert new and all(told["saved_as"][i] is None for i in new)
        refused = window.ask("decide", findings=new[:1], **WORDS)
        assert refused["say"] == "failed" and "save the changes first" in refused["why"]
        assert window.ask("drop-drafts", all=True)["say"] == "dropped"
    assert server.review()["saved_as"] == {}
    assert len(trend_points(store_of(project))) == 1


def test_a_save_is_recorded_as_a_check_and_says_what_it_mended(server: Served, project: Path) -> None:
    first, _, third, _ = (f["id"] for f in bends(server))
    with server.window() as window:
        window.ask("decide", findings=[third], **WORDS)
        window.ask("draft", edits=[first_bends_gone(server)])
        assert window.ask("save")["say"] == "saved"
        window.hear("review-changed")
    whole = server.review()
    points = trend_points(store_of(project))
    assert len(points) == 2 and points[1].mended >= 1
    assert whole["trend"][1]["mended"] == points[1].mended
    # the one that is left took the id of the first and kept its own decision
    assert whole["decisions"][first]["decided"] == "to-mend"
    assert [p["presence"] for p in whole["past"]].count("mended") == whole["mended_count"] >= 1
    assert call("check", str(project))[1].count("nothing changed") == 1


def test_an_opened_viewer_records_as_check_does_only_where_decisions_are_kept(project: Path) -> None:
    with served(project):
        assert not store_of(project).exists()
    call("decide", "--project", str(project))
    file = project / "route3d.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("150", "400"), encoding="utf-8")
    with served(project) as running:
        assert len(trend_points(store_of(project))) == 2
        assert running.review()["mended_count"] >= 2


def test_a_check_of_newer_files_recorded_meanwhile_is_not_undone(server: Served, project: Path) -> None:
    first, second, *_ = (f["id"] for f in bends(server))
    with server.window() as window:
        window.ask("decide", findings=[first], **{**WORDS, "decided": "accepted"})
        straight = next(run for run in server.review()["runs"] if run["id"] == "b")
        aside = [[x, y, z + 0.01] for x, y, z in straight["corners_m"]]
        window.ask("draft", edits=[{"run": "b", "corners_m": aside}])  # nothing is read unasked then
        file = project / "route3d.toml"
        text = file.read_text(encoding="utf-8")
        shorter = text.replace("[0, 0, 3000], [500, 0, 3000], [500, 150, 3000]", "[0, 150, 3000]")
        assert shorter != text
        file.write_text(shorter, "utf-8")
        assert call("check", str(project))[0] == 1
        while True:
            told = window.hear("decided")
            if told.get("mended_count"):
                break
        # the id of the accepted one means its neighbour there: here it is not shown as decided
        assert first in told["decisions_gone"] and second in told["decisions_gone"]
        assert told["decisions_elsewhere"] >= 1
        refused = window.ask("decide", findings=[first], **WORDS)
        assert refused["say"] == "failed" and "read them anew" in refused["why"]
        window.tell({"do": "reload", "seq": 1})
        window.hear("review-changed")
    assert len(trend_points(store_of(project))) == 2
    whole = server.review()
    assert whole["decisions_elsewhere"] == 0 and whole["decisions"][first]["decided"] == "open"


def test_who_may_only_look_sees_decisions_and_makes_none(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    call("decide", "1", "--project", str(project), "--as", "to-mend", "--by", "N. N.")
    monkeypatch.setattr("route3d.viewer.access.is_loopback", lambda host: False)  # as if asked from another machine
    with served(project, host="0.0.0.0") as running, running.window() as window:
        assert any(d["decided"] == "to-mend" for d in running.review()["decisions"].values())
        refused = window.ask("decide", findings=[bends(running)[0]["id"]], **WORDS)
        assert refused["say"] == "failed" and "read-only" in refused["why"]
    assert [len(told) for told in histories(store_of(project)).values()] == [1]


def test_a_damaged_store_is_said_and_keeps_nothing_from_being_seen(project: Path) -> None:
    call("decide", "1", "--project", str(project), "--as", "to-mend", "--by", "N. N.")
    good = store_of(project).read_bytes()
    with served(project) as running, running.window() as window:
        window.hear("hello")
        store_of(project).write_bytes(b"not a database" * 100)
        told = window.hear("decided")
        assert "cannot be read" in told["decisions_trouble"] and str(project) not in json.dumps(told)
        assert any(d["decided"] == "to-mend" for d in running.review()["decisions"].values())  # the last that was seen
        refused = window.ask("decide", findings=[bends(running)[0]["id"]], **WORDS)
        assert refused["say"] == "failed" and "Traceback" not in refused["why"]
        store_of(project).write_bytes(good)
        assert window.hear("decided")["decisions_trouble"] == ""
        assert window.ask("decide", findings=[bends(running)[0]["id"]], **WORDS)["say"] == "decided"


def test_a_store_that_was_moved_away_is_begun_again(server: Served, project: Path) -> None:
    first = bends(server)[0]["id"]
    with server.window() as window:
        window.ask("decide", findings=[first], **WORDS)
        for path in project.glob("route3d.decisions.sqlite*"):
            path.unlink()
        assert first in window.hear("decided", trend=[])["decisions_gone"]
        told = window.ask("decide", findings=[first], **{**WORDS, "by": "A. B."})
        assert told["say"] == "decided" and by_id(project)[first].by == "A. B."


def test_a_long_history_is_told_by_its_end_and_its_length(server: Served, project: Path) -> None:
    first = bends(server)[0]["id"]
    with server.window() as window:
        window.ask("decide", findings=[first], **WORDS)
        number = by_id(project)[first].number
        for k in range(HISTORY_MAX):
            decide(store_of(project), [number], Decision("2026-01-01", "N. N.", "to-mend", str(k), "", ""))
        told = window.ask("decide", findings=[first], **WORDS)
    entry = server.review()["decisions"][first]
    assert len(entry["history"]) == HISTORY_MAX and entry["history_count"] == HISTORY_MAX + 2
    assert told["say"] == "decided" and entry["history"][-1]["note"] == "wider form"


def test_a_store_that_is_damaged_from_the_start_lets_the_page_open(project: Path) -> None:
    store_of(project).write_bytes(b"not a database" * 100)
    with served(project) as running:
        whole = running.review()
        assert "not recorded" in whole["decisions_trouble"] and whole["findings"]


def test_a_busy_store_is_said_and_does_not_keep_drafts_waiting(
    server: Served, project: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opening, "_WAIT_S", 1.5)
    first = bends(server)[0]["id"]
    call("decide", "--project", str(project))
    other = sqlite3.connect(store_of(project), isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with server.window() as window:
        window.tell({"do": "decide", "seq": 1, "findings": [first], **WORDS})
        window.tell({"do": "draft", "seq": 2, "edits": [first_bends_gone(server)]})
        assert window.hear("checked")["seq"] == 2
        told = window.hear("failed")
        assert told["seq"] == 1 and "keeps it busy" in told["why"]
        other.execute("ROLLBACK")
        assert window.ask("decide", findings=[first], **WORDS)["say"] == "decided"
    other.close()


def test_many_windows_and_the_command_line_decide_at_once_and_nothing_is_lost(server: Served, project: Path) -> None:
    first = bends(server)[0]["id"]
    call("decide", "--project", str(project))

    def decide_often(by: str) -> None:
        with server.window() as window:
            for k in range(10):
                assert window.ask("decide", findings=[first], **{**WORDS, "by": by, "note": str(k)})["say"] == "decided"

    threads = [threading.Thread(target=decide_often, args=(by,)) for by in ("one", "two")]
    for thread in threads:
        thread.start()
    assert call("decide", first, "--project", str(project), "--as", "to-mend", "--by", "three")[0] == 0
    for thread in threads:
        thread.join()
    told = histories(store_of(project))[by_id(project)[first].number]
    for by in ("one", "two"):
        assert [d.note for d in told if d.by == by] == [str(k) for k in range(10)]
    assert [d.by for d in told].count("three") == 1


class Apart:
    """A viewer's server as a process of its own, which can be killed."""

    def __init__(self, project: Path) -> None:
        command = [sys.executable, "-m", "route3d", "view", str(project), "--no-browser", "--port", "0"]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"}
        )
        assert self.process.stdout is not None
        address = next(line for line in self.process.stdout if line.startswith("http://")).strip()
        self.root = address.split("/?")[0]
        self.cookie = httpx.get(address, follow_redirects=False, trust_env=False).headers["set-cookie"].split(";")[0]

    @contextmanager
    def window(self) -> Iterator[Window]:
        with connect(
            f"ws{self.root.removeprefix('http')}/live", additional_headers={"Cookie": self.cookie}, origin=self.root,
            max_size=None, proxy=None,
        ) as socket:  # fmt: skip
            yield Window(socket)


@contextmanager
def killed_in_the_end(*processes: subprocess.Popen[str]) -> Iterator[None]:
    try:
        yield
    finally:
        for process in processes:
            process.kill()
        for process in processes:
            process.wait()
            if process.stdout is not None:
                process.stdout.close()


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs a signal that cannot be caught")
def test_what_a_window_was_told_is_kept_survives_a_kill_of_the_server_and_of_a_command(project: Path) -> None:
    call("decide", "--project", str(project))
    store = store_of(project)
    matter = next(m for m in matters(store) if m.finding.check == "bend")
    from_window, from_command = 0, 0
    for round_ in range(ROUNDS):
        server = Apart(project)
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(store), str(from_command)], stdout=subprocess.PIPE, text=True
        )
        with killed_in_the_end(server.process, writer):
            assert writer.stdout is not None and writer.stdout.readline()
            with server.window() as window:
                window.hear("hello")
                end = time.monotonic() + 0.05 + 0.011 * (round_ % 23)
                while time.monotonic() < end or not from_window:
                    said = {**WORDS, "by": "window", "note": str(from_window)}
                    told = window.ask("decide", findings=[matter.finding.finding_id], **said)
                    assert told["say"] == "decided"
                    from_window += 1
                more = {**said, "note": "on its way"}
                window.tell({"do": "decide", "seq": 1, "findings": [matter.finding.finding_id], **more})
                time.sleep(0.003 * (round_ % 7))
                for process in (server.process, writer):
                    process.send_signal(signal.SIGKILL)
            rest = writer.stdout.read().split()
        kept = histories(store)
        there = [d.note for d in kept[matter.number] if d.by == "window" and d.note != "on its way"]
        assert there == [str(k) for k in range(from_window)]
        there = [d.note for d in kept[1] if d.by == "N. N."]
        assert there == [str(k) for k in range(len(there))] and len(there) > (int(rest[-1]) if rest else from_command)
        from_command = len(there)
    with opening.opened(store) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert from_window >= ROUNDS
