"""Files cut off anywhere, and with flipped bytes: an answer, an unread row or one clear error, in bounded time."""

from __future__ import annotations

import random
import time
from pathlib import Path

import numpy as np
import pytest

import importers
from route3d.errors import Route3DError
from tests import mesh_files

# a scan is read in a process of its own, which takes its time to start
TRIES = {".las": 4, ".laz": 6, ".e57": 4}
FLIPS, CUTS = 60, 50


def whole_files(folder: Path) -> dict[str, bytes]:
    points, faces = mesh_files.CUBE_POINTS * 1000.0, mesh_files.CUBE_QUADS
    mixed = [*mesh_files.CUBE_FACES.tolist()[:6], *faces[3:]]
    scene = {
        "meshes": [{"name": "duct", "primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "nodes": [{"name": "a", "children": [1, 2]}, {"name": "b", "mesh": 0}, {"mesh": 0, "translation": [5, 0, 0]}],
        "scenes": [{"nodes": [0]}],
    }
    return {
        "b.stl": mesh_files.stl_binary(mesh_files.CUBE),
        "a.stl": mesh_files.stl_text(one=mesh_files.CUBE),
        "a.obj": b"o one\ng lid\nusemtl steel\n" + mesh_files.obj(points, faces),
        "a.ply": mesh_files.ply(points, mixed, ""),
        "b.ply": mesh_files.ply(points, mixed, "<"),
        "c.ply": mesh_files.ply(points, [], ">", "float"),
        "a.glb": mesh_files.gltf(scene, points.astype("f4"), mesh_files.CUBE_FACES.reshape(-1).astype("u2")),
    }


def scans(folder: Path) -> dict[str, bytes]:
    pytest.importorskip("laspy")
    pytest.importorskip("pye57")
    points = np.random.default_rng(3).random((400, 3)) * 5.0 + [4e5, 2e5, 10.0]
    return {
        "a.las": mesh_files.las(folder / "whole.las", points).read_bytes(),
        "a.laz": mesh_files.las(folder / "whole.laz", points).read_bytes(),
        "a.e57": mesh_files.e57(folder / "whole.e57", points).read_bytes(),
    }


def answer(path: Path, raw: bytes) -> str:
    """Read ``raw`` as a file; anything but an answer or an error of ours fails the test."""
    path.write_bytes(raw)
    units = None if path.suffix in (".glb", ".e57") else "mm"
    begun = time.monotonic()
    try:
        drawing = importers.read_model(
            path, name=path.name, role_of=lambda layer, *_: "obstacle", units=units, point_radius=5.0
        )
    except Route3DError as error:
        return "error" if str(error) else "no word"
    finally:
        assert time.monotonic() - begun < 5.0
    assert drawing.elements or drawing.unread
    for element in drawing.elements:
        assert np.isfinite(element.triangles_m).all()
    return "unread" if drawing.unread else "whole"


@pytest.mark.parametrize("files", [whole_files, scans])
def test_a_file_cut_anywhere_is_never_taken_for_whole(tmp_path, files) -> None:
    for name, raw in files(tmp_path).items():
        assert answer(tmp_path / name, raw) == "whole", name
        cuts = TRIES.get(Path(name).suffix, CUTS)
        for part in range(cuts):
            cut = raw[: len(raw) * part // cuts]
            said = answer(tmp_path / f"cut-{name}", cut)
            # a text of lines, cut between two lines, cannot be told from a shorter one
            assert said != "whole" or name.endswith(".obj"), (name, part)


@pytest.mark.parametrize("files", [whole_files, scans])
def test_flipped_bytes_never_crash_or_hang_the_reader(tmp_path, files) -> None:
    chance = random.Random(11)
    for name, raw in files(tmp_path).items():
        for _ in range(TRIES.get(Path(name).suffix, FLIPS)):
            damaged = bytearray(raw)
            reach = len(raw) if chance.random() < 0.5 else min(400, len(raw))  # headers are short, and matter most
            for _ in range(chance.choice([1, 3, 12])):
                damaged[chance.randrange(reach)] = chance.randrange(256)
            assert answer(tmp_path / f"flipped-{name}", bytes(damaged)) != "no word"
