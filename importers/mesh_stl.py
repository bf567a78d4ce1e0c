"""STL, text and binary: bare triangles, in solids that may have a name."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from importers.mesh_part import Lost, MeshFile, Part, bytes_of, numbers_of, text_of
from route3d.errors import UnreadableFileError

_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")])
_HEAD = 84
_SOLID = re.compile(rb"^[ \t]*solid\b[ \t]*([^\r\n]*)", re.MULTILINE | re.IGNORECASE)
_VERTEX = re.compile(rb"\bvertex[ \t]+([^\s]+[ \t]+[^\s]+[ \t]+[^\s]+)[ \t]*(?=[\r\n]|$)", re.IGNORECASE)
_WORD = re.compile(rb"\bvertex\b", re.IGNORECASE)
_FACET = re.compile(rb"\bfacet\b(?=[ \t]+normal\b)", re.IGNORECASE)
_END = re.compile(rb"^[ \t]*endsolid\b", re.MULTILINE | re.IGNORECASE)


def read_stl(path: Path) -> MeshFile:
    """Read the solids of an STL file. Raises ``UnreadableFileError``."""
    raw = bytes_of(path)
    claimed = int.from_bytes(raw[80:84], "little") if len(raw) >= _HEAD else -1
    whole = len(raw) == _HEAD + claimed * _RECORD.itemsize
    looks_text = raw.lstrip()[:5].lower() == b"solid" and (_FACET.search(raw) is not None or b"\0" not in raw[:1024])
    if not whole and looks_text:
        return _text(raw, path)
    if claimed < 0:
        raise UnreadableFileError(path, "is no STL file: it is shorter than a header; export it again")
    return _binary(raw, claimed, path)


def _binary(raw: bytes, claimed: int, path: Path) -> MeshFile:
    held = min(claimed, (len(raw) - _HEAD) // _RECORD.itemsize)
    records = np.frombuffer(raw, _RECORD, count=held, offset=_HEAD)
    triangles = records["corners"].astype(np.float64)
    lost: tuple[Lost, ...] = ()
    notes: tuple[str, ...] = ()
    if held < claimed:
        if held == 0:
            raise UnreadableFileError(path, f"announces {claimed} triangles and holds none: export it again")
        lost = (Lost(f"the file ends after {held} of {claimed} triangles: export it again"),)
    elif len(raw) > _HEAD + claimed * _RECORD.itemsize:
        rest = len(raw) - _HEAD - claimed * _RECORD.itemsize
        if rest >= _RECORD.itemsize:
            lost = (Lost(f"{rest} bytes follow the {claimed} triangles that the file announces: export it again"),)
        else:
            notes = (f"{rest} bytes at the end belong to no triangle",)
    part = Part("", path.stem, triangles=triangles, lost=lost, named=False)
    return MeshFile((part,), 1, notes)


def _text(raw: bytes, path: Path) -> MeshFile:
    heads = list(_SOLID.finditer(raw))
    if not heads:
        raise UnreadableFileError(path, "is no STL file: it has no solid; export it again")
    ends = [head.start() for head in heads[1:]] + [len(raw)]
    parts = []
    for number, (head, end) in enumerate(zip(heads, ends, strict=True), start=1):
        name = text_of(head.group(1))
        chunk = raw[head.end() : end]
        words = _VERTEX.findall(chunk)
        numbers = numbers_of(b" ".join(words))
        usable = numbers.reshape(-1, 3)[: len(words) // 3 * 3].reshape(-1, 3, 3)
        lost = []
        facets = len(_FACET.findall(chunk))
        if 3 * len(usable) != len(_WORD.findall(chunk)) or len(usable) != facets:
            lost.append(Lost(f"{facets} facets were begun and {len(usable)} are whole: export the file again"))
        elif number == len(heads) and _END.search(chunk) is None:
            lost.append(Lost("the last solid does not end: the file is cut off, export it again"))
        handle = f"{name or 'solid'}#{number}" if len(heads) > 1 else name
        parts.append(Part(handle, name or path.stem, (path.stem,), usable, lost=tuple(lost), named=len(heads) > 1))
    return MeshFile(tuple(parts), len(parts))
