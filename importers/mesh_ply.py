"""PLY, text and binary of both byte orders: points and polygons of any number of corners."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from importers.mesh_part import (
    NO_LINES,
    NO_POINTS,
    Array,
    Index,
    Lost,
    MeshFile,
    Part,
    bytes_of,
    numbers_of,
    of_mixed,
    strip_faces,
)
from route3d.errors import UnreadableFileError

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
_HEADER_MAX = 1 << 20
_WITH_FACES = ("face", "tristrips")
_FACES = ("vertex_indices", "vertex_index")


@dataclass(frozen=True, slots=True)
class _Property:
    name: str
    kind: str  # of numpy, without byte order
    counted_by: str | None  # of a list: the kind of its length


@dataclass(slots=True)
class _Element:
    name: str
    count: int
    properties: list[_Property] = field(default_factory=list)

    @property
    def fixed(self) -> bool:
        return all(p.counted_by is None for p in self.properties)


@dataclass(slots=True)
class _Read:
    """What was found of one element: columns by name, or the blocks (n, k) of its list of point numbers."""

    columns: dict[str, Array] = field(default_factory=dict)
    blocks: list[Index] = field(default_factory=list)
    rows: int = 0


def read_ply(path: Path) -> MeshFile:
    """Read a PLY file; without faces its points are a point cloud. Raises ``UnreadableFileError``."""
    raw = bytes_of(path)
    order, elements, body = _header(raw, path)
    read, rest = _text(raw[body:], elements) if order == "" else _binary(raw, body, elements, order)
    wanted = sum(e.count for e in elements if e.name in ("vertex", "face", "tristrips", "edge"))
    held = sum(read[e.name].rows for e in elements if e.name in ("vertex", "face", "tristrips", "edge"))
    vertices = read.get("vertex", _Read())
    if not all(axis in vertices.columns for axis in "xyz"):
        raise UnreadableFileError(path, "holds no points with x, y and z: export it again")
    points = np.column_stack([vertices.columns[axis] for axis in "xyz"])
    lost = [] if held == wanted else [Lost(f"the file ends after {held} of {wanted} entries: export it again")]
    if held == wanted and rest:
        lost.append(Lost("more follows than the header announces: export it again"))
    unlisted = [
        e.name
        for e in elements
        if e.name in _WITH_FACES and e.count and not any(p.name in _FACES for p in e.properties)
    ]
    if unlisted:
        lost.append(Lost(f"each {' and '.join(unlisted)} lacks its list of points: export it again"))

    faces = [*read.get("face", _Read()).blocks, *_strips(read.get("tristrips", _Read()).blocks)]
    triangles, wrong = of_mixed(points, faces)
    if wrong:
        lost.append(Lost(f"{wrong} face(s) name points that are not there: export the file again"))
    known = {"vertex", "face", "tristrips", "edge", "material", "camera"}
    strange = [e.name for e in elements if e.name not in known and e.count]
    if strange:
        lost.append(Lost(f"what the file calls {', '.join(sorted(strange))} is not read: export it as faces"))
    lines = _edges(read.get("edge", _Read()), points)
    cloud = points
    notes: tuple[str, ...] = ()
    declared = any(e.name in ("face", "tristrips", "edge") and e.count for e in elements)
    if declared:
        used = np.zeros(len(points), dtype=bool)
        for block in faces:
            used[block[(block >= 0) & (block < len(points))]] = True
        loose = int((~used).sum()) if not len(lines) else 0
        cloud = NO_POINTS
        notes = (f"{loose} point(s) that no face uses have no surface and are left out",) if loose else ()
    part = Part("", path.stem, (), triangles, lines, cloud, tuple(lost), named=False)
    return MeshFile((part,), 1, notes)


def _header(raw: bytes, path: Path) -> tuple[str, list[_Element], int]:
    """Return byte order, elements, and where the body begins."""
    if raw[:3] != b"ply":
        raise UnreadableFileError(path, "is no PLY file: it does not begin with 'ply'; export it again")
    end = raw.find(b"end_header", 0, _HEADER_MAX)
    newline = raw.find(b"\n", end) if end >= 0 else -1
    if end < 0 or newline < 0:
        raise UnreadableFileError(path, "is cut off within its header: export it again")
    order: str | None = None
    elements: list[_Element] = []
    try:
        for line in raw[:end].decode("latin-1").splitlines()[1:]:
            words = line.split()
            if not words or words[0] in ("comment", "obj_info"):
                continue
            if words[0] == "format":
                order = _ORDERS[words[1]]
            elif words[0] == "element":
                elements.append(_Element(words[1], int(words[2])))
                if elements[-1].count < 0:
                    raise ValueError(line)
            elif words[0] == "property" and words[1] == "list":
                elements[-1].properties.append(_Property(words[4], _TYPES[words[3]], _TYPES[words[2]]))
            elif words[0] == "property":
                elements[-1].properties.append(_Property(words[2], _TYPES[words[1]], None))
            else:
                raise ValueError(line)
        if order is None or len({e.name for e in elements}) < len(elements):
            raise ValueError("format")
        if any(p.counted_by is not None and p.counted_by[0] == "f" for e in elements for p in e.properties):
            raise ValueError("list length")
    except (ValueError, KeyError, IndexError) as error:
        raise UnreadableFileError(path, "has a header that is not that of a PLY file: export it again") from error
    return order, elements, newline + 1


def _binary(raw: bytes, at: int, elements: list[_Element], order: str) -> tuple[dict[str, _Read], bool]:
    """Return what each element holds, and whether more than white space is left."""
    read: dict[str, _Read] = {}
    for element in elements:
        if not element.properties:
            read[element.name] = _Read(rows=element.count)
        elif element.fixed:
            row = np.dtype([(str(i), order + p.kind) for i, p in enumerate(element.properties)])
            held = min(element.count, (len(raw) - at) // row.itemsize)
            table = np.frombuffer(raw, row, count=held, offset=at)
            columns = {
                p.name: table[str(i)].astype(np.float64)
                for i, p in enumerate(element.properties)
                if p.name in ("x", "y", "z", "vertex1", "vertex2")
            }
            read[element.name] = _Read(columns, rows=held)
            at += held * row.itemsize
        else:
            read[element.name], at = _lists(raw, at, element, order)
    return read, bool(raw[at:].strip())


def _lists(raw: bytes, at: int, element: _Element, order: str) -> tuple[_Read, int]:
    """Return an element with lists: at one go where all rows are as long as the first one, else row by row."""
    found = _Read()
    row = _first_row(raw, at, element, order)
    if row is not None and row.itemsize:
        held = min(element.count, (len(raw) - at) // row.itemsize)
        table = np.frombuffer(raw, row, count=held, offset=at)
        lengths = [(table[f"n{i}"], table.dtype[f"n{i}"]) for i, p in enumerate(element.properties) if p.counted_by]
        same = all((column == column[0]).all() for column, _ in lengths) if held else False
        if same and held == element.count:
            for i, p in enumerate(element.properties):
                if p.counted_by is not None and p.name in _FACES:
                    found.blocks.append(table[f"v{i}"].reshape(held, -1).astype(np.int64))
            found.rows = held
            return found, at + held * row.itemsize
    return _row_by_row(raw, at, element, order)


def _first_row(raw: bytes, at: int, element: _Element, order: str) -> np.dtype[np.void] | None:
    fields: list[tuple[str, str] | tuple[str, str, tuple[int]]] = []
    size = 0
    for i, p in enumerate(element.properties):
        if p.counted_by is not None:
            width = int(p.counted_by[1])
            count = np.frombuffer(raw[at + size : at + size + width], order + p.counted_by)
            if len(count) == 0 or count[0] < 0 or count[0] * int(p.kind[1]) > len(raw):
                return None
            fields += [(f"n{i}", order + p.counted_by), (f"v{i}", order + p.kind, (int(count[0]),))]
            size += width + int(count[0]) * int(p.kind[1])
        else:
            fields.append((f"s{i}", order + p.kind))
            size += int(p.kind[1])
    return np.dtype(fields)


def _row_by_row(raw: bytes, at: int, element: _Element, order: str) -> tuple[_Read, int]:
    """Walk rows of differing length, then take the point numbers of each length together."""
    byte_order = "little" if order == "<" else "big"
    steps = [
        (int(p.kind[1]), 0 if p.counted_by is None else int(p.counted_by[1]), (p.counted_by or "u")[0] == "i",
         p.name in _FACES and p.counted_by is not None)
        for p in element.properties
    ]  # fmt: skip
    kind = next((p.kind for p in element.properties if p.name in _FACES), "i4")
    places: dict[int, list[int]] = {}
    end = len(raw)
    rows = 0
    for _ in range(element.count):
        start = at
        mine: tuple[int, int] | None = None
        for width, head, signed, wanted in steps:
            if head:
                count = int.from_bytes(raw[at : at + head], byte_order, signed=signed)  # type: ignore[arg-type]
                if count < 0:
                    at = end + 1
                    break
                if wanted:
                    mine = (count, at + head)
                at += head + count * width
            else:
                at += width
            if at > end:
                break
        if at > end:
            at = start
            break
        if mine is not None:
            places.setdefault(mine[0], []).append(mine[1])
        rows += 1
    found = _Read(rows=rows)
    every = np.frombuffer(raw, np.uint8)
    width = int(kind[1])
    for count, starts in places.items():
        bytes_ = every[np.array(starts)[:, None] + np.arange(count * width)]
        found.blocks.append(
            np.ascontiguousarray(bytes_).view(order + kind).reshape(len(starts), count).astype(np.int64)
        )
    return found, at


def _text(body: bytes, elements: list[_Element]) -> tuple[dict[str, _Read], bool]:
    flat = numbers_of(body)
    at = 0
    read: dict[str, _Read] = {}
    for element in elements:
        width = len(element.properties)
        if not width:
            read[element.name] = _Read(rows=element.count)
        elif element.fixed:
            held = min(element.count, (len(flat) - at) // width)
            table = flat[at : at + held * width].reshape(held, width)
            columns = {p.name: table[:, i] for i, p in enumerate(element.properties)}
            read[element.name] = _Read(columns, rows=held)
            at += held * width
        else:
            read[element.name], at = _text_lists(flat, at, element)
    return read, at < len(flat)


def _text_lists(flat: Array, at: int, element: _Element) -> tuple[_Read, int]:
    found = _Read()
    faces: dict[int, list[int]] = {}
    size = len(flat)
    for _ in range(element.count):
        start, mine = at, None
        for p in element.properties:
            if p.counted_by is None:
                at += 1
                continue
            length = flat[at] if at < size else -1.0
            if not 0 <= length <= size:
                at = size + 1
                break
            if p.name in _FACES:
                mine = (int(length), at + 1)
            at += 1 + int(length)
        if at > size:
            at = start
            break
        if mine is not None:
            faces.setdefault(mine[0], []).append(mine[1])
        found.rows += 1
    for count, starts in faces.items():
        found.blocks.append(_whole(flat[np.array(starts)[:, None] + np.arange(count)]))
    return found, at


def _whole(numbers: Array) -> Index:
    """Return numbers as whole ones; what is none becomes -1, a point that is not there."""
    with np.errstate(invalid="ignore"):
        fit = np.isfinite(numbers) & (np.abs(numbers) < 2**52)
        return np.where(fit, numbers, -1.0).astype(np.int64)


def _strips(blocks: list[Index]) -> list[NDArray[np.int64]]:
    """Return the faces of strips; -1 ends one."""
    faces = []
    for block in blocks:
        for row in block:
            for strip in np.split(row, np.flatnonzero(row < 0)):
                points = strip[strip >= 0]
                if len(points) >= 3:
                    faces.append(points[strip_faces(len(points))])
    return faces


def _edges(read: _Read, points: Array) -> Array:
    if "vertex1" not in read.columns or "vertex2" not in read.columns:
        return NO_LINES
    ends = np.column_stack([_whole(read.columns["vertex1"]), _whole(read.columns["vertex2"])])
    fit = ((ends >= 0) & (ends < len(points))).all(axis=1)
    return np.asarray(points[ends[fit]])
