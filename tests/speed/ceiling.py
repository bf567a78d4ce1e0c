"""A seeded ceiling (deck, joists, ducts, pipes, hangers, boxes) of any size at one density, and runs through it."""

from __future__ import annotations

import math
from itertools import product

import numpy as np

DECK_M, CEILING_M = 3.6, 2.7
BAY_M = 3.0
ALIKE_AFTER = 40  # bays; a larger ceiling repeats itself


def slab(centre, size):
    """Twelve triangles of a box."""
    corner = np.array([[i, j, k] for i in (-0.5, 0.5) for j in (-0.5, 0.5) for k in (-0.5, 0.5)]) * size + centre
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return np.array([corner[[a, b, c]] for a, b, c, d in quads] + [corner[[a, c, d]] for a, b, c, d in quads])


def rod(start, stop, radius, sides):
    """A closed prism with ``sides`` sides around a line."""
    start, stop = np.asarray(start, float), np.asarray(stop, float)
    axis = (stop - start) / np.linalg.norm(stop - start)
    side = np.cross(axis, [0.0, 0.0, 1.0] if abs(axis[2]) < 0.9 else [1.0, 0.0, 0.0])
    side /= np.linalg.norm(side)
    turn = 2 * np.pi * np.arange(sides) / sides
    ring = radius * (np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * np.cross(axis, side))
    a, b = start + ring, stop + ring
    a2, b2 = np.roll(a, -1, 0), np.roll(b, -1, 0)
    caps = [np.stack([np.broadcast_to(p, a.shape), q, r], 1) for p, q, r in ((start, a2, a), (stop, b, b2))]
    return np.concatenate([np.stack([a, a2, b2], 1), np.stack([a, b2, b], 1), *caps])


