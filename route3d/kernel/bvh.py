"""Box trees: built by the binned surface-area heuristic, kept as flat arrays.

A node is a box of six float32 numbers, rounded outward, and two int32 numbers: for a leaf, its first entry and how
many; for an inner node, its first child (the second is next to it) and 0. Children come after their parents.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled, compiled_bare

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]
Links = NDArray[np.int32]

STACK = 128  # a tree is never deeper than _HALVE_FROM + 64 levels, see below
_BINS = 16
_HALVE_FROM = 40  # below this depth ranges are simply halved, so that no shape of model makes a deep tree


@compiled
def single_below(x: float) -> np.float32:
    """Return a float32 that is not above ``x``."""
    y = np.float32(x)
    return y if y <= x else np.nextafter(y, np.float32(-np.inf))


@compiled
def single_above(x: float) -> np.float32:
    """Return a float32 that is not below ``x``."""
    y = np.float32(x)
    return y if y >= x else np.nextafter(y, np.float32(np.inf))


@compiled
def build_tree(
    first: int, last: int, entry_boxes: Floats, order: Ints, boxes: Singles, links: Links, base: int, leaf: int
) -> int:
    """Build the tree over ``order[first:last]``, which is rearranged; return how many nodes were written from ``base``.

    ``entry_boxes`` is (n, 6), low x y z then high x y z, indexed by the values in ``order``; ``leaf`` is the most
    entries that a leaf holds. ``boxes`` and ``links`` need room for 2·(last - first) nodes after ``base``.
    """
    stack = np.empty((STACK, 4), np.int64)
    stack[0, 0], stack[0, 1], stack[0, 2], stack[0, 3] = base, first, last, 0
    depth = 1
    nodes = 1
    bin_count = np.empty(_BINS, np.int64)
    bin_boxes = np.empty((_BINS, 6))
    right_cost = np.empty(_BINS)
    box = np.empty(6)
    middle = np.empty(6)
    while depth > 0:
        depth -= 1
        node, low, high, level = stack[depth, 0], stack[depth, 1], stack[depth, 2], stack[depth, 3]
        for k in range(3):
            box[k] = middle[k] = np.inf
            box[k + 3] = middle[k + 3] = -np.inf
        for j in range(low, high):
            i = order[j]
            for k in range(3):
                a, b = entry_boxes[i, k], entry_boxes[i, k + 3]
                if a < box[k]:
                    box[k] = a
                if b > box[k + 3]:
                    box[k + 3] = b
                if a + b < middle[k]:
                    middle[k] = a + b
                if a + b > middle[k + 3]:
                    middle[k + 3] = a + b
        for k in range(3):
            boxes[node, k] = single_below(box[k])
            boxes[node, k + 3] = single_above(box[k + 3])
        count = high - low
        if count <= leaf:
            links[node, 0], links[node, 1] = low, count
            continue
        axis = 0
        for k in range(1, 3):
            if middle[k + 3] - middle[k] > middle[axis + 3] - middle[axis]:
                axis = k
        extent = middle[axis + 3] - middle[axis]
        cut = -1
        if extent > 1e-12 and level < _HALVE_FROM:
            for b in range(_BINS):
                bin_count[b] = 0
                for k in range(3):
                    bin_boxes[b, k] = np.inf
                    bin_boxes[b, k + 3] = -np.inf
            scale = _BINS * (1.0 - 1e-9) / extent
            for j in range(low, high):
                i = order[j]
                b = int((entry_boxes[i, axis] + entry_boxes[i, axis + 3] - middle[axis]) * scale)
                bin_count[b] += 1
                for k in range(3):
                    if entry_boxes[i, k] < bin_boxes[b, k]:
                        bin_boxes[b, k] = entry_boxes[i, k]
                    if entry_boxes[i, k + 3] > bin_boxes[b, k + 3]:
                        bin_boxes[b, k + 3] = entry_boxes[i, k + 3]
            for k in range(3):
                box[k], box[k + 3] = np.inf, -np.inf
            held = 0
            for b in range(_BINS - 1, 0, -1):
                held += bin_count[b]
                for k in range(3):
                    box[k] = min(box[k], bin_boxes[b, k])
                    box[k + 3] = max(box[k + 3], bin_boxes[b, k + 3])
                x, y, z = box[3] - box[0], box[4] - box[1], box[5] - box[2]
                right_cost[b] = (x * y + y * z + z * x) * held if held > 0 else 0.0
            for k in range(3):
                box[k], box[k + 3] = np.inf, -np.inf
            held = 0
            cheapest = np.inf
            best_bin = -1
            for b in range(_BINS - 1):
                held += bin_count[b]
                for k in range(3):
                    box[k] = min(box[k], bin_boxes[b, k])
                    box[k + 3] = max(box[k + 3], bin_boxes[b, k + 3])
                if held == 0 or held == count:
                    continue
                x, y, z = box[3] - box[0], box[4] - box[1], box[5] - box[2]
                cost = (x * y + y * z + z * x) * held + right_cost[b + 1]
                if cost < cheapest:
                    cheapest = cost
                    best_bin = b
            if best_bin >= 0:
                left, right = low, high - 1
                while left <= right:
                    i = order[left]
                    if int((entry_boxes[i, axis] + entry_boxes[i, axis + 3] - middle[axis]) * scale) <= best_bin:
                        left += 1
                    else:
                        order[left] = order[right]
                        order[right] = i
                        right -= 1
                cut = left
        if cut <= low or cut >= high:
            cut = (low + high) // 2
        child = base + nodes
        nodes += 2
        links[node, 0], links[node, 1] = child, 0
        for side in range(2):
            stack[depth, 0] = child + 1 - side
            stack[depth, 1] = cut if side == 0 else low
            stack[depth, 2] = high if side == 0 else cut
            stack[depth, 3] = level + 1
            depth += 1
    return nodes


@compiled_bare
def box_gap2(boxes: Singles, node: int, lx: float, ly: float, lz: float, hx: float, hy: float, hz: float) -> float:
    """Return the squared gap between a node's box and the box l..h; 0 where they meet."""
    gap = max(boxes[node, 0] - hx, lx - boxes[node, 3], 0.0)
    gap2 = gap * gap
    gap = max(boxes[node, 1] - hy, ly - boxes[node, 4], 0.0)
    gap2 += gap * gap
    gap = max(boxes[node, 2] - hz, lz - boxes[node, 5], 0.0)
    return float(gap2 + gap * gap)


