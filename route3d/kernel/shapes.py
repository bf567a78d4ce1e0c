"""Small closed solids, tubes and edges, for drawing: never for measuring.

Functions that return a solid give ``(points, triangles)``: (n, 3) float64 and (m, 3) int64, faces turned outwards.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.path import ARC, AT, KIND, LENGTH, ORIGIN, RADIUS, TURN, U, V, trimmed

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Solid = tuple[Floats, Ints]

# Pieces shorter than this have no direction worth drawing.
SHORTEST_M = 1e-9
CREASE_COSINE = float(np.cos(np.radians(30.0)))  # edges where faces turn by more are drawn as lines


def box(half: Sequence[float], centre: Sequence[float] = (0.0, 0.0, 0.0)) -> Solid:
    """Return a box of half extents ``half`` (3,) about ``centre``."""
    corners = np.array([[x, y, z] for x in (-1.0, 1.0) for y in (-1.0, 1.0) for z in (-1.0, 1.0)])
    quads = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    triangles = [t for q in quads for t in ([q[0], q[1], q[2]], [q[0], q[2], q[3]])]
    return corners * np.asarray(half, dtype=np.float64) + np.asarray(centre, dtype=np.float64), np.array(triangles)


def octahedron() -> Solid:
    """Return the octahedron whose six corners are one unit from the origin along the axes."""
    points = np.array([[1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]], dtype=np.float64)
    upper = [[i, (i + 1) % 4, 4] for i in range(4)]
    lower = [[(i + 1) % 4, i, 5] for i in range(4)]
    return points, np.array(upper + lower)


def revolve(profile: Sequence[tuple[float, float]], sides: int, *, ring: bool = False) -> Solid:
    """Return the solid that a profile of (radius, z), listed upwards, sweeps about the z axis.

    With ``ring`` the profile is a closed loop, listed anticlockwise with the radius to the right.

    >>> points, triangles = revolve([(0.0, 0.0), (1.0, 0.0), (0.0, 2.0)], 4)
    >>> len(triangles)  # four in the base, four in the mantle
    8
    """
    outline = np.asarray(profile, dtype=np.float64)
    angle = 2.0 * np.pi * np.arange(sides) / sides
    points = np.empty((len(outline), sides, 3))
    points[:, :, 0] = outline[:, :1] * np.cos(angle)
    points[:, :, 1] = outline[:, :1] * np.sin(angle)
    points[:, :, 2] = outline[:, 1:]
    rows = len(outline) if ring else len(outline) - 1
    triangles = _grid(np.arange(len(outline) * sides).reshape(len(outline), sides), rows)
    flat = points.reshape(-1, 3)
    a, b, c = (flat[triangles[:, k]] for k in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    return flat, triangles[area > 1e-12]


def torus(radius: float, thickness: float, sides: int = 24, around: int = 10) -> Solid:
    """Return a ring about the z axis; ``thickness`` is the radius of its tube."""
    angle = 2.0 * np.pi * np.arange(around) / around
    loop = zip(radius + thickness * np.cos(angle), thickness * np.sin(angle), strict=True)
    return revolve([(float(r), float(z)) for r, z in loop], sides, ring=True)


def ball(radius: float, sides: int = 16) -> Solid:
    """Return a sphere about the origin."""
    angle = np.linspace(-np.pi / 2, np.pi / 2, sides // 2 + 1)
    return revolve(
        [(float(r), float(z)) for r, z in zip(radius * np.cos(angle), radius * np.sin(angle), strict=True)], sides
    )


def join(solids: Sequence[Solid]) -> Solid:
    """Return several solids as one list of points and triangles."""
    if not solids:
        return np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
    offsets = np.cumsum([0] + [len(points) for points, _ in solids[:-1]])
    triangles = [faces + offset for (_, faces), offset in zip(solids, offsets, strict=True)]
    return np.concatenate([points for points, _ in solids]), np.concatenate(triangles)


def moved(solid: Solid, shift: Sequence[float] | Floats, axes: Floats | None = None, scale: float = 1.0) -> Solid:
    """Return the solid scaled, turned so that its x, y, z lie along the rows of ``axes`` (3, 3), then shifted."""
    points, triangles = solid
    turned = points * scale if axes is None else (points * scale) @ axes
    return turned + np.asarray(shift, dtype=np.float64), triangles


def cut_path(pieces: Floats, from_m: float, to_m: float) -> Floats:
    """Return the pieces of one path between two distances along it; distances stay those of the whole path."""
    kept = trimmed(pieces, from_m, to_m)
    kept = kept[kept[:, LENGTH] > SHORTEST_M]
    kept[:, AT] += from_m
    return kept


def tube(pieces: Floats, radius: float, *, sides: int = 16, tolerance: float = 1e-3) -> tuple[Floats, Floats, Ints]:
    """Return a capped tube about one path as points (n, 3), outward normals (n, 3) and triangles (m, 3).

    Every point of the mantle is exactly ``radius`` from the centre line; only the straight facets between the
    rings cut inside it, along bends by at most ``tolerance``. Pieces are separate, so that a corner without a bend
    stays sharp instead of being pinched.
    """
    points: list[Floats] = []
    normals: list[Floats] = []
    triangles: list[Ints] = []
    count = 0
    angle = 2.0 * np.pi * np.arange(sides) / sides
    pieces = pieces[pieces[:, LENGTH] > SHORTEST_M]
    for number, row in enumerate(pieces):
        centres, across, over = _frames(row, radius, tolerance)
        normal = np.cos(angle)[None, :, None] * across[:, None] + np.sin(angle)[None, :, None] * over[:, None]
        index = count + np.arange(len(centres) * sides).reshape(len(centres), sides)
        points.append((centres[:, None] + radius * normal).reshape(-1, 3))
        normals.append(normal.reshape(-1, 3))
        triangles.append(_grid(index, len(centres) - 1))
        count += len(centres) * sides
        for ring, wanted, sign in ((0, number == 0, -1.0), (-1, number == len(pieces) - 1, 1.0)):
            if wanted:
                rim = centres[ring] + radius * normal[ring]
                points.append(np.vstack([rim, centres[ring]]))
                normals.append(np.tile(sign * np.cross(across[ring], over[ring]), (sides + 1, 1)))
                first = count + np.arange(sides)
                second = count + (np.arange(sides) + 1) % sides
                hub = np.full(sides, count + sides)
                triangles.append(np.column_stack([second, first, hub] if sign < 0 else [first, second, hub]))
                count += sides + 1
    if not points:
        return np.zeros((0, 3)), np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
    return np.concatenate(points), np.concatenate(normals), np.concatenate(triangles)


def welded(triangles_m: Floats) -> tuple[Floats, Ints]:
    """Return points (n, 3) and triangles (m, 3) with corners that are equal, to a 2^21st of the extent, shared."""
    corners = triangles_m.reshape(-1, 3)
    low = corners.min(axis=0)
    quantum = max(float((corners.max(axis=0) - low).max()) / (2**21 - 1), 1e-9)
    cell = np.round((corners - low) / quantum).astype(np.int64)
    key = (cell[:, 0] << 42) | (cell[:, 1] << 21) | cell[:, 2]
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    return corners[first], inverse.reshape(-1, 3).astype(np.int64)


def crease_lines(points_m: Floats, triangles: Ints) -> Floats:
    """Return the edges (k, 2, 3) where a surface ends, or where its faces meet at more than 30 degrees."""
    a, b, c = (points_m[triangles[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
    ends = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    face = np.tile(np.arange(len(triangles)), 3)
    key = ends[:, 0] * len(points_m) + ends[:, 1]
    order = np.argsort(key, kind="stable")
    key, face, ends = key[order], face[order], ends[order]
    first = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    count = np.diff(np.append(first, len(key)))
    crease = count != 2
    pair = first[~crease]
    turn = np.einsum("ij,ij->i", normal[face[pair]], normal[face[pair + 1]])
    crease[~crease] = turn < CREASE_COSINE
    return np.asarray(points_m[ends[first[crease]]])


def box_lines(corners_m: Floats) -> Floats:
    """Return the twelve edges (12, 2, 3) of the box with low and high corner ``corners_m`` (2, 3)."""
    points, _ = box((corners_m[1] - corners_m[0]) / 2.0, corners_m.mean(axis=0))
    pairs = [(i, j) for i in range(8) for j in range(i + 1, 8) if bin(i ^ j).count("1") == 1]
    return np.asarray(points[np.array(pairs)])


def _frames(row: Floats, radius: float, tolerance: float) -> tuple[Floats, Floats, Floats]:
    """Centres (k, 3) along one piece with two unit vectors across it; across x over points along the piece."""
    if row[KIND] == ARC:
        # the outer edge has the largest sagitta: (R + r)(1 - cos(step / 2))
        step = 2.0 * np.arccos(max(1.0 - tolerance / (row[RADIUS] + radius), -1.0))
        turn = np.linspace(0.0, row[TURN], max(2, int(np.ceil(row[TURN] / max(step, 1e-2))) + 1))
        outward = np.cos(turn)[:, None] * row[U] + np.sin(turn)[:, None] * row[V]
        axis = np.cross(row[U], row[V])
        # axis x outward is the tangent
        return row[ORIGIN] + row[RADIUS] * outward, np.broadcast_to(axis, outward.shape), outward
    along = row[V]
    helper = np.eye(3)[int(np.argmin(np.abs(along)))]
    across = np.cross(helper, along)
    across /= np.linalg.norm(across)
    over = np.cross(along, across)
    centres = np.array([row[ORIGIN], row[ORIGIN] + row[LENGTH] * along])
    return centres, np.array([across, across]), np.array([over, over])


def _grid(index: Ints, rows: int) -> Ints:
    """Triangles between neighbouring rings of ``index`` (rings, sides); the last ring wraps round to the first."""
    low = index[np.arange(rows)]
    high = index[(np.arange(rows) + 1) % len(index)]
    low_next, high_next = np.roll(low, -1, axis=1), np.roll(high, -1, axis=1)
    first = np.stack([low, low_next, high_next], axis=-1).reshape(-1, 3)
    second = np.stack([low, high_next, high], axis=-1).reshape(-1, 3)
    return np.concatenate([first, second])
