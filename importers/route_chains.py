"""Lines and arcs drawn end to end, put in order as runs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from importers.route_pieces import Piece, tidy

# Ends this close are the same point whatever the file's own rounding; wider gaps count as gaps and are said.
SAME_M = 1e-6
_CELL_M = SAME_M / 4.0  # what falls into one cell of a grid of this step is certainly the same
# More ends than this near each other are no gaps of a drawing; they are left as they are, and that is said.
_PAIRS_MAX = 10_000_000


@dataclass(frozen=True, slots=True)
class Junction:
    """A point where three or more ends meet, so that nothing says which continues which."""

    point_m: tuple[float, float, float]
    handles: tuple[str, ...]
    ends: int


@dataclass(frozen=True, slots=True)
class Chains:
    """Pieces in order, and what stood in the way."""

    chains: tuple[tuple[Piece, ...], ...]  # every piece turned so that it starts where the one before it ends
    loops: tuple[tuple[Piece, ...], ...]
    junctions: tuple[Junction, ...]
    gaps: int  # how many gaps wider than rounding were closed
    widest_gap_m: float
    crowded: bool = False  # too many ends are near each other to look for gaps


def chain(pieces: Sequence[Piece], join_m: float) -> Chains:
    """Join pieces of one layer whose ends are within ``join_m`` of each other.

    Two ends that meet are one run, unless their extended data names two. Where three or more meet, ends of the same
    id pair up; without ids every chain stops there, and the place is returned as a junction. A chain runs in the
    direction in which its oldest member (the smallest handle) was drawn.
    """
    if not pieces:
        return Chains((), (), (), 0, 0.0)
    ends = np.array([piece.corners_m[side] for piece in pieces for side in (0, -1)])
    node, crowded = _nodes(ends, pieces, join_m)
    meeting: dict[int, list[int]] = defaultdict(list)
    for end, number in enumerate(node):
        meeting[int(number)].append(end)
    partner: dict[int, int] = {}
    junctions = []
    gaps, widest = 0, 0.0
    for here in meeting.values():
        pairs, tangled = _pairs(here, pieces)
        for a, b in pairs:
            partner[a], partner[b] = b, a
            gap = float(np.linalg.norm(ends[a] - ends[b]))
            if gap > SAME_M:
                gaps, widest = gaps + 1, max(widest, gap)
        if tangled:
            x, y, z = (float(v) for v in ends[tangled[0]])
            handles = tuple(sorted({pieces[e // 2].handle for e in tangled}, key=age))
            junctions.append(Junction((x, y, z), handles, len(tangled)))
    chains, loops = _walk(pieces, partner)
    return Chains(tuple(chains), tuple(loops), tuple(junctions), gaps, widest, crowded)


def joined(members: Sequence[Piece]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return corners and drawn radii of an ordered chain; a joint keeps the end of the piece that comes first."""
    corners = [members[0].corners_m, *(piece.corners_m[1:] for piece in members[1:])]
    radius = [members[0].radius_m, *(piece.radius_m[1:] for piece in members[1:])]
    return tidy(np.vstack(corners), np.concatenate(radius))


def coincident(pieces: Sequence[Piece]) -> list[tuple[int, int]]:
    """Return pairs (kept, repeated) of pieces that lie exactly on each other, in either direction.

    The one with an id is kept, then the older one. Two with different ids are two cables, and both stay.
    """
    found = _on_one_grid(pieces)
    gone = {repeated for _, repeated in found}
    left = [index for index in range(len(pieces)) if index not in gone]
    if len(left) < 2:
        return found
    # what lies on each other has the same middle and the same spread about it, in whichever direction it runs
    middle = np.array([pieces[index].corners_m.mean(axis=0) for index in left])
    spread = np.array([pieces[index].corners_m.std(axis=0) for index in left])
    tree = cKDTree(np.hstack([middle, spread]))
    if tree.count_neighbors(tree, SAME_M, p=np.inf) > _PAIRS_MAX:
        return found
    pairs = tree.query_pairs(SAME_M, p=np.inf, output_type="ndarray")
    for i, j in sorted((left[int(min(p))], left[int(max(p))]) for p in pairs):
        a, b = pieces[i], pieces[j]
        if i in gone or j in gone or not _same_line(a, b):
            continue
        if a.route_id is not None and b.route_id is not None and a.route_id != b.route_id:
            continue
        keep, drop = (j, i) if a.route_id is None and b.route_id is not None else (i, j)
        gone.add(drop)
        found.append((keep, drop))
    return found


