"""Point clouds from laser scans, LAS, LAZ and E57, which a child process reads a part at a time."""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import queue
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np

from importers.dxf_collect import Collector, Places
from importers.dxf_placing import sane
from importers.dxf_shape import missing
from importers.mesh import frame_of
from importers.mesh_part import Array
from importers.points import NO_RADIUS, Cloud
from importers.roles import RoleOf
from importers.scan_child import SIZES
from route3d.errors import InputError, MissingExtraError, UnknownUnitError, UnreadableFileError
from route3d.model.building import Drawing, InputFile
from route3d.units import METRES_PER_UNIT

log = logging.getLogger(__name__)

_HERE = Places(np.eye(4)[None])
_SILENT_S = 120.0  # a child that says nothing for so long is stuck
# in a process of its own, without the rest of this package
_START = """
import sys, types
package = sys.modules["importers"] = types.ModuleType("importers")
package.__path__ = [sys.argv[1]]
from importers.scan_child import main
main()
"""

_Chunk = tuple[str, str, Array]  # name of the layer, what the file calls the piece, points (n, 3)


class _CutShortError(Exception):
    """Reading ended early; the text says after how many points."""


def read_scan(
    path: Path,
    *,
    name: str,
    role_of: RoleOf,
    units: str | None,
    move_m: Sequence[float],
    chord_tolerance_m: float,
    up: str | None = None,
    point_radius: float | None = None,
) -> Drawing:
    """Read a point cloud as balls; see :func:`importers.mesh.read_model`.

    E57 is in metres, as its standard says; LAS says no unit that could be relied on.

    Raises
    ------
    UnreadableFileError, UnknownUnitError, MissingExtraError
    InputError
        No ``point_radius`` is given.
    """
    metric = path.suffix.lower() == ".e57"
    if units is None and not metric:
        raise UnknownUnitError(name, 'states no unit of length: add units = "m" (or mm, cm, in, ft) to its [[model]]')
    if point_radius is None:
        raise InputError(name, NO_RADIUS)
    unit = "m" if units is None else units
    frame = frame_of(METRES_PER_UNIT[unit], up if up is not None else "z", move_m)
    radius_m = point_radius * METRES_PER_UNIT[unit]
    roles: dict[str, str] = {"": "obstacle"}
    collector = Collector(name, lambda layer, *_: roles[layer], chord_tolerance_m)
    clouds: dict[tuple[str, str], Cloud] = {}
    notes: list[str] = []
    if not sane(frame[None]).all():
        raise UnreadableFileError(name, "is moved farther than any building reaches: correct move")
    taken = 0
    try:
        for layer, handle, points in _chunks(path):
            roles.setdefault(layer, role_of(layer, path.stem))
            taken += len(points)
            if roles[layer] == "ignore":
                collector.ignore("POINTS", layer, len(points))
                continue
            cloud = clouds.setdefault((layer, handle), Cloud(radius_m))
            with np.errstate(all="ignore"):
                cloud.add(points @ frame[:3, :3] + frame[3, :3])
    except _CutShortError as error:
        collector.add(missing("FILE", "", str(error)), _HERE, [""], "")
    if not taken:
        raise UnreadableFileError(name, "holds no point: export it again")
    for (layer, handle), cloud in clouds.items():
        note = cloud.into(collector, layer, handle)
        notes += [note] if note is not None else []
    if collector.ignored:
        notes.append(f"{collector.ignored} points are of role ignore")
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    held = sum(len(e.triangles_m) for e in collector.elements)
    source = InputFile(name, digest, unit, taken, held, tuple(notes))
    log.info("%d points in %d cells from %s", held, len(collector.elements), path)
    return Drawing(tuple(collector.elements), (), collector.all_rows(), source, collector.summaries())


def _chunks(path: Path) -> Iterator[_Chunk]:
    """Yield what a child process reads: it may die of a damaged file, and then takes nothing else with it."""
    frames: queue.Queue[tuple[dict[str, Any], bytes] | None] = queue.Queue(maxsize=4)
    with subprocess.Popen(
        [sys.executable, "-P", "-c", _START, str(Path(__file__).resolve().parent), str(path)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    ) as child:
        assert child.stdout is not None
        pump = threading.Thread(target=_pump, args=(child.stdout, frames), daemon=True)
        pump.start()
        try:
            yield from _answers(path, frames)
        finally:
            child.kill()
            while pump.is_alive():  # it may wait for room
                with contextlib.suppress(queue.Empty):
                    frames.get(timeout=0.05)


def _answers(path: Path, frames: queue.Queue[tuple[dict[str, Any], bytes] | None]) -> Iterator[_Chunk]:
    done = told = 0
    while True:
        try:
            frame = frames.get(timeout=_SILENT_S)
        except queue.Empty:
            frame = None
        if frame is None:
            if not done:
                raise UnreadableFileError(path, "is damaged so that reading it fails: export it again")
            raise _CutShortError(_ends_after(done, told))
        text, body = frame
        if "end" not in text:
            points = np.frombuffer(body, dtype="<f8").reshape(-1, 3)
            done, told = done + len(points), int(text["of"])
            yield text["layer"], text["handle"], points
            continue
        read, told = text["end"]
        if text.get("missing"):
            raise MissingExtraError("point clouds need the extra 'points': pip install 'route3d[points]'")
        if "useless" in text and not done:
            raise UnreadableFileError(path, text["useless"])
        if read < told or "useless" in text:
            raise _CutShortError(_ends_after(read, told))
        return


def _pump(source: IO[bytes], frames: queue.Queue[tuple[dict[str, Any], bytes] | None]) -> None:
    while True:
        head = source.read(SIZES.size)
        if len(head) < SIZES.size:
            break
        text_size, body_size = SIZES.unpack(head)
        text, body = source.read(text_size), source.read(body_size)
        if len(text) < text_size or len(body) < body_size:
            break
        frames.put((json.loads(text), body))
    frames.put(None)


def _ends_after(done: int, told: int) -> str:
    return f"the file ends after {done} of {told} points, or is damaged there: export it again"
