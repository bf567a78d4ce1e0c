"""What a reader found in one file: elements, outlines, routes, and all that it could not read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.model.element import Element


@dataclass(frozen=True, slots=True)
class Unread:
    """Geometry that is in a file but not in the model; a run that it could touch is never passed."""

    file: str
    handle: str
    layer: str
    kind: str
    reason: str
    box_m: tuple[tuple[float, float, float], tuple[float, float, float]] | None = None  # None: could be anywhere


@dataclass(frozen=True, slots=True)
class InputFile:
    """One file that was read."""

    file: str
    sha256: str
    unit: str
    entities: int
    triangles: int
    notes: tuple[str, ...] = ()  # one sentence each: recovered, frozen layers read, annotation skipped …


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A closed flat outline on a zone layer; bulges are already chords."""

    points_m: NDArray[np.float64]  # (n, 3), not repeated at the end
    layer: str
    handle: str
    file: str


@dataclass(frozen=True, slots=True)
class MapPlace:
    """Where a file says that it stands on the map: a turn about the vertical, and its origin in map coordinates."""

    crs: str  # name of the map system
    origin_m: tuple[float, float, float]  # easting, northing, height of the file's own origin
    turn_rad: float  # from map east to the file's x axis, anticlockwise
    scale: float = 1.0  # map metres per true metre


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """What one model file holds, in metres, in the common frame."""

    elements: tuple[Element, ...]
    outlines: tuple[Outline, ...]
    unread: tuple[Unread, ...]
    source: InputFile
    layers: tuple[LayerSummary, ...] = ()
    # other files that this one brought in: path beside it, and the sha256 of the content ("": it could not be read)
    depends: tuple[tuple[str, str], ...] = ()
    map_place: MapPlace | None = None  # all coordinates are in the file's own axes, wherever those stand on the map
    repeatable: bool = True  # False: a second reading could give more, as where time ran out; never kept for later


@dataclass(frozen=True, slots=True)
class LayerSummary:
    """One layer (or class, or mesh name) of a file, for a first look at it."""

    layer: str
    kinds: tuple[tuple[str, int], ...]  # entity kind and how many
    role: str
    triangles: int
    box_m: tuple[tuple[float, float, float], tuple[float, float, float]] | None


@dataclass(frozen=True, slots=True, eq=False)
class DrawnRoute:
    """One route drawn in CAD: the polyline of its centre line, arcs as corners with their radius."""

    route_id: str  # from extended data, else layer/handle
    layer: str
    handle: str
    file: str
    corners_m: NDArray[np.float64]  # (n, 3)
    drawn_radius_m: NDArray[np.float64]  # (n,), 0 where no arc was drawn
    attributes: tuple[tuple[str, str], ...] = ()  # of its extended data: start and end, as written there


@dataclass(frozen=True, slots=True, eq=False)
class RouteDrawing:
    """What one routes file holds."""

    routes: tuple[DrawnRoute, ...]
    unread: tuple[Unread, ...]
    source: InputFile
    depends: tuple[tuple[str, str], ...] = ()  # as those of ``Drawing``
    map_place: MapPlace | None = None
