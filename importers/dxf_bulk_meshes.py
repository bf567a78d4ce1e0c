"""MESH entities of a DXF text, cut into triangles many at a time."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from importers.dxf_parts import BulkMeshes
from importers.dxf_records import MESH, next_code, ranges, read_records
from importers.dxf_tokens import Ints, Mask, Strings, Tokens
from importers.polygons import CrossingPolygonError, fill, split_quads

Array = NDArray[np.float64]

_BATCH = 1_000_000  # tokens of MESH entities at a time


class MeshEntities:
    """The MESH entities of a text that are not smoothed."""

    def __init__(self, tokens: Tokens, record: Ints, first: Ints, count: Ints) -> None:
        self.record, self.end = record, record + 1
        self.sort = np.zeros(len(record), dtype=np.int64)
        corners, whole = next_code(tokens, 92, first, count)
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
