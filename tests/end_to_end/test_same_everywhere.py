"""The same project gives the same bytes, whatever the language, the time zone, the threads and the hash seed are."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SAMPLE = Path(__file__).parents[2] / "sample_models" / "workshop"
ROOT = Path(__file__).parents[2]

# the clock of the results stands still; everything else is the program as it is
RUN = """
import sys
import route3d.clock as clock
clock.now = lambda: "2026-01-31T10:00:00Z"
from route3d.cli import main
for words in (
    ["check", "p", "--no-cache", "--json", "results.json"],
    ["takeoff", "p", "--json", "takeoff.json", "--csv", "cuts.csv"],
    ["report", "p", "--csv", "r.csv", "--xlsx", "r.xlsx", "--dxf", "r.dxf", "--glb", "r.glb", "--junit", "r.xml",
     "--sarif", "r.sarif", "--bcf", "r.bcf", "--pdf", "r.pdf", "--plain-html", "r.html", "--pictures", "0"],
):
    sys.argv = ["route3d", *words]
    try:
        main.run()
    except SystemExit as stop:
        if stop.code not in (0, 1, 3):
            raise
"""
# what the DXF library writes of the time, and ids that it draws by lot
_TIMES = re.compile(
    rb"(\$TDCREATE|\$TDUPDATE)\r?\n *40\r?\n[^\n]*|\{[0-9A-F]{8}-[0-9A-F-]{27}\}|\d\.\d[\d.]* @ [\dT:.+-]+"
)
PLACES = {
    "at home": {"LC_ALL": "C.UTF-8", "TZ": "UTC", "PYTHONHASHSEED": "0"},
    "Turkish, fourteen hours ahead, one thread": {
        "LC_ALL": "tr_TR.UTF-8", "TZ": "Pacific/Kiritimati", "PYTHONHASHSEED": "1", "NUMBA_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1", "one core": "yes",
    },
    "decimal comma, no zone, no encoding, no terminal, four threads": {
        "LC_ALL": "de_DE.UTF-8", "TZ": "-99", "PYTHONHASHSEED": "2", "NUMBA_NUM_THREADS": "4", "OMP_NUM_THREADS": "4",
        "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "TERM": "",
    },
}  # fmt: skip


@pytest.fixture(scope="module")
def languages(tmp_path_factory) -> dict[str, str]:
    """Locales with a decimal comma and with another capital i, made where the system's sources of them are."""
    folder = tmp_path_factory.mktemp("locales")
    if shutil.which("localedef") is None:
        return {}
    for name in ("de_DE", "tr_TR"):
        subprocess.run(["localedef", "-i", name, "-f", "UTF-8", str(folder / f"{name}.UTF-8")], capture_output=True)
    return {"LOCPATH": str(folder)} if any(folder.iterdir()) else {}


def made_in(folder: Path, place: dict[str, str]) -> dict[str, bytes]:
    shutil.copytree(SAMPLE, folder / "p", ignore=shutil.ignore_patterns(".route3d-*"))
    place = dict(place)
    before = (lambda: os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})) if place.pop("one core", None) else None
    done = subprocess.run(
        [sys.executable, "-c", RUN], cwd=folder, capture_output=True, preexec_fn=before,
        env={**os.environ, "PYTHONPATH": str(ROOT), **place},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr.decode("utf-8", "replace")[-2000:]
    made = {path.name: _TIMES.sub(b"", path.read_bytes()) for path in folder.iterdir() if path.is_file()}
    assert len(made) == 12
    return made


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="threads are set by what this system lacks")
def test_results_are_the_same_bytes_everywhere(tmp_path, languages) -> None:
    made = {}
    for number, (name, place) in enumerate(PLACES.items()):
        folder = tmp_path / str(number)
        folder.mkdir()
        made[name] = made_in(folder, {**place, **languages})
    home = made.pop("at home")
    for name, there in made.items():
        for file, content in home.items():
            assert there[file] == content, f"{file} differs: {name}"
