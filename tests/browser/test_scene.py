"""The 3D half of the page alone, with the sample project, in headless Chromium; Node bundles its harness."""

from __future__ import annotations

import functools
import http.server
import json
import os
import shutil
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from route3d.cli.common import read_and_check
from route3d.reports.results_json import results
from route3d.viewer.page_building import building_payload
from route3d.viewer.page_data import PageMaker

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "route3d" / "viewer" / "page"
CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
HTML = """<!doctype html><meta charset=utf-8><link rel=icon href=data:,><title>scene</title><body>
<script type=module src=/app.js></script>"""
REST = 1600  # a flight takes half a second, a rest a little more

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        shutil.which("node") is None or not (PAGE / "node_modules").is_dir() or not Path(CHROMIUM).is_file(),
        reason="needs Node, `npm ci` in route3d/viewer/page, and Chromium",
    ),
]


class _Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, format: str, *args: object) -> None:
        pass


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory, browser: Any) -> Iterator[Any]:
    """The page with its scene ready, and a list of what went wrong in it."""
    site = tmp_path_factory.mktemp("site")
    project = tmp_path_factory.mktemp("project") / "workshop"
    shutil.copytree(ROOT / "sample_models" / "workshop", project)
    read, review = read_and_check(project, cached=False)
    maker = PageMaker.of(read.job, review, read.rules, results)
    (site / "review.json").write_text(json.dumps(maker.review(review, editable=True, live=True)))
    (site / "building.bin").write_bytes(building_payload(read.job, maker.origin_m))
    (site / "index.html").write_text(HTML)
    subprocess.run(["node", "build.mjs", "--harness", str(site)], cwd=PAGE, check=True)
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(_Quiet, directory=str(site)))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    wrong: list[str] = []
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    address = f"http://127.0.0.1:{server.server_port}/"
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("request", lambda r: r.url.startswith((address, "data:", "blob:")) or wrong.append(r.url))
    page.goto(address)
    page.wait_for_selector("body[data-ready]", state="attached", timeout=60_000)
    page.wait_for_function("told.ready?.some((e) => e[1] === 'edges')", timeout=60_000)
    page.wait_for_timeout(REST)
    yield page
    page.close()
    server.shutdown()
    server.server_close()
    assert wrong == []


def _seen(page: Any, run: str) -> list[list[float]]:
    return page.evaluate("(id) => scene.runs.runs.get(id).run.corners_m.map((c) => scene.view.project(c))", run)


def _still(page: Any) -> None:
    page.evaluate("scene.edit([]); scene.setStrapping(null); scene.setSlice(null); scene.setSection(null)")
    page.evaluate("scene.setMeasuring(false); scene.select({ finding: null, run: null, element: null })")
    page.evaluate("for (const k of Object.keys(told)) if (k !== 'ready' && k !== 'loaded') told[k] = []")
    page.wait_for_timeout(REST)


def test_nothing_is_drawn_while_nothing_changes(scene):
    _still(scene)
    before = scene.evaluate("scene.stats().frames")
    scene.wait_for_timeout(800)
    assert scene.evaluate("scene.stats().frames") == before


def test_a_run_is_picked_where_it_is_drawn(scene):
    _still(scene)
    scene.evaluate("scene.select({ finding: null, run: 'L1-REC-09', element: null }, { fly: true })")
    scene.wait_for_timeout(REST)
    (ax, ay, _), (bx, by, _) = _seen(scene, "L1-REC-09")
    pick = scene.evaluate("([x, y]) => scene.pickSolid(x, y)", [0.6 * ax + 0.4 * bx, 0.6 * ay + 0.4 * by])
    assert pick["run"] == "L1-REC-09" and 0.5 < pick["at_m"] < 3.3


def test_a_picked_surface_names_its_element(scene):
    _still(scene)
    scene.evaluate("scene.setProjection('orthographic'); scene.setView('plan')")
    scene.wait_for_timeout(REST)
    # four places on the top of a machine, of which its run and a marker can hide some only
    spots = scene.evaluate(
        """() => {
          const layer = scene.layer;
          const k = layer.building.elements.findIndex((e) => e.role === 'equipment');
          const box = layer.boxes.subarray(layer.placeOf[k] * 6, layer.placeOf[k] * 6 + 6);
          const at = (s, t) => scene.view.project(
            [box[0] + s * (box[3] - box[0]), box[1] + t * (box[4] - box[1]), box[5]]);
          const spots = [[0.2, 0.2], [0.8, 0.2], [0.2, 0.8], [0.8, 0.8]].map(([s, t]) => at(s, t));
          return spots.map(([x, y]) => [scene.pickSolid(x, y)?.element, layer.building.elements[k].id]);
        }"""
    )
    assert any(found == meant for found, meant in spots)
    scene.evaluate("scene.setProjection('perspective')")


