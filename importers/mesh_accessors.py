"""glTF buffers and accessors: typed arrays out of bytes, every number checked against what is really there."""

from __future__ import annotations

import base64
import binascii
import hashlib
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
from numpy.typing import NDArray

from importers.mesh_part import FILE_BYTES_MAX, Array

_COMPONENTS = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4}
_NUMBERS_MAX = 300_000_000


class BrokenError(ValueError):
    """A piece of the file that cannot be used; its text is one clause."""


def entry(document: dict[str, Any], group: str, number: object) -> dict[str, Any]:
    """Return one numbered entry of the document.

    Raises
    ------
    BrokenError
        There is none.
    """
    entries = document.get(group)
    if not isinstance(number, int) or isinstance(number, bool) or not isinstance(entries, list):
        raise BrokenError(f"it names no entry of {group}")
    if not 0 <= number < len(entries) or not isinstance(entries[number], dict):
        raise BrokenError(f"it names entry {number} of {group}, which is not there")
    found: dict[str, Any] = entries[number]
    return found


class Accessors:
    """The arrays of one file; ``depends`` lists the other files that were opened."""

    def __init__(self, document: dict[str, Any], path: Path, binary: bytes | None) -> None:
        self._document = document
        self._folder = path.parent.resolve()
        self._binary = binary
        self._buffers: dict[int, bytes] = {}
        self.depends: list[tuple[str, str]] = []

    def array(self, number: object) -> Array:
        """Return the accessor (n, width) as float64, integers that stand for -1 … 1 or 0 … 1 scaled.

        Raises
        ------
        BrokenError
        """
        accessor = entry(self._document, "accessors", number)
        raw = self.raw(number)
        values = raw.astype(np.float64)
        if accessor.get("normalized") is True and raw.dtype.kind in "iu":
            values = np.maximum(values / np.iinfo(raw.dtype).max, -1.0)
        return values

    def raw(self, number: object) -> NDArray[Any]:
        """Return the accessor (n, width) in the file's own number type. Raises ``BrokenError``."""
        accessor = entry(self._document, "accessors", number)
        kind = _COMPONENTS.get(accessor.get("componentType", 0))
        width = _WIDTHS.get(accessor.get("type", ""))
        count = _whole(accessor.get("count"), "count")
        if kind is None or width is None:
            raise BrokenError("its numbers are of a type that is not known")
        if count * width > _NUMBERS_MAX:
            raise BrokenError(f"it announces {count} entries, more than can be")
        if "bufferView" in accessor:
            values = self._view(accessor["bufferView"], accessor.get("byteOffset", 0), kind, count, width)
        else:
            if "sparse" not in accessor:
                raise BrokenError("its numbers are not in the file")
            values = np.zeros((count, width), kind)
        sparse = accessor.get("sparse")
        return values if sparse is None else self._with_sparse(values, sparse, kind)

    def box(self, number: object) -> Array | None:
        """Return the box (2, 3) that an accessor of positions announces, None where it announces none."""
        try:
            accessor = entry(self._document, "accessors", number)
            box = np.array([accessor["min"], accessor["max"]], dtype=np.float64)
        except (BrokenError, KeyError, TypeError, ValueError, OverflowError):
            return None
        if accessor.get("componentType") != 5126:
            return None  # whole numbers: what they stand for is decided elsewhere
        return box if box.shape == (2, 3) and np.isfinite(box).all() and (box[0] <= box[1]).all() else None

    def _with_sparse(self, values: NDArray[Any], sparse: object, kind: str) -> NDArray[Any]:
        if not isinstance(sparse, dict):
            raise BrokenError("its replaced numbers are not described")
        count = _whole(sparse.get("count"), "count")
        where, what = sparse.get("indices"), sparse.get("values")
        if not isinstance(where, dict) or not isinstance(what, dict) or count > len(values):
            raise BrokenError("its replaced numbers are not described")
        index_kind = _COMPONENTS.get(where.get("componentType", 0))
        if index_kind not in ("<u1", "<u2", "<u4"):
            raise BrokenError("its replaced numbers are not numbered")
        at = self._view(where.get("bufferView"), where.get("byteOffset", 0), index_kind, count, 1)[:, 0]
        new = self._view(what.get("bufferView"), what.get("byteOffset", 0), kind, count, values.shape[1])
        if count and int(at.max()) >= len(values):
            raise BrokenError("it replaces numbers that are not there")
        values = values.copy()
        values[at] = new
        return values

    def _view(self, number: object, offset: object, kind: str, count: int, width: int) -> NDArray[Any]:
        view = entry(self._document, "bufferViews", number)
        extensions = view.get("extensions")
        if isinstance(extensions, dict) and any("meshopt" in str(name) for name in extensions):
            raise BrokenError("it is compressed in a way that is not read: export it uncompressed")
        buffer = self._buffer(view.get("buffer"))
        start = _whole(view.get("byteOffset", 0), "offset")
        length = _whole(view.get("byteLength"), "length")
        inner = _whole(offset, "offset")
        item = np.dtype(kind).itemsize
        stride = _whole(view["byteStride"], "stride") if "byteStride" in view else item * width
        needed = inner + (count - 1) * stride + item * width if count else 0
        if needed > length or start + length > len(buffer):
            raise BrokenError("the file ends before its numbers do: export it again")
        if stride < item * width:
            raise BrokenError("its numbers overlap each other")
        return np.ndarray((count, width), kind, buffer, start + inner, (stride, item))

    def _buffer(self, number: object) -> bytes:
        buffer = entry(self._document, "buffers", number)
        assert isinstance(number, int)
        if number not in self._buffers:
            self._buffers[number] = self._load(buffer, number)
        return self._buffers[number]

    def _load(self, buffer: dict[str, Any], number: int) -> bytes:
        uri = buffer.get("uri")
        if uri is None:
            if number == 0 and self._binary is not None:
                return self._binary
            raise BrokenError("its numbers are not in the file")
        if not isinstance(uri, str):
            raise BrokenError("its numbers are in a file without a name")
        if uri.startswith("data:"):
            head, _, body = uri.partition(",")
            try:
                return (
                    base64.b64decode(body, validate=True)
                    if head.endswith("base64")
                    else unquote(body).encode("latin-1")
                )
            except (binascii.Error, UnicodeEncodeError, ValueError) as error:
                raise BrokenError("its numbers are written in a damaged way: export it again") from error
        name = unquote(uri)
        if "://" in name or "\0" in name:
            raise BrokenError("its numbers are elsewhere on the network: put that file beside this one")
        place = (self._folder / name).resolve()
        if not place.is_relative_to(self._folder):
            raise BrokenError(
                "its numbers are in a file outside this folder, which is not opened: put it beside this one"
            )
        try:
            if place.stat().st_size > FILE_BYTES_MAX:
                raise BrokenError(f"its numbers are in {name!r}, which is too large: split it")
            raw = place.read_bytes()
        except OSError as error:
            self.depends.append((name, ""))
            raise BrokenError(f"its numbers are in {name!r}, which cannot be read: put it beside this file") from error
        self.depends.append((name, hashlib.sha256(raw).hexdigest()))
        return raw


def _whole(value: object, what: str) -> int:
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise BrokenError(f"its {what} is no whole number")
    return value