def ribbed_deck(x, y, length, width):
    """A sheet with ribs every 150 mm: long thin strips."""
    across = np.arange(0.0, width + 1e-9, 0.0375)
    height = DECK_M + 0.038 * (np.arange(len(across)) // 2 % 2)
    near = np.stack([np.full_like(across, x), y + across, height], 1)
    far = near + np.array([length, 0, 0])
    return np.concatenate([np.stack([near[:-1], far[:-1], far[1:]], 1), np.stack([near[:-1], far[1:], near[1:]], 1)])


def joist(x, y, length):
    """Four chord angles as boxes and a zigzag of rods."""
    parts = [slab([x + side, y + length / 2, z], [0.04, length, 0.006]) for side in (-0.03, 0.03) for z in (3.25, 3.58)]
    step = length / 12
    for k in range(12):
        low, high = (3.25, 3.58) if k % 2 else (3.58, 3.25)
        parts.append(rod([x, y + k * step, low], [x, y + (k + 1) * step, high], 0.006, 8))
    return np.concatenate(parts)


def bay(rng, x, y):
    """The elements over one bay of ``BAY_M`` by ``BAY_M``."""
    yield ribbed_deck(x, y, BAY_M, 0.9 * BAY_M)
    yield joist(x + 0.3, y, BAY_M)
    yield joist(x + 1.8, y, BAY_M)
    z = rng.uniform(2.95, 3.1)
    yield np.concatenate(
        [slab([x + 1.5, y + 0.8, z], [BAY_M, 0.6, 0.3]), slab([x + 0.02, y + 0.8, z], [0.03, 0.66, 0.36])]
    )
    for side in (-0.35, 0.35):
        yield rod([x + 1.0, y + 0.8 + side, z - 0.17], [x + 1.0, y + 0.8 + side, DECK_M], 0.005, 8)
    for offset, radius in ((1.5, 0.055), (1.7, 0.03), (2.2, 0.0165)):
        height = rng.uniform(2.85, 3.4)
        yield rod([x, y + offset, height], [x + BAY_M, y + offset, height], radius, 20)
        yield rod([x + 0.5, y + offset, height], [x + 0.58, y + offset, height], radius + 0.008, 20)
        yield rod([x + 1.5, y + offset, height + radius], [x + 1.5, y + offset, DECK_M], 0.005, 8)
    drop = x + rng.uniform(0.3, 2.7)
    yield rod([drop, y + 2.2, 3.2], [drop, y + 2.2, CEILING_M], 0.0165, 20)
    yield rod([drop, y + 2.2, CEILING_M], [drop, y + 2.2, CEILING_M - 0.02], 0.03, 24)
    for _ in range(4):
        place = [x + rng.uniform(0.2, 2.8), y + rng.uniform(0.2, 2.8), rng.uniform(2.8, 3.5)]
        yield slab(place, rng.uniform(0.08, 0.3, 3))
    for k in range(5):
        yield slab([x + 0.3 + 0.6 * k, y + BAY_M / 2, CEILING_M], [0.024, BAY_M, 0.038])
        yield slab([x + 0.3 + 0.6 * k, y + 0.6, CEILING_M + 0.012], [0.57, 1.18, 0.018])


def ceiling(count, seed=0):
    """Triangles (n, 3, 3), starts, and the size of a square ceiling with about ``count`` triangles."""
    rng = np.random.default_rng(seed)
    per_bay = sum(len(part) for part in bay(rng, 0.0, 0.0))
    side = max(1, round(math.sqrt(count / per_bay)))
    blocks: dict[tuple[int, int], list[np.ndarray]] = {}
    elements = []
    for i, j in product(range(side), range(side)):
        key = i % ALIKE_AFTER, j % ALIKE_AFTER
        if key not in blocks:
            blocks[key] = list(bay(rng, 0.0, 0.0))
        elements.extend(part + np.array([i * BAY_M, j * BAY_M, 0.0]) for part in blocks[key])
    starts = np.concatenate([[0], np.cumsum([len(part) for part in elements])])
    return np.concatenate(elements), starts, side * BAY_M


def runs(count, size, seed=1):
    """Runs of about 30 m: level legs at right angles and drops, joined by tangent arcs."""
    rng = np.random.default_rng(seed)
    rows, starts = [], [0]
    radius = rng.choice([0.004, 0.006, 0.01, 0.0125], count)
    for _ in range(count):
        here = np.array([*rng.uniform(0.1 * size, 0.9 * size, 2), rng.uniform(2.8, 3.5)])
        axis, at = int(rng.integers(2)), 0.0
        tangent = np.eye(3)[axis] * rng.choice([-1, 1])
        bend = rng.uniform(0.08, 0.3)
        while at < 30.0:
            length = rng.uniform(0.7, 3.5) if abs(tangent[2]) < 0.5 else rng.uniform(0.02, 0.2)
            target = here + tangent * (length + 2 * bend)
            if abs(tangent[2]) < 0.5 and not (target.min() > 0 and target[:2].max() < size):
                length = 0.05
            row = np.zeros(14)
            row[1], row[2], row[3:6], row[9:12] = at, length, here, tangent
            rows.append(row)
            at += length
            here = here + length * tangent
            away = np.eye(3)[int(rng.integers(3))] * rng.choice([-1, 1])
            middle = np.array([size / 2, size / 2, 3.15])
            if abs(away @ tangent) > 0.5:
                away = np.roll(tangent, 1) if abs(tangent[2]) < 0.5 else np.eye(3)[0]
            if away @ (here - middle) > 0 and rng.random() < 0.7:
                away = -away
            arc = np.zeros(14)
            arc[0], arc[1], arc[2], arc[12], arc[13] = 1.0, at, bend * np.pi / 2, bend, np.pi / 2
            arc[3:6], arc[6:9], arc[9:12] = here + bend * away, -away, tangent
            rows.append(arc)
            at += arc[2]
            here, tangent = here + bend * (away + tangent), away
        starts.append(len(rows))
    return np.array(rows), np.array(starts), radius
