"""The polylines of a DXF text, many at a time: polyface and polygon meshes cut into triangles, and lines as corners."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from importers.dxf_parts import BulkMeshes, BulkPaths, BulkProfiles, Part
from importers.dxf_records import FARTHEST, POLYLINE, SEQEND, VERTEX, Records, ranges, read_records, stated_extrusion
from importers.dxf_tokens import Ints, Mask, Strings, Tokens
from importers.polygons import split_quads

Array = NDArray[np.float64]

# Bits of group 70 of POLYLINE and VERTEX, as the DXF reference numbers them.
_M_CLOSED, _POLYLINE_3D, _POLYMESH, _N_CLOSED, _POLYFACE = 1, 8, 16, 32, 64
_FACE_FLAGS = 64 | 128  # both: a corner of a polyface mesh; only the latter: a face of it
_FRAME_CORNER = 16  # of a curve's frame, not on the line
_MESHES, _IN_SPACE, _FLAT = range(3)


class Polylines:
    """The polylines of a text with their corners: polyface and polygon meshes, lines in space, flat ones."""

    def __init__(self, tokens: Tokens, kinds: NDArray[np.int8], zero: Ints, tokens_in: Ints, *, lines: bool) -> None:
        def records(kind: int) -> tuple[Records, Ints]:
            rows = np.flatnonzero(kinds == kind)
            return read_records(tokens, kind, zero[rows], tokens_in[rows]), rows

        polyline, record = records(POLYLINE)
        vertex, of_vertex = records(VERTEX)
        seqend, of_seqend = records(SEQEND)
        self.head = polyline
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
        self.sort = np.full(count, _MESHES)
        if lines:
            self._lines(good, kind)

    def part(self, layer: str, handles: Strings, own: Ints, invisible: int) -> Part:
        """Return some meshes, or lines of one kind, in a row."""
        sort = self.sort[own[0]]
        if sort != _MESHES:
            starts, place = _in_a_row(self._first[own], self._last[own])
            closed = (self.head.integers[70][own] & _M_CLOSED) != 0
            if sort == _IN_SPACE:
                points = self._vertex.points[10][place]
                return BulkPaths("POLYLINE", layer, handles, points, starts, closed, invisible)
            return self._profiles(layer, handles, own, starts, place, closed, invisible)
        return BulkMeshes("POLYLINE", layer, handles, *self._gathered(own), invisible)

    def _gathered(self, meshes: Ints) -> tuple[Array, Ints]:
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

    def _lines(self, good: Mask, kind: Ints) -> None:
        """Find the polylines that are no meshes: those without corners, and corners beside the line, are left out."""
        corners = self._last - self._first
        mine = self.owner >= 0
        near = (np.abs(self._vertex.points[10]) < FARTHEST).all(axis=1)  # a missing one is NaN
        odd = mine & (((self._vertex.integers[70] & _FRAME_CORNER) != 0) | ~near)
        plain = good & (corners > 0)
        plain[self.owner[odd]] = False
        for sort, bit in ((_IN_SPACE, _POLYLINE_3D), (_FLAT, 0)):
            found = plain & (kind == bit)
            self.sort[found] = sort
            self.good |= found

    def _profiles(
        self, layer: str, handles: Strings, own: Ints, starts: Ints, place: Ints, closed: Mask, invisible: int
    ) -> BulkProfiles:
        head, vertex = self.head, self._vertex
        points = vertex.points[10][place]
        corners = np.zeros((len(place), 5))
        corners[:, :2] = points[:, :2]
        each = np.diff(starts)
        for column, code in ((2, 40), (3, 41)):
            usual = np.repeat(np.nan_to_num(head.floats[code][own]), each)
            corners[:, column] = np.where(np.isnan(vertex.floats[code][place]), usual, vertex.floats[code][place])
        corners[:, 4] = np.nan_to_num(vertex.floats[42][place])
        stated = head.points[10][own, 2]
        elevation = np.where(np.isnan(stated), points[starts[:-1], 2], stated)
        thickness = np.nan_to_num(head.floats[39][own])
        extrusion = stated_extrusion(head.points[210][own])
        return BulkProfiles(
            "POLYLINE", layer, handles, corners, starts, closed, elevation, thickness, extrusion, invisible
        )

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
        rows, columns = int(self.head.integers[71][mesh]), int(self.head.integers[72][mesh])
        part = slice(int(self._first[mesh]), int(self._last[mesh]))
        points = self._vertex.points[10][part]
        if rows < 2 or columns < 2 or rows * columns != len(points) or np.isnan(points).any():
            return
        self._grids[mesh] = grid_triangles(points.reshape(rows, columns, 3), int(self.head.integers[70][mesh]))
        self.good[mesh] = True


def grid_triangles(grid: Array, flags: int) -> Array:
    """Return the triangles of a polygon mesh (rows, columns, 3); ``flags`` are bits of group 70 of POLYLINE."""
    if flags & _M_CLOSED:
        grid = np.concatenate([grid, grid[:1]], axis=0)
    if flags & _N_CLOSED:
        grid = np.concatenate([grid, grid[:, :1]], axis=1)
    quads = np.stack([grid[:-1, :-1], grid[1:, :-1], grid[1:, 1:], grid[:-1, 1:]], axis=2).reshape(-1, 4, 3)
    return split_quads(quads)


def _in_a_row(first: Ints, last: Ints) -> tuple[Ints, Ints]:
    """Return where each of some stretches starts once they stand end to end (n + 1,), and what they hold."""
    sizes = last - first
    return np.concatenate([[0], np.cumsum(sizes)]), ranges(first, sizes)
