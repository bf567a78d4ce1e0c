"""The faces, meshes and lines of a large DXF text, taken out as arrays, and the text without them for the DXF library.

For each unbroken row of them a placeholder stays, so that the library puts it where it would have put them: into a
block, model space or a paper layout, between the entities before and after. What they become is proven equal to what
the library's own reading gives (tests/property/test_dxf_bulk.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from importers.dxf_records import FACE, KINDS, LINE, OTHER, POLYLINE, SEQEND, VERTEX, Records, read_records
from importers.dxf_tokens import WIDEST, Ints, Mask, Strings, Tokens, tokenise
from importers.polygons import split_quads

Array = NDArray[np.float64]

PLACEHOLDER = "ROUTE3D_BULK"  # the kind of entity that stands for a row of faces and meshes
_FIRST_HANDLE = 0xB01D << 48  # of the placeholders
_LEAST = 400  # records in the file; below it there is nothing to gain
# Bits of group 70 of POLYLINE and VERTEX, as the DXF reference numbers them.
_M_CLOSED, _POLYLINE_3D, _POLYMESH, _N_CLOSED, _POLYFACE = 1, 8, 16, 32, 64
_FACE_FLAGS = 64 | 128  # both: a corner of a polyface mesh; only the latter: a face of it


@dataclass(frozen=True, slots=True, eq=False)
class BulkFaces:
    """3D faces of one layer in a row."""

    layer: str
    handles: Strings  # (n,)
    corners: Array  # (n, 4, 3)
    invisible: int

    def __len__(self) -> int:
        return len(self.handles)


@dataclass(frozen=True, slots=True, eq=False)
class BulkMeshes:
    """Polyface and polygon meshes of one layer in a row, already cut into triangles."""

    layer: str
    handles: Strings  # (n,)
    triangles: Array  # (t, 3, 3)
    starts: Ints  # (n + 1,) first triangle of each
    invisible: int

    def __len__(self) -> int:
        return len(self.handles)


@dataclass(frozen=True, slots=True, eq=False)
class BulkLines:
    """Single lines without thickness of one layer in a row."""

    layer: str
    handles: Strings  # (n,)
    segments: Array  # (n, 2, 3)
    invisible: int

    def __len__(self) -> int:
        return len(self.handles)


Part = BulkFaces | BulkMeshes | BulkLines


@dataclass(frozen=True, slots=True, eq=False)
class Bulk:
    """What was taken out of a text, and what is left of it."""

    rest: bytes
    parts: dict[str, tuple[Part, ...]]  # by the handle of the placeholder

    def layers(self) -> frozenset[str]:
        """Return the layers of all that was taken out."""
        return frozenset(part.layer for parts in self.parts.values() for part in parts)


def take_out(data: bytes, encoding: str, *, lines: bool = True) -> Bulk | None:
    """Return the bulk of a text, or None where there is little of it or the text is not in perfect order."""
    wanted = (b"3DFACE", b"VERTEX", b"\nLINE") if lines else (b"3DFACE", b"VERTEX")
    if PLACEHOLDER.encode() in data or sum(data.count(word) for word in wanted) < _LEAST:
        return None
    tokens = tokenise(data)
    if tokens is None:
        return None
    zero = np.flatnonzero(tokens.code == 0).astype(np.int64)
    kinds = _kinds(tokens, zero)
    if kinds is None:
        return None
    if not lines:
        kinds[kinds == LINE] = OTHER
    return _Taker(data, tokens, zero, kinds, encoding).bulk()


def _kinds(tokens: Tokens, zero: Ints) -> NDArray[np.int8] | None:
    """Return each record's kind, ``OTHER`` outside of entities and blocks; None if the sections are not in order."""
    length = tokens.length[zero]
    if (length == 0).any():
        return None
    for end in (tokens.raw[tokens.start[zero]], tokens.raw[tokens.start[zero] + length - 1]):
        if ((end <= 32) | (end >= 127)).any():
            return None  # other readers strip blanks
    names, _ = tokens.text(zero, 8)
    section, close = np.flatnonzero(names == b"SECTION"), np.flatnonzero(names == b"ENDSEC")
    if len(section) != len(close) or len(section) == 0 or section[0] != 0 or names[-1] != b"EOF":
        return None
    if (close <= section).any() or (section[1:] != close[:-1] + 1).any() or close[-1] != len(zero) - 2:
        return None
    if (tokens.code[zero[section] + 1] != 2).any():
        return None
    titles = tokens.text(zero[section] + 1, 16)[0].tolist()
    if len(set(titles)) != len(titles):
        return None
    kinds = np.full(len(zero), OTHER, dtype=np.int8)
    for title, start, end in zip(titles, section.tolist(), close.tolist(), strict=True):
        if title not in (b"ENTITIES", b"BLOCKS"):
            continue
        inside = np.ones(end - start, dtype=bool)
        if title == b"BLOCKS":
            opened = np.cumsum(names[start:end] == b"BLOCK") - np.cumsum(names[start:end] == b"ENDBLK")
            if ((opened < 0) | (opened > 1)).any() or opened[-1] != 0:
                return None
            inside = opened == 1
        for name, kind in KINDS.items():
            kinds[start:end][inside & (names[start:end] == name)] = kind
    return kinds


