"""Triangles of one curved face, cell by cell between its lines.

Every cell is small enough for its triangles to stay within the tolerance of the surface. A cell that no edge enters is
wholly in or out; in the others the pieces of the edges are joined along the rim of the cell, the face on their left.
No point is added on an edge, and cells that share a stretch of a line share its points: the mesh has no gaps.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from importers.acis_patch import Patch, Ring
from importers.acis_records import FaceError
from importers.acis_tiles import NO_TILES, Spot, area_of, contains, filled, tiles

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_BORDER, _SKIP = -1, -2
_INFINITE = -1  # takes the place of a point on a side of a cell that is endlessly far


Place = tuple[int, float]  # side of a cell (below, right, above, left) and rising value along it


def triangles_of(patch: Patch) -> Index:
    """Return the triangles (n, 3) of a face by the numbers of its points; new points are added to the edge set."""
    return _Cells(patch).triangles()


class _Cells:
    def __init__(self, patch: Patch) -> None:
        self.patch = patch
        self.u, self.v = patch.lines
        self.columns, self.rows = self.u.count, self.v.count
        self.chains: dict[int, list[list[Spot]]] = defaultdict(list)
        self.islands: dict[int, list[list[Spot]]] = defaultdict(list)
        self.upright: dict[tuple[int, int], dict[int, float]] = defaultdict(dict)  # points on a side: line, row
        self.level: dict[tuple[int, int], dict[int, float]] = defaultdict(dict)  # column, line
        self.walls: dict[tuple[str, int, int], int] = {}  # sides that edges run along: 1 is in on the left or above
        self.polygons: list[list[Spot]] = []
        self.filled: list[Index] = []
        # without an end of v, a cell that no edge enters reaches endlessly far: it is out
        self.finite = bool(np.isfinite(self.v.at).all())
        # the points where lines cross; -1 for those that are not known yet
        self.nodes: Index = np.full((self.columns + 1, self.rows + 1), -1, dtype=np.int64)

    def triangles(self) -> Index:
        rings = self.patch.rings()
        for ring in rings:
            self._enter(ring)
        self._share_poles()
        occupied = sorted(self.chains.keys() | self.islands.keys())
        inside = self._flood(occupied, bool(rings)) if self.finite else np.empty(0, dtype=np.int64)
        for cell in occupied:
            self._cut(cell)
        plain = self._plain(inside)
        return np.concatenate([plain, *self.filled, tiles(self.polygons)])

    # ---------------------------------------------------------------- edges into cells

    def _enter(self, ring: Ring) -> None:
        """Cut one loop into pieces, each within one cell, and note its points on lines."""
        ahead: Index = np.array(ring.turns) * np.array([2 * self.columns, 2 * self.rows])
        here = ring.codes
        there = np.vstack([here[1:], here[:1] + ahead])
        low, high = np.minimum(here, there), np.maximum(here, there)
        on_pole = np.zeros(len(here), dtype=bool)
        for end, pole in zip((0, 2 * self.rows), self.patch.surface.poles, strict=True):
            on_pole |= pole & (here[:, 1] == end) & (there[:, 1] == end)
        if ((high - low > 2) | ((high - low == 2) & (low % 2 == 1)))[~on_pole].any():
            raise FaceError("with edges that cannot be followed")
        along = (low == high) & (low % 2 == 0)
        cell = low // 2
        if self.u.period:
            cell[:, 0] %= self.columns
        if self.v.period:
            cell[:, 1] %= self.rows
        keys = cell[:, 0] * self.rows + cell[:, 1]
        keys[along.any(axis=1)] = _BORDER
        keys[along.all(axis=1) | on_pole] = _SKIP
        outside = (cell < 0) | (cell >= (self.columns, self.rows))
        if (outside.any(axis=1) & (keys >= 0)).any():
            raise FaceError("with edges off its surface")
        self._note_points(ring)
        self._note_walls(keys, along, here, there, cell)
        self._note_pieces(ring, keys, self._seen_from(ring, keys, ahead))

    def _note_points(self, ring: Ring) -> None:
        odd = ring.codes % 2 == 1
        for place in np.flatnonzero(~odd.all(axis=1)).tolist():
            number = int(ring.ids[place])
            (cu, cv), (u, v) = ring.codes[place].tolist(), ring.uv[place].tolist()
            column, turn_u = self._reduced(cu, 2 * self.columns, self.u.period)
            row, turn_v = self._reduced(cv, 2 * self.rows, self.v.period)
            if column % 2 == 0 and row % 2 == 0:
                self.nodes[column // 2, row // 2] = number
            elif column % 2 == 0:
                self.upright[column // 2, row // 2][number] = v - turn_v * self.v.period
            else:
                self.level[column // 2, row // 2][number] = u - turn_u * self.u.period

    @staticmethod
    def _reduced(code: int, turn: int, period: float) -> tuple[int, int]:
        return (code % turn, code // turn) if period else (code, 0)

    def _note_walls(self, keys: Index, along: NDArray[np.bool_], here: Index, there: Index, cell: Index) -> None:
        for place in np.flatnonzero(keys == _BORDER).tolist():
            column, row = cell[place].tolist()
            if along[place, 0]:
                # up: the face is on the left, in the column before the line
                side, way = ("upright", column, row), 1 if there[place, 1] > here[place, 1] else 0
            else:
                # forwards: the face is above
                side, way = ("level", column, row), 1 if there[place, 0] > here[place, 0] else 0
            if self.walls.setdefault(side, way) != way:
                self.walls[side] = _SKIP  # a seam: the face is on both sides of it

    def _seen_from(self, ring: Ring, keys: Index, ahead: Index) -> tuple[list[Spot], list[Spot]]:
        """Return the start and the end of every stretch in the parameters of its cell; rims are met exactly."""
        cells = np.divmod(np.maximum(keys, 0), self.rows)
        result = []
        for later in (False, True):
            columns = []
            for axis, lines in enumerate((self.u, self.v)):
                values, codes = ring.uv[:, axis], ring.codes[:, axis]
                if later:
                    codes = np.append(codes[1:], codes[0] + ahead[axis])
                    values = np.append(values[1:], values[0] + (ring.turns[axis] * lines.period))
                first = cells[axis]
                off = codes - 2 * first
                if lines.period:
                    turn = off // (2 * lines.count)
                    off = off - turn * (2 * lines.count)
                    values = values - lines.period * turn
                values = np.where(off <= 0, lines.at[first], np.where(off >= 2, lines.at[first + 1], values))
                columns.append(values.tolist())
            ids = (np.append(ring.ids[1:], ring.ids[0]) if later else ring.ids).tolist()
            result.append([Spot(*spot) for spot in zip(ids, *columns, strict=True)])
        return result[0], result[1]

    def _note_pieces(self, ring: Ring, keys: Index, spots: tuple[list[Spot], list[Spot]]) -> None:
        """Keep every run of stretches in one cell as a chain, or as an island where the whole loop is in one cell."""
        begins, ends = spots
        count = len(keys)
        starts: list[int] = (np.flatnonzero(keys[1:] != keys[:-1]) + 1).tolist()
        if keys[0] != keys[-1]:
            starts.insert(0, 0)
        if not starts:
            if keys[0] >= 0:
                if any(ring.turns):
                    raise FaceError("with edges that cannot be followed")
                self.islands[int(keys[0])].append(begins)
            return
        for start, stop in zip(starts, [*starts[1:], starts[0] + count], strict=True):
            key = int(keys[start])
            if key >= 0:
                run = begins[start:stop] if stop <= count else begins[start:] + begins[: stop - count]
                self.chains[key].append([*run, ends[(stop - 1) % count]])

    # ---------------------------------------------------------------- corners of cells

    def _share_poles(self) -> None:
        """Give all corners of a pole the same point."""
        for line, pole in zip((0, self.rows), self.patch.surface.poles, strict=True):
            if pole:
                known = [n for n in self.nodes[:, line].tolist() if n >= 0]
                known += [n for (_, at), points in self.level.items() if at == line for n in points]
                spot = np.array([[self.u.at[0], self.v.at[line]]])
                self.nodes[:, line] = known[0] if known else self.patch.edges.add(self.patch.xyz(spot))[0]

    def _node_place(self, column: int, line: int) -> tuple[int, int]:
        return column % self.columns if self.u.period else column, line % self.rows if self.v.period else line

    def _node(self, column: int, line: int) -> int:
        at = self._node_place(column, line)
        if self.nodes[at] < 0:
            spot = np.array([[self.u.at[at[0]], self.v.at[at[1]]]])
            self.nodes[at] = self.patch.edges.add(self.patch.xyz(spot))[0]
        return int(self.nodes[at])

    def _rim(self, column: int, row: int) -> list[tuple[Place, Spot]]:
        """Return the points around a cell, from its low corner counter-clockwise."""
        left, right = float(self.u.at[column]), float(self.u.at[column + 1])
        low, high = float(self.v.at[row]), float(self.v.at[row + 1])
        line = (column + 1) % self.columns if self.u.period else column + 1
        above = (row + 1) % self.rows if self.v.period else row + 1
        rim: list[tuple[Place, Spot]] = []
        if np.isfinite(low):
            rim.append(((0, left), Spot(self._node(column, row), left, low)))
            rim.append(((1, low), Spot(self._node(column + 1, row), right, low)))
        else:
            rim.append(((0, left), Spot(_INFINITE, left, low)))
        if np.isfinite(high):
            rim.append(((2, -right), Spot(self._node(column + 1, row + 1), right, high)))
            rim.append(((3, -high), Spot(self._node(column, row + 1), left, high)))
        else:
            rim.append(((2, -right), Spot(_INFINITE, right, high)))
        rim += [((0, u), Spot(n, u, low)) for n, u in self.level.get((column, row), {}).items()]
        rim += [((1, v), Spot(n, right, v)) for n, v in self.upright.get((line, row), {}).items()]
        rim += [((2, -u), Spot(n, u, high)) for n, u in self.level.get((column, above), {}).items()]
        rim += [((3, -v), Spot(n, left, v)) for n, v in self.upright.get((column, row), {}).items()]
        return sorted(rim)

    def _place(self, spot: Spot, column: int, row: int) -> Place:
        """Return where a point is on the rim of a cell; a corner belongs to the side that starts there."""
        left, right = self.u.at[column], self.u.at[column + 1]
        low, high = self.v.at[row], self.v.at[row + 1]
        if spot.v == low:
            return (1, spot.v) if spot.u == right else (0, spot.u)
        if spot.v == high:
            return (3, -spot.v) if spot.u == left else (2, -spot.u)
        if spot.u == right:
            return 1, spot.v
        if spot.u == left:
            return 3, -spot.v
        raise FaceError("with edges that cannot be followed")

    # ---------------------------------------------------------------- cells that edges enter

    def _cut(self, cell: int) -> None:
        """Join the pieces of edges in a cell into polygons."""
        column, row = divmod(cell, self.rows)
        rim = self._rim(column, row)
        polygons = self._joined(self.chains.get(cell, []), rim, column, row)
        holes: list[list[Spot]] = []
        for ring in self.islands.get(cell, []):
            (polygons if area_of(ring) > 0.0 else holes).append(ring)
        if holes and not polygons:
            polygons = [[spot for _, spot in rim]]
        for polygon in polygons:
            if any(spot.number == _INFINITE for spot in polygon):
                raise FaceError("with loops that leave it without end")
        if not holes:
            self.polygons += polygons
            return
        for polygon in polygons:
            mine = [hole for hole in holes if contains(polygon, hole[0])]
            holes = [hole for hole in holes if hole not in mine]
            self.filled.append(filled([polygon, *mine]))
        if holes:
            raise FaceError("with loops that contradict each other")

    def _joined(
        self, chains: list[list[Spot]], rim: list[tuple[Place, Spot]], column: int, row: int
    ) -> list[list[Spot]]:
        """Return the polygons that pieces of edges make with stretches of the rim from each end to the next start."""
        starts = sorted((self._place(chain[0], column, row), k) for k, chain in enumerate(chains))
        places = [place for place, _ in rim]
        follower: dict[int, tuple[int, list[Spot]]] = {}
        taken: set[int] = set()
        for number, chain in enumerate(chains):
            end = self._place(chain[-1], column, row)
            at = bisect_left(starts, (end, -1)) % len(starts)
            for _ in starts:
                # where a seam crosses the rim one side of it ends and the other starts: they do not follow each other
                if chains[starts[at][1]][0].number != chain[-1].number or starts[at][0][0] != end[0]:
                    break
                at = (at + 1) % len(starts)
            begin, after = starts[at]
            if after in taken:
                raise FaceError("with loops that contradict each other")
            taken.add(after)
            first = bisect_left(places, end)
            last = bisect_left(places, begin)
            stretch = rim[first:last] if begin >= end else rim[first:] + rim[:last]
            follower[number] = after, [spot for place, spot in stretch if place != end]
        polygons: list[list[Spot]] = []
        while follower:
            number = next(iter(follower))
            polygon: list[Spot] = []
            while number in follower:
                after, between = follower.pop(number)
                polygon += [*chains[number], *between]
                number = after
            polygons.append(polygon)
        return polygons

    # ---------------------------------------------------------------- cells that no edge enters

    def _flood(self, occupied: list[int], bounded: bool) -> Index:
        """Return the cells (n, 2) that are wholly inside the face."""
        if not occupied and len({kind for kind, _, _ in self.walls}) <= 1:
            return self._bands(bounded)
        cells = np.arange(self.columns * self.rows).reshape(self.columns, self.rows)
        free = np.ones(cells.shape, dtype=bool)
        free.reshape(-1)[occupied] = False
        pairs = []
        for name, axis, lines in (("upright", 0, self.u), ("level", 1, self.v)):
            before = np.roll(cells, 1, axis=axis)
            open_side = free & np.roll(free, 1, axis=axis)
            if not lines.period:
                open_side[(0, slice(None)) if axis == 0 else (slice(None), 0)] = False
            for kind, column, row in self.walls:
                if kind == name and column < self.columns and row < self.rows:
                    open_side[column, row] = False
            pairs.append((before[open_side], cells[open_side]))
        a, b = (np.concatenate([pair[k] for pair in pairs]) for k in (0, 1))
        graph = coo_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(cells.size, cells.size))
        number, group = connected_components(graph, directed=False)
        group = group.reshape(cells.shape)
        said = np.full(number, -1, dtype=np.int64)
        for (column, row), inside in self._seeds(occupied, free):
            if said[group[column, row]] not in (-1, inside):
                raise FaceError("with loops that contradict each other")
            said[group[column, row]] = inside
        if not bounded:
            said[:] = 1
        wanted = free & (said[group] == 1)
        if (free & (said[group] == -1)).any():
            raise FaceError("with loops that contradict each other")
        return np.argwhere(wanted)

    def _bands(self, bounded: bool) -> Index:
        """Return the cells inside where all edges run along whole lines of one parameter, as in the bend of a pipe."""
        axis = 1 if any(kind == "level" for kind, _, _ in self.walls) else 0
        count = (self.columns, self.rows)[axis]
        said = np.full(count, -1 if bounded else 1, dtype=np.int64)
        walls = np.zeros(count + 1, dtype=bool)
        for (kind, column, row), way in self.walls.items():
            line = row if kind == "level" else column
            walls[line] = True
            after = 1 if way == _SKIP else way if kind == "level" else 1 - way
            before = 1 if way == _SKIP else 1 - after
            for band, inside in ((line, after), (line - 1, before)):
                if (0 <= band < count or (self.u, self.v)[axis].period) and said[band % count] != inside:
                    if said[band % count] != -1:
                        raise FaceError("with loops that contradict each other")
                    said[band % count] = inside
        for band in [*range(1, count), *range(1, count)]:  # twice around reaches all
            if said[band] == -1 and not walls[band]:
                said[band] = said[band - 1]
            if band == count - 1 and said[0] == -1 and (self.u, self.v)[axis].period and not walls[0]:
                said[0] = said[-1]
        for band in range(count - 2, -1, -1):
            if said[band] == -1 and not walls[band + 1]:
                said[band] = said[band + 1]
        if (said == -1).any():
            raise FaceError("with loops that contradict each other")
        bands = np.flatnonzero(said == 1)
        others = np.arange((self.columns, self.rows)[1 - axis])
        pair = np.meshgrid(bands, others, indexing="ij") if axis == 0 else np.meshgrid(others, bands, indexing="ij")
        return np.stack(pair, axis=-1).reshape(-1, 2)

    def _seeds(self, occupied: list[int], free: NDArray[np.bool_]) -> list[tuple[tuple[int, int], int]]:
        """Return free cells that edges, or cells that edges enter, say to be inside (1) or outside (0)."""
        seeds: list[tuple[tuple[int, int], int]] = []

        def say(column: int, row: int, inside: int) -> None:
            if self.u.period:
                column %= self.columns
            if self.v.period:
                row %= self.rows
            if 0 <= column < self.columns and 0 <= row < self.rows and free[column, row]:
                seeds.append(((column, row), inside))

        for (kind, column, row), way in self.walls.items():
            before = (column - 1, row) if kind == "upright" else (column, row - 1)
            if way == _SKIP:
                say(column, row, 1)
                say(*before, 1)
                continue
            say(column, row, 1 - way if kind == "upright" else way)
            say(*before, way if kind == "upright" else 1 - way)
        for cell in occupied:
            column, row = divmod(cell, self.rows)
            line = (column + 1) % self.columns if self.u.period else column + 1
            above = (row + 1) % self.rows if self.v.period else row + 1
            sides = (
                (("level", column, row), (column, row - 1)),
                (("upright", line, row), (column + 1, row)),
                (("level", column, above), (column, row + 1)),
                (("upright", column, row), (column - 1, row)),
            )
            for side, (key, other) in enumerate(sides):
                if key not in self.walls:
                    say(*other, int(self._covered(cell, side)))
        return seeds

    def _covered(self, cell: int, side: int) -> bool:
        """Tell whether the face covers the middle of a side of a cell that edges enter."""
        column, row = divmod(cell, self.rows)
        u, v = self.u.at[column : column + 2], self.v.at[row : row + 2]
        middle: Place = (
            (0, u.mean()), (1, v.mean()), (2, -u.mean()), (3, -v.mean()),
        )[side]  # fmt: skip
        chains = self.chains.get(cell, [])
        if not chains:
            return all(area_of(ring) < 0.0 for ring in self.islands[cell])
        marks = sorted(
            [(self._place(chain[0], column, row), 1) for chain in chains]
            + [(self._place(chain[-1], column, row), 0) for chain in chains]
        )
        # the rim is covered from an end to the next start
        at = bisect_left(marks, (middle, -1)) % len(marks)
        return marks[at][1] == 1

    def _plain(self, inside: Index) -> Index:
        """Return the triangles of cells that are wholly inside."""
        if not len(inside):
            return NO_TILES
        column, row = inside[:, 0], inside[:, 1]
        right, above = column + 1, row + 1
        if self.u.period:
            right = right % self.columns
        if self.v.period:
            above = above % self.rows
        crowded = np.zeros(len(inside), dtype=bool)
        lists = (
            (self.level, column, row),
            (self.level, column, above),
            (self.upright, column, row),
            (self.upright, right, row),
        )
        for held, a, b in lists:
            if held:
                taken = np.zeros((self.columns + 1, self.rows + 1), dtype=bool)
                taken[tuple(np.array(list(held)).T)] = True
                crowded |= taken[a, b]
        for c, r in inside[crowded].tolist():
            self.polygons.append([spot for _, spot in self._rim(c, r)])
        self._make_nodes(np.concatenate([column, right, right, column]), np.concatenate([row, row, above, above]))
        a, b, c, d = (
            self.nodes[p, q][~crowded] for p, q in ((column, row), (right, row), (right, above), (column, above))
        )
        both = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
        return np.asarray(both[(both[:, 0] != both[:, 1]) & (both[:, 1] != both[:, 2]) & (both[:, 2] != both[:, 0])])

    def _make_nodes(self, column: Index, line: Index) -> None:
        needed = np.zeros(self.nodes.shape, dtype=bool)
        needed[column, line] = True
        column, line = np.nonzero(needed & (self.nodes < 0))
        if len(column):
            spots = np.column_stack([self.u.at[column], self.v.at[line]])
            self.nodes[column, line] = self.patch.edges.add(self.patch.xyz(spots))
