"""Polygons of one cell into triangles, by the numbers of their points; and edges that two faces use by chance."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from importers.acis_edges import EdgeSet
from importers.acis_records import FaceError
from importers.polygons import CrossingPolygonError, fill_flat

Array = NDArray[np.float64]
Index = NDArray[np.int64]

NO_TILES: Index = np.empty((0, 3), dtype=np.int64)
_FLAT = 1e-12  # area of a polygon, as a part of its box, that is none


class Spot(NamedTuple):
    """A point in the parameters of one cell."""

    number: int
    u: float
    v: float


def tiles(polygons: Sequence[list[Spot]]) -> Index:
    """Return the triangles (n, 3) of polygons without holes; those with four corners at most are done together."""
    found: list[Index] = []
    quads: list[list[Spot]] = []
    for polygon in polygons:
        polygon = _without_repeats(polygon)
        if len(polygon) == 3:
            polygon = [*polygon, polygon[2]]
        if len(polygon) == 4:
            quads.append(polygon)
        elif len(polygon) > 4:
            found.append(filled([polygon]))
    if quads:
        found.append(_halved(quads))
    return np.concatenate(found) if found else NO_TILES


def _halved(quads: list[list[Spot]]) -> Index:
    table = np.array(quads)
    ids, uv = table[..., 0].astype(np.int64), table[..., 1:]
    uv = uv - uv.min(axis=1, keepdims=True)
    uv = uv / np.maximum(uv.max(axis=1, keepdims=True), 1e-300)

    def doubled(a: int, b: int, c: int) -> Array:
        p, q = uv[:, b] - uv[:, a], uv[:, c] - uv[:, a]
        return np.asarray(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0])

    one = np.minimum(doubled(0, 1, 2), doubled(0, 2, 3))
    two = np.minimum(doubled(1, 2, 3), doubled(1, 3, 0))
    pick = np.where((two > one)[:, None], ids[:, [1, 2, 3, 1, 3, 0]], ids[:, [0, 1, 2, 0, 2, 3]]).reshape(-1, 3)
    return np.asarray(pick[(pick[:, 0] != pick[:, 1]) & (pick[:, 1] != pick[:, 2]) & (pick[:, 2] != pick[:, 0])])


def filled(rings: list[list[Spot]]) -> Index:
    """Return the triangles (n, 3) of a polygon and its holes; raises ``FaceError`` where it turns the wrong way."""
    rings = [_without_repeats(ring) for ring in rings]
    flat = [np.array([(s.u, s.v) for s in ring]) for ring in rings]
    low, span = flat[0].min(axis=0), np.maximum(np.ptp(flat[0], axis=0), 1e-300)
    flat = [(ring - low) / span for ring in flat]
    x, y = flat[0].T
    area = float(0.5 * (x * np.roll(y, -1) - np.roll(x, -1) * y).sum())
    if area < -_FLAT:
        raise FaceError("with loops that contradict each other")
    if area <= _FLAT:
        return NO_TILES
    try:
        return np.array([s.number for ring in rings for s in ring], dtype=np.int64)[fill_flat(flat)]
    except CrossingPolygonError:
        raise FaceError("with edges that cross each other") from None


def _without_repeats(polygon: list[Spot]) -> list[Spot]:
    return [spot for k, spot in enumerate(polygon) if spot.number != polygon[k - 1].number]


def area_of(ring: list[Spot]) -> float:
    """Return the area of a polygon, positive counter-clockwise."""
    total = 0.0
    for k, spot in enumerate(ring):
        before = ring[k - 1]
        total += (before.u - ring[0].u) * (spot.v - ring[0].v) - (spot.u - ring[0].u) * (before.v - ring[0].v)
    return total / 2.0


def contains(polygon: list[Spot], spot: Spot) -> bool:
    """Tell whether a point is inside a polygon."""
    inside = False
    for k, here in enumerate(polygon):
        before = polygon[k - 1]
        if (here.v > spot.v) != (before.v > spot.v) and spot.u < here.u + (before.u - here.u) * (spot.v - here.v) / (
            before.v - here.v
        ):
            inside = not inside
    return inside


def apart(faces: list[Index], edges: EdgeSet) -> list[Index]:
    """Return the triangles of each face so that no side inside one face is also a side of another face.

    Two faces on both sides of an edge may each connect the same two points of it straight across; four triangles would
    then share one side, and the skin would not look closed. The side is cut at its middle in all faces but one.
    """
    every = np.concatenate(faces)
    if not len(every):
        return faces
    owner = np.repeat(np.arange(len(faces)), [len(face) for face in faces])
    sides = np.sort(np.concatenate([every[:, [0, 1]], every[:, [1, 2]], every[:, [2, 0]]]), axis=1)
    owner = np.concatenate([owner, owner, owner])
    key = sides[:, 0] * (int(every.max()) + 1) + sides[:, 1]
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    starts = np.flatnonzero(np.append(True, ranked[1:] != ranked[:-1]))
    counts = np.diff(np.append(starts, len(ranked)))
    crowded = np.flatnonzero(counts > 2)
    if not len(crowded):
        return faces
    result = list(faces)
    points = edges.all_points()
    for place in crowded.tolist():
        a, b = sides[order[starts[place]]].tolist()
        users, uses = np.unique(owner[order[starts[place] : starts[place] + counts[place]]], return_counts=True)
        inner = users[uses == 2].tolist()
        for face in inner if (uses == 1).any() else inner[1:]:
            middle = int(edges.add(((points[a] + points[b]) / 2.0)[None, :])[0])
            result[face] = _cut(result[face], a, b, middle)
    return result


def _cut(triangles: Index, a: int, b: int, middle: int) -> Index:
    """Return triangles with the side a-b cut in two at a point."""
    has = (triangles == a).any(axis=1) & (triangles == b).any(axis=1)
    one, two = triangles[has].copy(), triangles[has].copy()
    one[one == a] = middle
    two[two == b] = middle
    return np.concatenate([triangles[~has], one, two])
