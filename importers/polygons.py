"""Polygons into triangles: flat faces with holes, warped quads, strips and prisms. Arrays in, arrays out."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import mapbox_earcut
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]

NO_TRIANGLES: Array = np.empty((0, 3, 3))
NO_TRIANGLES.setflags(write=False)


class CrossingPolygonError(ValueError):
    """A polygon that crosses itself, so that it has no inside to fill."""


def newell_normal(ring: Array) -> Array:
    """Return the normal (3,) of a closed ring (n, 3), as long as twice its area; works for warped and concave rings."""
    centred = ring - ring[0]
    return np.asarray(np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0))


def signed_area(ring: Array) -> float:
    """Return the area of a closed flat ring (n, 2), positive counter-clockwise."""
    x, y = (ring - ring[0]).T
    return float(0.5 * (x * np.roll(y, -1) - np.roll(x, -1) * y).sum())


def without_repeats(ring: Array, closed: bool = True) -> Array:
    """Return the points without those that repeat the one before them."""
    if len(ring) < 2:
        return ring
    keep = np.ones(len(ring), dtype=bool)
    keep[1:] = (ring[1:] != ring[:-1]).any(axis=1)
    ring = ring[keep]
    while closed and len(ring) > 1 and (ring[0] == ring[-1]).all():
        ring = ring[:-1]
    return ring


def fill_flat(rings: Sequence[Array]) -> Index:
    """Return triangles (m, 3) that fill the first ring (n, 2) less the others, as numbers into all rings in a row.

    Every point of every ring is a corner of some triangle, also where a ring runs straight on, so that a neighbour
    that shares the edge fits. The triangles turn as a counter-clockwise first ring would.

    Raises
    ------
    CrossingPolygonError
        The rings cross themselves or each other, or have no area.
    """
    points = np.concatenate(rings)
    ends = np.cumsum([len(ring) for ring in rings]).astype(np.uint32)
    size = float(np.ptp(points, axis=0).max(initial=0.0))
    if len(rings[0]) < 3 or size == 0.0:
        raise CrossingPolygonError("it has no area")
    # centred, so that a drawing far from its origin does not eat up the digits that the areas need
    flat = np.ascontiguousarray((points - points.mean(axis=0)) / size)
    triangles = mapbox_earcut.triangulate_float64(flat, ends).reshape(-1, 3).astype(np.int64)
    areas = [abs(signed_area(ring)) for ring in np.split(flat, ends[:-1].astype(np.intp))]
    wanted = areas[0] - sum(areas[1:])
    corners = flat[triangles]
    doubled = _doubled_areas(corners)
    if wanted <= 1e-12 or abs(0.5 * np.abs(doubled).sum() - wanted) > 1e-9:
        raise CrossingPolygonError("it crosses itself")
    triangles[doubled < 0.0] = triangles[doubled < 0.0][:, ::-1]
    return _with_every_corner(triangles, [np.arange(e - len(r), e) for r, e in zip(rings, ends, strict=True)], flat)


def _doubled_areas(corners: Array) -> Array:
    a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def _with_every_corner(triangles: Index, rings: Sequence[NDArray[np.intp]], flat: Array) -> Index:
    """Split triangles whose rim skips points of a ring, which the triangulation leaves out where it runs straight."""
    edges = {(int(t[i]), int(t[(i + 1) % 3])): n for n, t in enumerate(triangles) for i in range(3)}
    after: dict[int, int] = {}
    for number, ring in enumerate(rings):
        # seen from inside the filled area the outer ring goes counter-clockwise, a hole clockwise
        turn = signed_area(flat[ring]) if number == 0 else -signed_area(flat[ring])
        order = ring if turn > 0 else ring[::-1]
        after.update(zip(order.tolist(), np.roll(order, -1).tolist(), strict=True))
    skipped = [
        (a, b) for (a, b) in edges if (b, a) not in edges and a in after and after[a] != b
    ]  # rim edges that jump over points
    if not skipped:
        return triangles
    result: list[tuple[int, int, int]] = [(int(a), int(b), int(c)) for a, b, c in triangles]
    pending: dict[int, list[tuple[int, int]]] = {}
    for a, b in skipped:
        pending.setdefault(edges[a, b], []).append((a, b))
    extra: list[tuple[int, int, int]] = []
    for number, jumps in pending.items():
        pieces = [result[number]]
        for a, b in jumps:
            chain = _chain(after, a, b)
            if chain is None:
                raise CrossingPolygonError("it touches itself")
            at = next(k for k, t in enumerate(pieces) if _apex(t, a, b) is not None)
            apex = _apex(pieces.pop(at), a, b)
            assert apex is not None
            pieces.extend((p, q, apex) for p, q in pairwise(chain))
        result[number] = pieces[0]
        extra.extend(pieces[1:])
    return np.array([*result, *extra], dtype=np.int64)


def _apex(triangle: tuple[int, ...], a: int, b: int) -> int | None:
    """Return the corner opposite the directed edge a-b of the triangle, None if it has no such edge."""
    for i in range(3):
        if triangle[i] == a and triangle[(i + 1) % 3] == b:
            return triangle[(i + 2) % 3]
    return None


def _chain(after: dict[int, int], a: int, b: int) -> list[int] | None:
    """Return the ring from a to b, None if b is on another ring."""
    chain = [a]
    while chain[-1] != b:
        follower = after[chain[-1]]
        if follower == a:
            return None
        chain.append(follower)
    return chain


def fill(rings: Sequence[Array]) -> Array:
    """Return triangles (m, 3, 3) that fill flat rings (n, 3) in space, outer ring first.

    They turn as the outer ring does. Raises ``CrossingPolygonError`` as :func:`fill_flat`.
    """
    normal = newell_normal(rings[0])
    length = float(np.linalg.norm(normal))
    if length == 0.0 or not np.isfinite(length):
        raise CrossingPolygonError("it has no area")
    normal = normal / length
    across = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    across /= np.linalg.norm(across)
    basis = np.column_stack([across, np.cross(normal, across)])
    triangles = fill_flat([(ring - rings[0][0]) @ basis for ring in rings])
    return np.asarray(np.concatenate(rings)[triangles])


def split_quads(quads: Array) -> Array:
    """Return two triangles for each quad (n, 4, 3), by the diagonal that stays inside where one corner is re-entrant.

    A quad whose last two corners coincide gives one triangle with area and one without.
    """
    a, b, c, d = (quads[:, i] for i in range(4))
    other = (np.cross(b - a, c - a) * np.cross(c - a, d - a)).sum(axis=1) < 0.0
    first = np.where(other[:, None, None], np.stack([a, b, d], axis=1), np.stack([a, b, c], axis=1))
    second = np.where(other[:, None, None], np.stack([b, c, d], axis=1), np.stack([a, c, d], axis=1))
    return np.stack([first, second], axis=1).reshape(-1, 3, 3)


def with_area(triangles: Array) -> NDArray[np.bool_]:
    """Tell which triangles (n, 3, 3) have an area: three different corners that are not on one line."""
    cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    return np.asarray((cross != 0.0).any(axis=1))


def strip(line: Array, along: Array, closed: bool) -> Array:
    """Return the wall (m, 3, 3) that a line (n, 3) sweeps when it is moved by ``along`` (3,)."""
    ahead = np.roll(line, -1, axis=0) if closed else line[1:]
    start = line if closed else line[:-1]
    quads = np.stack([start, ahead, ahead + along, start + along], axis=1)
    return split_quads(quads)


def prism(rings: Sequence[Array], along: Array) -> Array:
    """Return the closed solid (m, 3, 3) between flat rings (outer first) and the same moved by ``along``.

    Raises ``CrossingPolygonError`` as :func:`fill`.
    """
    floor = fill(rings)
    walls = [strip(ring, along, closed=True) for ring in rings]
    return np.concatenate([floor[:, ::-1], floor + along, *walls])
