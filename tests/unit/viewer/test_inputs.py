"""A changed input is noticed, whatever way it is written, and also where the system gives out no watches."""

import asyncio
import hashlib
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

import route3d.viewer.inputs as inputs


def told_of(path: Path, change: Callable[[], object]) -> list[list[str]]:
    """Return what was told of a change, from a thread of its own: browser tests leave a loop running in this one."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(lambda: asyncio.run(noticed(path, change))).result()


async def noticed(path: Path, change: Callable[[], object]) -> list[list[str]]:
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


def test_another_content_of_a_file_that_has_changed_already_is_told_again(tmp_path) -> None:
    path = tmp_path / "a.dxf"
    path.write_text("first", encoding="utf-8")
    told: list[list[str]] = []

    async def both() -> None:
        known = {"a.dxf": (path, hashlib.sha256(b"first").hexdigest())}
        stop, heard = asyncio.Event(), asyncio.Queue[int]()

        async def tell(files: list[str]) -> None:
            told.append(files)
            heard.put_nowait(1)

        watching = asyncio.create_task(inputs.watch_inputs(lambda: known, tell, stop))
        await asyncio.sleep(0.5)
        for text in ("half", "whole", "first"):
            path.write_text(text, encoding="utf-8")
            await asyncio.wait_for(heard.get(), 20)
        stop.set()
        await asyncio.wait_for(watching, 10)

    with ThreadPoolExecutor(1) as thread:
        thread.submit(lambda: asyncio.run(both())).result()
    assert told == [["a.dxf"], ["a.dxf"], []]


def test_what_changed_before_anybody_watched_is_told(tmp_path) -> None:
    path = tmp_path / "a.dxf"
    path.write_text("other", encoding="utf-8")
    told: list[list[str]] = []

    async def begun() -> None:
        stop, heard = asyncio.Event(), asyncio.Event()

        async def tell(files: list[str]) -> None:
            told.append(files)
            heard.set()

        known = {"a.dxf": (path, hashlib.sha256(b"first").hexdigest())}
        watching = asyncio.create_task(inputs.watch_inputs(lambda: known, tell, stop))
        await asyncio.wait_for(heard.wait(), 20)
        stop.set()
        await asyncio.wait_for(watching, 10)

    with ThreadPoolExecutor(1) as thread:
        thread.submit(lambda: asyncio.run(begun())).result()
    assert told == [["a.dxf"]]


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
    assert told_of(path, change)[-1] == ["a.dxf"]


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
    assert told_of(path, lambda: path.write_text("second", encoding="utf-8"))[-1] == ["a.dxf"]


def test_only_content_counts(tmp_path) -> None:
    path = tmp_path / "a.dxf"
    path.write_text("first", encoding="utf-8")
    known = {"a.dxf": (path, hashlib.sha256(b"first").hexdigest()), "gone.dxf": (tmp_path / "gone.dxf", "x")}
    os.utime(path, (1, 1))
    assert inputs.changed_files(known) == ["gone.dxf"]