def test_dragging_a_corner_tells_its_moves_and_then_that_it_is_done(scene):
    _still(scene)
    scene.evaluate("scene.select({ finding: null, run: 'L1-LTG-08', element: null }, { fly: true })")
    scene.wait_for_timeout(REST)
    scene.evaluate("scene.edit(['L1-LTG-08'])")
    x, y, _ = _seen(scene, "L1-LTG-08")[0]
    scene.mouse.move(x, y)
    scene.mouse.down()
    for k in range(8):
        scene.mouse.move(x + 5 * k, y + 3 * k)
        scene.wait_for_timeout(30)
    scene.mouse.up()
    told = scene.evaluate("told.edited.map(([, edit, gesture]) => [edit, gesture])")
    assert {gesture["id"] for _, gesture in told} == {told[0][1]["id"]}
    assert [gesture["phase"] for _, gesture in told].count("done") == 1 and told[-1][1]["phase"] == "done"
    before = scene.evaluate("scene.runs.runs.get('L1-LTG-08').run.corners_m")
    after = told[-1][0]["corners_m"]
    assert after[0] != before[0] and after[0][2] == before[0][2], "level lock"
    assert after[1:] == before[1:]


def test_a_typed_corner_and_a_new_one_are_told_like_a_drag(scene):
    _still(scene)
    scene.evaluate(
        "scene.edit(['L1-REC-09']); scene.moveCorner('L1-REC-09', 0, [1, 2, 3]); scene.insertCorner('L1-REC-09', 0)"
    )
    told = scene.evaluate("told.edited.map(([, edit]) => edit.corners_m)")
    assert told[0][0] == [1, 2, 3] and len(told[1]) == len(told[0]) + 1
    scene.keyboard.press("Delete")
    scene.evaluate("scene.focus()")
    scene.keyboard.press("Delete")
    assert len(scene.evaluate("told.edited.at(-1)[1].corners_m")) == len(told[0])


def test_the_slice_hides_what_is_outside_of_it_from_picks_too(scene):
    _still(scene)
    scene.evaluate("scene.setView('plan')")
    scene.wait_for_timeout(REST)
    scene.evaluate("scene.setSlice({ low_m: -99, high_m: scene.bounds().low[2] + 0.5 })")
    scene.wait_for_timeout(REST)
    heights = scene.evaluate(
        """() => { const found = [];
          for (let x = 40; x < 1240; x += 60) for (let y = 40; y < 760; y += 60)
            found.push(scene.pickSolid(x, y)?.point_m[2] ?? -99);
          return [Math.max(...found), scene.bounds().low[2] + 0.5]; }"""
    )
    assert heights[0] <= heights[1] + 1e-6


def test_measuring_tells_the_distance_and_its_parts(scene):
    _still(scene)
    scene.evaluate("scene.setView('iso')")
    scene.wait_for_timeout(REST)
    scene.evaluate("scene.setMeasuring(true)")
    scene.mouse.click(500, 420)
    scene.mouse.click(620, 330)
    measured = scene.evaluate("told.measured.at(-1)[1]")
    delta = [b - a for a, b in zip(measured["from_m"], measured["to_m"], strict=True)]
    assert measured["delta_m"] == pytest.approx(delta)
    assert measured["gap_m"] == pytest.approx(sum(d * d for d in delta) ** 0.5)


def test_a_lost_picture_is_said_and_comes_back(scene):
    _still(scene)
    scene.evaluate("window.gl = scene.stage.renderer.getContext().getExtension('WEBGL_lose_context'); gl.loseContext()")
    scene.wait_for_timeout(500)
    assert "dropped the picture" in scene.evaluate("told.trouble?.at(-1)?.[1] ?? ''")
    scene.evaluate("gl.restoreContext()")
    scene.wait_for_timeout(REST)
    assert scene.evaluate("told.mended.length") == 1
    colours = scene.evaluate(
        """() => new Promise((done) => { const image = new Image(); image.onload = () => {
          const c = document.createElement('canvas'); c.width = 200; c.height = 125; const x = c.getContext('2d');
          x.drawImage(image, 0, 0, 200, 125); const d = x.getImageData(0, 0, 200, 125).data; const s = new Set();
          for (let k = 0; k < d.length; k += 4) s.add(d[k] * 65536 + d[k + 1] * 256 + d[k + 2]); done(s.size); };
          image.src = scene.picture(); })"""
    )
    assert colours > 100
