"""``route3d view`` as a process of its own: its address, its end, and drafts that outlive a kill."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import httpx
import pytest
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

from route3d.viewer.edits import Edit
from route3d.viewer.journal import Journal
from route3d.viewer.server import listen
from tests.scratch_project import Scratch, call
from tests.viewer_window import Window, placeholder, served

ROOT = Path(__file__).parents[2]
# the command line with a page of two lines: what is served is not what is tested here
DRIVER = """
import sys
from pathlib import Path
import route3d.viewer.server as server
from route3d.cli import main
server.BUILT = Path(sys.argv.pop(1))
main.run()
"""


@pytest.fixture
def project(scratch: Scratch):
    scratch.run([[0, 0, 3000], [2000, 0, 3000], [2000, 1500, 3000]], "a", straps=[200, 1500])
    scratch.run([[0, 5000, 3000], [2000, 5000, 3000]], "b", straps=[200, 1800])
    scratch.write()
    return scratch.folder


class Viewer:
    """A process that serves a project."""

    def __init__(self, folder: Path, *options: str) -> None:
        built = placeholder(folder)
        self.process = subprocess.Popen(
            [sys.executable, "-c", DRIVER, str(built), "view", str(folder), "--no-browser", *options],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        assert self.process.stdout is not None
        self.address = self.process.stdout.readline().strip()
        found = re.fullmatch(r"http://([\d.]+:\d+)/\?token=([\w-]{40,})", self.address)
        assert found, self.address + self.process.communicate(timeout=10)[1]
        self.host, self.token = found.groups()
        port = self.host.rpartition(":")[2]
        self.headers = {"Cookie": f"route3d-{port}={self.token}"}

    def window(self):
        return connect(
            f"ws://{self.host}/live", additional_headers=self.headers, origin=f"http://{self.host}", proxy=None
        )

    def kill(self) -> None:
        self.process.kill()
        self.process.communicate(timeout=20)


@pytest.fixture
def start(project):
    viewers: list[Viewer] = []

    def begin(*options: str) -> Viewer:
        viewers.append(Viewer(project, *options))
        return viewers[-1]

    yield begin
    for viewer in viewers:
        viewer.kill()


def test_the_printed_address_opens_the_page_and_ctrl_c_ends_it(start) -> None:
    viewer = start()
    with httpx.Client(trust_env=False, follow_redirects=True) as browser:
        page = browser.get(viewer.address)
        assert page.status_code == 200 and str(page.url) == f"http://{viewer.host}/"
        assert browser.get(f"http://{viewer.host}/review.json").json()["project"]
    with viewer.window() as socket:
        Window(socket).hear("hello")
        viewer.process.send_signal(signal.SIGINT)
        output, errors = viewer.process.communicate(timeout=20)
    assert viewer.process.returncode == 0
    assert "Traceback" not in output + errors and errors == ""


def test_a_port_that_is_taken_is_one_sentence_and_without_one_the_next_is_used(project) -> None:
    with listen("127.0.0.1", None) as first, listen("127.0.0.1", None) as second:
        ports = [one.getsockname()[1] for one in (first, second)]
        assert ports[0] != ports[1]
        status, output = call("view", str(project), "--no-browser", "--port", str(ports[1]))
    assert status == 2 and f"port {ports[1]} is taken" in output and output.count("\n") == 1


def test_an_address_of_another_machine_is_one_sentence(project) -> None:
    for host in ("192.0.2.1", "no such host"):
        status, output = call("view", str(project), "--no-browser", "--host", host)
        assert status == 2 and output.count("\n") == 1


def test_drafts_outlive_a_kill_and_are_offered_until_saved(start, project) -> None:
    viewer = start()
    with viewer.window() as socket:
        window = Window(socket)
        window.hear("hello")
        told = window.ask("draft", edits=[{"run": "a", "straps_at_m": [0.3, 1.4]}, {"run": "b", "deleted": True}])
        assert told["unsaved"] == 2
        viewer.kill()
    # somebody only looks, and leaves again: the offer stands
    with served(project) as server, server.window() as window:
        assert window.hear("hello")["drafts"]["count"] == 2
    viewer = start()
    with viewer.window() as socket:
        window = Window(socket)
        offered = window.hear("hello")["drafts"]
        assert offered["count"] == 2 and offered["unreadable"] == 0 and offered["since"].endswith("Z")
        told = window.ask("take-drafts")
        assert told["say"] == "checked" and told["unsaved"] == 2 and told["runs_gone"] == ["b"]
        assert next(r for r in told["runs"] if r["id"] == "a")["straps_at_m"] == [0.3, 1.4]
        window.hear("drafts", drafts=None)
        viewer.kill()
    # taken and not saved: still there
    with served(project) as server, server.window() as window:
        assert window.hear("hello")["drafts"]["count"] == 2
        window.ask("take-drafts")
        saved = window.ask("save")
        assert saved["say"] == "saved", saved
        window.hear("review-changed")
    text = (project / "route3d.toml").read_text(encoding="utf-8")
    assert "300" in text and 'id = "b"' not in text
    assert not (project / ".route3d-drafts").exists()


def left_behind(project: Path, *edits: Edit) -> None:
    """Leave drafts as a server does that is gone."""
    journal = Journal(project / "route3d.toml")
    journal.record({edit.run: edit for edit in edits})
    journal.close()


def test_dropped_drafts_are_gone(project) -> None:
    left_behind(project, Edit("a", straps_at_m=(0.3,)))
    with served(project) as server, server.window() as window:
        assert window.hear("hello")["drafts"]["count"] == 1
        assert window.ask("drop-drafts")["say"] == "dropped"
        window.hear("drafts", drafts=None)
    assert not (project / ".route3d-drafts").exists()


def test_dropping_everything_takes_drafts_in_force_back(project) -> None:
    with served(project) as server, server.window() as window:
        window.ask("draft", edits=[{"run": "a", "straps_at_m": [0.3]}])
        assert window.ask("drop-drafts")["unsaved"] == 1
        assert window.ask("drop-drafts", all=True)["unsaved"] == 0
        window.hear("review-changed")
        assert next(r for r in server.review()["runs"] if r["id"] == "a")["straps_at_m"] == [0.2, 1.5]


def test_drafts_that_were_saved_just_before_the_end_are_not_offered(project) -> None:
    left_behind(project, Edit("a", straps_at_m=(0.2, 1.5)))
    with served(project) as server, server.window() as window:
        assert window.hear("hello")["drafts"] is None


def test_a_journal_that_somebody_tampered_with_is_offered_as_far_as_it_makes_sense(project) -> None:
    left_behind(project, Edit("a", straps_at_m=(0.3,)), Edit("nowhere", straps_at_m=(0.3,)))
    (path,) = (project / ".route3d-drafts").iterdir()
    path.write_text(path.read_text(encoding="utf-8") + "rubbish\n", encoding="utf-8")
    with served(project) as server, server.window() as window:
        assert window.hear("hello")["drafts"]["unreadable"] == 1
        told = window.ask("take-drafts")
        assert told["unsaved"] == 1 and "no run nowhere" in told["notes"][0]
    # what could not be read is kept, and so is what does not fit
    assert {p.suffix for p in (project / ".route3d-drafts").iterdir()} == {".jsonl", ".unreadable"}
    with served(project) as server, server.window() as window:
        assert window.hear("hello")["drafts"]["count"] == 2


def test_killed_in_the_middle_of_dragging_it_loses_nothing_that_was_answered(start, project) -> None:
    """Killed at two moments of a stream of drafts: what an answer confirmed is there, and every line can be read."""
    for pause_s in (0.01, 0.08):
        viewer = start()
        with viewer.window() as socket:
            window = Window(socket)
            if window.hear("hello")["drafts"] is not None:
                window.ask("take-drafts")
            window.ask("draft", edits=[{"run": "a", "straps_at_m": [0.2]}])
            for k in range(200):
                window.tell({"do": "draft", "seq": k, "edits": [{"run": "a", "straps_at_m": [0.2, 0.3 + k / 1e3]}]})
            time.sleep(pause_s)
            viewer.kill()
            confirmed = [0.2]
            with suppress(ConnectionClosed):
                while True:
                    message = json.loads(socket.recv(timeout=5))
                    if message["say"] == "checked":
                        confirmed = message["runs"][-1]["straps_at_m"]
        with served(project) as server, server.window() as window:
            offered = window.hear("hello")["drafts"]
            assert offered is not None and offered["unreadable"] == 0
            straps = next(r for r in window.ask("take-drafts")["runs"] if r["id"] == "a")["straps_at_m"]
            assert straps[0] == 0.2 and len(straps) >= len(confirmed)
            assert straps[-1] >= confirmed[-1]


def test_two_viewers_of_one_project_leave_each_other_their_drafts(project) -> None:
    with served(project) as one, one.window() as window:
        window.ask("draft", edits=[{"run": "a", "straps_at_m": [0.3]}])
        with served(project) as two, two.window() as other:
            assert other.hear("hello")["drafts"] is None
        assert window.ask("draft", edits=[{"run": "a", "straps_at_m": [0.4]}])["say"] == "checked"


def test_a_finding_that_is_not_there_is_one_sentence(project) -> None:
    status, output = call("view", str(project), "--no-browser", "--of", "clash-nowhere")
    assert status == 2 and "there is no finding" in output and output.count("\n") == 1


def test_a_taken_port_is_found_before_the_project_is_read(tmp_path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        (tmp_path / "route3d.toml").write_text("broken = [", encoding="utf-8")
        status, output = call("view", str(tmp_path), "--port", str(taken.getsockname()[1]))
    assert status == 2 and "is taken" in output
