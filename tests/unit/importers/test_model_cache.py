import dataclasses
import os
import zipfile
from pathlib import Path

import numpy as np
import pytest

import importers
from importers import model_cache
from importers.model_cache import FOLDER, ModelCache, read_arrays
from importers.roles import ModelRoles, role_map
from route3d.model.building import Drawing
from tests import mesh_files

SAMPLE = Path(__file__).parents[3] / "sample_models" / "workshop"
OPTIONS = {"units": None, "move_m": (0.0, 0.0, 0.0), "chord_tolerance_m": 1e-4}


class Reading:
    """A file read through a cache, with a count of how often it was parsed."""

    def __init__(self, path: Path, cache: Path | None, **options) -> None:
        self.path, self.cache, self.parsed = path, cache, 0
        self.options = {**OPTIONS, "name": path.name, **options}

    def __call__(self, roles: dict[str, str] | None = None, **kept) -> Drawing:
        def parse(ask) -> Drawing:
            self.parsed += 1
            return importers.read_model(self.path, role_of=ask, **self.options)

        by_role = ModelRoles(role_map({} if roles is None else roles), ("Z-*",), ("E-CABL*",))
        return ModelCache(self.cache, **kept).model(self.path, self.options, by_role, parse)


@pytest.fixture
def cube(tmp_path) -> Reading:
    path = tmp_path / "c.stl"
    path.write_bytes(mesh_files.stl_binary(mesh_files.CUBE))
    return Reading(path, tmp_path / FOLDER, units="m")


def same(first, second) -> None:
    """Compare two results field by field, arrays to the last bit."""
    assert type(first) is type(second)
    if dataclasses.is_dataclass(first):
        for field in dataclasses.fields(first):
            same(getattr(first, field.name), getattr(second, field.name))
    elif isinstance(first, tuple):
        assert len(first) == len(second)
        for one, other in zip(first, second, strict=True):
            same(one, other)
    elif isinstance(first, np.ndarray):
        assert first.tobytes() == second.tobytes() and first.shape == second.shape
    else:
        assert first == second


@pytest.mark.parametrize("file", ["ceiling.dxf", "services.dxf", "structure.dxf"])
def test_what_comes_from_the_cache_is_the_same(tmp_path, file) -> None:
    reading = Reading(SAMPLE / file, tmp_path / FOLDER)
    roles = {"*DUCT*": "duct", "E-STRP*": "strap", "A-*": "ignore"}
    first, second = reading(roles), reading(roles)
    assert reading.parsed == 1
    same(first, second)
    same(first, Reading(SAMPLE / file, None)(roles))
    assert not any(e.triangles_m.flags.writeable for e in second.elements)


def test_routes_come_from_the_cache_the_same(tmp_path) -> None:
    path, cache = SAMPLE / "routes.dxf", ModelCache(tmp_path / FOLDER)
    options = {**OPTIONS, "name": path.name}

    def read(ask):
        return importers.read_routes(path, wanted=ask, **options)

    first = cache.routes(path, options, lambda layer: layer.startswith("E-"), read)
    second = cache.routes(path, options, lambda layer: layer.startswith("E-"), read)
    assert cache.hits == 1 and len(first.routes) > 20
    same(first, second)
    assert len(cache.routes(path, options, lambda layer: "DATA" in layer, read).routes) == 1


def test_a_change_of_content_options_or_roles_reads_again(cube) -> None:
    cube()
    cube({"c": "duct"})
    assert cube.parsed == 2
    cube.options["move_m"] = (1.0, 0.0, 0.0)
    cube({"c": "duct"})
    assert cube.parsed == 3
    cube.path.write_bytes(mesh_files.stl_binary(mesh_files.CUBE * 2.0))
    assert cube({"c": "duct"}).elements[0].box_m[1, 0] == 3.0
    assert cube.parsed == 4


def test_the_notes_about_patterns_do_not_depend_on_the_cache(cube) -> None:
    for _ in range(2):
        by_role = role_map({"x": "duct"})
        ModelCache(cube.cache).model(
            cube.path, cube.options, by_role, lambda ask: importers.read_model(cube.path, role_of=ask, **cube.options)
        )
        assert by_role.unmatched_layers == ("c",) and by_role.unused_patterns == ("x",)


