"""A cut through a body, and the openings in it: holes inside its outline, notches that are open to an edge."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from route3d.kernel.mouth import Aperture, from_outline

Floats = NDArray[np.float64]

SPLIT_M = 1e-6  # what a notch is narrowed by, so that rounding does not join it to its neighbour


class Cut:
    """The polygons of a cut, in its axes (2, 3) about ``origin`` (3,).

    ``along`` (2,) is the direction of the body's axis in the cut; None where notches are none of it.
    """

    def __init__(self, polygons: Sequence[shapely.Polygon], origin: Floats, axes: Floats, along: Floats | None) -> None:
        self._polygons = np.array(polygons, dtype=object)
        self._origin, self._axes, self._along = origin, axes, along
        self._outlines = [np.asarray(polygon.exterior.coords)[:-1] for polygon in polygons]
        rings = [(ring, k) for k, polygon in enumerate(polygons) for ring in polygon.interiors]
        rings.sort(key=lambda ring: shapely.Polygon(ring[0]).area)  # of nested ones the innermost
        self._holes = np.array([shapely.Polygon(ring) for ring, _ in rings], dtype=object)
        self._rims = [
            Aperture(origin, axes, np.asarray(ring.coords)[:-1], self._outlines[k], None) for ring, k in rings
        ]
        for shape in [*polygons, *self._holes.tolist()]:
            shapely.prepare(shape)

    def opening_at(self, place: Floats) -> Aperture | None:
        """Return the opening around a place (2,); None where it is in the body, or beside it."""
        x, y = place.tolist()
        if np.any(shapely.intersects_xy(self._polygons, x, y)):
            return None
        for hole, rim in zip(self._holes, self._rims, strict=True):
            if shapely.contains_xy(hole, x, y):
                return rim
        if self._along is None:
            return None
        for pocket, aperture in self._notches:
            if shapely.contains_xy(pocket, x, y) and self._between(aperture.outline - place):
                return aperture
        return None

    def _between(self, outline: Floats) -> bool:
        """Tell whether an outline (k, 2) bounds the origin both ways along the axis."""
        assert self._along is not None
        side = np.array([-self._along[1], self._along[0]])
        end = np.roll(outline, -1, axis=0)
        before, after = outline @ side, end @ side
        cuts = (before >= 0.0) != (after >= 0.0)
        share = before[cuts] / (before[cuts] - after[cuts])
        reach = (outline[cuts] + share[:, None] * (end[cuts] - outline[cuts])) @ self._along
        return bool((reach > 0.0).any() and (reach < 0.0).any())

    @cached_property
    def _notches(self) -> list[tuple[shapely.Polygon, Aperture]]:
        """What the convex hull of each outline bridges."""
        found = []
        for outline in self._outlines:
            filled = shapely.Polygon(outline)
            hull = filled.convex_hull
            on_hull = np.asarray(hull.exterior.coords)[:-1]
            for pocket in shapely.get_parts(hull.difference(filled.buffer(SPLIT_M, join_style="mitre"))):
                if pocket.geom_type != "Polygon" or pocket.is_empty:
                    continue
                rim = np.asarray(pocket.exterior.coords)
                # the bridge is the side that is on the hull, and not beside the body
                middles = (rim[:-1] + rim[1:]) / 2.0
                away = np.where(from_outline(middles, on_hull) > SPLIT_M, -1.0, from_outline(middles, outline))
                k = int(np.argmax(away))
                shapely.prepare(pocket)
                found.append((pocket, Aperture(self._origin, self._axes, rim[:-1], outline, rim[k : k + 2])))
        return found
