"""A project is watched by a process of its own while its files are saved, half-written and renamed."""

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from tests.scratch_project import brought_in

FINE = [(0, 0, 3000), (1000, 0, 3000)]
WAIT_S = 120.0  # only a limit, so that a fault does not hang the tests


class Watching:
    """The process, and what it has printed so far."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self.process = process
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line)

    def until(self, words: str) -> str:
        end = time.monotonic() + WAIT_S
        while time.monotonic() < end:
            if words in "".join(self.lines):
                return "".join(self.lines)
            if self.process.poll() is not None:
                self._reader.join(5.0)
                break
            time.sleep(0.05)
        said = "".join(self.lines)
        assert words in said, said
        return said


@contextmanager
def watching(folder: Path, *more: str) -> Iterator[Watching]:
    process = subprocess.Popen(
        [sys.executable, "-m", "route3d", "watch", str(folder), *more],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env={**os.environ, "COLUMNS": "200"},
    )  # fmt: skip
    try:
        yield Watching(process)
    finally:
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()


@pytest.fixture
def project(scratch) -> Path:
    scratch.run(FINE, straps=[300, 700])
    scratch.box("M-DUCT", (400, 400, 2950), (600, 600, 3050))
    scratch.check()
    return scratch.folder


def test_a_saved_project_is_checked_again_and_the_difference_is_told(project: Path, tmp_path: Path) -> None:
    with watching(project, "--times", "1", "--json", str(tmp_path / "r.json")) as watch:
        watch.until("watching")
        file = project / "route3d.toml"
        file.write_text(file.read_text(encoding="utf-8").replace("3000]", "3010]"), encoding="utf-8")
        said = watch.until("read and checked in")
        assert watch.process.wait(WAIT_S) == 0, said
    assert "changed a" in said and "only what changed was checked" in said
    assert json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["summary"]["violations"] == 0


def test_a_half_written_project_is_waited_for(project: Path) -> None:
    file = project / "route3d.toml"
    whole = file.read_text(encoding="utf-8").replace("straps = [300", "straps = [310")
    with watching(project, "--times", "1") as watch:
        watch.until("watching")
        file.write_text(whole[: len(whole) // 2], encoding="utf-8")
        time.sleep(1.0)
        beside = project / "saving.tmp"
        beside.write_text(whole, encoding="utf-8")
        os.replace(beside, file)
        said = watch.until("read and checked in")
    assert "earlier state" not in said


def test_a_project_that_stays_broken_is_said_and_the_watch_goes_on(project: Path) -> None:
    file = project / "route3d.toml"
    whole = file.read_text(encoding="utf-8")
    with watching(project, "--times", "1", "--poll") as watch:
        watch.until("watching")
        file.write_text(whole.replace("[[run]]", "[[rnu]]"), encoding="utf-8")
        assert "rnu" in watch.until("earlier state")
        file.write_text(whole.replace("straps = [300", "straps = [320"), encoding="utf-8")
        watch.until("read and checked in")


@pytest.mark.parametrize("name", ["level/frame.dxf", "plate.bin", "rules/county.toml"])
def test_files_that_drawings_and_rules_bring_in_are_watched(scratch, name: str) -> None:
    folder = brought_in(scratch)
    with watching(folder, "--times", "1") as watch:
        watch.until("watching")
        path = folder / name
        raw = path.read_bytes()
        changed = (
            raw.replace(b"the county's", b"another county's")
            if name.endswith(".toml")
            else raw.replace(b"900.0", b"950.0")
        )
        if name.endswith(".bin"):
            changed = np.array([[0, 2, 0], [1, 2, 0], [1, 2, 2]], dtype="<f4").tobytes()
        assert changed != raw
        path.write_bytes(changed)
        watch.until("read and checked in")