class _Taker:
    """The work on one text."""

    def __init__(self, data: bytes, tokens: Tokens, zero: Ints, kinds: NDArray[np.int8], encoding: str) -> None:
        self._data = data
        self._tokens = tokens
        self._zero = zero
        self._kinds = kinds
        self._encoding = encoding
        self._count = np.diff(np.append(zero, len(tokens.code)))
        self._names: dict[bytes, str | None] = {}

    def bulk(self) -> Bulk | None:
        """Return everything that can be taken out."""
        faces, of_face = self._records(FACE)
        corners = self._corners(faces)
        meshes = self._meshes()
        lines, of_line = self._records(LINE)
        segments = np.stack([lines.points[10], lines.points[11]], axis=1)
        # all kinds in the order of the file
        heads = np.concatenate([of_face, meshes.record, of_line])
        own = np.concatenate([np.arange(len(some)) for some in (of_face, meshes.record, of_line)])
        kind = np.repeat([FACE, POLYLINE, LINE], [len(of_face), len(meshes.record), len(of_line)])
        good = np.concatenate([faces.good, meshes.good, lines.good])
        end = np.concatenate([of_face + 1, meshes.end, of_line + 1])
        joint = {
            name: np.concatenate([getattr(faces, name), getattr(meshes.polyline, name), getattr(lines, name)])
            for name in ("handle", "layer", "owner", "invisible")
        }
        layer_text, whole = self._tokens.text(np.maximum(joint["layer"], 0), WIDEST)
        layer_text = np.where(joint["layer"] >= 0, layer_text, b"0")
        good &= whole & ~_doubtful(layer_text)
        order = np.argsort(heads, kind="stable")
        order = order[good[order]]
        if (end - heads)[order].sum() <= _LEAST // 2:
            return None
        owner_text = np.where(joint["owner"] >= 0, self._tokens.text(np.maximum(joint["owner"], 0), 16)[0], b"")
        heads, end, own, kind = heads[order], end[order], own[order], kind[order]
        layer_text, owner_text = layer_text[order], owner_text[order]
        handles = self._handles(joint["handle"][order], self._zero[heads])
        invisible = joint["invisible"][order]
        new_run = np.ones(len(order), dtype=bool)
        new_run[1:] = (heads[1:] != end[:-1]) | (owner_text[1:] != owner_text[:-1])
        new_part = new_run.copy()
        new_part[1:] |= (layer_text[1:] != layer_text[:-1]) | (kind[1:] != kind[:-1])
        cuts = np.append(np.flatnonzero(new_part), len(order)).tolist()
        parts: dict[str, list[Part]] = {}
        runs: list[int] = []
        for low, high in pairwise(cuts):
            if new_run[low]:
                runs.append(low)
                parts[_placeholder_handle(len(runs))] = []
            layer = self._layer(layer_text[low])
            if layer is None:
                return None
            mine, hidden = own[low:high], int(invisible[low:high].sum())
            part: Part
            if kind[low] == FACE:
                part = BulkFaces(layer, handles[low:high], corners[mine], hidden)
            elif kind[low] == LINE:
                part = BulkLines(layer, handles[low:high], segments[mine], hidden)
            else:
                part = BulkMeshes(layer, handles[low:high], *meshes.gathered(mine), hidden)
            parts[_placeholder_handle(len(runs))].append(part)
        last = np.append(np.array(runs[1:], dtype=np.int64), len(order)) - 1
        rest = b"".join(self._rest(heads[runs], end[last], owner_text[runs].tolist()))
        return Bulk(rest, {handle: tuple(some) for handle, some in parts.items()})

    def _records(self, kind: int) -> tuple[Records, Ints]:
        rows = np.flatnonzero(self._kinds == kind)
        return read_records(self._tokens, kind, self._zero[rows], self._count[rows]), rows

    def _corners(self, faces: Records) -> Array:
        quads = np.stack([faces.points[code] for code in (10, 11, 12, 13)], axis=1)
        three = np.isnan(quads[:, 3, 0])
        quads[three, 3] = quads[three, 2]
        return quads

    def _layer(self, text: bytes) -> str | None:
        """Return a layer's name as the library reads it, None if its bytes are none of the file's encoding."""
        if text not in self._names:
            try:
                self._names[text] = bytes(text).decode(self._encoding, errors="surrogateescape")
            except LookupError:
                self._names[text] = None
        return self._names[text]

    def _handles(self, token: Ints, first: Ints) -> Strings:
        """Return the handles; an entity without one is called by its line in the file."""
        handles = self._tokens.text(np.maximum(token, 0), 16)[0].copy()
        for row in np.flatnonzero(token < 0).tolist():
            handles[row] = b"L%d" % (2 * int(first[row]) + 1)
        return handles

    def _rest(self, first: Ints, end: Ints, owners: list[bytes]) -> Iterator[bytes]:
        """Yield the text with a placeholder in place of each run of records (from ``first`` to before ``end``)."""
        starts = self._tokens.after(self._zero[first] - 1).tolist()
        stops = self._tokens.after(self._zero[end] - 1).tolist()
        at = 0
        for number, (start, stop, owner) in enumerate(zip(starts, stops, owners, strict=True), start=1):
            yield self._data[at:start]
            belongs = b"330\n%s\n" % owner if owner else b""
            handle = _placeholder_handle(number).encode()
            yield b"  0\n%s\n  5\n%s\n%s100\nAcDbEntity\n  8\n0\n" % (PLACEHOLDER.encode(), handle, belongs)
            at = stop
        yield self._data[at:]

    def _meshes(self) -> _Meshes:
        polyline, record = self._records(POLYLINE)
        vertex, of_vertex = self._records(VERTEX)
        seqend, of_seqend = self._records(SEQEND)
        return _Meshes(self._kinds, polyline, record, vertex, of_vertex, seqend, of_seqend)


