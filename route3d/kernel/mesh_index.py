"""A model of many meshes, arranged so that what is near a path is found fast.

Two levels: a box tree over the triangles of every element, and one over the boxes of the elements, so that answers come
per element and an element with nothing near is passed over as a whole.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.bvh import build_tree
from route3d.kernel.compiled import compiled, in_parts
from route3d.kernel.path import ARC, KIND, LENGTH, ORIGIN, RADIUS, TURN
from route3d.kernel.path import WIDTH as PIECE_WIDTH
from route3d.kernel.triangles import FRAME_WIDTH, write_frame
from route3d.kernel.wide import WIDTH, widen

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Links = NDArray[np.int32]

_LEAF = 4


@dataclass(slots=True, eq=False)
class Room:
    """The arrays of an index with spare rows behind their used ones, where edited elements are put.

    Indexes that come from one another share it; rows that are used never change.
    """

    order: Links
    frames: Floats
    boxes: Singles
    links: Links
    triangles: int  # used rows of order and frames
    nodes: int  # used rows of boxes and links

    def __reduce__(self) -> tuple[object, tuple[()]]:
        """Leave the rows out when an index is sent elsewhere: it has views of the used ones itself."""
        return no_room, ()


def no_room() -> Room:
    """Return a room without rows: the first edit copies the arrays."""
    return Room(
        np.empty(0, np.int32),
        np.empty((0, FRAME_WIDTH)),
        np.empty((0, 6), np.float32),
        np.empty((0, 2), np.int32),
        0,
        0,
    )


@dataclass(frozen=True, slots=True, eq=False)
class MeshIndex:
    """The triangles of a model and the box trees over them; every array is read-only.

    Coordinates are kept relative to ``origin_m``, the middle of the model, so that survey coordinates lose no digits.
    """

    origin_m: Floats  # (3,)
    starts: Ints  # (elements + 1,): element j owns the triangles starts[j]:starts[j + 1] in the caller's order
    order: Links  # (triangles,): the number, within its element, of each triangle in tree order
    frames: Floats  # (triangles, 12) in tree order, see triangles.py
    roots: Ints  # (elements,): the node at which an element's tree begins, -1 without triangles
    boxes: Singles  # (nodes, 6)
    links: Links  # (nodes, 2)
    element_boxes: Floats  # (elements, 6) relative to the origin; inverted without triangles
    top_boxes: Singles  # (top nodes, 6, 8), see wide.py
    top_links: Links  # (top nodes, 8): a node, or -1 - element
    room: Room  # for edits, see edited.py
    patches: int  # edits of the top tree since it was built

    @property
    def element_count(self) -> int:
        """How many elements the model has, empty ones included."""
        return len(self.starts) - 1


def build_index(triangles_m: ArrayLike, starts: ArrayLike, origin_m: ArrayLike | None = None) -> MeshIndex:
    """Return the index of a model.

    Parameters
    ----------
    triangles_m : (n, 3, 3) float
        Corners in metres. Triangles without area are kept as the segments or points that they are.
    starts : (elements + 1,) int
        Element ``j`` owns the triangles ``starts[j]:starts[j + 1]``; it may own none.
    origin_m : (3,) float, optional
        What coordinates are kept relative to; the middle of the model if not given. Indexes of one origin give the same
        answers to the last bit for an element that they have in common.

    Raises
    ------
    ValueError
        A shape differs, a coordinate is not finite, or ``starts`` does not rise from 0 to n.
    """
    flat, low, high = checked_corners(triangles_m)
    count = len(flat)
    firsts = np.array(starts, dtype=np.int64)
    if firsts.ndim != 1 or len(firsts) < 1 or firsts[0] != 0 or firsts[-1] != count or (np.diff(firsts) < 0).any():
        raise ValueError(f"starts must rise from 0 to the number of triangles, {count}")

    origin = 0.5 * (low + high) if origin_m is None else np.array(origin_m, dtype=np.float64).reshape(3)
    order = np.empty(with_spare(count), np.int32)
    frames = np.empty((with_spare(count), FRAME_WIDTH))
    element_boxes = np.empty((len(firsts) - 1, 6))
    roots = np.full(len(firsts) - 1, -1)

    def build(first: int, last: int) -> tuple[int, int, Singles, Links]:
        made = build_elements(first, last, flat, firsts, origin, order, frames, element_boxes, roots)
        return first, last, *made

    sizes = np.diff(firsts)
    boxes, links, nodes = _join(in_parts(build, sizes, 20_000) if len(sizes) else [], roots)
    room = Room(order, frames, boxes, links, count, nodes)
    return index_in(room, origin, firsts, roots, element_boxes, *top_tree(element_boxes, np.flatnonzero(sizes)))


def index_in(
    room: Room,
    origin: Floats,
    starts: Ints,
    roots: Ints,
    element_boxes: Floats,
    top_boxes: Singles,
    top_links: Links,
    patches: int = 0,
) -> MeshIndex:
    """Return the index whose triangles and nodes are the used rows of a room; its arrays are made read-only."""
    index = MeshIndex(
        origin_m=origin,
        starts=starts,
        order=room.order[: room.triangles],
        frames=room.frames[: room.triangles],
        roots=roots,
        boxes=room.boxes[: room.nodes],
        links=room.links[: room.nodes],
        element_boxes=element_boxes,
        top_boxes=top_boxes,
        top_links=top_links,
        room=room,
        patches=patches,
    )
    for array in (
        index.origin_m, index.starts, index.order, index.frames, index.roots, index.boxes, index.links,
        index.element_boxes, index.top_boxes, index.top_links,
    ):  # fmt: skip
        array.setflags(write=False)
    return index


def checked_corners(triangles_m: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Return triangles (n, 3, 3) as rows (n, 9), with the lowest and the highest x y z; both 0 without triangles.

    Raises
    ------
    ValueError
        The shape differs, or a coordinate is not finite.
    """
    corners = np.asarray(triangles_m, dtype=np.float64)
    if corners.size == 0:
        return np.empty((0, 9)), np.zeros(3), np.zeros(3)
    if corners.ndim != 3 or corners.shape[1:] != (3, 3):
        raise ValueError(f"triangles of shape (n, 3, 3) were expected, these are {corners.shape}")
    flat = np.ascontiguousarray(corners.reshape(len(corners), 9))
    low, high = _extent(flat)
    if not np.isfinite([low, high]).all():
        raise ValueError("every coordinate must be finite")
    return flat, low, high


