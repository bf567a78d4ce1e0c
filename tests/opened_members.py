"""Framing with openings drawn in it, in a few words. Lengths in metres."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from route3d.kernel.closed import is_closed, orient

Floats = NDArray[np.float64]

DEEP, THICK, LONG = 0.286, 0.038, 4.0  # a 2 × 12


def board(*openings: shapely.Polygon, deep: float = DEEP, thick: float = THICK, long: float = LONG) -> Floats:
    """Return a joist along y about 0, z from 0 to ``deep``, x from 0 to ``thick``; openings are cut in (y, z)."""
    return extruded(shapely.box(-long / 2, 0.0, long / 2, deep).difference(shapely.union_all(openings)), 0.0, thick)


def extruded(outline: shapely.Polygon, from_x: float, to_x: float) -> Floats:
    """Return a closed body whose outline in (y, z) may have holes."""
    mesh = trimesh.creation.extrude_polygon(outline, to_x - from_x)
    return np.asarray(mesh.triangles)[:, :, [2, 0, 1]] + np.array([from_x, 0.0, 0.0])


def shifted(triangles: Floats, x: float, y: float = 0.0, z: float = 0.0) -> Floats:
    """Return triangles moved."""
    return triangles + np.array([x, y, z])


def round_hole(y: float, z: float, radius: float) -> shapely.Polygon:
    """Return a hole as a polygon of 64 sides around a circle's radius."""
    return shapely.Point(y, z).buffer(radius, quad_segs=16)


def slot(y: float, z: float, wide: float, high: float, turn_deg: float = 0.0) -> shapely.Polygon:
    """Return a rectangular opening about its middle."""
    box = shapely.box(y - wide / 2, z - high / 2, y + wide / 2, z + high / 2)
    return shapely.affinity.rotate(box, turn_deg)


def with_openings(section: list[tuple[float, float]], long: float, sides: tuple[float, float], *openings) -> Floats:
    """Return a member along y from -long/2, its section in (x, z), its web between two planes x cut open in (y, z)."""
    solid = trimesh.creation.extrude_polygon(shapely.Polygon(section), long).triangles
    solid = np.asarray(solid)[:, :, [0, 2, 1]][:, ::-1] - np.array([0.0, long / 2, 0.0])
    parts = []
    middle = openings[0].centroid.y
    for x in sides:
        # of several faces in one plane, the one that the openings are in
        flat = (np.abs(solid[:, :, 0] - x) < 1e-12).all(axis=1)
        web = flat & (solid[:, :, 2].min(axis=1) < middle) & (solid[:, :, 2].max(axis=1) > middle)
        low, high = solid[web].reshape(-1, 3).min(axis=0), solid[web].reshape(-1, 3).max(axis=0)
        outline = shapely.box(low[1], low[2], high[1], high[2]).difference(shapely.union_all(openings))
        corners, which = trimesh.creation.triangulate_polygon(outline, engine="earcut")
        face = np.concatenate([np.full((len(corners), 1), x), corners], axis=1)[which]
        outward = np.cross(face[:, 1] - face[:, 0], face[:, 2] - face[:, 0])[:, 0] * (1.0 if x == max(sides) else -1.0)
        face[outward < 0.0] = face[outward < 0.0][:, ::-1]
        parts.append(face)
        solid = solid[~web]
    for opening in openings:
        ring = np.asarray(shapely.geometry.polygon.orient(opening).exterior.coords)
        for (y0, z0), (y1, z1) in pairwise(ring):
            a, b, c, d = (np.array([x, y, z]) for x, y, z in (
                (sides[0], y0, z0), (sides[1], y0, z0), (sides[1], y1, z1), (sides[0], y1, z1)))  # fmt: skip
            parts.append(np.array([[a, d, c], [a, c, b]]))
    whole = orient(np.concatenate([solid, *parts]))
    assert whole is not None and is_closed(whole)
    return whole


def channel(*openings: shapely.Polygon, deep: float = 0.092, flange: float = 0.041, sheet: float = 0.001) -> Floats:
    """Return a C of sheet metal along y, 2.4 m: web at x = 0, flanges towards +x; openings of the web in (y, z)."""
    section = [(0.0, 0.0), (flange, 0.0), (flange, sheet), (sheet, sheet), (sheet, deep - sheet)]
    section += [(flange, deep - sheet), (flange, deep), (0.0, deep)]
    return with_openings(section, 2.4, (0.0, sheet), *openings)


def i_joist(*openings: shapely.Polygon) -> Floats:
    """Return a timber I along y, 4 m, 241 mm deep: web of 10 mm about x = 0, flanges of 90 × 38 mm."""
    half = [(0.005, 0.203), (0.045, 0.203), (0.045, 0.241)]
    right = [(0.045, 0.0), (0.045, 0.038), (0.005, 0.038), *half]
    section = right + [(-x, z) for x, z in reversed(right)]
    return with_openings(section, 4.0, (-0.005, 0.005), *openings)
