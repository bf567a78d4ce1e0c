"""Parsed files kept beside the project, so that what has not changed is not parsed again.

One ``.npz`` per file and way of reading it: arrays, and one JSON text; nothing in it is ever executed. An entry is used
only if the content of the file (and of those that it brought in), all that was asked for, and the reader's own code are
the same, and if everything the reader asked of the project, such as the role of each layer, would be answered as
before. The folder is safe to delete; a damaged entry is read over.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import importlib.metadata
import json
import logging
import os
import struct
import tempfile
import time
import zipfile
import zlib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from io import BufferedReader, BytesIO
from itertools import pairwise, starmap
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

import importers
from importers.roles import RoleOf, StatesRoles
from route3d.model.building import Drawing, DrawnRoute, InputFile, LayerSummary, MapPlace, Outline, RouteDrawing, Unread
from route3d.model.element import Element
from route3d.version import PACKAGE, VERSION

log = logging.getLogger(__name__)

FOLDER = ".route3d-cache"
BYTES_MAX = 2 * 2**30
ENTRY_BYTES_MAX = 2**30

_LIBRARIES = ("ezdxf", "ifcopenshell", "laspy", "lazrs", "mapbox-earcut", "numpy", "pye57", "scipy")
_ABANDONED_S = 86_400.0  # a half-written file this old belongs to nobody
_TAG = "Signature: 8a477f597d28d172789f06886806bc55\n# Parsed drawings of route3d; safe to delete.\n"
_DRAWING: dict[str, type] = {"elements": Element, "outlines": Outline, "unread": Unread, "layers": LayerSummary}
_ROUTES: dict[str, type] = {"routes": DrawnRoute, "unread": Unread}
_DAMAGE = (
    OSError, ValueError, KeyError, TypeError, IndexError, AttributeError, OverflowError, MemoryError, RecursionError,
    NotImplementedError, RuntimeError, SyntaxError, EOFError, struct.error, zipfile.BadZipFile,
)  # fmt: skip
_VALUES: dict[str, type] = {"MapPlace": MapPlace}  # small records that stand as one value
_CALLED, _STATED = "called", "stated"
_KINDS = {"<f8", "<i8", "|u1"}
_LOCAL_HEADER = struct.Struct("<4s22xHH")  # of a member of a zip: signature, then the lengths of its name and extras
_HEAD_BYTES = 4096  # the header of an array of ours is shorter

Found = TypeVar("Found", Drawing, RouteDrawing)
Arrays = dict[str, NDArray[Any]]


class NotKeepableError(Exception):
    """A result that cannot be written down so that it comes back the same."""


class ModelCache:
    """The entries of one project; without a folder nothing is kept, and everything is read."""

    def __init__(self, folder: Path | None, bytes_max: int = BYTES_MAX) -> None:
        self._folder = folder
        self._bytes_max = bytes_max
        self.hits = 0

    def model(
        self, path: Path, options: Mapping[str, object], role_of: RoleOf, read: Callable[[RoleOf], Drawing]
    ) -> Drawing:
        """Return what ``read`` gives for the file at ``path``, from the cache where that is the same.

        ``options`` (plain JSON) is everything but ``role_of`` that the result depends on.
        """
        return self._through(path, {"kind": "model", **options}, role_of, read, Drawing, _DRAWING)

    def routes(
        self,
        path: Path,
        options: Mapping[str, object],
        wanted: Callable[[str], bool],
        read: Callable[[Callable[[str], bool]], RouteDrawing],
    ) -> RouteDrawing:
        """As ``model``, for the routes drawn in a file."""
        return self._through(path, {"kind": "routes", **options}, wanted, read, RouteDrawing, _ROUTES)

    def _through(
        self,
        path: Path,
        options: Mapping[str, object],
        ask: Callable[..., Any],
        read: Callable[[Any], Found],
        whole: type[Found],
        groups: Mapping[str, type],
    ) -> Found:
        key = None if self._folder is None else _key(path, options)
        if key is None or self._folder is None:
            return read(ask)
        entry = self._folder / f"{key}.npz"
        found = _load(entry, path, ask, whole, groups)
        if found is not None:
            self.hits += 1
            log.info("%s: as parsed before", path)
            return found
        recorded = _RecordedRoles(ask) if isinstance(ask, StatesRoles) else _Recorded(ask)
        result = read(recorded)
        if getattr(result, "repeatable", True):
            self._keep(entry, path, result, recorded.asked, groups)
        return result

    def _keep(
        self, entry: Path, path: Path, result: Any, asked: Mapping[tuple[str, ...], Any], groups: Mapping[str, type]
    ) -> None:
        try:
            arrays, text = _packed(result, groups)
        except NotKeepableError as error:
            log.info("%s: not kept: %s", path, error)
            return
        text["asked"] = [[*names, answer] for names, answer in asked.items()]
        arrays["text"] = np.frombuffer(json.dumps(text).encode(), dtype=np.uint8)
        size = sum(array.nbytes for array in arrays.values())
        if size > min(ENTRY_BYTES_MAX, self._bytes_max):
            log.info("%s: not kept: too large", path)
            return
        try:
            self._write(entry, arrays)
            self._drop_oldest(entry)
        except OSError as error:  # a folder that cannot be written to costs time, not results
            log.info("%s: not kept: %s", path, error)

    def _write(self, entry: Path, arrays: Arrays) -> None:
        folder = entry.parent
        if not folder.is_dir():
            folder.mkdir(parents=True, exist_ok=True)
            (folder / "CACHEDIR.TAG").write_text(_TAG, encoding="utf-8")
            (folder / ".gitignore").write_text("*\n", encoding="utf-8")
        handle, name = tempfile.mkstemp(dir=folder, prefix="writing-", suffix=".tmp")
        try:
            with os.fdopen(handle, "wb") as file:
                np.savez(file, **arrays)  # type: ignore[arg-type]
            os.replace(name, entry)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise

    def _drop_oldest(self, newest: Path) -> None:
        aged = []
        for path in newest.parent.iterdir():
            if path.suffix == ".npz" and path != newest:
                aged.append((path.stat().st_mtime, path.stat().st_size, path))
            elif path.suffix == ".tmp" and time.time() - path.stat().st_mtime > _ABANDONED_S:
                path.unlink(missing_ok=True)
        total = newest.stat().st_size
        for _, size, path in sorted(aged, reverse=True):
            total += size
            if total > self._bytes_max:
                path.unlink(missing_ok=True)


class _Recorded:
    """What a reader asks of the project, and the answers."""

    def __init__(self, ask: Callable[..., Any]) -> None:
        self._ask = ask
        self.asked: dict[tuple[str, ...], Any] = {}

    def __call__(self, *names: str) -> Any:
        return self._answer(_CALLED, names)

    def _answer(self, way: str, names: tuple[str, ...]) -> Any:
        key = (way, *names)
        if key not in self.asked:
            self.asked[key] = _asked(self._ask, way, names)
        return self.asked[key]


class _RecordedRoles(_Recorded):
    """The same of what can also say that nothing was stated."""

    def stated(self, layer: str, *also: str) -> str | None:
        """Return what the project states."""
        answer: str | None = self._answer(_STATED, (layer, *also))
        return answer


def _asked(ask: Any, way: str, names: Sequence[str]) -> Any:
    return ask(*names) if way == _CALLED else ask.stated(*names)


def _key(path: Path, options: Mapping[str, object]) -> str | None:
    """Return the name of the entry of a file, None where it cannot be known."""
    code, content = _code_digest(), digest_of(path)
    if not code or not content:
        return None
    told = json.dumps([code, content, options], sort_keys=True)
    return hashlib.sha256(told.encode()).hexdigest()[:40]


def digest_of(path: Path) -> str:
    """Return the sha256 of a file's content, "" where it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


