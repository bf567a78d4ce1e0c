"""The points, lines, arcs, circles and light polylines of a DXF text as arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from importers.dxf_parts import BulkArcs, BulkPaths, BulkProfiles
from importers.dxf_records import ARC, FARTHEST, LWPOLYLINE, Records, next_code, ranges, read_records, stated_extrusion
from importers.dxf_tokens import Ints, Strings, Tokens

Array = NDArray[np.float64]

_CLOSED = 1  # bit of group 70 of LWPOLYLINE
_CORNER_CODES = (10, 20, 40, 41, 42, 91)  # of a corner of LWPOLYLINE; the last one is its number, which nothing needs


class Paths:
    """Points, and lines without thickness; ``ends`` are the group codes of their points."""

    def __init__(self, kind: str, ends: tuple[int, ...], head: Records, record: Ints) -> None:
        self.head, self.good, self.record, self.end = head, head.good, record, record + 1
        self.sort = np.zeros(len(record), dtype=np.int64)
        self._kind = kind
        self._points = np.stack([head.points[code] for code in ends], axis=1)

    def part(self, layer: str, handles: Strings, own: Ints, invisible: int) -> BulkPaths:
        """Return some of them in a row."""
        points = self._points[own]
        starts = np.arange(len(own) + 1) * points.shape[1]
        closed = np.zeros(len(own), dtype=bool)
        return BulkPaths(self._kind, layer, handles, points.reshape(-1, 3), starts, closed, invisible)


class Arcs:
    """Arcs or circles."""

    def __init__(self, kind: int, head: Records, record: Ints) -> None:
        self.head, self.record, self.end = head, record, record + 1
        self.sort = np.zeros(len(record), dtype=np.int64)
        self._kind = "ARC" if kind == ARC else "CIRCLE"
        angles = [head.floats[50], head.floats[51]] if kind == ARC else [np.zeros(len(record))] * 2
        self._degrees = np.stack(angles, axis=1)
        numbers = np.column_stack([head.points[10], head.floats[40], self._degrees])
        self.good = head.good & (np.abs(numbers) < FARTHEST).all(axis=1)

    def part(self, layer: str, handles: Strings, own: Ints, invisible: int) -> BulkArcs:
        """Return some of them in a row."""
        head = self.head
        thickness, extrusion = np.nan_to_num(head.floats[39][own]), stated_extrusion(head.points[210][own])
        centres, radii, degrees = head.points[10][own], head.floats[40][own], self._degrees[own]
        return BulkArcs(self._kind, layer, handles, centres, radii, degrees, thickness, extrusion, invisible)


class LightPolylines:
    """LWPOLYLINE entities."""

    def __init__(self, tokens: Tokens, record: Ints, first: Ints, count: Ints) -> None:
        self.record, self.end = record, record + 1
        self.sort = np.zeros(len(record), dtype=np.int64)
        corners, whole = next_code(tokens, 10, first, count)
        # all before the corners is a record as others are; behind them stands at most the extrusion
        self.head = read_records(tokens, LWPOLYLINE, first, np.where(whole, corners - first, 0))
        end = first + count
        tail = np.maximum(end - 3, 0)
        tilted = whole & (tail > corners) & (tokens.code[tail] == 210)
        tilted &= (tokens.code[tail + 1] == 220) & (tokens.code[np.minimum(tail + 2, len(tokens.code) - 1)] == 230)
        self._extrusion = np.tile((0.0, 0.0, 1.0), (len(record), 1))
        self.good = self.head.good & whole
        for axis in range(3):
            values, plain = tokens.floats(tail[tilted] + axis)
            self._extrusion[tilted, axis] = values
            self.good[np.flatnonzero(tilted)[~(plain & (np.abs(values) < FARTHEST))]] = False
        size = np.where(self.good, np.where(tilted, tail, end) - corners, 0)
        self._starts = np.zeros(len(record) + 1, dtype=np.int64)
        self._corners = self._read(tokens, corners, size)

    def _read(self, tokens: Tokens, first: Ints, size: Ints) -> Array:
        """Return the corners (c, 5) of all; what has any other group codes, or one twice, is no longer good."""
        place = ranges(first, size)
        code = tokens.code[place]
        owner = np.repeat(np.arange(len(size)), size)
        begins = np.flatnonzero(code == 10)
        corner = np.cumsum(code == 10) - 1  # every stretch begins with one
        self.good[owner[~np.isin(code, _CORNER_CODES)]] = False
        follows = np.minimum(place[begins] + 1, len(tokens.code) - 1)
        self.good[owner[begins[tokens.code[follows] != 20]]] = False
        values = np.zeros((len(begins), 5))
        for column, wanted in enumerate(_CORNER_CODES[:5]):
            at = begins if wanted == 10 else np.flatnonzero(code == wanted)
            numbers, plain = tokens.floats(place[at])
            values[corner[at], column] = numbers
            twice = np.bincount(corner[at], minlength=len(begins))[corner[at]] > 1
            self.good[owner[at[~plain | twice | ~(np.abs(numbers) < FARTHEST)]]] = False
        at = np.flatnonzero(code == 91)
        self.good[owner[at[~tokens.integers(place[at])[1]]]] = False
        self._starts[1:] = np.cumsum(np.bincount(owner[begins], minlength=len(size)))
        # the order is x, y, widths, bulge, as the group codes go up
        wide = np.nan_to_num(self.head.floats[43])
        flat = ~np.maximum.reduceat(np.r_[values[:, 2:4].any(axis=1), False], self._starts[:-1]) if len(size) else wide
        usual = np.where(flat, wide, 0.0)
        each = np.diff(self._starts)
        values[:, 2:4] += np.repeat(usual, each)[:, None]
        return values

    def part(self, layer: str, handles: Strings, own: Ints, invisible: int) -> BulkProfiles:
        """Return some of them in a row."""
        head = self.head
        low, high = self._starts[own[0]], self._starts[own[-1] + 1]
        starts = np.append(self._starts[own], high) - low
        closed = (head.integers[70][own] & _CLOSED) != 0
        elevation, thickness = np.nan_to_num(head.floats[38][own]), np.nan_to_num(head.floats[39][own])
        return BulkProfiles(
            "LWPOLYLINE", layer, handles, self._corners[low:high], starts, closed, elevation, thickness,
            self._extrusion[own], invisible,
        )  # fmt: skip
