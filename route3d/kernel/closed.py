"""Is a mesh the closed skin of a solid, and which way do its faces look?"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, connected_components

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MERGE_M = 1e-6  # corners that fall on the same point of a grid of this step are one
THINNEST_M = 1e-6  # a skin that holds less than this times half its area holds nothing


def is_closed(triangles_m: ArrayLike) -> bool:
    """Return True when the triangles (n, 3, 3) are the closed skin of a solid, with faces that agree about outside.

    Corners are merged on a grid of ``MERGE_M``. Closed means that every edge is walked as often in one direction as
    in the other, and that the skin holds a volume. A corner that meets another face's edge somewhere between its ends
    leaves the skin open. Whether the faces look outward or inward does not matter.
    """
    corners = _triangles(triangles_m)
    faces = _faces(corners)
    if len(faces) == 0:
        return False
    walked = _edges(faces)
    low, high = walked.min(axis=1), walked.max(axis=1)
    direction = np.where(walked[:, 0] == low, 1, -1)
    _, edge = np.unique(np.stack([low, high], axis=1), axis=0, return_inverse=True)
    if np.bincount(edge.reshape(-1), weights=direction).any():
        return False
    return _holds_volume(corners)


def orient(triangles_m: ArrayLike) -> Floats | None:
    """Return a copy of the triangles (n, 3, 3) in which all faces look outward, or None if the mesh is not closed.

    Each connected shell is oriented on its own, so that a shell within another one counts as solid too. Every edge
    must be shared by exactly two faces; triangles without area are kept as they are.
    """
    corners = _triangles(triangles_m)
    merged = _merged(corners)
    solid = _with_area(merged)
    faces = merged[solid]
    if len(faces) == 0:
        return None
    walked = _edges(faces)
    low, high = walked.min(axis=1), walked.max(axis=1)
    _, edge, shared = np.unique(np.stack([low, high], axis=1), axis=0, return_inverse=True, return_counts=True)
    if (shared != 2).any():
        return None
    by_edge = np.argsort(edge.reshape(-1), kind="stable").reshape(-1, 2)
    owner = by_edge % len(faces)  # edges were listed first sides first
    first, second = owner[:, 0], owner[:, 1]
    agree = walked[by_edge[:, 0], 0] != walked[by_edge[:, 1], 0]
    flip = _flips(len(faces), first, second, agree)
    if flip is None:
        return None
    turned = corners.copy()
    flipped = np.flatnonzero(solid)[flip]
    turned[flipped] = turned[flipped][:, ::-1]
    count, shell = _shells(len(faces), first, second)
    volume = np.bincount(shell, weights=_volumes(turned[solid], turned[solid].mean(axis=(0, 1))), minlength=count)
    inward = np.flatnonzero(solid)[volume[shell] < 0.0]
    turned[inward] = turned[inward][:, ::-1]
    return turned if _holds_volume(turned) else None


def _triangles(triangles_m: ArrayLike) -> Floats:
    corners = np.array(triangles_m, dtype=np.float64)
    return corners.reshape(-1, 3, 3)


def _merged(corners: Floats) -> Ints:
    """Return the merged corner numbers (n, 3)."""
    if len(corners) == 0:
        return np.empty((0, 3), np.int64)
    points = corners.reshape(-1, 3) - corners.reshape(-1, 3).min(axis=0)
    _, number = np.unique(np.rint(points / MERGE_M), axis=0, return_inverse=True)
    return number.reshape(-1, 3).astype(np.int64)


def _with_area(merged: Ints) -> NDArray[np.bool_]:
    """Return which faces (n,) have three different corners."""
    a, b, c = merged[:, 0], merged[:, 1], merged[:, 2]
    return np.asarray((a != b) & (b != c) & (c != a))


def _faces(corners: Floats) -> Ints:
    merged = _merged(corners)
    return merged[_with_area(merged)]


def _edges(faces: Ints) -> Ints:
    """Return the edges (3n, 2) as they are walked: all first sides, all second sides, all third sides."""
    return np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])


def _volumes(corners: Floats, about: Floats) -> Floats:
    a, b, c = (corners[:, k] - about for k in range(3))
    return np.asarray(np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0)


def _holds_volume(corners: Floats) -> bool:
    volume = abs(float(_volumes(corners, corners.mean(axis=(0, 1))).sum()))
    sides = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = 0.5 * float(np.linalg.norm(sides, axis=1).sum())
    return volume > 0.5 * THINNEST_M * area


def _shells(count: int, first: Ints, second: Ints) -> tuple[int, Ints]:
    graph = coo_array((np.ones(len(first), np.int8), (first, second)), shape=(count, count))
    shells, shell = connected_components(graph, directed=False)
    return int(shells), np.asarray(shell, dtype=np.int64)


def _flips(count: int, first: Ints, second: Ints, agree: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    """Return which faces to turn so that all neighbours agree; None where that cannot be (a one-sided surface)."""
    graph = coo_array((np.ones(len(first), np.int8), (first, second)), shape=(count, count)).tocsr()
    disagreement = {
        **dict(zip(zip(first.tolist(), second.tolist(), strict=True), (~agree).tolist(), strict=True)),
        **dict(zip(zip(second.tolist(), first.tolist(), strict=True), (~agree).tolist(), strict=True)),
    }
    flip = np.zeros(count, dtype=bool)
    _, shell = _shells(count, first, second)
    _, seeds = np.unique(shell, return_index=True)
    for seed in seeds.tolist():
        order, before = breadth_first_order(graph, seed, directed=False)
        for face in order[1:].tolist():
            flip[face] = flip[before[face]] ^ disagreement[(int(before[face]), face)]
    wrong = (flip[first] ^ flip[second]) != ~agree
    return None if wrong.any() else flip
