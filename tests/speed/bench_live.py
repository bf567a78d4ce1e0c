"""Time a draft through the viewer's server: sent by a window, checked, answered. By hand, alone on the machine:

    python -m tests.speed.bench_live [thousands of triangles ...]

The server is a process of its own with a synthetic ceiling (``bench_check.py``) and its journal on the disk; the window
sends one draft at a time over the websocket, a corner moved by a few millimetres, as while one drags, and waits for the
answer. Printed: median and largest of 30, as the window saw them and as the server measured its part; and the load.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from websockets.sync.client import connect

DRAFTS, WARM = 30, 5
TRIANGLES_PER_RUN = 1_000


def serve(triangles: int) -> None:
    """Serve a synthetic job until the standard input ends, and print where."""
    from route3d.drawables import origin_of
    from route3d.recheck import Checked
    from route3d.reports.results_json import results
    from route3d.rules.rulebook import load_rulebook
    from route3d.viewer.access import Access
    from route3d.viewer.desk import Desk, Opened
    from route3d.viewer.journal import Journal
    from route3d.viewer.server import listen, server_for, viewer_app
    from tests.speed.bench_check import made

    rules = load_rulebook("nec-2023", None)
    checked = Checked.open(made(triangles, triangles // TRIANGLES_PER_RUN), rules, "2026-01-31T10:00:00Z")
    origin = origin_of(checked.job, checked.review)
    opened = Opened(checked, rules, "mm", "route3d.toml", {}, lambda edits, paths: ((), ()))
    with tempfile.TemporaryDirectory() as folder:
        listening = listen("127.0.0.1", 0)
        access = Access.of("127.0.0.1", listening.getsockname()[1], False)
        desk = Desk(opened, lambda say: opened, results, Journal(Path(folder) / "route3d.toml"))
        server = server_for(viewer_app(desk, access))

        def ready() -> None:
            told = {"port": access.port, "cookie": f"{access.cookie}={access.token}", "origin": origin.tolist()}
            run = checked.job.runs[len(checked.job.runs) // 2]
            print(json.dumps({**told, "run": run.run_id, "corners": run.corners_m.tolist()}), flush=True)
            sys.stdin.read()
            server.should_exit = True

        server._ready = ready
        server.run(sockets=[listening])


def _processor_ms(pid: int) -> float:
    """Return how long a process has kept processors busy, which the load by others does not change much."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    return 1000.0 * (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def measure(triangles: int) -> None:
    """Print one line."""
    command = [sys.executable, "-m", "tests.speed.bench_live", "--serve", str(triangles)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdin is not None and server.stdout is not None
        told = json.loads(server.stdout.readline())
        corners = np.array(told["corners"]) - told["origin"]
        url = f"127.0.0.1:{told['port']}"
        walls, parts, sizes, busy = [], [], [], 0.0
        with connect(
            f"ws://{url}/live", additional_headers={"Cookie": told["cookie"]}, origin=f"http://{url}", max_size=None,
            proxy=None,
        ) as line:  # fmt: skip
            line.recv()
            for k in range(WARM + DRAFTS):
                corners[3:5] += (0.0, 0.0, 0.002 * (-1) ** (k // 5))
                edit = {"run": told["run"], "corners_m": np.round(corners, 6).tolist()}
                if k == WARM:
                    busy = _processor_ms(server.pid)
                began = time.perf_counter()
                line.send(json.dumps({"do": "draft", "seq": k, "edits": [edit]}))
                text = line.recv()
                wall = 1000.0 * (time.perf_counter() - began)
                answer = json.loads(text)
                assert answer["say"] == "checked" and answer["seq"] == k, answer
                if k >= WARM:
                    walls.append(wall)
                    parts.append(answer["ms"])
                    sizes.append(len(text))
            busy = (_processor_ms(server.pid) - busy) / DRAFTS
        server.stdin.close()
        server.wait(timeout=30)
    runs = triangles // TRIANGLES_PER_RUN
    parts_said = f"{np.median(parts):.1f} and {max(parts):.1f} ms"
    print(
        f"{triangles / 1e6:.1f} M triangles, {runs} runs: draft sent to answer received, "
        f"median {np.median(walls):.1f} ms, largest {max(walls):.1f} ms of {DRAFTS}; the server's part {parts_said}, "
        f"{busy:.0f} ms of processor time a draft; "
        f"answer {np.median(sizes) / 1000:.0f} kB; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    )


if __name__ == "__main__":
    if sys.argv[1:2] == ["--serve"]:
        serve(int(sys.argv[2]))
    else:
        for thousands in [int(text) for text in sys.argv[1:]] or [100, 1000, 2000]:
            measure(1000 * thousands)