def checked_pieces(pieces: ArrayLike) -> Floats:
    """Return a copy of the pieces of paths, see ``path.py``, fit for the compiled loops.

    Raises
    ------
    ValueError
        The shape differs, a number is not finite, a length is negative, or an arc has no radius or turns
        further than once around.
    """
    rows = np.array(pieces, dtype=np.float64, order="C")
    if rows.size == 0:
        rows = rows.reshape(0, PIECE_WIDTH)
    if rows.ndim != 2 or rows.shape[1] != PIECE_WIDTH:
        raise ValueError(f"pieces of shape (n, {PIECE_WIDTH}) were expected, these are {rows.shape}")
    if not np.isfinite(rows).all() or (rows[:, LENGTH] < 0.0).any():
        raise ValueError("every number of a path must be finite, and no length negative")
    arcs = rows[rows[:, KIND] == ARC]
    if (arcs[:, RADIUS] <= 0.0).any() or (arcs[:, TURN] < 0.0).any() or (arcs[:, TURN] > 2.0 * np.pi).any():
        raise ValueError("an arc needs a radius above 0 and a turn of at most once around")
    return rows


def local_pieces(index: MeshIndex, pieces: ArrayLike) -> Floats:
    """Return checked pieces relative to the origin of the index; raises what ``checked_pieces`` does."""
    rows = checked_pieces(pieces)
    rows[:, ORIGIN] -= index.origin_m
    return rows


def path_starts(starts: ArrayLike, piece_count: int) -> Ints:
    """Return ``starts`` of paths as (paths + 1,) int64, checked.

    Raises
    ------
    ValueError
        ``starts`` does not rise from 0 to the number of pieces.
    """
    firsts = np.array(starts, dtype=np.int64)
    if (
        firsts.ndim != 1
        or len(firsts) < 1
        or firsts[0] != 0
        or firsts[-1] != piece_count
        or (np.diff(firsts) < 0).any()
    ):
        raise ValueError(f"starts must rise from 0 to the number of pieces, {piece_count}")
    return firsts


def numbers_within(numbers: ArrayLike, count: int, what: str) -> Ints:
    """Return numbers (k,) of paths or elements as int64, checked to lie in ``range(count)``.

    Raises
    ------
    ValueError
        One of them does not.
    """
    checked = np.array(numbers, dtype=np.int64).reshape(-1)
    if len(checked) and (checked.min() < 0 or checked.max() >= count):
        raise ValueError(f"there are {count} {what}s, so their numbers end at {count - 1}")
    return checked


