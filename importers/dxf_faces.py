"""DXF entities that are made of faces: 3D faces, polyface and polygon meshes, meshes, filled quads."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from importers.dxf_curves import plane_axes, to_world
from importers.dxf_shape import Grain, Shape, missing, surface, wire
from importers.polygons import NO_TRIANGLES, CrossingPolygonError, fill, prism, split_quads, with_area

Array = NDArray[np.float64]

_CORNERS = ("vtx0", "vtx1", "vtx2", "vtx3")
# Bits of group 70 of POLYLINE and VERTEX, as the DXF reference numbers them.
_M_CLOSED, _N_CLOSED = 1, 32
_FITTED_VERTEX = 8


def shapes_of_3dfaces(faces: Sequence[Any], grain: Grain) -> list[Shape]:
    """Return one shape for each set of 3D faces that hang together at their corners.

    A set is taken apart where more than two faces meet at an edge, or
    shells meet at a corner, if that leaves only closed solids: things that touch.
    """
    shapes: list[Shape] = []
    whole = []
    for face in faces:
        if all(face.dxf.hasattr(name) for name in _CORNERS[:3]):
            whole.append(face)
        else:
            shapes.append(missing("3DFACE", face.dxf.handle or "", "it lacks corners: draw it again"))
    if not whole:
        return shapes
    quads = np.array(
        [[f.dxf.vtx0.xyz, f.dxf.vtx1.xyz, f.dxf.vtx2.xyz, f.dxf.get("vtx3", f.dxf.vtx2).xyz] for f in whole],
        dtype=np.float64,
    )
    finite = np.isfinite(quads).all(axis=(1, 2))
    shapes += [
        missing("3DFACE", whole[n].dxf.handle or "", "its corners are no numbers: draw it again")
        for n in np.flatnonzero(~finite)
    ]
    numbers = np.flatnonzero(finite)
    quads = quads[finite]
    shapes += _joined(quads, [whole[n].dxf.handle or "" for n in numbers], grain)
    return shapes


def _joined(quads: Array, handles: Sequence[str], grain: Grain) -> list[Shape]:
    """Return the shapes of quads (n, 4, 3) that hang together, each under the handle of its first."""
    triangles = split_quads(quads)
    owner = np.repeat(np.arange(len(quads)), 2)
    solid = with_area(triangles)
    bare = np.setdiff1d(np.arange(len(quads)), owner[solid])
    shapes = [wire("3DFACE", handles[n], quads[n], closed=True) for n in bare]
    triangles, owner = triangles[solid], owner[solid]
    corners = _corner_numbers(triangles, grain.same)
    turned, is_solid, shell = _turned_at_once(triangles, corners, grain)
    for part in _parts(corners):
        shells = _by_label(shell[part])
        solid_shells = [bool(is_solid[shell[part[rows[0]]]]) for rows in shells]
        if not all(solid_shells):
            shells = [np.arange(len(part))]
        closed = all(solid_shells)
        mesh = turned if closed else triangles
        for rows in shells:
            members = np.unique(owner[part[rows]])
            shapes.append(Shape("3DFACE", handles[members[0]], mesh[part[rows]], closed, members=len(members)))
    return shapes


def _corner_numbers(corners: Array, same: float) -> NDArray[np.int64]:
    """Return for corners (n, k, 3) a number (n, k) that is equal where they are the same point."""
    number = np.zeros(corners.shape[0] * corners.shape[1], dtype=np.int64)
    for axis in range(3):
        keys = np.round(corners[..., axis].ravel() / same)
        values, inverse = np.unique(keys, return_inverse=True)
        # numbered again after each axis, so that the product never outgrows 64 bits
        _, number = np.unique(number * len(values) + inverse, return_inverse=True)
    return np.asarray(number.reshape(corners.shape[:2]), dtype=np.int64)


def _parts(corners: NDArray[np.int64]) -> list[NDArray[np.intp]]:
    """Return the row numbers of each set of rows of ``corners`` (n, k) that are joined by common corners."""
    if len(corners) == 0:
        return []
    count = int(corners.max()) + 1
    rows = np.repeat(corners[:, 0], corners.shape[1])
    return _by_label(_components(rows, corners.ravel(), count)[corners[:, 0]])


def _components(first: NDArray[Any], second: NDArray[Any], count: int) -> NDArray[np.int32]:
    graph = coo_array((np.ones(len(first), dtype=np.int8), (first, second)), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1])


def _by_label(labels: NDArray[Any]) -> list[NDArray[np.intp]]:
    """Return the places of each label, sets sorted by their first place."""
    order = np.argsort(labels, kind="stable")
    cuts = np.flatnonzero(np.diff(labels[order])) + 1
    return sorted(np.split(order, cuts), key=lambda part: int(part[0]))


def _edges(corners: NDArray[np.int64]) -> tuple[NDArray[np.intp], NDArray[np.int64], NDArray[np.bool_]]:
    """Return for each side of each triangle its edge number, per edge its uses, and whether the side runs upwards."""
    start, end = corners.ravel(), np.roll(corners, -1, axis=1).ravel()
    low, high = np.minimum(start, end), np.maximum(start, end)
    _, number, uses = np.unique(low * (corners.max(initial=0) + 1) + high, return_inverse=True, return_counts=True)
    return number, uses, np.asarray(start < end)


def _pairs(number: NDArray[np.intp], uses: NDArray[np.int64]) -> NDArray[np.intp]:
    """Return the pairs of sides (k, 2) that are the only two on their edge."""
    shared = np.flatnonzero(uses[number] == 2)
    return shared[np.argsort(number[shared], kind="stable")].reshape(-1, 2)


def _turned_at_once(
    triangles: Array, corners: NDArray[np.int64], grain: Grain
) -> tuple[Array, NDArray[np.bool_], NDArray[np.int32]]:
    """Turn all shells outwards at once.

    Returns the triangles, per shell whether it closes a solid that way, and the shell of each triangle.
    """
    count = len(triangles)
    if count == 0:
        return triangles, np.empty(0, dtype=bool), np.empty(0, dtype=np.int32)
    number, uses, upwards = _edges(corners)
    one, other = _pairs(number, uses).T // 3
    shell = _components(one, other, count)
    # where solids touch along an edge more than two triangles meet there, but only two of each solid
    _, number, uses = np.unique(
        number * (int(shell.max()) + 1) + np.repeat(shell, 3), return_inverse=True, return_counts=True
    )
    sides = _pairs(number, uses)
    one, other = sides.T // 3
    # Every triangle stands twice in a graph, as drawn and turned over. Neighbours that walk their edge in opposite
    # directions agree as drawn; a shell where a triangle hangs together with itself turned over has one side only.
    disagree = (upwards[sides[:, 0]] == upwards[sides[:, 1]]) * count
    twice = _components(np.r_[one, one + count], np.r_[other + disagree, other + count - disagree], 2 * count)
    first = np.unique(shell, return_index=True)[1]
    flip = twice[:count] != twice[first][shell]
    turned = np.where(flip[:, None, None], triangles[:, ::-1], triangles)
    bad = (uses[number] != 2).reshape(-1, 3).any(axis=1)
    bad |= (corners == np.roll(corners, -1, axis=1)).any(axis=1) | (twice[:count] == twice[count:])
    centred = turned - triangles[first][shell][:, :1]
    normals = np.cross(centred[:, 1] - centred[:, 0], centred[:, 2] - centred[:, 0])
    volume = np.bincount(shell, weights=(centred[:, 0] * normals).sum(axis=1)) / 6.0
    area = np.bincount(shell, weights=np.linalg.norm(normals, axis=1)) / 2.0
    # thicker than a micrometre, as the kernel asks of a solid
    closed = (np.bincount(shell, weights=bad) == 0) & (np.abs(volume) > grain.same * area)
    inward = (volume < 0.0)[shell]
    return np.where(inward[:, None, None], turned[:, ::-1], turned), closed, shell


def shape_of_filled(entity: Any, grain: Grain) -> Shape:
    """Return a SOLID or TRACE: a filled quad in its plane, with thickness a block."""
    kind, handle, dxf = entity.dxftype(), entity.dxf.handle or "", entity.dxf
    if not all(dxf.hasattr(name) for name in _CORNERS[:3]):
        return missing(kind, handle, "it lacks corners: draw it again")
    # the third and fourth corner are listed crosswise
    order = (dxf.vtx0, dxf.vtx1, dxf.get("vtx3", dxf.vtx2), dxf.vtx2)
    axes = plane_axes(dxf.extrusion)
    ring = to_world(np.array([p.xyz for p in order], dtype=np.float64), axes)
    ring = ring[np.r_[True, (ring[1:] != ring[:-1]).any(axis=1)]]
    if len(ring) > 3 and (ring[0] == ring[-1]).all():
        ring = ring[:-1]
    thickness = float(dxf.get("thickness", 0.0))
    try:
        if thickness == 0.0:
            return surface(kind, handle, fill([ring]), grain)
        return surface(kind, handle, prism([ring], axes[2] * thickness), grain)
    except CrossingPolygonError:
        if len(ring) < 4:
            return wire(kind, handle, ring, closed=True)
        # a bow tie: these two triangles hold what is filled, and a little more
        flat = ring[[[0, 1, 3], [1, 2, 3]]]
        sides = [] if thickness == 0.0 else [prism([t], axes[2] * thickness) for t in flat]
        return Shape(
            kind, handle, np.concatenate([flat, *sides]), note="filled quads cross themselves, read as two triangles"
        )


def shape_of_polyface(entity: Any, grain: Grain) -> Shape:
    """Return a polyface mesh."""
    handle = entity.dxf.handle or ""
    records = entity.vertices
    corners = [v for v in records if v.is_poly_face_mesh_vertex]
    points = np.array([v.dxf.location.xyz for v in corners], dtype=np.float64).reshape(-1, 3)
    faces = [
        [abs(index) for name in _CORNERS if (index := v.dxf.get(name, 0)) != 0]
        for v in records
        if v.is_face_record and not v.is_poly_face_mesh_vertex
    ]
    return _indexed("POLYLINE", handle, points, [[n - 1 for n in face] for face in faces], grain)


def shape_of_polymesh(entity: Any, grain: Grain) -> Shape:
    """Return a polygon mesh of M by N corners; of a smoothed one the fitted surface."""
    dxf, handle = entity.dxf, entity.dxf.handle or ""
    smoothed = dxf.get("smooth_type", 0) != 0
    vertices = [v for v in entity.vertices if not smoothed or v.dxf.flags & _FITTED_VERTEX]
    if smoothed:
        rows, columns = dxf.get("m_smooth_density", 0), dxf.get("n_smooth_density", 0)
    else:
        rows, columns = dxf.m_count, dxf.n_count
    if rows < 2 or columns < 2 or rows * columns != len(vertices):
        points = np.array([v.dxf.location.xyz for v in entity.vertices], dtype=np.float64).reshape(-1, 3)
        reason = f"{len(vertices)} corners do not make a mesh of {rows} by {columns}: draw it again"
        return missing("POLYLINE", handle, reason, points if len(points) and not smoothed else None)
    grid = np.array([v.dxf.location.xyz for v in vertices], dtype=np.float64).reshape(rows, columns, 3)
    if dxf.flags & _M_CLOSED:
        grid = np.concatenate([grid, grid[:1]], axis=0)
    if dxf.flags & _N_CLOSED:
        grid = np.concatenate([grid, grid[:, :1]], axis=1)
    quads = np.stack([grid[:-1, :-1], grid[1:, :-1], grid[1:, 1:], grid[:-1, 1:]], axis=2).reshape(-1, 4, 3)
    note = (
        "smoothed polygon meshes are read as drawn, their control points are not on the surface" if smoothed else None
    )
    return surface("POLYLINE", handle, split_quads(quads), grain, note=note)


def shape_of_mesh(entity: Any, grain: Grain) -> Shape:
    """Return a MESH; of one that is shown smoothed the control cage, and a word that the surface is not read."""
    handle = entity.dxf.handle or ""
    points = np.array(entity.vertices, dtype=np.float64).reshape(-1, 3)
    shape = _indexed("MESH", handle, points, [list(face) for face in entity.faces], grain)
    level = entity.dxf.get("subdivision_levels", 0)
    if level == 0 or shape.unread is not None:
        return shape
    # the smooth surface lies within the hull of the cage, on either side of the cage
    reason = f"it is smoothed (level {level}) and only its control cage is read: set its smoothness to none"
    return Shape("MESH", handle, shape.triangles, shape.closed, unread=reason, hull=points)


def _indexed(kind: str, handle: str, points: Array, faces: Sequence[Sequence[int]], grain: Grain) -> Shape:
    """Return the surface of faces that name their corners by number; a face that cannot be filled is counted."""
    whole = [face for face in faces if len(face) >= 3 and all(0 <= n < len(points) for n in face)]
    bad = sum(1 for face in faces if any(not 0 <= n < len(points) for n in face))
    pieces = [NO_TRIANGLES]
    triangles = [face for face in whole if len(face) == 3]
    if triangles:
        pieces.append(points[np.array(triangles)])
    quads = [face for face in whole if len(face) == 4]
    if quads:
        pieces.append(split_quads(points[np.array(quads)]))
    for face in whole:
        if len(face) > 4:
            try:
                pieces.append(fill([points[face]]))
            except CrossingPolygonError:
                bad += 1
    if bad or not faces:
        reason = f"{bad} of its {len(faces)} faces cannot be filled" if faces else "it has no faces"
        mesh = np.concatenate(pieces)
        hull = points if len(points) else None
        return surface(kind, handle, mesh, grain, unread=f"{reason}: draw it again as single faces", hull=hull)
    lines = len(faces) - len(whole)
    note = "faces of fewer than three corners have no surface" if lines else None
    return surface(kind, handle, np.concatenate(pieces), grain, note=note)
