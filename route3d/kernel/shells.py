"""What hangs together in a mesh: its shells, which of them are the closed skin of a solid, and what is inside what."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.closed import MERGE_M, THINNEST_M
from route3d.kernel.compiled import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

_PAIRS_MAX = 20_000_000  # comparisons of shells with shells


class Shells(NamedTuple):
    """The shells of a mesh of n triangles, k shells."""

    shell: Ints  # (n,): the shell of each triangle; -1 where its corners are not three different points
    closed: Flags  # (k,): see ``closed.is_closed``
    volume_m3: Floats  # (k,): signed, negative where the faces look inward; of closed shells only, else 0
    repeated: Flags  # (n,): a triangle without area that lies on an edge or a corner of others: it adds nothing


def find_shells(triangles_m: ArrayLike) -> Shells:
    """Return the shells of triangles (n, 3, 3), all finite: triangles that share an edge belong together.

    Corners are merged on a grid of ``MERGE_M``, and closed means what it means in ``closed.is_closed``.
    """
    corners = np.ascontiguousarray(np.asarray(triangles_m, dtype=np.float64).reshape(-1, 9))
    number, points = _numbered(corners)
    shell, leaking, repeated = _linked(number, points)
    volume, area = _measured(corners, shell, len(leaking))
    closed = ~leaking & (np.abs(volume) > 0.5 * THINNEST_M * area)
    return Shells(shell, closed, np.where(closed, volume, 0.0), repeated)


def bodies(triangles_m: Floats, found: Shells) -> Ints:
    """Return the body (k,) of each shell: a closed shell inside out and within another one is a cavity of that one."""
    count = len(found.closed)
    body = np.arange(count)
    outer, inner = np.flatnonzero(found.volume_m3 > 0.0), np.flatnonzero(found.volume_m3 < 0.0)
    if len(outer) == 0 or len(inner) == 0:
        return body
    if len(outer) * len(inner) > _PAIRS_MAX:
        body[found.closed] = outer[0]  # too many to sort out: one body, as drawn
        return body
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    used = found.shell >= 0
    np.minimum.at(low, found.shell[used], triangles_m[used].min(axis=1))
    np.maximum.at(high, found.shell[used], triangles_m[used].max(axis=1))
    by_size = outer[np.argsort(found.volume_m3[outer], kind="stable")]
    for shell in inner.tolist():
        about = (low[by_size] <= low[shell]).all(axis=1) & (high[by_size] >= high[shell]).all(axis=1)
        about &= found.volume_m3[by_size] > -found.volume_m3[shell]
        if about.any():
            body[shell] = by_size[int(np.argmax(about))]
    return body


@compiled
def _place(table: Ints, keys: Ints, a: int, b: int, c: int) -> int:
    """Return the place in a hash table where the key (a, b, c) is, or the free one where it belongs."""
    mask = len(table) - 1
    mixed = (a * 73856093) ^ (b * 19349663) ^ (c * 83492791)
    place = (mixed ^ (mixed >> 17)) & mask
    while table[place] >= 0:
        k = table[place]
        if keys[k, 0] == a and keys[k, 1] == b and keys[k, 2] == c:
            break
        place = (place + 1) & mask
    return place


@compiled
def _roomy(count: int) -> int:
    """Return a power of two that is at least twice a count."""
    size = 8
    while size < 2 * count:
        size *= 2
    return size


@compiled
def _numbered(corners: Floats) -> tuple[Ints, int]:
    """Return the merged corner numbers (n, 3) and how many there are."""
    count = len(corners)
    number = np.empty((count, 3), np.int64)
    if count == 0:
        return number, 0
    low = np.empty(3)
    for k in range(3):
        low[k] = min(corners[:, k].min(), corners[:, k + 3].min(), corners[:, k + 6].min())
    table = np.full(_roomy(3 * count), -1)
    keys = np.empty((3 * count, 3), np.int64)
    points = 0
    for i in range(count):
        for side in range(3):
            a = int(np.rint((corners[i, 3 * side] - low[0]) / MERGE_M))
            b = int(np.rint((corners[i, 3 * side + 1] - low[1]) / MERGE_M))
            c = int(np.rint((corners[i, 3 * side + 2] - low[2]) / MERGE_M))
            place = _place(table, keys, a, b, c)
            if table[place] < 0:
                table[place] = points
                keys[points, 0], keys[points, 1], keys[points, 2] = a, b, c
                points += 1
            number[i, side] = table[place]
    return number, points


@compiled
def _root(parent: Ints, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@compiled
def _linked(number: Ints, points: int) -> tuple[Ints, Flags, Flags]:
    """Return the shell of each triangle, which shells have an edge that is not walked both ways, and what repeats."""
    count = len(number)
    table = np.full(_roomy(3 * count), -1)
    keys = np.empty((3 * count, 3), np.int64)
    balance = np.zeros(3 * count, np.int64)
    owner = np.empty(3 * count, np.int64)
    parent = np.arange(count)
    used = np.zeros(points, np.bool_)
    edges = 0
    for i in range(count):
        if number[i, 0] == number[i, 1] or number[i, 1] == number[i, 2] or number[i, 2] == number[i, 0]:
            continue
        for side in range(3):
            a, b = number[i, side], number[i, (side + 1) % 3]
            used[a] = True
            place = _place(table, keys, min(a, b), max(a, b), 0)
            if table[place] < 0:
                table[place] = edges
                keys[edges, 0], keys[edges, 1], keys[edges, 2] = min(a, b), max(a, b), 0
                owner[edges] = i
                edges += 1
            else:
                first, second = _root(parent, owner[table[place]]), _root(parent, i)
                # the earlier triangle leads, so that shells are numbered in the order of the file
                parent[max(first, second)] = min(first, second)
            balance[table[place]] += 1 if a < b else -1

    shell = np.full(count, -1)
    repeated = np.zeros(count, np.bool_)
    shells = 0
    for i in range(count):
        a, b, c = number[i, 0], number[i, 1], number[i, 2]
        if a == b or b == c or c == a:
            low, high = min(a, b, c), max(a, b, c)
            if low == high:
                repeated[i] = used[low]
            else:
                repeated[i] = table[_place(table, keys, low, high, 0)] >= 0
            continue
        root = _root(parent, i)
        if root == i:
            shell[i] = shells
            shells += 1
        else:
            shell[i] = shell[root]
    leaking = np.zeros(shells, np.bool_)
    for edge in range(edges):
        if balance[edge] != 0:
            leaking[shell[owner[edge]]] = True
    return shell, leaking, repeated


@compiled
def _measured(corners: Floats, shell: Ints, shells: int) -> tuple[Floats, Floats]:
    """Return signed volume and area (k,) of each shell; volumes about the first corner of each, to keep the digits."""
    volume, area = np.zeros(shells), np.zeros(shells)
    about = np.zeros((shells, 3))
    seen = np.zeros(shells, np.bool_)
    for i in range(len(corners)):
        k = shell[i]
        if k < 0:
            continue
        if not seen[k]:
            about[k, 0], about[k, 1], about[k, 2] = corners[i, 0], corners[i, 1], corners[i, 2]
            seen[k] = True
        ux, uy, uz = corners[i, 3] - corners[i, 0], corners[i, 4] - corners[i, 1], corners[i, 5] - corners[i, 2]
        vx, vy, vz = corners[i, 6] - corners[i, 0], corners[i, 7] - corners[i, 1], corners[i, 8] - corners[i, 2]
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        ax, ay, az = corners[i, 0] - about[k, 0], corners[i, 1] - about[k, 1], corners[i, 2] - about[k, 2]
        area[k] += 0.5 * math.sqrt(nx * nx + ny * ny + nz * nz)
        volume[k] += (ax * nx + ay * ny + az * nz) / 6.0
    return volume, area
