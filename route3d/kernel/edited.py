"""One element of a model replaced, without building the others again."""

from __future__ import annotations

from dataclasses import replace
from threading import Lock
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.bvh import single_above, single_below
from route3d.kernel.compiled import compiled
from route3d.kernel.mesh_index import (
    MeshIndex,
    Room,
    build_elements,
    checked_corners,
    index_in,
    numbers_within,
    top_tree,
    with_spare,
)
from route3d.kernel.triangles import FRAME_WIDTH
from route3d.kernel.wide import WIDTH

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Links = NDArray[np.int32]
T = TypeVar("T", bound=np.generic)

# Each edit makes the top tree at most one level deeper; its stack, see WIDE_STACK, has room for 40 more.
_PATCHES_MAX = 32

_claiming = Lock()


def with_element(index: MeshIndex, element: int, triangles_m: ArrayLike) -> MeshIndex:
    """Return an index in which an element owns other triangles (n, 3, 3), or none; ``index`` itself stays as it is.

    The work is that of the element's own tree and of copying what has an entry per element. Rows of the triangles that
    it had stay behind unused, until the whole is built again. Triangles of later elements are numbered anew, as if the
    model had been given so from the start.

    Raises
    ------
    ValueError
        There is no such element, a shape differs, or a coordinate is not finite.
    """
    numbers_within([element], index.element_count, "element")
    flat, _, _ = checked_corners(triangles_m)
    count = len(flat)
    order, frames = np.empty(count, np.int32), np.empty((count, FRAME_WIDTH))
    box, root = np.empty((1, 6)), np.full(1, -1)
    boxes, links = build_elements(0, 1, flat, np.array([0, count]), index.origin_m.copy(), order, frames, box, root)

    room, first, node = _claimed(index, count, len(boxes))
    links[:, 0] += np.where(links[:, 1] == 0, node, first).astype(np.int32)
    room.order[first : first + count] = order
    room.frames[first : first + count] = frames
    room.boxes[node : node + len(boxes)] = boxes
    room.links[node : node + len(boxes)] = links

    starts = index.starts.copy()
    starts[element + 1 :] += count - (starts[element + 1] - starts[element])
    roots = index.roots.copy()
    roots[element] = node if count else -1
    element_boxes = index.element_boxes.copy()
    element_boxes[element] = box[0]
    patches = index.patches + 1
    if patches <= _PATCHES_MAX and len(index.top_links):
        top = _patched(index.top_boxes, index.top_links, element, box[0])
    else:
        patches, top = 0, top_tree(element_boxes, np.flatnonzero(np.diff(starts)))
    return index_in(room, index.origin_m, starts, roots, element_boxes, *top, patches)


def with_another(index: MeshIndex, triangles_m: ArrayLike) -> MeshIndex:
    """Return an index with one more element, the last, that owns triangles (n, 3, 3); as ``with_element`` does."""
    nowhere = np.array([[np.inf, np.inf, np.inf, -np.inf, -np.inf, -np.inf]])
    more = replace(
        index,
        starts=np.append(index.starts, index.starts[-1:]),
        roots=np.append(index.roots, index.roots.dtype.type(-1)),
        element_boxes=np.concatenate([index.element_boxes, nowhere]),
    )
    return with_element(more, index.element_count, triangles_m)


def _claimed(index: MeshIndex, triangles: int, nodes: int) -> tuple[Room, int, int]:
    """Return a room with so many rows set aside, and the first of them; nothing else will ever use these."""
    with _claiming:
        room = index.room
        if room.triangles + triangles > len(room.frames) or room.nodes + nodes > len(room.boxes):
            held, held_nodes = len(index.frames), len(index.boxes)
            room = Room(
                _longer(index.order, triangles),
                _longer(index.frames, triangles),
                _longer(index.boxes, nodes),
                _longer(index.links, nodes),
                held,
                held_nodes,
            )
        first, node = room.triangles, room.nodes
        room.triangles += triangles
        room.nodes += nodes
    return room, first, node


def _longer(rows: NDArray[T], more: int) -> NDArray[T]:
    longer = np.empty((with_spare(len(rows) + more), *rows.shape[1:]), rows.dtype)
    longer[: len(rows)] = rows
    return longer


@compiled
def _patched(top_boxes: Singles, top_links: Links, element: int, box: Floats) -> tuple[Singles, Links]:
    """Return the top tree with an element taken out and put in again where its box (6,) enlarges others least."""
    nodes = len(top_links)
    boxes = np.empty((nodes + 1, 6, WIDTH), np.float32)
    links = np.zeros((nodes + 1, WIDTH), np.int32)
    boxes[:nodes] = top_boxes
    links[:nodes] = top_links
    for node in range(nodes):
        for k in range(WIDTH):
            if links[node, k] == -1 - element:
                links[node, k] = 0
                _empty(boxes, node, k)
    if box[0] > box[3]:  # it has no triangles
        return boxes[:nodes].copy(), links[:nodes].copy()
    node = 0
    while True:
        place, least = -1, np.inf
        for k in range(WIDTH):
            added = -1.0  # a free place costs nothing
            if boxes[node, 0, k] <= boxes[node, 3, k]:
                before = _half_area(boxes, node, k, boxes[node, :, k].astype(np.float64))
                added = _half_area(boxes, node, k, box) - before
            if added < least:
                place, least = k, added
        free = boxes[node, 0, place] > boxes[node, 3, place]
        link = links[node, place]
        if not free and link < 0:  # two elements in one place: a new node for both
            for k in range(WIDTH):
                _empty(boxes, nodes, k)
            boxes[nodes, :, 0] = boxes[node, :, place]
            links[nodes, 0] = link
            _enlarge(boxes, nodes, 1, box)
            links[nodes, 1] = -1 - element
            links[node, place] = nodes
            nodes += 1
        _enlarge(boxes, node, place, box)
        if free:
            links[node, place] = -1 - element
        if free or link < 0:
            return boxes[:nodes].copy(), links[:nodes].copy()
        node = link


@compiled
def _empty(boxes: Singles, node: int, place: int) -> None:
    for axis in range(3):
        boxes[node, axis, place] = np.inf
        boxes[node, axis + 3, place] = -np.inf


@compiled
def _enlarge(boxes: Singles, node: int, place: int, box: Floats) -> None:
    for axis in range(3):
        boxes[node, axis, place] = min(boxes[node, axis, place], single_below(box[axis]))
        boxes[node, axis + 3, place] = max(boxes[node, axis + 3, place], single_above(box[axis + 3]))


@compiled
def _half_area(boxes: Singles, node: int, place: int, box: Floats) -> float:
    """Return half the area of the box around a place's box and another one."""
    x = max(float(boxes[node, 3, place]), box[3]) - min(float(boxes[node, 0, place]), box[0])
    y = max(float(boxes[node, 4, place]), box[4]) - min(float(boxes[node, 1, place]), box[1])
    z = max(float(boxes[node, 5, place]), box[5]) - min(float(boxes[node, 2, place]), box[2])
    return float(x * y + y * z + z * x)
