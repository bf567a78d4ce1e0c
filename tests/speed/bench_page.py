"""How long the page's 3D half takes in headless Chromium: first picture, picking tree, frames while turning, picks.

Run it by hand: ``python tests/speed/bench_page.py [thousands of triangles ...]``. It needs Node, to bundle the harness,
and Chromium. Without a graphics processor everything is drawn by the processor, so the numbers are a floor.
"""

from __future__ import annotations

import functools
import http.server
import json
import os
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import sync_playwright

PAGE = Path(__file__).resolve().parents[2] / "route3d" / "viewer" / "page"
CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
]
HTML = "<!doctype html><meta charset=utf-8><title>scene</title><body><script type=module src=/app.js></script>"
ROLES = ("structure", "framing", "wall", "duct", "pipe", "sprinkler")
SIDES = 24  # of a pipe: 96 triangles
RUNS = 500

_BOX = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], dtype=np.float64)
_BOX_FACES = np.array(
    [
        [0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1],
        [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3],
    ]
)  # fmt: skip


def _pipe() -> tuple[np.ndarray, np.ndarray]:
    turn = np.arange(SIDES) * 2 * np.pi / SIDES
    ring = np.column_stack([np.zeros(SIDES), np.cos(turn), np.sin(turn)])
    points = np.vstack([ring - np.eye(3)[0], ring + np.eye(3)[0], [[-1, 0, 0], [1, 0, 0]]])
    k = np.arange(SIDES)
    n = (k + 1) % SIDES
    faces = np.vstack(
        [
            np.column_stack([k, n, n + SIDES]),
            np.column_stack([k, n + SIDES, k + SIDES]),
            np.column_stack([n, k, np.full(SIDES, 2 * SIDES)]),
            np.column_stack([k + SIDES, n + SIDES, np.full(SIDES, 2 * SIDES + 1)]),
        ]
    )
    return points, faces


def building(triangles: int, rng: np.random.Generator) -> bytes:
    """Return building.bin with boxes and pipes over 60 by 40 m, as ``viewer/page_building.py`` packs it."""
    positions, indices, starts, elements = [], [], [0], []
    pipe = _pipe()
    base = 0
    done = 0
    per_role = triangles // len(ROLES)
    for role in ROLES:
        points, faces = pipe if role in ("pipe", "sprinkler", "duct") else (_BOX, _BOX_FACES)
        for _ in range(per_role // len(faces)):
            size = rng.uniform(0.02, 0.12, 3)
            size[rng.integers(0, 2)] = rng.uniform(0.4, 3.0)
            if role in ("pipe", "sprinkler", "duct"):
                size = np.array([rng.uniform(0.4, 3.0), *(2 * [rng.uniform(0.015, 0.15)])])
            place = rng.uniform([-30, -20, -1.5], [30, 20, 1.5])
            positions.append(points * size + place)
            indices.append(faces + base)
            base += len(points)
            done += len(faces)
            starts.append(done)
            elements.append(
                {"id": f"m.dxf:{len(elements):X}", "role": role, "layer": role, "file": "m.dxf", "handle": "",
                 "name": "", "storey": "", "guid": ""}
            )  # fmt: skip
    at = np.concatenate(positions).astype("<f4")
    arrays = {
        "positions": at,
        "indices": np.concatenate(indices).astype("<u4"),
        "element_starts": np.array(starts, dtype="<u4"),
    }
    header: dict[str, Any] = {
        "format": 1, "origin_m": [500000.0, 5400000.0, 100.0],
        "low_m": at.min(0).tolist(), "high_m": at.max(0).tolist(), "arrays": {}, "elements": elements,
    }  # fmt: skip
    body = b""
    for name, array in arrays.items():
        header["arrays"][name] = {
            "offset": len(body), "type": {"f": "f4", "u": "u4"}[array.dtype.kind], "shape": list(array.shape),
        }  # fmt: skip
        body += array.tobytes()
        body += b"\0" * (-len(body) % 8)
    text = json.dumps(header).encode()
    text += b" " * (-(4 + len(text)) % 8)
    return len(text).to_bytes(4, "little") + text + body


def _arc(corner: np.ndarray, before: np.ndarray, after: np.ndarray, radius: float) -> list[list[float]]:
    centre = corner - before * radius + after * radius
    turn = np.linspace(0, np.pi / 2, 13)
    return [(centre - after * radius * np.cos(t) + before * radius * np.sin(t)).tolist() for t in turn]


def review(rng: np.random.Generator) -> dict[str, Any]:
    """Return a review with runs of ten right-angled bends each and four findings a run."""
    runs, findings = [], []
    for number in range(RUNS):
        place = rng.uniform([-28, -18, -1], [20, 18, 1])
        ways = [np.eye(3)[0], np.eye(3)[1]]
        corners = [place]
        for k in range(11):
            corners.append(corners[-1] + ways[k % 2] * rng.uniform(0.5, 1.0))
        line = [corners[0].tolist()]
        for k in range(1, 11):
            line += _arc(corners[k], ways[(k - 1) % 2], ways[k % 2], 0.1)
        line.append(corners[-1].tolist())
        at = [0.0, *np.cumsum(np.linalg.norm(np.diff(np.array(line), axis=0), axis=1)).tolist()]
        verdict = ("pass", "fail", "unchecked")[number % 3]
        runs.append(
            {"id": f"R-{number}", "cable": "mc-12-2", "verdict": verdict, "length_m": at[-1], "radius_m": 0.006,
             "storey": "", "source": "project", "editable": True, "corners_m": [c.tolist() for c in corners],
             "start": {"kind": "box", "element": None}, "end": {"kind": "luminaire", "element": None},
             "line_m": line, "line_at_m": at, "bends": [],
             "supports": [{"at_m": d, "kind": "strap", "secures": True, "source": "", "point_m": [0, 0, 0]}
                          for d in np.arange(0.3, at[-1], 1.2)],
             "spans": [{"check": "securing", "from_m": 0.0, "to_m": at[-1] / 2, "length_m": at[-1] / 2, "limit_m": 1.8,
                        "exempt": None, "rule": "", "source": "", "ok": True, "why": ""}],
             "zones": [], "straps_at_m": [1.0, 2.0], "supports_at_m": []}
        )  # fmt: skip
        for k in range(4):
            findings.append(
                {"id": f"f{number}-{k}", "number": len(findings) + 1, "check": ("bend", "clash", "securing", "deck")[k],
                 "severity": ("violation", "caution", "note")[k % 3], "run": f"R-{number}", "other": None, "rule": "",
                 "source": "", "at_m": [at[5 + 9 * k], at[5 + 9 * k]], "point_m": line[5 + 9 * k], "measured": 0.01,
                 "required": 0.02, "unit": "m", "message": "", "remedy": "", "unchecked": False, "storey": "",
                 "group": "", "gap_line_m": None}
            )  # fmt: skip
    return {
        "format": 1, "revision": 1, "project": "bench", "rules": "", "made": "", "caution": "",
        "origin_m": [500000.0, 5400000.0, 100.0], "editable": True, "live": True, "units": {"length": "mm"},
        "summary": {}, "unread": [], "notes": [], "inputs": [], "roles": {}, "checks": {}, "cables": {},
        "runs": runs, "findings": findings, "chains": {}, "zones": [], "plans": None,
    }  # fmt: skip


TURN = """async () => {
  const frames = [];
  const camera = scene.camera();
  const [x, y] = [camera.eye_m[0] - camera.target_m[0], camera.eye_m[1] - camera.target_m[1]];
  for (let k = 0; k < 24; k += 1) {
    const t = k * 0.02;
    const [c, s] = [Math.cos(t), Math.sin(t)];
    const eye = [camera.target_m[0] + x * c - y * s, camera.target_m[1] + x * s + y * c, camera.eye_m[2]];
    const before = performance.now();
    scene.setCamera({ ...camera, eye_m: eye });
    await new Promise((go) => requestAnimationFrame(() => requestAnimationFrame(go)));
    frames.push((performance.now() - before) / 2);
  }
  return frames;
}"""
PICKS = """() => {
  const times = [];
  for (let k = 0; k < 40; k += 1) {
    const before = performance.now();
    scene.pickSolid(200 + 20 * k, 300 + 5 * k);
    times.push(performance.now() - before);
  }
  return times;
}"""
DRAFT = """() => {
  const times = [];
  const run = [...scene.runs.runs.values()][3].run;
  for (let k = 0; k < 20; k += 1) {
    const before = performance.now();
    scene.updateRuns([{ ...run, line_m: run.line_m.map((p) => [p[0], p[1] + 0.001 * k, p[2]]) }], []);
    times.push(performance.now() - before);
  }
  return times;
}"""


class _Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, format: str, *args: object) -> None:
        pass


