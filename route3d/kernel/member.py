"""Long members from their meshes: which way they run, and the narrow faces along which finish is nailed to them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from route3d.kernel.closed import is_closed
from route3d.kernel.groups import components

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WELD_M = 1e-5  # corners nearer than this are one
SLENDER = 2.0  # a member is at least this many times as long as it is deep
WHOLE = 0.7  # a member with openings has at least this share of what its section is all along it; an open web has less
SQUARE = 1.2  # with sides no more unequal than this, finish may be nailed to any of the four
_ROUNDS = 3


class Member(NamedTuple):
    """One straight member."""

    axis: Floats  # (3,) unit, along it
    strips: Floats  # (k, 2, 3, 3): its nailing faces, each two triangles


def shells(triangles: Floats) -> list[Ints]:
    """Return which triangles (n, 3, 3) hang together by common corners, shell by shell."""
    if not len(triangles):
        return []
    flat = triangles.reshape(-1, 3)
    # relative to its own middle: rounding must not depend on where the building stands
    _, corner = np.unique(np.round((flat - flat.mean(axis=0)) / WELD_M), axis=0, return_inverse=True)
    faces = corner.reshape(-1, 3)
    links = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]]])
    label = components(links[:, 0], links[:, 1], int(faces.max()) + 1)
    of_face = label[faces[:, 0]]
    order = np.argsort(of_face, kind="stable")
    cuts = np.cumsum(np.bincount(of_face, minlength=int(label.max()) + 1))[:-1]
    return [part for part in np.split(order, cuts) if len(part)]


def member_of(triangles: Floats) -> Member | None:
    """Return one shell (n, 3, 3) as a straight member; None where it is none: not slender, or not of one section.

    Openings may be cut into it, as long as most of it is left.

    The axis is the direction to which the faces, but for those at the ends, are parallel. The nailing faces are the
    narrow sides of the rectangle around the section, over the whole length: of an I or a C shape the flanges.
    """
    cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    area = np.linalg.norm(cross, axis=1)
    keep = area > 0.0
    if not keep.any():
        return None
    normals, area = cross[keep] / area[keep, None], area[keep]
    long = _long(triangles, normals, area)
    if long is None:
        return None
    if not _one_section(triangles[keep], normals, long) and not _mostly_whole(triangles, long):
        return None
    axis, middle, along, across, corners = long
    sides = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    strips = []
    for k in range(4):
        if sides[k] > min(sides) * SQUARE:
            continue  # a broad side
        a, b = (middle + corners[j] @ across for j in (k, (k + 1) % 4))
        low, high = along.min() * axis, along.max() * axis
        strips.append([[a + low, b + low, b + high], [a + low, b + high, a + high]])
    return Member(axis, np.array(strips))


def axis_of(triangles: Floats, normals: Floats, area: Floats) -> Floats | None:
    """Return the unit direction (3,) along a slender body, whatever is cut out of it; None where it is not slender."""
    long = _long(triangles, normals, area)
    return None if long is None else long.axis


class _Long(NamedTuple):
    axis: Floats  # (3,) unit
    middle: Floats  # (3,)
    along: Floats  # of each corner of each triangle, from the middle
    across: Floats  # (2, 3) unit vectors across the axis
    corners: Floats  # (4, 2) of the rectangle around it, seen along the axis


def _long(triangles: Floats, normals: Floats, area: Floats) -> _Long | None:
    """Return the frame of a slender body; None where it is not slender."""
    axis = _axis(normals, area)
    points = triangles.reshape(-1, 3)
    middle = points.mean(axis=0)
    along = (points - middle) @ axis
    across = _across(axis)
    hull = shapely.MultiPoint((points - middle) @ across.T).convex_hull
    if hull.geom_type != "Polygon":
        return None
    corners = shapely.get_coordinates(shapely.oriented_envelope(hull))[:4]
    deep = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).max()
    return _Long(axis, middle, along, across, corners) if np.ptp(along) >= SLENDER * deep else None


def _axis(normals: Floats, area: Floats) -> Floats:
    """Return the direction to which the faces are parallel; those at the ends are left out from the second round on."""
    weight = area
    axis = np.zeros(3)
    for _ in range(_ROUNDS):
        _, vectors = np.linalg.eigh((normals * weight[:, None]).T @ normals)
        axis = vectors[:, 0]
        weight = np.where(np.abs(normals @ axis) < 0.2, area, 0.0)
        if not weight.any():
            break
    return np.asarray(axis)


def _across(axis: Floats) -> Floats:
    first = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
    first /= np.linalg.norm(first)
    return np.array([first, np.cross(axis, first)])


def _one_section(triangles: Floats, normals: Floats, long: _Long) -> bool:
    """Tell whether all faces that are not parallel to the axis are at the ends, as near as a mitre may bring them."""
    deep = np.linalg.norm(np.roll(long.corners, -1, axis=0) - long.corners, axis=1).max()
    ends = triangles[np.abs(normals @ long.axis) > 0.05]
    place = (ends - long.middle) @ long.axis
    near_end = np.minimum(place - long.along.min(), long.along.max() - place) <= deep
    return bool(near_end.all())


def _mostly_whole(triangles: Floats, long: _Long) -> bool:
    """Tell whether a body is a member with openings: little is missing from its section pushed from end to end."""
    if not is_closed(triangles):
        return False
    seen = shapely.polygons((triangles - long.middle) @ long.across.T)
    section = shapely.union_all(seen[shapely.area(seen) > 0.0], grid_size=WELD_M / 10.0)
    corners = triangles - long.middle
    volume = abs(float(np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])))) / 6.0
    return bool(volume >= WHOLE * shapely.area(section) * np.ptp(long.along))