@cache
def _code_digest() -> str:
    """Return a digest of all code that turns files into models, and of the libraries that it calls."""
    sources = [
        *Path(importers.__file__).parent.glob("*.py"),
        *(PACKAGE / "kernel").glob("*.py"),
        *(PACKAGE / "model").glob("*.py"),
        PACKAGE / "units.py",
    ]
    digest = hashlib.sha256(VERSION.encode())
    try:
        for source in sorted(sources):
            digest.update(source.name.encode() + source.read_bytes())
    except OSError:
        return ""
    for library in _LIBRARIES:
        try:
            digest.update(f"{library} {importlib.metadata.version(library)}".encode())
        except importlib.metadata.PackageNotFoundError:
            digest.update(library.encode())
    return digest.hexdigest()


def _packed(result: Any, groups: Mapping[str, type]) -> tuple[Arrays, dict[str, Any]]:
    arrays: Arrays = {}
    text: dict[str, Any] = {"groups": {}, "rest": {}}
    for field in dataclasses.fields(result):
        value = getattr(result, field.name)
        if field.name in groups:
            text["groups"][field.name] = _columns(value, groups[field.name], field.name, arrays)
        elif field.name == "source":
            text["source"] = {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
        else:
            text["rest"][field.name] = _plain(value)
    return arrays, text


def _columns(records: Sequence[Any], kind: type, name: str, arrays: Arrays) -> dict[str, Any]:
    """Return the records as lists of values, one per field; arrays go end to end into ``arrays``."""
    if any(type(record) is not kind for record in records):
        raise NotKeepableError(f"{name} holds something unexpected")
    told: dict[str, Any] = {"count": len(records), "values": {}, "arrays": []}
    for field in dataclasses.fields(kind):
        if not field.init:
            continue  # worked out again when asked for
        values = [getattr(record, field.name) for record in records]
        if not any(isinstance(value, np.ndarray) for value in values):
            told["values"][field.name] = [_plain(value) for value in values]
            continue
        shapes = {value.shape[1:] for value in values if isinstance(value, np.ndarray) and value.dtype == np.float64}
        if len(shapes) != 1 or not all(isinstance(value, np.ndarray) for value in values):
            raise NotKeepableError(f"{name} holds arrays that differ")
        told["arrays"].append(field.name)
        arrays[f"{name}.{field.name}"] = np.concatenate(values)
        arrays[f"{name}.{field.name}.ends"] = np.cumsum([len(value) for value in values]).astype(np.int64)
    return told


def _plain(value: object) -> object:
    if value is None or isinstance(value, str | bool | int | float):
        return value
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    name = type(value).__name__
    if _VALUES.get(name) is type(value):
        return {name: [_plain(getattr(value, field.name)) for field in dataclasses.fields(value)]}  # type: ignore[arg-type]
    raise NotKeepableError(f"{type(value).__name__} cannot be kept")


def _load(
    entry: Path, path: Path, ask: Callable[..., Any], whole: type[Found], groups: Mapping[str, type]
) -> Found | None:
    """Return what an entry holds, None where there is none that can be used."""
    if not entry.is_file():
        return None
    try:
        arrays = read_arrays(entry)
        text = json.loads(arrays["text"].tobytes())
        rest: dict[str, Any] = {name: _tupled(value) for name, value in text["rest"].items()}
        if any(digest_of(path.parent / name) != digest for name, digest in rest.get("depends", ())):
            return None
        if any(_asked(ask, way, names) != answer for way, *names, answer in text["asked"]):
            return None
        read: dict[str, Any] = {
            name: _records(text["groups"][name], kind, name, arrays) for name, kind in groups.items()
        }
        source = InputFile(**{name: _tupled(value) for name, value in text["source"].items()})
        found = whole(**read, source=source, **rest)
    except _DAMAGE as error:
        log.info("%s: an entry that cannot be used is read over: %s", path, error)
        return None
    with contextlib.suppress(OSError):
        os.utime(entry)  # it was of use just now: others are dropped first
    return found


def read_arrays(entry: Path) -> Arrays:
    """Return the arrays of an ``.npz`` file, read-only; runs nothing of it, and takes no more room than it has.

    Raises
    ------
    ValueError, OSError, EOFError, zipfile.BadZipFile
        It is damaged, or not of this kind.
    """
    arrays: Arrays = {}
    size = entry.stat().st_size
    with zipfile.ZipFile(entry) as archive, entry.open("rb") as file:
        for member in archive.infolist():
            if member.compress_type != zipfile.ZIP_STORED or member.flag_bits & 1 or member.file_size > size:
                raise ValueError(f"{member.filename} is not stored plainly")
            content = _content(file, member)
            head = BytesIO(content[:_HEAD_BYTES].tobytes())
            if npy.read_magic(head) != (1, 0):
                raise ValueError(f"{member.filename} is of another version")
            shape, by_columns, kind = npy.read_array_header_1_0(head)
            if kind.str not in _KINDS or by_columns or any(n < 0 for n in shape):
                raise ValueError(f"{member.filename} holds something unexpected")
            body = content[head.tell() :]
            if len(body) != int(np.prod([int(n) for n in shape], dtype=object)) * kind.itemsize:
                raise ValueError(f"{member.filename} has another size than it says")
            arrays[member.filename.removesuffix(".npy")] = body.view(kind).reshape(shape)
    return arrays


def _content(file: BufferedReader, member: zipfile.ZipInfo) -> NDArray[np.uint8]:
    """Return what a member that is stored plainly holds, in one read; ``ZipFile.read`` copies it several times."""
    file.seek(member.header_offset)
    header = file.read(_LOCAL_HEADER.size)
    signature, name_bytes, extra_bytes = _LOCAL_HEADER.unpack(header)
    if signature != b"PK\x03\x04":
        raise zipfile.BadZipFile(f"{member.filename} does not begin where it should")
    file.seek(name_bytes + extra_bytes, os.SEEK_CUR)
    content = np.empty(member.file_size, np.uint8)
    if file.readinto(content.data) != len(content) or zlib.crc32(content.data) != member.CRC:
        raise zipfile.BadZipFile(f"{member.filename} is damaged")
    content.setflags(write=False)
    return content


def _records(told: Mapping[str, Any], kind: type, name: str, arrays: Arrays) -> tuple[Any, ...]:
    count = told["count"]
    columns: dict[str, Sequence[Any]] = {
        field: [_tupled(v) if isinstance(v, list | dict) else v for v in values]
        for field, values in told["values"].items()
    }
    for field in told["arrays"]:
        ends = arrays[f"{name}.{field}.ends"]
        joined = arrays[f"{name}.{field}"]
        if len(ends) != count or (np.diff(ends) < 0).any() or (count and (ends[0] < 0 or ends[-1] != len(joined))):
            raise ValueError(f"{name} does not fit together")
        edges = [0, *ends.tolist()]
        columns[field] = [joined[a:b] for a, b in pairwise(edges)]
    if any(len(values) != count for values in columns.values()):
        raise ValueError(f"{name} does not fit together")
    given = [columns[field.name] for field in dataclasses.fields(kind) if field.init]
    return tuple(starmap(kind, zip(*given, strict=True)))


def _tupled(value: Any) -> Any:
    """Return a value as it was before it became JSON."""
    if isinstance(value, list):
        return tuple(_tupled(part) for part in value)
    if isinstance(value, dict):
        ((name, parts),) = value.items()
        return _VALUES[name](*_tupled(parts))
    return value