def test_a_file_that_another_one_brings_in_counts_as_content(tmp_path) -> None:
    points = mesh_files.CUBE_POINTS.astype("f4")
    (tmp_path / "b.bin").write_bytes(points.tobytes())
    (tmp_path / "s.gltf").write_text(
        '{"asset": {"version": "2.0"}, "buffers": [{"uri": "b.bin", "byteLength": 96}],'
        '"bufferViews": [{"buffer": 0, "byteLength": 96}],'
        '"accessors": [{"bufferView": 0, "componentType": 5126, "count": 8, "type": "VEC3"}],'
        '"meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "mode": 5}]}], "nodes": [{"mesh": 0}]}'
    )
    reading = Reading(tmp_path / "s.gltf", tmp_path / FOLDER)
    reading(), reading()
    assert reading.parsed == 1
    (tmp_path / "b.bin").write_bytes((points * 2.0).tobytes())
    assert reading().elements[0].box_m[1, 0] == 2.0
    (tmp_path / "b.bin").unlink()
    assert reading().unread


def entry_of(folder: Path) -> Path:
    (entry,) = folder.glob("*.npz")
    return entry


def test_a_damaged_entry_is_read_over_and_written_again(cube) -> None:
    whole = cube()
    raw = entry_of(cube.cache).read_bytes()
    chance = np.random.default_rng(2)
    for number in range(60):
        damaged = bytearray(raw)
        if number % 3 == 0:
            damaged = damaged[: int(chance.integers(len(raw)))]
        else:
            damaged[int(chance.integers(len(raw)))] ^= int(chance.integers(1, 256))
        entry_of(cube.cache).write_bytes(damaged)
        same(whole, cube())
    cube.parsed = 0
    same(whole, cube())
    assert cube.parsed == 0


def test_nothing_in_an_entry_is_ever_run(cube, tmp_path) -> None:
    cube()
    entry = entry_of(cube.cache)

    class Trap:
        def __reduce__(self):
            return (os.mkdir, (str(tmp_path / "sprung"),))

    np.savez(entry, text=np.array([Trap()], dtype=object))
    cube()
    assert cube.parsed == 2 and not (tmp_path / "sprung").exists()


def test_an_entry_never_takes_more_room_than_it_has_on_disk(tmp_path) -> None:
    entry = tmp_path / "bomb.npz"
    np.savez_compressed(entry, text=np.zeros(10_000_000, dtype=np.uint8))
    with pytest.raises(ValueError, match="stored plainly"):
        read_arrays(entry)
    header = b"\x93NUMPY\x01\x00v\x00{'descr': '<f8', 'fortran_order': False, 'shape': (10000000000000,), }"
    with zipfile.ZipFile(entry, "w") as archive:
        archive.writestr("text.npy", header.ljust(127) + b"\n" + bytes(64))
    with pytest.raises(ValueError, match="another size"):
        read_arrays(entry)


def test_the_oldest_entries_go_when_there_are_too_many(cube) -> None:
    for step in range(6):
        cube.options["move_m"] = (float(step), 0.0, 0.0)
        cube(bytes_max=12_000)
        os.utime(max(cube.cache.glob("*.npz"), key=os.path.getmtime), (step + 1e9, step + 1e9))
    assert sum(p.stat().st_size for p in cube.cache.glob("*.npz")) <= 12_000
    cube.parsed = 0
    cube(bytes_max=12_000)
    assert cube.parsed == 0


def test_a_folder_that_cannot_be_written_costs_nothing_but_time(cube, monkeypatch) -> None:
    def refuse(*_, **__):
        raise PermissionError("read-only")

    monkeypatch.setattr(model_cache.tempfile, "mkstemp", refuse)
    same(cube(), cube())
    assert cube.parsed == 2


def test_what_could_come_out_better_is_not_kept(cube) -> None:
    def unlucky(ask) -> Drawing:
        cube.parsed += 1
        return dataclasses.replace(importers.read_model(cube.path, role_of=ask, **cube.options), repeatable=False)

    for _ in range(2):
        ModelCache(cube.cache).model(cube.path, cube.options, role_map({}), unlucky)
    assert cube.parsed == 2
