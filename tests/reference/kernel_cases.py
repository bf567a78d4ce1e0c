"""Random hard cases for the clearance kernel, judged by the slow plain code of ``kernel_truth``.

A scene is ten pieces, each a path, and twenty triangles, each an element: two hundred cases. Triangles are fat,
slivers down to a height of 1e-9 m, segments, points, or of sizes a thousand times apart; pieces are straight, of no
length, or arcs from one to 270 degrees, nearly straight ones among them; some lie in the plane of a triangle, touch a
corner, an edge or a face, or begin there; some scenes are at survey coordinates.
"""

from typing import NamedTuple

import numpy as np
from kernel_truth import piece_points, piece_triangles, point_triangles

from route3d.kernel.clearance import SLACK_M, nearest_elements
from route3d.kernel.mesh_index import build_index

PIECES, TRIANGLES = 10, 20
CASES = PIECES * TRIANGLES
BOUND_M = 1e-6  # twice what the kernel certifies for arcs


class Verdict(NamedTuple):
    """What one scene showed; lengths in metres."""

    above_truth: float  # how much a reported distance is above the true one, at worst
    below_truth: float
    place_off: float  # how far the distance at the reported place is from the reported one, at worst
    missed: int  # pairs in range that were not reported
    in_range: int


def unit(rng):
    v = rng.normal(size=3)
    return v / np.linalg.norm(v)


def some_triangle(rng, size):
    centre = rng.uniform(-1, 1, 3) * size
    kind = rng.integers(6)
    if kind == 0:
        return centre + rng.normal(0, 0.5, (3, 3)) * size
    if kind == 1:  # a sliver
        along = unit(rng) * rng.uniform(0.1, 2.0) * size
        return centre + rng.uniform(-1, 1, (3, 1)) * along + rng.normal(0, 1, (3, 3)) * 10.0 ** -rng.uniform(2, 9)
    if kind == 2:
        a, b = centre + rng.normal(0, 0.5, (2, 3)) * size
        return np.array([a, b, a + rng.choice([0.0, 0.5, 1.0]) * (b - a)])
    if kind == 3:
        return np.repeat(centre[None], 3, 0)
    if kind == 4:  # from a thousandth to thirty times
        return centre + rng.normal(0, 0.3, (3, 3)) * size * 10.0 ** rng.uniform(-3, 1.5)
    flat = centre + rng.normal(0, 0.5, (3, 3)) * size  # in a level or upright plane
    axis = rng.integers(3)
    flat[:, axis] = centre[axis]
    return flat


def some_piece(rng, size, triangles):
    """One row, at random or placed on a triangle."""
    start, direction = rng.uniform(-1, 1, 3) * size, unit(rng)
    across = unit(rng)
    t = triangles[rng.integers(len(triangles))]
    kind = rng.integers(6)
    share = rng.choice([0.0, 0.3, 0.5, 1.0], 3)
    share = share / share.sum() if share.sum() > 0 else np.array([1.0, 0, 0])
    if kind == 0:  # from a corner, an edge or the face
        start = share @ t
    elif kind == 1 and np.linalg.norm(t[1] - t[0]) > 1e-6:  # along an edge, or parallel to it
        direction = (t[1] - t[0]) / np.linalg.norm(t[1] - t[0])
        start = t[0] + rng.choice([0.0, 1.0]) * rng.normal(size=3) * 0.1 * size
    elif kind == 2:  # in its plane
        normal = np.cross(t[1] - t[0], t[2] - t[0])
        if np.linalg.norm(normal) > 1e-9:
            normal /= np.linalg.norm(normal)
            direction = np.cross(normal, unit(rng))
            across = np.cross(normal, direction)
            start = share @ t + rng.normal() * size * direction
    if np.linalg.norm(direction) < 1e-3:
        direction = unit(rng)
    direction = direction / np.linalg.norm(direction)
    across = across - (across @ direction) * direction
    if np.linalg.norm(across) < 1e-3:
        across = np.cross(direction, np.eye(3)[int(np.argmin(np.abs(direction)))])
    across /= np.linalg.norm(across)
    row = np.zeros(14)
    if rng.random() < 0.4:
        length = rng.choice([0.0, 1e-3, 1.0, 3.0], p=[0.1, 0.1, 0.4, 0.4]) * rng.uniform(0.5, 1) * size
        row[2], row[3:6] = length, start
        row[9:12] = direction if length > 0 else 0.0
        return row
    turn, radius = [
        (np.radians(1.0), rng.uniform(0.05, 2) * size),
        (np.radians(270.0), rng.uniform(0.02, 1) * size),
        (rng.uniform(1e-5, 1e-3), rng.uniform(100, 1000) * size),  # nearly straight
        (rng.uniform(0.02, 4.8), rng.uniform(0.02, 1.5) * size),
    ][rng.integers(4)]
    row[0], row[2], row[12], row[13] = 1.0, radius * turn, radius, turn
    row[3:6], row[6:9], row[9:12] = start - radius * across, across, direction
    return row


def judge(seed):
    """Return the verdict on one scene."""
    rng = np.random.default_rng(seed)
    size = 10.0 ** rng.uniform(-1, 1)
    shift = rng.choice([0.0, 5e5]) * np.array([1.0, -1.0, 1e-3])
    triangles = np.array([some_triangle(rng, size) for _ in range(TRIANGLES)])
    pieces = np.array([some_piece(rng, size, triangles) for _ in range(PIECES)])
    clearance = np.full(TRIANGLES, 1e5) if rng.random() < 0.5 else 10.0 ** rng.uniform(-3, 0, TRIANGLES) * size
    triangles = triangles + shift
    pieces[:, 3:6] += shift
    # survey coordinates are rounded to 6e-11 m: the truth is asked about the numbers that the kernel is given
    radius = rng.choice([0.0, 0.01], PIECES) * size
    index = build_index(triangles, np.arange(TRIANGLES + 1))
    found = nearest_elements(index, pieces, np.arange(PIECES + 1), radius, clearance)
    mine = np.full((PIECES, TRIANGLES), np.nan)
    mine[found.path, found.element] = found.distance_m
    near = triangles - shift
    truth = np.empty((PIECES, TRIANGLES))
    off = 0.0
    for k in range(PIECES):
        row = pieces[k].copy()
        row[3:6] -= shift
        truth[k] = piece_triangles(row, near)
        own = found.path == k
        place = piece_points(row, np.clip(found.at_m[own], 0.0, row[2]))
        away = np.asarray(point_triangles(place, near[found.triangle[own]]), float)
        off = max(off, float(np.abs(away - found.distance_m[own]).max(initial=0.0)))
    limit = radius[:, None] + clearance
    told = np.isfinite(mine)
    assert (mine[told] <= (limit + SLACK_M)[told]).all()
    differ = np.where(told, mine - truth, 0.0)
    return Verdict(
        above_truth=max(float(differ.max()), 0.0),
        below_truth=max(float(-differ.min()), 0.0),
        place_off=off,
        missed=int((~told & (truth <= limit)).sum()),
        in_range=int(told.sum()),
    )
