"""Polyface and polygon meshes, and MESH entities, of a DXF text cut into triangles many at a time."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from importers.dxf_parts import BulkMeshes
from importers.dxf_records import LONGEST, MESH, POLYLINE, SEQEND, VERTEX, Records, read_records
from importers.dxf_tokens import Ints, Mask, Strings, Tokens
from importers.polygons import CrossingPolygonError, fill, split_quads

Array = NDArray[np.float64]

# Bits of group 70 of POLYLINE and VERTEX, as the DXF reference numbers them.
_M_CLOSED, _POLYLINE_3D, _POLYMESH, _N_CLOSED, _POLYFACE = 1, 8, 16, 32, 64
_FACE_FLAGS = 64 | 128  # both: a corner of a polyface mesh; only the latter: a face of it
_BATCH = 1_000_000  # tokens of MESH entities at a time


class PolylineMeshes:
    """The polylines of a text that are polyface or polygon meshes, with their corners and faces."""

    def __init__(self, tokens: Tokens, kinds: NDArray[np.int8], zero: Ints, tokens_in: Ints) -> None:
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

    def part(self, layer: str, handles: Strings, own: Ints, invisible: int) -> BulkMeshes:
        """Return some meshes in a row."""
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


class MeshEntities:
    """The MESH entities of a text that are not smoothed."""

    def __init__(self, tokens: Tokens, record: Ints, first: Ints, count: Ints) -> None:
        self.record, self.end = record, record + 1
        corners, whole = _next(tokens, 92, first, count)
        # all before the corners is a record as others are, with their number as its last value
        self.head = read_records(tokens, MESH, first, np.where(whole, corners - first + 1, 0))
        self.good = self.head.good & (self.head.integers[91] == 0)
        self._cut = _Cut(len(record))
        layout = _Layout(tokens, corners, self.head.integers[92], first + count, self.good)
        self.good &= layout.good
        chosen = np.flatnonzero(self.good)
        size = np.concatenate([[0], np.cumsum((first + count - corners)[chosen])])
        cuts = np.unique(np.searchsorted(size, np.arange(0, size[-1] + _BATCH, _BATCH)))
        for low, high in pairwise(np.append(cuts[cuts < len(chosen)], len(chosen)).tolist()):
            rows = chosen[low:high]
            self.good[rows] = self._cut.add(rows, *layout.read(rows))
        self._cut.close()

    def part(self, layer: str, handles: Strings, own: Ints, invisible: int) -> BulkMeshes:
        """Return some meshes in a row."""
        return BulkMeshes("MESH", layer, handles, *self._cut.gathered(own), invisible)


class _Layout:
    """Where in the records of MESH entities corners, faces, edges and creases stand."""

    def __init__(self, tokens: Tokens, corners: Ints, count: Ints, end: Ints, good: Mask) -> None:
        self._tokens = tokens
        self._end = end
        most = len(tokens.code)
        good = good & (count >= 3)
        at, size = corners, np.minimum(count, most) * 3
        self._starts, self._sizes = [at + 1], [size]
        for code, each in ((93, 1), (94, 2), (95, 1)):  # the sizes of the list of faces, of edges, of creases
            at = at + 1 + size
            good = good & (at < end)
            here = np.where(good, at, 0)
            good = good & (tokens.code[here] == code)
            size, plain = tokens.integers(np.where(good, at, 0))
            good = good & plain & (size >= 0)
            size = np.where(good, np.minimum(size, most), 0) * each
            at = np.where(good, at, 0)
            self._starts.append(at + 1)
            self._sizes.append(size)
        # behind them nothing, or that nothing is overridden
        at = at + 1 + size
        last = np.where(good & (at == end - 1), at, 0)
        none, plain = tokens.integers(last)
        self.good = good & ((at == end) | ((last > 0) & (tokens.code[last] == 90) & plain & (none == 0)))

    def read(self, rows: Ints) -> tuple[Array, Ints, Ints, Ints, Mask]:
        """Return corners (c, 3) and how many each mesh has, lists of faces end to end and their sizes, and the good."""
        tokens = self._tokens
        starts, sizes = [some[rows] for some in self._starts], [some[rows] for some in self._sizes]
        good = np.ones(len(rows), dtype=bool)

        def check(size: Ints, fits: Mask) -> None:
            good[np.repeat(np.arange(len(rows)), size)[~fits]] = False

        place = ranges(starts[0], sizes[0])
        values, plain = tokens.floats(place)
        check(sizes[0], plain & np.isfinite(values) & (tokens.code[place].reshape(-1, 3) == (10, 20, 30)).reshape(-1))
        place = ranges(starts[1], sizes[1])
        faces, plain = tokens.integers(place)
        check(sizes[1], plain & (tokens.code[place] == 90))
        place = ranges(starts[2], sizes[2])
        edges, plain = tokens.integers(place)
        check(sizes[2], plain & (tokens.code[place] == 90) & (edges >= 0))
        place = ranges(starts[3], sizes[3])
        check(sizes[3], tokens.floats(place)[1] & (tokens.code[place] == 140))
        return values.reshape(-1, 3), sizes[0] // 3, faces, sizes[1], good


class _Cut:
    """The triangles of meshes (n,), batch by batch."""

    def __init__(self, count: int) -> None:
        self._pieces: list[Array] = []
        self._triangles = np.empty((0, 3, 3))
        self._sizes = np.zeros(count, dtype=np.int64)
        self._starts = np.zeros(count + 1, dtype=np.int64)

    def add(self, rows: Ints, points: Array, point_counts: Ints, lists: Ints, sizes: Ints, good: Mask) -> Mask:
        """Cut the meshes ``rows``, of each first its triangles, then quads, then all else; return which could be.

        ``lists`` are the lists of faces (their ``sizes``): each face is the number of its corners, then the corners.
        """
        start, of_face, good = _face_starts(lists, sizes, good)
        is_corner = np.ones(len(lists), dtype=bool)
        is_corner[start] = False
        owner = np.repeat(np.arange(len(rows)), sizes)
        good[owner[is_corner & ((lists < 0) | (lists >= point_counts[owner]))]] = False
        base = np.cumsum(point_counts) - point_counts
        number = lists + base[owner]  # a face that names a corner that is not there is in no good mesh
        keep = good[of_face]
        start, of_face = start[keep], of_face[keep]
        corners = lists[start]
        filled: dict[int, Array] = {}
        for n in np.flatnonzero(corners > 4).tolist():
            if not good[of_face[n]]:
                continue
            try:
                filled[n] = fill([points[number[start[n] + 1 : start[n] + 1 + corners[n]]]])
            except CrossingPolygonError:
                good[of_face[n]] = False
        keep = good[of_face]
        rank = np.minimum(corners, 5) - 3
        order = np.argsort(of_face * 3 + rank, kind="stable")
        order = order[keep[order]]
        count = rank + 1
        for n, some in filled.items():
            count[n] = len(some)
        count = count[order]
        at = np.cumsum(count) - count
        triangles = np.empty((int(count.sum()), 3, 3))
        first, rank = start[order] + 1, rank[order]
        of_three, of_four = rank == 0, rank == 1
        triangles[at[of_three]] = points[number[first[of_three, None] + np.arange(3)]]
        halves = split_quads(points[number[first[of_four, None] + np.arange(4)]]).reshape(-1, 2, 3, 3)
        triangles[at[of_four]], triangles[at[of_four] + 1] = halves[:, 0], halves[:, 1]
        for place in np.flatnonzero(rank == 2).tolist():
            triangles[at[place] : at[place] + count[place]] = filled[int(order[place])]
        self._sizes[rows] = np.bincount(of_face[order], weights=count, minlength=len(rows)).astype(np.int64)
        self._pieces.append(triangles)
        return good

    def close(self) -> None:
        """End the adding; what was added came in the order of its numbers."""
        if self._pieces:
            self._triangles = np.concatenate(self._pieces)
        self._pieces.clear()
        self._starts[1:] = np.cumsum(self._sizes)

    def gathered(self, meshes: Ints) -> tuple[Array, Ints]:
        """Return the triangles (t, 3, 3) of some meshes in a row, and where each starts."""
        sizes = self._sizes[meshes]
        starts = np.concatenate([[0], np.cumsum(sizes)])
        return self._triangles[self._starts[meshes[0]] : self._starts[meshes[-1] + 1]], starts


def _face_starts(lists: Ints, sizes: Ints, good: Mask) -> tuple[Ints, Ints, Mask]:
    """Return where in the lists each face starts, whose it is, and which meshes have only faces of three or more."""
    good = good.copy()
    values = lists.tolist()
    starts: list[int] = []
    counts: list[int] = []
    low = 0
    for mesh, size in enumerate(sizes.tolist()):
        at, end, before = low, low + size, len(starts)
        if good[mesh]:
            while at < end:
                count = values[at]
                if count < 3:
                    break
                starts.append(at)
                at += count + 1
            if at != end or size == 0:
                good[mesh] = False
                del starts[before:]
        counts.append(len(starts) - before)
        low = end
    return np.array(starts, dtype=np.int64), np.repeat(np.arange(len(sizes)), counts), good


def _next(tokens: Tokens, code: int, first: Ints, count: Ints) -> tuple[Ints, Mask]:
    """Return the first token of a group code in each record, and which records have one near their beginning."""
    places = np.append(np.flatnonzero(tokens.code == code), len(tokens.code))
    found = places[np.searchsorted(places, first)]
    return found, found < first + np.minimum(count, LONGEST)


def ranges(starts: Ints, sizes: Ints) -> Ints:
    """Return the numbers from each start on, as many as each size says, end to end."""
    ends = np.cumsum(sizes)
    return np.asarray(np.arange(int(sizes.sum())) + np.repeat(starts - (ends - sizes), sizes))
