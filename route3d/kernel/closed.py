"""Is a mesh the closed skin of a solid, and which way do its faces look?"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.compiled import compiled, in_parts
from route3d.kernel.groups import components as components  # readers ask for it here

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

MERGE_M = 1e-6  # corners that fall on the same point of a grid of this step are one
THINNEST_M = 1e-6  # a skin that holds less than this times half its area holds nothing


def is_closed(triangles_m: ArrayLike) -> bool:
    """Return True when the triangles (n, 3, 3) are the closed skin of a solid, with faces that agree about outside.

    Corners are merged on a grid of ``MERGE_M``. Closed means that every edge is walked as often in one direction as
    in the other, and that the skin holds a volume. A corner that meets another face's edge somewhere between its ends
    leaves the skin open. Whether the faces look outward or inward does not matter.
    """
    corners = _triangles(triangles_m)
    return bool(closed_elements(corners, [0, len(corners)])[0])


def closed_elements(triangles_m: ArrayLike, starts: ArrayLike) -> NDArray[np.bool_]:
    """Return of each element of a model (elements,) what ``is_closed`` says of its triangles.

    ``triangles_m`` (n, 3, 3) and ``starts`` (elements + 1,) are those of ``build_index``.
    """
    flat = np.ascontiguousarray(_triangles(triangles_m).reshape(-1, 9))
    firsts = np.array(starts, dtype=np.int64)

    def look(first: int, last: int) -> NDArray[np.bool_]:
        return _closed_range(first, last, flat, firsts)

    parts = in_parts(look, np.diff(firsts), 20_000) if len(firsts) > 1 else []
    answer = np.concatenate(parts) if parts else np.zeros(0, dtype=bool)
    answer.setflags(write=False)
    return answer


@compiled
def _slot(table: Ints, keys: Ints, a: int, b: int, c: int, mask: int) -> int:
    """Return the place in a hash table where the key (a, b, c) is, or the free one where it belongs."""
    place = ((a * 73856093) ^ (b * 19349663) ^ (c * 83492791)) & mask
    while table[place] >= 0:
        k = table[place]
        if keys[k, 0] == a and keys[k, 1] == b and keys[k, 2] == c:
            break
        place = (place + 1) & mask
    return place


@compiled
def _closed_range(first: int, last: int, corners: Floats, starts: Ints) -> NDArray[np.bool_]:
    answer = np.zeros(last - first, np.bool_)
    for element in range(first, last):
        low, high = starts[element], starts[element + 1]
        count = high - low
        if count > 0:
            answer[element - first] = _closed(corners[low:high])
    return answer


@compiled
def _closed(corners: Floats) -> bool:
    count = len(corners)
    size = 8
    while size < 6 * count:  # at most half full
        size *= 2
    mask = size - 1
    about = np.empty(3)
    for k in range(3):
        about[k] = min(corners[:, k].min(), corners[:, k + 3].min(), corners[:, k + 6].min())
    table = np.full(size, -1)
    keys = np.empty((3 * count, 3), np.int64)
    number = np.empty((count, 3), np.int64)
    points = 0
    volume = 0.0
    area = 0.0
    for i in range(count):
        for side in range(3):
            a = int(np.rint((corners[i, 3 * side] - about[0]) / MERGE_M))
            b = int(np.rint((corners[i, 3 * side + 1] - about[1]) / MERGE_M))
            c = int(np.rint((corners[i, 3 * side + 2] - about[2]) / MERGE_M))
            place = _slot(table, keys, a, b, c, mask)
            if table[place] < 0:
                table[place] = points
                keys[points, 0], keys[points, 1], keys[points, 2] = a, b, c
                points += 1
            number[i, side] = table[place]
        ux, uy, uz = corners[i, 3] - corners[i, 0], corners[i, 4] - corners[i, 1], corners[i, 5] - corners[i, 2]
        vx, vy, vz = corners[i, 6] - corners[i, 0], corners[i, 7] - corners[i, 1], corners[i, 8] - corners[i, 2]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        area += 0.5 * math.sqrt(nx * nx + ny * ny + nz * nz)
        ax, ay, az = corners[i, 0] - about[0], corners[i, 1] - about[1], corners[i, 2] - about[2]
        volume += (ax * nx + ay * ny + az * nz) / 6.0
    if abs(volume) <= 0.5 * THINNEST_M * area:
        return False
    table[:] = -1
    balance = np.zeros(3 * count, np.int64)
    edges = 0
    for i in range(count):
        if number[i, 0] == number[i, 1] or number[i, 1] == number[i, 2] or number[i, 2] == number[i, 0]:
            continue
        for side in range(3):
            a, b = number[i, side], number[i, (side + 1) % 3]
            place = _slot(table, keys, min(a, b), max(a, b), 0, mask)
            if table[place] < 0:
                table[place] = edges
                keys[edges, 0], keys[edges, 1], keys[edges, 2] = min(a, b), max(a, b), 0
                edges += 1
            balance[table[place]] += 1 if a < b else -1
    for k in range(edges):
        if balance[k] != 0:
            return False
    return edges > 0


def turn_outward(triangles_m: ArrayLike, starts: ArrayLike) -> tuple[Floats, Flags]:
    """Return the triangles (n, 3, 3) with the faces of every closed mesh looking outward, and which (k,) are closed.

    ``starts`` (k + 1,) are the first triangles of the meshes and the end of the last. Corners are merged on a grid of
    ``MERGE_M``. Closed is a mesh when every edge is shared by exactly two of its faces, when its faces can agree about
    outside, and when it holds a volume. Each connected shell is turned on its own, so that a shell within another one
    counts as solid too. Meshes that are not closed and triangles without area come back as they are.
    """
    corners = _triangles(triangles_m)
    first_of = np.asarray(starts, dtype=np.int64)
    count = len(first_of) - 1
    mesh_of = np.repeat(np.arange(count), np.diff(first_of))
    closed = np.zeros(count, dtype=bool)
    if len(corners) == 0:
        return corners, closed
    merged = _numbers(corners, first_of, mesh_of)
    solid = np.flatnonzero(
        (merged[:, 0] != merged[:, 1]) & (merged[:, 1] != merged[:, 2]) & (merged[:, 2] != merged[:, 0])
    )
    faces, mesh = merged[solid], mesh_of[solid]
    edge, uses, upward = edges_of(faces)
    torn = np.zeros(count, dtype=bool)
    torn[mesh[np.flatnonzero(uses[edge] != 2) // 3]] = True
    if torn.any():
        whole = ~torn[mesh]
        solid, faces, mesh = solid[whole], faces[whole], mesh[whole]
        edge, _, upward = edges_of(faces)
    if len(faces) == 0:
        return corners, closed
    pairs = np.argsort(edge, kind="stable").reshape(-1, 2)
    shell, flip, one_sided = agreeing(len(faces), pairs // 3, upward[pairs[:, 0]] != upward[pairs[:, 1]])
    closed[mesh] = True
    closed[mesh[one_sided]] = False
    turned = corners[solid]
    turned[flip] = turned[flip][:, ::-1]
    volume, area = _volumes_and_areas(turned, mesh, count)
    of_shell = np.bincount(shell, weights=volume)
    inward = of_shell[shell] < 0.0
    turned[inward] = turned[inward][:, ::-1]
    volume = np.where(inward, -volume, volume)
    closed &= np.abs(np.bincount(mesh, weights=volume, minlength=count)) > 0.5 * THINNEST_M * np.bincount(
        mesh, weights=area, minlength=count
    )
    done = closed[mesh]
    corners[solid[done]] = turned[done]
    return corners, closed


def orient(triangles_m: ArrayLike) -> Floats | None:
    """Return the triangles (n, 3, 3) of one mesh with all faces looking outward, or None if it is not closed."""
    corners = _triangles(triangles_m)
    turned, closed = turn_outward(corners, [0, len(corners)])
    return turned if closed[0] else None


def _triangles(triangles_m: ArrayLike) -> Floats:
    corners = np.array(triangles_m, dtype=np.float64)
    return corners.reshape(-1, 3, 3)


def edges_of(faces: Ints) -> tuple[Ints, Ints, Flags]:
    """Return for the sides (3 n,) of faces (n, 3), face by face, their edge's number and whether they go upwards in
    the numbers of the corners; and how many sides use each edge."""
    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    low, high = np.minimum(start, end), np.maximum(start, end)
    _, number, uses = np.unique(low * (int(faces.max(initial=0)) + 1) + high, return_inverse=True, return_counts=True)
    return np.asarray(number.reshape(-1), dtype=np.int64), np.asarray(uses, dtype=np.int64), np.asarray(start < end)


def agreeing(count: int, pairs: Ints, agree: Flags) -> tuple[Ints, Flags, Flags]:
    """Return for each of ``count`` faces its shell, whether to turn it over, and whether its shell has one side only.

    ``pairs`` (m, 2) are faces that share an edge, ``agree`` (m,) whether they look the same way as drawn. Every face
    stands twice in a graph, as it is and turned over (its number + count): neighbours that agree hang together as
    they are, the others crosswise. A face that hangs together with itself turned over is on a one-sided surface.
    The first face of each shell stays as it is.
    """
    one, other = pairs[:, 0], pairs[:, 1]
    shell = components(one, other, count)
    cross = np.where(agree, 0, count)
    ends = np.concatenate([one, one + count]), np.concatenate([other + cross, other + count - cross])
    twice = components(*ends, 2 * count)
    first = np.unique(shell, return_index=True)[1]
    flip = twice[:count] != twice[first][shell]
    return shell, np.asarray(flip), np.asarray(twice[:count] == twice[count:])


def _numbers(corners: Floats, first_of: Ints, mesh_of: Ints) -> Ints:
    """Return the merged corner numbers (n, 3); corners of different meshes never share one."""
    filled = first_of[:-1][np.diff(first_of) > 0]
    low = np.minimum.reduceat(corners.min(axis=1), filled, axis=0)
    row = np.repeat(np.arange(len(filled)), np.diff(np.append(filled, len(corners))))
    grid = np.rint((corners - low[row][:, None]) / MERGE_M).astype(np.int64).reshape(-1, 3)
    mesh = np.repeat(mesh_of, 3)
    with np.errstate(over="ignore"):
        key = (grid[:, 0] + mesh * np.int64(0x2545F4914F6CDD1D)) * np.int64(0x1E3779B97F4A7C15)
        key ^= grid[:, 1] * np.int64(0x42B2AE3D27D4EB4F)
        key ^= (key >> 29) + grid[:, 2] * np.int64(0x165667B19E3779F9)
    _, first, number = np.unique(key, return_index=True, return_inverse=True)
    number = number.reshape(-1)
    same = first[number]
    if not ((grid[same] == grid).all() and (mesh[same] == mesh).all()):
        # two places met in one key
        _, number = np.unique(np.column_stack([mesh, grid]), axis=0, return_inverse=True)
    return np.asarray(number.reshape(-1, 3), dtype=np.int64)


def _volumes_and_areas(triangles: Floats, mesh: Ints, count: int) -> tuple[Floats, Floats]:
    """Return what each triangle (n,) adds to the volume of its mesh, about the mean of its corners, and its area."""
    share = np.bincount(mesh, minlength=count)[mesh]
    middle = np.stack(
        [np.bincount(mesh, weights=triangles[:, :, k].sum(axis=1), minlength=count)[mesh] for k in range(3)], axis=1
    ) / (3.0 * share[:, None])
    a, b, c = (triangles[:, k] - middle for k in range(3))
    cross = np.cross(b - a, c - a)
    return np.einsum("ij,ij->i", a, cross) / 6.0, 0.5 * np.linalg.norm(cross, axis=1)
