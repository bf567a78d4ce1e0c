"""A changed input is noticed, whatever way it is written, and also where the system gives out no watches."""

import asyncio
import hashlib
import os

import pytest

import route3d.viewer.inputs as inputs


async def noticed(path, change) -> list[list[str]]:
    """Start to watch, make the change, and return what was told until something was."""
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    known = {"a.dxf": (path, digest)}
    told: list[list[str]] = []
    stop, heard = asyncio.Event(), asyncio.Event()

    async def tell(files: list[str]) -> None:
        told.append(files)
        heard.set()

    watching = asyncio.create_task(inputs.watch_inputs(lambda: known, tell, stop))
    await asyncio.sleep(0.5)
    change()
    await asyncio.wait_for(heard.wait(), 20)
    stop.set()
    await asyncio.wait_for(watching, 10)
    return told


def replaced(path) -> None:
    beside = path.with_suffix(".new")
    beside.write_text("other", encoding="utf-8")
    os.replace(beside, path)


@pytest.mark.parametrize("how", ["written", "replaced", "removed"])
def test_a_change_is_noticed(tmp_path, how) -> None:
    path = tmp_path / "a.dxf"
    path.write_text("first", encoding="utf-8")
    change = {
        "written": lambda: path.write_text("second", encoding="utf-8"),
        "replaced": lambda: replaced(path),
        "removed": path.unlink,
    }[how]
    assert asyncio.run(noticed(path, change))[-1] == ["a.dxf"]


def test_without_watches_it_looks_again_and_again(tmp_path, monkeypatch) -> None:
    path = tmp_path / "a.dxf"
    path.write_text("first", encoding="utf-8")
    os.utime(path, (1, 1))  # looking again and again compares whole seconds
    awatch = inputs.awatch

    def none_left(*folders, force_polling=None, **options):
        if not force_polling:
            raise OSError(28, "no space left on device")
        return awatch(*folders, force_polling=True, **options)

    monkeypatch.setattr(inputs, "awatch", none_left)
    assert asyncio.run(noticed(path, lambda: path.write_text("second", encoding="utf-8")))[-1] == ["a.dxf"]


def test_only_content_counts(tmp_path) -> None:
    path = tmp_path / "a.dxf"
    path.write_text("first", encoding="utf-8")
    known = {"a.dxf": (path, hashlib.sha256(b"first").hexdigest()), "gone.dxf": (tmp_path / "gone.dxf", "x")}
    os.utime(path, (1, 1))
    assert inputs.changed_files(known) == ["gone.dxf"]
