"""DXF entities that are made of faces: 3D faces, polyface and polygon meshes, meshes, filled quads."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from importers.dxf_bulk_polylines import grid_triangles
from importers.dxf_curves import plane_axes, to_world
from importers.dxf_parts import BulkFaces, BulkMeshes
from importers.dxf_shape import Grain, Shape, missing, surface, surfaces, wire
from importers.polygons import NO_TRIANGLES, CrossingPolygonError, fill, prism, split_quads, with_area
from route3d.kernel.closed import agreeing, components, edges_of

Array = NDArray[np.float64]
Strings = NDArray[np.bytes_]

_CORNERS = ("vtx0", "vtx1", "vtx2", "vtx3")
# Bits of group 70 of POLYLINE and VERTEX, as the DXF reference numbers them.
_FITTED_VERTEX = 8


def shapes_of_3dfaces(faces: Sequence[Any], grain: Grain) -> list[Shape]:
    """Return one shape for each set of 3D faces that hang together at their corners.

    A set is taken apart where more than two faces meet at an edge, or
    shells meet at a corner, if that leaves only closed solids: things that touch.
    """
    shapes: list[Shape] = []
    quads: list[Array] = []
    handles: list[Strings] = []
    for face in faces:
        if isinstance(face, BulkFaces):
            quads.append(face.corners)
            handles.append(face.handles)
            continue
        handle = face.dxf.handle or ""
        if not all(face.dxf.hasattr(name) for name in _CORNERS[:3]):
            shapes.append(missing("3DFACE", handle, "it lacks corners: draw it again"))
            continue
        corners = (face.dxf.vtx0, face.dxf.vtx1, face.dxf.vtx2, face.dxf.get("vtx3", face.dxf.vtx2))
        quad = np.array([[corner.xyz for corner in corners]], dtype=np.float64)
        if not np.isfinite(quad).all():
            shapes.append(missing("3DFACE", handle, "its corners are no numbers: draw it again"))
            continue
        quads.append(quad)
        handles.append(np.array([handle.encode()]))
    if quads:
        shapes += _joined(np.concatenate(quads), np.concatenate(handles), grain)
    return shapes


def shapes_of_meshes(meshes: BulkMeshes, grain: Grain) -> list[Shape]:
    """Return the shapes of meshes that were read in bulk."""
    handles = [handle.decode() for handle in meshes.handles.tolist()]
    return surfaces(meshes.kind, handles, meshes.triangles, meshes.starts, grain)


def _joined(quads: Array, handles: Strings, grain: Grain) -> list[Shape]:
    """Return the shapes of quads (n, 4, 3) that hang together, each under the handle of its first."""
    triangles = split_quads(quads)
    owner = np.repeat(np.arange(len(quads)), 2)
    solid = with_area(triangles)
    bare = np.setdiff1d(np.arange(len(quads)), owner[solid])
    shapes = [wire("3DFACE", handles[n].decode(), quads[n], closed=True) for n in bare]
    triangles, owner = triangles[solid], owner[solid]
    if len(triangles) == 0:
        return shapes
    corners = _corner_numbers(triangles, grain.same)
    turned, is_solid, shell = _turned_at_once(triangles, corners, grain)
    # sets joined by common corners, taken apart into their shells where all of these are solids
    part = components(np.repeat(corners[:, 0], 3), corners.ravel(), int(corners.max()) + 1)[corners[:, 0]]
    leaks = np.bincount(part, weights=~is_solid[shell])
    closed = leaks[part] == 0
    group = part * (len(triangles) + 1) + np.where(closed, 1 + shell, 0)
    # one set behind the other, by the first face of each set, then of each shell
    order = np.lexsort((_first_places(group), _first_places(part)))
    group, owner, closed = group[order], owner[order], closed[order]
    triangles = np.where(closed[:, None, None], turned[order], triangles[order])
    starts = np.flatnonzero(np.r_[True, group[1:] != group[:-1]])
    new = np.r_[True, owner[1:] != owner[:-1]]
    new[starts] = True
    members = np.add.reduceat(new.astype(np.int64), starts)
    names = handles[owner[starts]].tolist()
    sets = zip(pairwise([*starts.tolist(), len(order)]), names, members.tolist(), closed[starts].tolist(), strict=True)
    for (start, end), name, count, solid_set in sets:
        shapes.append(Shape("3DFACE", name.decode(), triangles[start:end], solid_set, members=count))
    return shapes


def _first_places(labels: NDArray[np.int64]) -> NDArray[np.intp]:
    """Return for each place (n,) the first place that has the same label."""
    _, first, number = np.unique(labels, return_index=True, return_inverse=True)
    return np.asarray(first[number])


def _corner_numbers(corners: Array, same: float) -> NDArray[np.int64]:
    """Return for corners (n, k, 3) a number (n, k) that is equal where they are the same point."""
    number = np.zeros(corners.shape[0] * corners.shape[1], dtype=np.int64)
    for axis in range(3):
        keys = np.round(corners[..., axis].ravel() / same)
        values, inverse = np.unique(keys, return_inverse=True)
        # numbered again after each axis, so that the product never outgrows 64 bits
        _, number = np.unique(number * len(values) + inverse, return_inverse=True)
    return np.asarray(number.reshape(corners.shape[:2]), dtype=np.int64)


def _pairs(number: NDArray[np.int64], uses: NDArray[np.int64]) -> NDArray[np.intp]:
    """Return the pairs of sides (k, 2) that are the only two on their edge."""
    shared = np.flatnonzero(uses[number] == 2)
    return shared[np.argsort(number[shared], kind="stable")].reshape(-1, 2)


def _turned_at_once(
    triangles: Array, corners: NDArray[np.int64], grain: Grain
) -> tuple[Array, NDArray[np.bool_], NDArray[np.int64]]:
    """Turn all shells outwards at once.

    Returns the triangles, per shell whether it closes a solid that way, and the shell of each triangle.
    """
    count = len(triangles)
    if count == 0:
        return triangles, np.empty(0, dtype=bool), np.empty(0, dtype=np.int64)
    number, uses, upwards = edges_of(corners)
    one, other = _pairs(number, uses).T // 3
    shell = components(one, other, count)
    # where solids touch along an edge more than two triangles meet there, but only two of each solid
    _, number, uses = np.unique(
        number * (int(shell.max()) + 1) + np.repeat(shell, 3), return_inverse=True, return_counts=True
    )
    sides = _pairs(number, uses)
    shell, flip, one_sided = agreeing(count, sides // 3, upwards[sides[:, 0]] != upwards[sides[:, 1]])
    first = np.unique(shell, return_index=True)[1]
    turned = np.where(flip[:, None, None], triangles[:, ::-1], triangles)
    bad = (uses[number] != 2).reshape(-1, 3).any(axis=1)
    bad |= (corners == np.roll(corners, -1, axis=1)).any(axis=1) | one_sided
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
    triangles = grid_triangles(grid, int(dxf.flags))
    note = (
        "smoothed polygon meshes are read as drawn, their control points are not on the surface" if smoothed else None
    )
    return surface("POLYLINE", handle, triangles, grain, note=note)


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
    if kind == "MESH":  # a polyface mesh may draw edges as faces of two corners, a mesh may not
        bad += sum(1 for face in faces if len(face) < 3)
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
