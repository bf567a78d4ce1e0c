"""What runs in a child process: the libraries for laser scans read a file, and its points go to standard output.

A damaged file can make their decoders abort, or fill the memory. In here it takes only this process with it; the parent
(``importers.scans``) sees that, and keeps what has come. Answers are frames: two sizes, JSON, and plain numbers.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import struct
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

SIZES = struct.Struct("<II")  # bytes of JSON, bytes of numbers
POINTS_TOLD_MAX = 500_000_000  # more in one file than can be read in good time
_CHUNK = 500_000
_POINTS_PER_BYTE = 20  # compressed points of real scans take several bytes each
_RECORD_HEAD = 54  # bytes, LAS 1.4 table 6
_MEMORY_SHARE = 0.75

# Classes of points of the LAS specification 1.4, table 17.
_CLASSES = {0: "unclassified", 1: "unclassified", 2: "ground", 3: "low vegetation", 4: "medium vegetation",
            5: "high vegetation", 6: "building", 7: "noise", 9: "water", 10: "rail", 11: "road", 13: "wire guard",
            14: "wire conductor", 15: "tower", 16: "wire connector", 17: "bridge", 18: "noise"}  # fmt: skip

Array = NDArray[np.float64]


class UselessError(Exception):
    """A file that cannot be used; the text is one clause."""


def main() -> None:
    """Read the file named by the last argument."""
    path = Path(sys.argv[-1])
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what the libraries print must not come between the frames
    _limit_memory()
    counted = [0, 0]  # points read, points announced
    last: dict[str, Any] = {}
    try:
        for layer, handle, points in (_e57 if path.suffix.lower() == ".e57" else _las)(path, counted):
            body = np.ascontiguousarray(points, dtype="<f8").tobytes()
            _send(out, {"layer": layer, "handle": handle, "of": counted[1]}, body)
    except UselessError as error:
        last = {"useless": str(error)}
    except ImportError:
        last = {"missing": True}
    except Exception as error:  # the libraries raise what they meet: struct, value, memory, and their own
        text = " ".join(str(error).split())
        last = {"useless": f"cannot be read ({type(error).__name__}: {text[:80]}): export it again"}
    _send(out, {"end": counted, **last}, b"")
    out.flush()
    os._exit(0)  # some of them crash while they are taken down


def _send(out: Any, told: dict[str, Any], body: bytes) -> None:
    text = json.dumps(told).encode()
    out.write(SIZES.pack(len(text), len(body)) + text + body)
    out.flush()


def _limit_memory() -> None:
    with contextlib.suppress(ImportError, AttributeError, ValueError, OSError):
        import resource

        limit = int(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") * _MEMORY_SHARE)
        _, allowed = resource.getrlimit(resource.RLIMIT_AS)
        if allowed == resource.RLIM_INFINITY or limit < allowed:  # more than whoever started us allows is refused
            resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def _las(path: Path, counted: list[int]) -> Iterator[tuple[str, str, Array]]:
    import laspy

    _refuse_false_records(path)
    logging.getLogger("laspy").setLevel(logging.CRITICAL)
    with laspy.open(path, read_evlrs=False) as file:
        header = file.header
        counted[1] = int(header.point_count)
        _refuse_too_many(counted[1])
        there = counted[1]
        if counted[1] > _POINTS_PER_BYTE * path.stat().st_size:
            raise UselessError(f"announces {counted[1]} points, more than its size can hold: export it again")
        if not header.are_points_compressed:
            room = max(path.stat().st_size - int(header.offset_to_point_data), 0)
            there = min(there, room // max(int(header.point_format.size), 1))
        if not np.isfinite(np.concatenate([header.scales, header.offsets])).all():
            raise UselessError("has a header whose scales are no numbers: export it again")
        while counted[0] < there:
            chunk = file.read_points(min(_CHUNK, there - counted[0]))
            if len(chunk) == 0:
                return
            points = np.column_stack([np.asarray(chunk.x), np.asarray(chunk.y), np.asarray(chunk.z)]).astype(np.float64)
            kinds = np.asarray(chunk.classification)
            counted[0] += len(points)
            for kind in np.unique(kinds).tolist():
                yield f"class {kind} {_CLASSES.get(kind, '')}".strip(), f"class {kind}", points[kinds == kind]


def _refuse_false_records(path: Path) -> None:
    """Refuse a header that announces more records than fit before the points: the library would seek all of them."""
    with path.open("rb") as file:
        head = file.read(104)
    if len(head) < 104 or head[:4] != b"LASF":
        raise UselessError("is no LAS file: export it again")
    size, points_at, records = struct.unpack("<HII", head[94:104])
    if size + records * _RECORD_HEAD > min(points_at, path.stat().st_size):
        raise UselessError("has a header that announces more than the file holds: export it again")


def _e57(path: Path, counted: list[int]) -> Iterator[tuple[str, str, Array]]:
    import pye57
    from pye57.e57 import convert_spherical_to_cartesian

    file = pye57.E57(str(path))
    headers = [file.get_header(number) for number in range(file.scan_count)]
    counted[1] = sum(int(header.point_count) for header in headers)
    _refuse_too_many(counted[1])
    for number, header in enumerate(headers):
        for points in _e57_points(file, header, convert_spherical_to_cartesian, counted):
            yield _scan_name(header, number), f"scan {number + 1}", points


def _e57_points(file: Any, header: Any, to_cartesian: Callable[[Array], Array], counted: list[int]) -> Iterator[Array]:
    """Yield the valid points (n, 3) of one scan in the file's common axes; invalid ones were never hit by the beam."""
    there = set(header.point_fields)
    cartesian = {"cartesianX", "cartesianY", "cartesianZ"} <= there
    names = (
        ["cartesianX", "cartesianY", "cartesianZ"]
        if cartesian
        else ["sphericalRange", "sphericalAzimuth", "sphericalElevation"]
    )
    state = "cartesianInvalidState" if cartesian else "sphericalInvalidState"
    fields = [*names, state] if state in there else names
    values, buffers = file.make_buffers(fields, min(_CHUNK, max(int(header.point_count), 1)))
    reader = header.points.reader(buffers)
    while (count := int(reader.read())) > 0:
        counted[0] += count
        points = np.column_stack([np.asarray(values[name][:count], dtype=np.float64) for name in names])
        if state in values:
            points = points[np.asarray(values[state][:count]) == 0]
        if not cartesian:
            points = np.asarray(to_cartesian(points))
        if header.has_pose():
            points = file.to_global(points, header.rotation, header.translation)
        yield np.asarray(points, dtype=np.float64)


def _scan_name(header: Any, number: int) -> str:
    try:
        said = header["name"].value()
    except Exception:  # the binding raises its own kind where there is no name
        said = ""
    return " ".join(str(said).split()) or f"scan {number + 1}"


def _refuse_too_many(told: int) -> None:
    if told > POINTS_TOLD_MAX:
        raise UselessError(f"announces {told} points, more than {POINTS_TOLD_MAX}: split it, or thin it out")