def _on_one_grid(pieces: Sequence[Piece]) -> list[tuple[int, int]]:
    """Return the pairs of ``coincident`` among pieces whose corners fall on the same places of a fine grid."""
    alike: dict[tuple[str, bytes], list[int]] = defaultdict(list)
    for index, piece in enumerate(pieces):
        line = np.rint(np.column_stack([piece.corners_m, piece.radius_m]) / _CELL_M)
        alike[piece.layer, min(line.tobytes(), line[::-1].tobytes())].append(index)
    found = []
    for group in alike.values():
        by_id: dict[str, int] = {}
        for index in group:
            route_id = pieces[index].route_id
            if route_id is not None:
                by_id.setdefault(route_id, index)
        first = next(iter(by_id.values()), group[0])
        for index in group:
            route_id = pieces[index].route_id
            kept = first if route_id is None else by_id[route_id]
            if kept != index:
                found.append((kept, index))
    return found


def _same_line(a: Piece, b: Piece) -> bool:
    if a.layer != b.layer or len(a.corners_m) != len(b.corners_m):
        return False
    return any(
        bool(np.abs(a.corners_m - corners).max() <= SAME_M and np.abs(a.radius_m - radius).max() <= SAME_M)
        for corners, radius in ((b.corners_m, b.radius_m), (b.corners_m[::-1], b.radius_m[::-1]))
    )


def _nodes(ends: NDArray[np.float64], pieces: Sequence[Piece], join_m: float) -> tuple[NDArray[np.int64], bool]:
    """Return the node number of every end, and whether there were too many to look for gaps.

    First ends that coincide, then free ends within ``join_m``: so that a curve of chords shorter than ``join_m``
    is not crumpled into one point.
    """
    # one point for each cell of a fine grid first: thousands of ends in one point would make millions of pairs
    _, first, cell = np.unique(np.rint(ends / _CELL_M), axis=0, return_index=True, return_inverse=True)
    same = cKDTree(ends[first]).query_pairs(SAME_M, output_type="ndarray")
    node = _components(len(first), same)[cell.reshape(-1)]
    count = int(node.max()) + 1
    degree = np.bincount(node, minlength=count)
    place = np.zeros((count, 3))
    place[node] = ends
    line = _components(count, node.reshape(-1, 2))  # which nodes are already connected by pieces
    length = np.bincount(line[node[0::2]], weights=[piece.length_m for piece in pieces], minlength=count)
    tree = cKDTree(place)
    if tree.count_neighbors(tree, join_m) - count > _PAIRS_MAX:
        return node, True
    near = tree.query_pairs(join_m, output_type="ndarray")
    a, b = near[:, 0], near[:, 1]
    free = (degree[a] == 1).astype(int) + (degree[b] == 1)
    closes = (free == 2) & (length[line[a]] > 10.0 * join_m)  # the two ends of one long line: a loop
    extra = near[(free > 0) & ((line[a] != line[b]) | closes)]
    return np.asarray(_components(count, extra)[node]), False


def _components(count: int, pairs: NDArray[np.int64]) -> NDArray[np.int64]:
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def _pairs(here: list[int], pieces: Sequence[Piece]) -> tuple[list[tuple[int, int]], list[int]]:
    """Return which ends at one node continue each other, and those that nothing puts in order."""
    by_id: dict[str | None, list[int]] = defaultdict(list)
    for end in here:
        by_id[pieces[end // 2].route_id].append(end)
    if len(here) == 2 and (None in by_id or len(by_id) == 1):
        return [(here[0], here[1])], []
    if None in by_id and len(here) > 2:
        return [], here
    pairs = [(group[0], group[1]) for group in by_id.values() if len(group) == 2]
    return pairs, [end for group in by_id.values() if len(group) > 2 for end in group]


def _walk(pieces: Sequence[Piece], partner: dict[int, int]) -> tuple[list[tuple[Piece, ...]], list[tuple[Piece, ...]]]:
    left = set(range(len(pieces)))
    chains: list[tuple[Piece, ...]] = []
    loops: list[tuple[Piece, ...]] = []
    free = [end for end in range(2 * len(pieces)) if end not in partner]
    for first in [*free, *range(0, 2 * len(pieces), 2)]:  # what is left after the free ends are loops
        if first // 2 not in left:
            continue
        order: list[tuple[int, bool]] = []
        enter: int | None = first
        while enter is not None and enter // 2 in left:
            left.remove(enter // 2)
            order.append((enter // 2, enter % 2 == 1))
            enter = partner.get(enter ^ 1)
        oldest = min(range(len(order)), key=lambda k: age(pieces[order[k][0]].handle))
        if order[oldest][1]:
            order = [(index, not turned) for index, turned in reversed(order)]
        members = tuple(_turned(pieces[index]) if turned else pieces[index] for index, turned in order)
        (chains if enter is None else loops).append(members)
    return chains, loops


def age(handle: str) -> tuple[int, ...]:
    """Return what sorts handles as they were given out; ``2A>1F`` is entity 1F placed by block reference 2A."""
    parts = handle.split(">")
    return tuple(int(p.split(".")[0], 16) if p and all(c in "0123456789abcdefABCDEF." for c in p) else 0 for p in parts)


def _turned(piece: Piece) -> Piece:
    return Piece(
        piece.corners_m[::-1], piece.radius_m[::-1], piece.layer, piece.handle, piece.kind, piece.closed, piece.tags
    )
