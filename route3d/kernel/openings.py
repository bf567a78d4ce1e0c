"""Shells with open ends: closing them flat, and telling how far a point is enclosed by one that stays open."""

from __future__ import annotations

import mapbox_earcut
import numpy as np
from numpy.typing import NDArray

from route3d.kernel.closed import is_closed, orient

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WELD_M = 1e-5  # corners nearer than this are one
FLAT_M = 1e-3  # an end whose rim is no further from a plane is flat


def capped(triangles: Floats) -> Floats | None:
    """Return a shell (n, 3, 3) with its open ends closed by flat caps, as a closed solid; None where that fails.

    An end is a ring of edges that belong to one triangle only. Each ring must be flat, and the whole closed
    afterwards: a duct drawn as four sides gives a box, a channel or a bent sheet gives None.
    """
    corners, faces = _welded(triangles)
    rings = _rims(faces)
    if not rings:
        return None
    caps = []
    for ring in rings:
        cap = _flat_cap(corners[ring])
        if cap is None:
            return None
        caps.append(corners[ring][cap])
    whole = orient(np.concatenate([corners[faces], *caps]))
    return whole if whole is not None and is_closed(whole) else None


def enclosure(triangles: Floats, points: Floats) -> Floats:
    """Return how far each point (k, 3) is enclosed by a shell (n, 3, 3): 1 inside a closed one, 0 outside it.

    The share of the sphere of view that the shell covers, by the solid angles of its triangles (Van Oosterom and
    Strackee 1983) with signs; triangles should turn consistently. Before a large flat sheet it comes near 0.5.
    """
    total = np.zeros(len(points))
    for k, point in enumerate(points):
        a, b, c = (triangles[:, i] - point for i in range(3))
        la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
        above = np.einsum("ij,ij->i", a, np.cross(b, c))
        below = (
            la * lb * lc
            + np.einsum("ij,ij->i", a, b) * lc
            + np.einsum("ij,ij->i", b, c) * la
            + np.einsum("ij,ij->i", c, a) * lb
        )
        total[k] = 2.0 * np.arctan2(above, below).sum() / (4.0 * np.pi)
    return np.abs(total)


def turned_alike(triangles: Floats) -> Floats:
    """Return the triangles of a shell turned so that neighbours agree, as far as they can."""
    import trimesh  # brings so many libraries along that every command would wait for it

    corners, faces = _welded(triangles)
    mesh = trimesh.Trimesh(vertices=corners, faces=faces, process=False)
    trimesh.repair.fix_winding(mesh)
    return np.asarray(mesh.triangles, dtype=np.float64)


def _welded(triangles: Floats) -> tuple[Floats, Ints]:
    """Return corners (m, 3) and faces (n, 3) without triangles that collapse."""
    flat = triangles.reshape(-1, 3)
    # relative to its own middle: rounding must not depend on where the building stands
    _, first, inverse = np.unique(
        np.round((flat - flat.mean(axis=0)) / WELD_M), axis=0, return_index=True, return_inverse=True
    )
    faces = inverse.reshape(-1, 3).astype(np.int64)
    whole = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    return flat[first], faces[whole]


def _rims(faces: Ints) -> list[Ints]:
    """Return the rings of edges that belong to one face only; nothing where they do not form simple rings."""
    edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    unique, count = np.unique(edges, axis=0, return_counts=True)
    if (count > 2).any():
        return []
    beside: dict[int, list[int]] = {}
    for a, b in unique[count == 1].tolist():
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    if any(len(others) != 2 for others in beside.values()):
        return []
    rings = []
    while beside:
        start = next(iter(beside))
        ring, before, here = [start], start, beside[start][0]
        while here != start:
            ring.append(here)
            others = beside[here]
            before, here = here, others[1] if others[0] == before else others[0]
        for corner in ring:
            del beside[corner]
        rings.append(np.array(ring, dtype=np.int64))
    return rings


def _flat_cap(ring: Floats) -> Ints | None:
    """Return triangles (m, 3) that fill a flat ring (k, 3); None where it is not flat or has no area."""
    centred = ring - ring.mean(axis=0)
    _, size, axes = np.linalg.svd(centred, full_matrices=False)
    if len(size) < 3 or size[1] < WELD_M or np.abs(centred @ axes[2]).max() > FLAT_M:
        return None
    flat = centred @ axes[:2].T
    filled = mapbox_earcut.triangulate_float64(flat, np.array([len(flat)], dtype=np.uint32))
    return np.asarray(filled, dtype=np.int64).reshape(-1, 3)
