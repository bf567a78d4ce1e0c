"""The nearest place of a path to a point, for many paths and points at once; exact on arcs too."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.compiled import compiled
from route3d.kernel.mesh_index import checked_pieces, numbers_within, path_starts
from route3d.kernel.path import ORIGIN, middle_of
from route3d.kernel.piece import piece_point

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def points_on(pieces: ArrayLike, starts: ArrayLike, path: ArrayLike, at_m: ArrayLike) -> Floats:
    """Return the point (k, 3) of each path (k,) at the distance (k,) along it; beyond either end, that end."""
    rows = checked_pieces(pieces)
    firsts = path_starts(starts, len(rows))
    paths = numbers_within(path, len(firsts) - 1, "path")
    at = np.array(at_m, dtype=np.float64).reshape(-1)
    if len(at) != len(paths):
        raise ValueError("one distance is needed per path")
    return _points_each(rows, firsts, paths, at)


def feet_on(
    pieces: ArrayLike,
    starts: ArrayLike,
    path: ArrayLike,
    points_m: ArrayLike,
    from_m: ArrayLike,
    to_m: ArrayLike,
    origin_m: ArrayLike | None = None,
) -> tuple[Floats, Floats]:
    """Return distance (k,) and place (k,) of the point of each path (k,) that is nearest to each point (k, 3).

    Only places between ``from_m`` (k,) and ``to_m`` (k,) along the path are looked at; both may be infinite. It is
    computed relative to ``origin_m`` (3,), the middle of the paths if not given.
    """
    rows = checked_pieces(pieces)
    firsts = path_starts(starts, len(rows))
    paths = numbers_within(path, len(firsts) - 1, "path")
    points = np.array(points_m, dtype=np.float64).reshape(-1, 3)
    low = np.array(from_m, dtype=np.float64).reshape(-1)
    high = np.array(to_m, dtype=np.float64).reshape(-1)
    if not len(points) == len(paths) == len(low) == len(high):
        raise ValueError("one point, one beginning and one end are needed per path")
    if len(rows):
        middle = middle_of(rows) if origin_m is None else np.asarray(origin_m, dtype=np.float64)
        rows[:, ORIGIN] -= middle
        points -= middle
    return _feet_each(rows, firsts, paths, points, low, high)


@compiled
def path_point(rows: Floats, first: int, last: int, at: float) -> tuple[float, float, float]:
    """Return the point of the path that owns the rows ``first:last`` at the distance ``at`` along it."""
    low, high = first, last - 1
    while low < high:  # the last piece that begins at or before it
        middle = (low + high + 1) // 2
        if rows[middle, 1] <= at:
            low = middle
        else:
            high = middle - 1
    return piece_point(rows[low], min(max(at - rows[low, 1], 0.0), rows[low, 2]))


@compiled
def path_foot(
    rows: Floats, first: int, last: int, x: float, y: float, z: float, from_at: float, to_at: float
) -> tuple[float, float]:
    """Return distance and place of the nearest point of a path between two distances along it."""
    best2, place = np.inf, np.nan
    for p in range(first, last):
        piece = rows[p]
        low = max(from_at - piece[1], 0.0)
        high = min(to_at - piece[1], piece[2])
        if low > high:
            continue
        dx, dy, dz = x - piece[3], y - piece[4], z - piece[5]
        along_v = dx * piece[9] + dy * piece[10] + dz * piece[11]
        if piece[0] == 1.0:
            along_u = dx * piece[6] + dy * piece[7] + dz * piece[8]
            angle = math.atan2(along_v, along_u)
            foot = piece[12] * (angle if angle >= 0.0 else angle + 2.0 * math.pi)
        else:
            foot = along_v
        for k in range(3):
            # outside an arc's window the nearest place is one of its two ends, so both are tried
            s = low if k == 0 else high if k == 1 else min(max(foot, low), high)
            px, py, pz = piece_point(piece, s)
            d2 = (px - x) ** 2 + (py - y) ** 2 + (pz - z) ** 2
            if d2 < best2:
                best2, place = d2, piece[1] + s
    return math.sqrt(best2), place


@compiled
def _points_each(rows: Floats, starts: Ints, paths: Ints, at: Floats) -> Floats:
    found = np.empty((len(paths), 3))
    for k in range(len(paths)):
        i = paths[k]
        found[k, 0], found[k, 1], found[k, 2] = path_point(rows, starts[i], starts[i + 1], at[k])
    return found


@compiled
def _feet_each(
    rows: Floats, starts: Ints, paths: Ints, points: Floats, low: Floats, high: Floats
) -> tuple[Floats, Floats]:
    distance = np.empty(len(paths))
    place = np.empty(len(paths))
    for k in range(len(paths)):
        i = paths[k]
        distance[k], place[k] = path_foot(
            rows, starts[i], starts[i + 1], points[k, 0], points[k, 1], points[k, 2], low[k], high[k]
        )
    return distance, place
