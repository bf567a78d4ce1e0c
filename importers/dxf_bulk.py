"""The faces, meshes and lines of a large DXF text, taken out as arrays, and the text without them for the DXF library.

For each unbroken row of them a placeholder stays, so that the library puts it where it would have put them: into a
block, model space or a paper layout, between the entities before and after. What they become is proven equal to what
the library's own reading gives (tests/property/test_dxf_bulk.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from importers.dxf_bulk_inserts import Inserts
from importers.dxf_bulk_meshes import MeshEntities
from importers.dxf_bulk_polylines import Polylines
from importers.dxf_bulk_wires import Arcs, LightPolylines, Paths
from importers.dxf_parts import PLACEHOLDER, BulkFaces, Part
from importers.dxf_records import (
    ARC,
    CIRCLE,
    FACE,
    INSERT,
    KINDS,
    LINE,
    LWPOLYLINE,
    MESH,
    OTHER,
    POINT,
    Records,
    read_records,
)
from importers.dxf_tokens import WIDEST, Ints, Mask, Strings, Tokens, tokenise

_FIRST_HANDLE = 0xB01D << 48  # of the placeholders
_WIRES = (LINE, POINT, ARC, CIRCLE, LWPOLYLINE, INSERT)
_SUBCLASSED = (MESH, LWPOLYLINE)
_LEAST = 60_000  # bytes to be taken out; below that there is nothing to gain


class Source(Protocol):
    """Entities (n,) of one kind that can be taken out: the records that they span, and what they are."""

    record: Ints  # (n,) number of the first record
    end: Ints  # (n,) number of the record behind
    good: Mask  # (n,) which are beyond doubt
    sort: Ints  # (n,) only those of one sort make a part
    head: Records  # (n,) of each

    def part(self, layer: str, handles: Strings, own: Ints, invisible: int) -> Part:
        """Return those of the numbers ``own``, which are on one layer in a row."""


@dataclass(frozen=True, slots=True, eq=False)
class Bulk:
    """What was taken out of a text, and what is left of it."""

    rest: bytes
    parts: dict[str, tuple[Part, ...]]  # by the handle of the placeholder

    def layers(self) -> frozenset[str]:
        """Return the layers of all that was taken out."""
        return frozenset(part.layer for parts in self.parts.values() for part in parts)


def take_out(data: bytes, encoding: str, *, lines: bool = True, marked: bool = True) -> Bulk | None:
    """Return the bulk of a text, or None where there is little of it or the text is not in perfect order.

    Lines stay in it unless ``lines``. ``marked`` tells whether entities of the file's version are made of subclasses:
    kinds that are read by them are taken only then.
    """
    if len(data) < _LEAST or PLACEHOLDER.encode() in data:
        return None
    tokens = tokenise(data)
    if tokens is None:
        return None
    zero = np.flatnonzero(tokens.code == 0).astype(np.int64)
    kinds = _kinds(tokens, zero)
    if kinds is None:
        return None
    left = {*(() if lines else _WIRES), *(() if marked else _SUBCLASSED)}
    kinds[np.isin(kinds, list(left))] = OTHER
    return _Taker(data, tokens, zero, kinds, encoding, lines).bulk()


def _kinds(tokens: Tokens, zero: Ints) -> NDArray[np.int8] | None:
    """Return each record's kind, ``OTHER`` outside of entities and blocks; None if the sections are not in order."""
    length = tokens.length[zero]
    if (length == 0).any():
        return None
    for end in (tokens.raw[tokens.start[zero]], tokens.raw[tokens.start[zero] + length - 1]):
        if ((end <= 32) | (end >= 127)).any():
            return None  # other readers strip blanks
    names, _ = tokens.text(zero, 12)
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

    def __init__(
        self, data: bytes, tokens: Tokens, zero: Ints, kinds: NDArray[np.int8], encoding: str, lines: bool
    ) -> None:
        self._data = data
        self._tokens = tokens
        self._zero = zero
        self._kinds = kinds
        self._encoding = encoding
        self._lines = lines
        self._count = np.diff(np.append(zero, len(tokens.code)))
        self._names: dict[bytes, str | None] = {}

    def bulk(self) -> Bulk | None:
        """Return everything that can be taken out."""
        sources = self._sources()
        # all kinds in the order of the file
        which = np.repeat(np.arange(len(sources)), [len(source.record) for source in sources])
        own = np.concatenate([np.arange(len(source.record)) for source in sources])
        heads, end, good, sort = (
            np.concatenate([getattr(source, name) for source in sources]) for name in ("record", "end", "good", "sort")
        )
        handle, layer, owner, invisible = (
            np.concatenate([getattr(source.head, name) for source in sources])
            for name in ("handle", "layer", "owner", "invisible")
        )
        if not good.any():
            return None
        layer_text, whole = self._tokens.text(np.maximum(layer, 0), WIDEST)
        layer_text = np.where(layer >= 0, layer_text, b"0")
        good &= whole & ~_doubtful(layer_text)
        order = np.argsort(heads, kind="stable")
        order = order[good[order]]
        if self._bytes(heads[order], end[order]) <= _LEAST // 2:
            return None
        owner_text = np.where(owner >= 0, self._tokens.text(np.maximum(owner, 0), 16)[0], b"")
        heads, end, own, which, sort = heads[order], end[order], own[order], which[order], sort[order]
        layer_text, owner_text = layer_text[order], owner_text[order]
        handles = self._handles(handle[order], self._zero[heads])
        hidden = np.concatenate([[0], np.cumsum(invisible[order])]).tolist()
        new_run = np.ones(len(order), dtype=bool)
        new_run[1:] = (heads[1:] != end[:-1]) | (owner_text[1:] != owner_text[:-1])
        new_part = new_run.copy()
        new_part[1:] |= (layer_text[1:] != layer_text[:-1]) | (which[1:] != which[:-1]) | (sort[1:] != sort[:-1])
        cuts = np.append(np.flatnonzero(new_part), len(order)).tolist()
        parts: dict[str, list[Part]] = {}
        runs: list[int] = []
        for low, high in pairwise(cuts):
            if new_run[low]:
                runs.append(low)
                parts[_placeholder_handle(len(runs))] = []
            name = self._name(layer_text[low])
            if name is None:
                return None
            part = sources[which[low]].part(name, handles[low:high], own[low:high], hidden[high] - hidden[low])
            parts[_placeholder_handle(len(runs))].append(part)
        last = np.append(np.array(runs[1:], dtype=np.int64), len(order)) - 1
        rest = b"".join(self._rest(heads[runs], end[last], owner_text[runs].tolist()))
        return Bulk(rest, {handle: tuple(some) for handle, some in parts.items()})

    def _bytes(self, first: Ints, end: Ints) -> int:
        """Return how long the text of some entities is."""
        start = self._tokens.start
        return int((start[self._zero[end]] - start[self._zero[first]]).sum())

    def _records(self, kind: int) -> tuple[Records, Ints]:
        rows = np.flatnonzero(self._kinds == kind)
        return read_records(self._tokens, kind, self._zero[rows], self._count[rows]), rows

    def _sources(self) -> list[Source]:
        """Return everything that is known to be taken out, kind by kind."""
        whole = (self._tokens, self._kinds, self._zero, self._count)
        return [
            _Faces(*self._records(FACE)),
            Polylines(*whole, lines=self._lines),
            MeshEntities(self._tokens, *self._spans(MESH)),
            Paths("LINE", (10, 11), *self._records(LINE)),
            Paths("POINT", (10,), *self._records(POINT)),
            Arcs(ARC, *self._records(ARC)),
            Arcs(CIRCLE, *self._records(CIRCLE)),
            LightPolylines(self._tokens, *self._spans(LWPOLYLINE)),
            Inserts(*self._records(INSERT), self._kinds, self._block_names),
        ]

    def _spans(self, kind: int) -> tuple[Ints, Ints, Ints]:
        """Return the records of a kind, their first tokens, and how many they have."""
        rows = np.flatnonzero(self._kinds == kind)
        return rows, self._zero[rows], self._count[rows]

    def _block_names(self, token: Ints) -> tuple[list[str], Mask]:
        """Return names that stand at some tokens as the library reads them, and which are beyond doubt."""
        text, whole = self._tokens.text(np.maximum(token, 0), WIDEST)
        names = [self._name(word) for word in text.tolist()]
        known = np.array([name is not None for name in names], dtype=bool)
        return ["" if name is None else name for name in names], known & whole & ~_doubtful(text)

    def _name(self, text: bytes) -> str | None:
        """Return a name as the library reads it, None if its bytes are none of the file's encoding."""
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


class _Faces:
    """3D faces."""

    def __init__(self, head: Records, record: Ints) -> None:
        self.head, self.good, self.record, self.end = head, head.good, record, record + 1
        self.sort = np.zeros(len(record), dtype=np.int64)
        self._corners = np.stack([head.points[code] for code in (10, 11, 12, 13)], axis=1)
        three = np.isnan(self._corners[:, 3, 0])
        self._corners[three, 3] = self._corners[three, 2]

    def part(self, layer: str, handles: Strings, own: Ints, invisible: int) -> Part:
        return BulkFaces(layer, handles, self._corners[own], invisible)


def _placeholder_handle(number: int) -> str:
    return f"{_FIRST_HANDLE + number:X}"


def _doubtful(names: Strings) -> Mask:
    """Tell which layer names the library may write differently: it knows escapes that begin with a backslash."""
    letters = names.view(np.uint8).reshape(len(names), names.dtype.itemsize)
    return np.asarray((letters == ord("\\")).any(axis=1) | (letters[:, 0] == 0))