def with_spare(count: int) -> int:
    """Return how many rows to set aside for so many; those that are not touched take no memory."""
    return count + count // 8 + 4096


def _join(parts: list[tuple[int, int, Singles, Links]], roots: Ints) -> tuple[Singles, Links, int]:
    """Join the nodes of all parts, each of which counted its own from 0, with spare rows; return how many there are."""
    nodes = sum(len(part[2]) for part in parts)
    all_boxes = np.empty((with_spare(nodes), 6), np.float32)
    all_links = np.empty((with_spare(nodes), 2), np.int32)
    base = 0
    for first, last, boxes, links in parts:
        links[links[:, 1] == 0, 0] += base
        roots[first:last] += np.where(roots[first:last] >= 0, base, 0)
        all_boxes[base : base + len(boxes)] = boxes
        all_links[base : base + len(boxes)] = links
        base += len(boxes)
    return all_boxes, all_links, nodes


@compiled
def _extent(corners: Floats) -> tuple[Floats, Floats]:
    """Return the lowest and the highest x y z of triangles (n, 9); NaN where one of them is NaN."""
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for i in range(len(corners)):
        for k in range(9):
            value = corners[i, k]
            if value < low[k % 3]:
                low[k % 3] = value
            if value > high[k % 3]:
                high[k % 3] = value
            if math.isnan(value):
                return np.full(3, np.nan), high
    return low, high


@compiled
def build_elements(
    first: int,
    last: int,
    corners: Floats,
    starts: Ints,
    origin: Floats,
    order: Links,
    frames: Floats,
    element_boxes: Floats,
    roots: Ints,
) -> tuple[Singles, Links]:
    """Build the trees of elements ``first`` to ``last``; fill all but the nodes in place, count these from 0."""
    base = starts[first]
    count = starts[last] - base
    entry_boxes = np.empty((count, 6))
    for i in range(count):
        for k in range(3):
            a = corners[base + i, k] - origin[k]
            b = corners[base + i, k + 3] - origin[k]
            c = corners[base + i, k + 6] - origin[k]
            entry_boxes[i, k] = min(a, b, c)
            entry_boxes[i, k + 3] = max(a, b, c)
    boxes = np.empty((2 * count, 6), np.float32)
    links = np.empty((2 * count, 2), np.int32)
    permuted = np.arange(count)
    triangle = np.empty(9)
    nodes = 0
    for element in range(first, last):
        low, high = starts[element] - base, starts[element + 1] - base
        for k in range(3):
            element_boxes[element, k] = np.inf
            element_boxes[element, k + 3] = -np.inf
        if low == high:
            continue
        roots[element] = nodes
        added = build_tree(low, high, entry_boxes, permuted, boxes, links, nodes, _LEAF)
        for node in range(nodes, nodes + added):
            if links[node, 1] > 0:
                links[node, 0] += base
        nodes += added
        for i in range(low, high):
            for k in range(3):
                if entry_boxes[i, k] < element_boxes[element, k]:
                    element_boxes[element, k] = entry_boxes[i, k]
                if entry_boxes[i, k + 3] > element_boxes[element, k + 3]:
                    element_boxes[element, k + 3] = entry_boxes[i, k + 3]
            order[base + i] = permuted[i] - low
    for i in range(count):
        for k in range(9):
            triangle[k] = corners[base + permuted[i], k] - origin[k % 3]
        write_frame(triangle, frames[base + i])
    return boxes[:nodes].copy(), links[:nodes].copy()


def top_tree(element_boxes: Floats, used: Ints) -> tuple[Singles, Links]:
    """Return boxes and links of the tree over the elements that have triangles."""
    order = used.astype(np.int64)
    boxes = np.empty((2 * len(order), 6), np.float32)
    links = np.empty((2 * len(order), 2), np.int32)
    if len(order) == 0:
        return np.empty((0, 6, WIDTH), np.float32), np.empty((0, WIDTH), np.int32)
    _build_top(order, element_boxes, boxes, links)
    return widen(boxes, links, order)


@compiled
def _build_top(order: Ints, element_boxes: Floats, boxes: Singles, links: Links) -> int:
    return build_tree(0, len(order), element_boxes, order, boxes, links, 0, 1)