def measure(thousands: int, picture: Path | None) -> None:
    """Print one line of numbers."""
    rng = np.random.default_rng(7)
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        site = Path(name)
        (site / "index.html").write_text(HTML)
        (site / "building.bin").write_bytes(building(thousands * 1000, rng))
        (site / "review.json").write_text(json.dumps(review(rng)))
        subprocess.run(["node", "build.mjs", "--harness", name], cwd=PAGE, check=True)
        handler = functools.partial(_Quiet, directory=name)
        with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
            threading.Thread(target=server.serve_forever, daemon=True).start()
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
            page = browser.new_page(viewport={"width": 1280, "height": 800})
            page.on("pageerror", lambda error: print("error in the page:", error))
            page.goto(f"http://127.0.0.1:{server.server_port}/")
            page.wait_for_selector("body[data-ready]", state="attached", timeout=60_000)
            page.wait_for_function("told.ready?.some((e) => e[1] === 'edges')", timeout=60_000)
            ready = {what: at for at, what in page.evaluate("told.ready")}
            page.wait_for_timeout(1500)
            still = page.evaluate("scene.stats().frames")
            page.wait_for_timeout(1000)
            idle = page.evaluate("scene.stats().frames") - still
            frames = np.array(page.evaluate(TURN))
            page.wait_for_timeout(2500)
            picks = np.array(page.evaluate(PICKS))
            drafts = np.array(page.evaluate(DRAFT))
            if picture is not None:
                page.wait_for_timeout(1500)
                page.screenshot(path=picture)
            heap = page.evaluate("performance.memory.usedJSHeapSize") / 1e6
            parts = [
                f"{thousands} k triangles, {(site / 'building.bin').stat().st_size / 1e6:.1f} MB: loaded",
                f"{page.evaluate('told.loaded[0][0]'):.0f} ms, first picture {ready['building']:.0f} ms,",
                f"picking {ready['picking']:.0f} ms, edge lines {ready['edges']:.0f} ms; turning",
                f"{np.median(frames[4:]):.0f} ms a frame (most {frames.max():.0f}); pick {np.median(picks):.2f} ms",
                f"(most {picks.max():.1f}); run anew {np.median(drafts):.1f} ms; frames while idle {idle};",
                f"heap {heap:.0f} MB",
            ]
            print(" ".join(parts))
            browser.close()
            server.shutdown()


if __name__ == "__main__":
    folder = os.environ.get("PICTURES")
    for count in [int(text) for text in sys.argv[1:]] or [100, 1000, 2000]:
        measure(count, None if folder is None else Path(folder) / f"{count}.png")
