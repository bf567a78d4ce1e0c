from pathlib import Path

import numpy as np
import pytest

import importers
from importers import points, scans
from importers.points import Cloud, joined
from importers.roles import role_map
from route3d.errors import InputError
from tests import mesh_files


def read(path: Path, radius: float | None = 0.01, roles: dict[str, str] | None = None, units: str | None = "m"):
    by_role = role_map({} if roles is None else roles)
    return importers.read_model(path, name=path.name, role_of=by_role, units=units, point_radius=radius)


def scattered(count: int, size: float = 5.0) -> np.ndarray:
    return np.round(np.random.default_rng(5).random((count, 3)) * size, 3)


def held(drawing) -> np.ndarray:
    found = np.concatenate([e.triangles_m[:, 0] for e in drawing.elements])
    return found[np.lexsort(found.T)]


def test_every_point_of_every_kind_of_file_is_a_ball(tmp_path) -> None:
    pytest.importorskip("laspy")
    pytest.importorskip("pye57")
    wanted = scattered(300) + np.array([400_000.0, 200_000.0, 10.0])
    (tmp_path / "a.ply").write_bytes(mesh_files.ply(wanted, [], "<"))
    files = [
        tmp_path / "a.ply",
        mesh_files.las(tmp_path / "a.las", wanted),
        mesh_files.las(tmp_path / "a.laz", wanted),
        mesh_files.e57(tmp_path / "a.e57", wanted),
    ]
    for path in files:
        drawing = read(path)
        assert not drawing.unread
        assert held(drawing) == pytest.approx(wanted[np.lexsort(wanted.T)], abs=1e-6), path
        for element in drawing.elements:
            assert element.thickness_m == pytest.approx(0.01, abs=1e-12)
            assert np.ptp(element.triangles_m.reshape(-1, 3), axis=0).max() <= points.CELL_M


def test_a_point_cloud_needs_a_radius(tmp_path) -> None:
    (tmp_path / "a.ply").write_bytes(mesh_files.ply(scattered(9), [], ""))
    with pytest.raises(InputError, match="point_radius"):
        read(tmp_path / "a.ply", None)


def test_classes_of_points_have_roles(tmp_path) -> None:
    pytest.importorskip("laspy")
    path = mesh_files.las(tmp_path / "a.las", scattered(40), [6] * 30 + [7] * 10)
    drawing = read(path, roles={"*building": "structure", "*noise": "ignore"})
    assert {e.role for e in drawing.elements} == {"structure"}
    assert len(held(drawing)) == 30
    assert any("10 points" in note for note in drawing.source.notes)


def test_a_scan_cut_short_says_so(tmp_path) -> None:
    pytest.importorskip("laspy")
    path = mesh_files.las(tmp_path / "a.las", scattered(100))
    path.write_bytes(path.read_bytes()[:-1000])
    drawing = read(path)
    assert "of 100 points" in drawing.unread[0].reason and drawing.unread[0].box_m is None


@pytest.mark.parametrize("last", ["os.abort()", "time.sleep(60)"])
def test_a_decoder_that_crashes_or_hangs_takes_only_its_own_process_with_it(tmp_path, monkeypatch, last) -> None:
    (tmp_path / "a.las").write_bytes(b"any")
    start = f"""
import json, os, struct, sys, time
text = json.dumps({{"layer": "class 6", "handle": "c", "of": 9}}).encode()
sys.stdout.buffer.write(struct.pack("<II", len(text), 24) + text + struct.pack("<3d", 1, 2, 3))
sys.stdout.flush()
{last}
"""
    monkeypatch.setattr(scans, "_START", start)
    monkeypatch.setattr(scans, "_SILENT_S", 2.0)
    drawing = read(tmp_path / "a.las")
    assert len(held(drawing)) == 1 and "1 of 9 points" in drawing.unread[0].reason


def test_joined_balls_cover_every_ball_that_they_stand_for() -> None:
    loose = scattered(1_500, 1.0)
    middle, spread = joined(loose, np.zeros(len(loose)), 0.05)
    assert len(middle) < len(loose)
    away = np.linalg.norm(loose[:, None] - middle[None], axis=2)
    assert (away <= spread[None] + 1e-12).any(axis=1).all()


def test_a_large_scan_is_thinned_without_losing_reach(tmp_path) -> None:
    cloud = Cloud(0.004, limit=150)
    loose = scattered(6_000, 3.0)
    for part in np.array_split(loose, 7):
        cloud.add(part)
    from importers.dxf_collect import Collector

    collector = Collector("scan", lambda layer: "obstacle", 0.0)
    note = cloud.into(collector, "scan", "")
    assert note is not None and "6000 points" in note
    assert sum(len(e.triangles_m) for e in collector.elements) <= 150
    reached = np.zeros(len(loose), dtype=bool)
    for element in collector.elements:
        away = np.linalg.norm(loose[:, None] - element.triangles_m[None, :, 0], axis=2)
        reached |= (away <= element.thickness_m - 0.004 + 1e-12).any(axis=1)
    assert reached.all()