class _Meshes:
    """The polylines of a text that are polyface or polygon meshes, with their corners and faces."""

    def __init__(
        self,
        kinds: NDArray[np.int8],
        polyline: Records,
        record: Ints,
        vertex: Records,
        of_vertex: Ints,
        seqend: Records,
        of_seqend: Ints,
    ) -> None:
        self.polyline = polyline
        self.record = record
        count = len(record)
        # vertices and their end mark belong to the record before them that is neither
        head = np.maximum.accumulate(np.where((kinds == VERTEX) | (kinds == SEQEND), 0, np.arange(len(kinds))))
        number = np.full(len(kinds), -1, dtype=np.int64)
        number[record] = np.arange(count)
        self.owner = number[head[of_vertex]]
        ends = number[head[of_seqend]]
        self.end = np.zeros(count, dtype=np.int64)
        self.end[ends[ends >= 0]] = of_seqend[ends >= 0] + 1
        good = polyline.good & (np.bincount(ends[ends >= 0], minlength=count) == 1)
        good[self.owner[(self.owner >= 0) & ~vertex.good]] = False
        good[ends[(ends >= 0) & ~seqend.good]] = False
        # nothing may follow the end mark
        behind = np.minimum(self.end, len(kinds) - 1)
        good &= (kinds[behind] != VERTEX) & (kinds[behind] != SEQEND)
        flags = polyline.integers[70]
        kind = flags & (_POLYFACE | _POLYMESH | _POLYLINE_3D)
        is_face_mesh = good & (kind == _POLYFACE)
        is_grid = good & (kind == _POLYMESH) & (polyline.integers[75] == 0)
        self.good = np.zeros(count, dtype=bool)
        self._vertex = vertex
        self._first = np.searchsorted(of_vertex, record)  # vertices are in the order of the file
        self._last = np.searchsorted(of_vertex, self.end)
        self._triangles = np.empty((0, 3, 3))
        self._starts = np.zeros(count + 1, dtype=np.int64)
        self._grids: dict[int, Array] = {}
        self._face_meshes(is_face_mesh)
        for mesh in np.flatnonzero(is_grid).tolist():
            self._grid(mesh)

    def gathered(self, meshes: Ints) -> tuple[Array, Ints]:
        """Return the triangles (t, 3, 3) of some meshes in a row, and where each starts."""
        sizes = self._starts[meshes + 1] - self._starts[meshes]
        for n, mesh in enumerate(meshes.tolist()):
            if mesh in self._grids:
                sizes[n] = len(self._grids[mesh])
        starts = np.concatenate([[0], np.cumsum(sizes)])
        if not any(mesh in self._grids for mesh in meshes.tolist()):
            low, high = int(self._starts[meshes[0]]), int(self._starts[meshes[-1] + 1])
            if high - low == starts[-1]:
                return self._triangles[low:high], starts
        pieces = [
            self._grids[mesh] if mesh in self._grids else self._triangles[self._starts[mesh] : self._starts[mesh + 1]]
            for mesh in meshes.tolist()
        ]
        return np.concatenate(pieces), starts

    def _face_meshes(self, wanted: Mask) -> None:
        """Cut the faces of polyface meshes into triangles: of each mesh first its three-cornered faces."""
        vertex, owner = self._vertex, self.owner
        count = len(wanted)
        mine = (owner >= 0) & wanted[np.maximum(owner, 0)]
        flags = vertex.integers[70] & _FACE_FLAGS
        corner, face = mine & (flags == _FACE_FLAGS), mine & (flags == 128)
        good = wanted.copy()
        good[owner[mine & ~corner & ~face]] = False
        good[owner[corner & np.isnan(vertex.points[10][:, 0])]] = False
        corners_of = np.bincount(owner[corner], minlength=count)
        base = np.concatenate([[0], np.cumsum(corners_of)])[:-1]
        points = vertex.points[10][corner]
        index = np.abs(np.stack([vertex.integers[code][face] for code in (71, 72, 73, 74)], axis=1))
        of_face = owner[face]
        wrong = (index[:, :3] == 0).any(axis=1) | (index > corners_of[of_face][:, None]).any(axis=1)
        good[of_face[wrong]] = False
        good &= np.bincount(of_face, minlength=count) > 0  # a mesh without faces is the library's to judge
        keep = good[of_face]
        index, of_face = index[keep], of_face[keep]
        is_quad = index[:, 3] != 0
        order = np.argsort(of_face * 2 + is_quad, kind="stable")
        index, of_face, is_quad = index[order], of_face[order], is_quad[order]
        size = np.where(is_quad, 2, 1)
        at = np.concatenate([[0], np.cumsum(size)])
        triangles = np.empty((int(at[-1]), 3, 3))
        number = index - 1 + base[of_face][:, None]
        triangles[at[:-1][~is_quad]] = points[number[~is_quad][:, :3]]
        halves = split_quads(points[number[is_quad]]).reshape(-1, 2, 3, 3)
        triangles[at[:-1][is_quad]], triangles[at[:-1][is_quad] + 1] = halves[:, 0], halves[:, 1]
        self._triangles = triangles
        self._starts[1:] = np.cumsum(np.bincount(of_face, weights=size, minlength=count).astype(np.int64))
        self.good |= good

    def _grid(self, mesh: int) -> None:
        """Cut a polygon mesh of M by N corners into triangles."""
        rows, columns = int(self.polyline.integers[71][mesh]), int(self.polyline.integers[72][mesh])
        part = slice(int(self._first[mesh]), int(self._last[mesh]))
        points = self._vertex.points[10][part]
        if rows < 2 or columns < 2 or rows * columns != len(points) or np.isnan(points).any():
            return
        self._grids[mesh] = grid_triangles(points.reshape(rows, columns, 3), int(self.polyline.integers[70][mesh]))
        self.good[mesh] = True


def grid_triangles(grid: Array, flags: int) -> Array:
    """Return the triangles of a polygon mesh (rows, columns, 3); ``flags`` are bits of group 70 of POLYLINE."""
    if flags & _M_CLOSED:
        grid = np.concatenate([grid, grid[:1]], axis=0)
    if flags & _N_CLOSED:
        grid = np.concatenate([grid, grid[:, :1]], axis=1)
    quads = np.stack([grid[:-1, :-1], grid[1:, :-1], grid[1:, 1:], grid[:-1, 1:]], axis=2).reshape(-1, 4, 3)
    return split_quads(quads)


def _placeholder_handle(number: int) -> str:
    return f"{_FIRST_HANDLE + number:X}"


def _doubtful(names: Strings) -> Mask:
    """Tell which layer names the library may write differently: it knows escapes that begin with a backslash."""
    letters = names.view(np.uint8).reshape(len(names), -1)
    return np.asarray((letters == ord("\\")).any(axis=1) | (letters[:, 0] == 0))
