"""Projects whose building is a mesh or a scan, the starter that init writes, and the cache, as users meet them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from importers.model_cache import FOLDER
from tests import mesh_files
from tests.scratch_project import CABLE, call

SAMPLE = Path(__file__).parents[2] / "sample_models" / "workshop"
RUN = """
[[run]]
id = "a"
cable = "mc"
path = [[0, 0, 2900], [4000, 0, 2900]]
start = "box"
end = "box"
straps = [200, 1900, 3800]
"""
SCAN = '[[model]]\nfile = "scan.ply"\nunits = "mm"\npoint_radius = {}\n[model.roles]\n"*" = "pipe"\n'


def check(folder: Path, text: str, *options: str) -> tuple[int, dict]:
    (folder / "route3d.toml").write_text(text + RUN + CABLE, encoding="utf-8")
    out = folder / "results.json"
    status, output = call("check", str(folder), "--json", str(out), *options)
    return status, json.loads(out.read_text()) if out.exists() else {"output": output}


def gaps(results: dict, check_name: str) -> list[float]:
    return sorted(f["measured"] for f in results["findings"] if f["check"] == check_name)


def test_a_mesh_in_the_way_is_a_clash(tmp_path) -> None:
    # 12 mm cable at y = 0, z = 2900; the box reaches 4 mm into it
    block = mesh_files.box((1.0, 0.002, 2.5), (1.5, 0.5, 3.0))
    (tmp_path / "duct.stl").write_bytes(mesh_files.stl_binary(block))
    status, results = check(tmp_path, '[[model]]\nfile = "duct.stl"\nunits = "m"\n[model.roles]\n"*" = "duct"\n')
    assert status == 1
    assert gaps(results, "clash") == pytest.approx([-0.004], abs=1e-6)


@pytest.mark.parametrize(("radius", "gap"), [(10.0, 0.014), (25.0, -0.001)])
def test_a_scanned_point_is_a_ball_of_its_radius(tmp_path, radius, gap) -> None:
    # nearest point 30 mm from the centre line: 30 - 6 - radius
    points = np.array([[2000.0, 30.0, 2900.0], [2000.0, 500.0, 2900.0]])
    (tmp_path / "scan.ply").write_bytes(mesh_files.ply(points, []))
    text = "[clearance]\npipe = 20\n" + SCAN.format(radius)
    _, results = check(tmp_path, text)
    assert gaps(results, "clash" if gap < 0 else "clearance") == pytest.approx([gap], abs=1e-6)


def test_a_centre_line_through_a_ball_is_pushed_away_from_it(tmp_path) -> None:
    (tmp_path / "scan.ply").write_bytes(mesh_files.ply(np.array([[2000.0, 10.0, 2900.0]]), []))
    _, results = check(
        tmp_path, '[[model]]\nfile = "scan.ply"\nunits = "mm"\npoint_radius = 25\n[model.roles]\n"*" = "pipe"\n'
    )
    (finding,) = [f for f in results["findings"] if f["check"] == "clash"]
    assert finding["measured"] == pytest.approx(0.010 - 0.006 - 0.025, abs=1e-6)
    from_m, to_m = finding["at_m"]
    half = np.sqrt((0.025 + 0.006) ** 2 - 0.010**2)
    assert (from_m, to_m) == pytest.approx((2.0 - half, 2.0 + half), abs=1e-3)
    assert "Overlaps" in finding["message"]


def test_a_scan_without_a_radius_ends_with_one_sentence(tmp_path) -> None:
    (tmp_path / "scan.ply").write_bytes(mesh_files.ply(np.zeros((1, 3)), []))
    status, results = check(tmp_path, '[[model]]\nfile = "scan.ply"\nunits = "mm"\n')
    assert status == 2 and "point_radius" in results["output"]


def test_results_do_not_depend_on_the_cache(tmp_path) -> None:
    folder = tmp_path / "workshop"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns(FOLDER))
    texts = []
    for options in (["--no-cache"], [], [], ["--no-cache"]):
        out = folder / "results.json"
        call("check", str(folder), "--json", str(out), *options)
        results = json.loads(out.read_text())
        results.pop("made")
        texts.append(json.dumps(results, sort_keys=True))
        assert (folder / FOLDER).is_dir() == (len(texts) > 1)
    assert len(set(texts)) == 1


def test_what_init_writes_is_accepted_as_it_is(tmp_path) -> None:
    for name in ("ceiling.dxf", "routes.dxf", "services.dxf", "structure.dxf"):
        shutil.copy(SAMPLE / name, tmp_path / name)
    nodes = [{"name": f"Rod {n}", "mesh": 0, "translation": [n, 3, 0]} for n in range(30)]
    document = {"meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}], "nodes": nodes}
    raw = mesh_files.gltf(
        document, mesh_files.CUBE_POINTS.astype("f4") * 0.1, mesh_files.CUBE_FACES.reshape(-1).astype("u2")
    )
    (tmp_path / "rods.glb").write_bytes(raw)
    status, output = call("init", str(tmp_path))
    assert status == 0 and "Next: correct the guesses" in output
    status, output = call("check", str(tmp_path))
    assert status in (0, 1, 3), output


def test_init_says_which_line_to_complete_where_a_unit_is_missing(tmp_path) -> None:
    (tmp_path / "duct.stl").write_bytes(mesh_files.stl_binary(mesh_files.CUBE * 3000.0))
    shutil.copy(SAMPLE / "routes.dxf", tmp_path / "routes.dxf")
    status, output = call("init", str(tmp_path))
    assert status == 0 and "Next: complete line" in output
    text = (tmp_path / "route3d.toml").read_text()
    number = next(int(line.split()[1].rstrip(":")) for line in output.splitlines() if line.startswith("  line "))
    lines = text.splitlines()
    lines[number - 1] = lines[number - 1].removeprefix("# ").replace('"m"', '"mm"')
    (tmp_path / "route3d.toml").write_text("\n".join(lines) + "\n")
    status, output = call("check", str(tmp_path))
    assert status in (0, 1, 3), output