@compiled_bare
def segment_misses(
    boxes: Singles, node: int, px: float, py: float, pz: float, dx: float, dy: float, dz: float, reach: float
) -> bool:
    """Return True when the segment p..p+d surely stays farther than ``reach`` from a node's box."""
    return segment_misses_box(
        boxes[node, 0], boxes[node, 1], boxes[node, 2], boxes[node, 3], boxes[node, 4], boxes[node, 5],
        px, py, pz, dx, dy, dz, reach,
    )  # fmt: skip


@compiled
def segment_misses_box(
    lx: float,
    ly: float,
    lz: float,
    hx: float,
    hy: float,
    hz: float,
    px: float,
    py: float,
    pz: float,
    dx: float,
    dy: float,
    dz: float,
    reach: float,
) -> bool:
    """Return True when the segment p..p+d surely stays farther than ``reach`` from the box l..h."""
    first = 0.0
    last = 1.0
    grown = reach + 1e-9  # a box that is only touched is not missed
    if abs(dx) > 1e-12:
        a = (lx - grown - px) / dx
        b = (hx + grown - px) / dx
        first = max(first, min(a, b))
        last = min(last, max(a, b))
    if abs(dy) > 1e-12:
        a = (ly - grown - py) / dy
        b = (hy + grown - py) / dy
        first = max(first, min(a, b))
        last = min(last, max(a, b))
    if abs(dz) > 1e-12:
        a = (lz - grown - pz) / dz
        b = (hz + grown - pz) / dz
        first = max(first, min(a, b))
        last = min(last, max(a, b))
    return first > last
