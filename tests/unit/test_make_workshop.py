"""The script that draws the sample: the same files every time, and the ones that are kept."""

from __future__ import annotations

import csv
import importlib.util
import tomllib
from pathlib import Path
from types import ModuleType

import ezdxf
import pytest

SAMPLES = Path(__file__).parents[2] / "sample_models"
KEPT = SAMPLES / "workshop"


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_workshop", SAMPLES / "make_workshop.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    # dataclasses look their module up by name
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(__import__("sys").modules, "make_workshop", module)
        spec.loader.exec_module(module)
    return module


def kept_files() -> list[Path]:
    """Return the sample's own files, without the cache that a check leaves there."""
    return [path for path in KEPT.iterdir() if path.is_file()]


def test_running_it_twice_writes_the_same_bytes(script: ModuleType, tmp_path: Path) -> None:
    for name in ("a", "b"):
        script.main(tmp_path / name)
    written = sorted(path.name for path in (tmp_path / "a").iterdir())
    assert written == sorted(path.name for path in kept_files())
    for name in written:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name


def test_kept_files_are_what_it_writes(script: ModuleType, tmp_path: Path) -> None:
    script.main(tmp_path)
    for path in kept_files():
        if path.suffix != ".dxf":
            assert path.read_text(encoding="utf-8") == (tmp_path / path.name).read_text(encoding="utf-8"), path.name
            continue
        # another version of the DXF library may write another header, but not other entities
        rows = [
            [(e.dxf.handle, e.dxftype(), e.dxf.layer) for e in ezdxf.readfile(file).modelspace()]
            for file in (path, tmp_path / path.name)
        ]
        assert rows[0] == rows[1], path.name


def test_sample_stays_small(script: ModuleType) -> None:
    assert sum(path.stat().st_size for path in kept_files()) < 1_500_000


def test_every_run_that_is_expected_is_drawn_or_typed_once() -> None:
    with (KEPT / "expected.csv").open(encoding="utf-8") as file:
        expected = [row["run"] for row in csv.DictReader(file)]
    typed = [run["id"] for run in tomllib.loads((KEPT / "route3d.toml").read_text(encoding="utf-8"))["run"]]
    drawn = [
        tag.value.removeprefix("id=")
        for entity in ezdxf.readfile(KEPT / "routes.dxf").modelspace()
        if entity.has_xdata("ROUTE3D")
        for tag in entity.get_xdata("ROUTE3D")
        if str(tag.value).startswith("id=")
    ]
    assert sorted(typed + drawn) == expected
