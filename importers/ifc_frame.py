"""Files that say where they stand on the map, brought into one frame of small numbers.

The common frame is the own frame of the first model that states a map conversion; others that state one are turned and
shifted into it. True lengths stay true: a map's scale counts for the distance between origins only, never for shapes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from route3d.errors import InputError
from route3d.model.building import Drawing, MapPlace, RouteDrawing, Unread

Array = NDArray[np.float64]
Move = tuple[Array, Array]  # turn (3, 3) and shift (3,)
_SCALE_OFF = 0.01  # no map shrinks or stretches a country by more: such a scale is a unit
_UPRIGHT = 1e-9
_FAR_M = 10_000.0
_SAME_M, _SAME_TURN = 1e-9, 1e-12


def map_place(stated: dict[str, Any] | None, factor: float) -> tuple[MapPlace | None, list[str]]:
    """Return where a file stands on the map by its conversion, see ``importers.ifc_facts``, and notes.

    ``factor`` is what the library's metres are multiplied by.
    """
    if stated is None:
        return None, []
    unit_m, file_unit_m = stated["unit_m"], stated["file_unit_m"] * factor
    if unit_m is None:
        unit_m = file_unit_m  # as the standard has it
    east, north, height = (stated[key] or 0.0 for key in ("Eastings", "Northings", "OrthogonalHeight"))
    abscissa, ordinate = stated["XAxisAbscissa"], stated["XAxisOrdinate"]
    turn = math.atan2(ordinate or 0.0, abscissa or 0.0) if abscissa or ordinate else 0.0
    scale = (1.0 if stated["Scale"] is None else stated["Scale"]) * unit_m / file_unit_m
    notes = []
    if not abs(scale - 1.0) <= _SCALE_OFF:
        notes.append(f"its map conversion's scale {stated['Scale']} does not fit its units; true lengths were kept")
        scale = 1.0
    origin = np.array([east, north, height]) * unit_m
    wcs = np.array(stated["wcs"], dtype=np.float64)
    if abs(wcs[2, 2] - 1.0) > _UPRIGHT:
        return None, [*notes, "its world coordinate system is tilted, so its place on the map was not used"]
    # the conversion starts from the world coordinate system, which may itself stand off the file's origin
    own = math.atan2(wcs[1, 0], wcs[0, 0])
    turn -= own
    origin -= _turned(turn) @ wcs[:3, 3] * file_unit_m * scale
    place = MapPlace(stated["crs"], (float(origin[0]), float(origin[1]), float(origin[2])), turn, scale)
    notes.append(
        f"stands on the map ({place.crs or 'system not named'}) at {origin[0]:.3f} E, {origin[1]:.3f} N, "
        f"{origin[2]:.3f} m, turned by {math.degrees(turn):.4f} degrees"
    )
    return place, notes


def _turned(turn_rad: float) -> Array:
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


class CommonFrame:
    """Brings one file after another into the frame of the first that states its place on the map.

    ``frame`` is "local" (that), "map" (map coordinates) or "file" (every file's own, whatever it says about the map).
    """

    def __init__(self, frame: str) -> None:
        self._frame = frame
        self._first: tuple[str, MapPlace] | None = None
        self._without: list[str] = []
        self._notes: list[str] = []

    def move_of(self, name: str, place: MapPlace | None) -> Move | None:
        """Return the turn and shift of a file into the common frame, None where it stays.

        Raises
        ------
        InputError
            It is placed in another map system than the first.
        """
        if self._frame == "file":
            return None
        if place is None:
            self._without.append(name)
            return None
        if self._first is None:
            self._first = name, place
        first_name, first = self._first
        if place.crs.strip().upper() != first.crs.strip().upper():
            raise InputError(
                name,
                f"is placed in the map system {place.crs!r}, {first_name} in {first.crs!r}: export both in one system, "
                'or write frame = "file" to place every file by its own axes',
            )
        if self._frame == "map":
            return _turned(place.turn_rad), np.array(place.origin_m)
        back = _turned(-first.turn_rad)
        turn = _turned(place.turn_rad - first.turn_rad)
        apart = np.array(place.origin_m) - np.array(first.origin_m)
        shift = back @ apart / np.array([first.scale, first.scale, 1.0])
        if float(np.abs(shift).max()) <= _SAME_M and float(np.abs(turn - np.eye(3)).max()) <= _SAME_TURN:
            return None
        away = float(np.linalg.norm(shift))
        self._notes.append(
            f"{name}: stands {away / 1000.0:.1f} km from {first_name} by its map conversion: is one of them wrong?"
            if away > _FAR_M
            else f"{name}: brought into the axes of {first_name} by their places on the map"
        )
        return turn, shift

    def notes(self) -> list[str]:
        """Return a sentence on each file that was moved, or could not be placed by the map."""
        said = list(self._notes)
        if self._first is not None:
            where = "map coordinates" if self._frame == "map" else f"the axes of {self._first[0]}"
            said += [
                f"{name}: states no place on the map, and was taken to stand in {where}"
                for name in dict.fromkeys(self._without)
            ]
        return said


def moved_model(drawing: Drawing, move: Move | None, project_move_m: Sequence[float]) -> Drawing:
    """Return a drawing in the common frame; the project's own ``move``, already applied, stays the last step."""
    if move is None:
        return drawing
    return replace(
        drawing,
        elements=tuple(replace(e, triangles_m=_moved(e.triangles_m, move, project_move_m)) for e in drawing.elements),
        outlines=tuple(replace(o, points_m=_moved(o.points_m, move, project_move_m)) for o in drawing.outlines),
        unread=tuple(_moved_row(row, move, project_move_m) for row in drawing.unread),
    )


def moved_routes(drawing: RouteDrawing, move: Move | None, project_move_m: Sequence[float]) -> RouteDrawing:
    """Return drawn routes in the common frame, as ``moved_model``."""
    if move is None:
        return drawing
    return replace(
        drawing,
        routes=tuple(replace(r, corners_m=_moved(r.corners_m, move, project_move_m)) for r in drawing.routes),
        unread=tuple(_moved_row(row, move, project_move_m) for row in drawing.unread),
    )


def _moved(points: Array, move: Move, project_move_m: Sequence[float]) -> Array:
    turn, shift = move
    own = np.asarray(project_move_m, dtype=np.float64)
    return np.asarray((points - own) @ turn.T + (shift + own))


def _moved_row(row: Unread, move: Move, project_move_m: Sequence[float]) -> Unread:
    if row.box_m is None:
        return row
    low, high = np.array(row.box_m)
    corners = np.where(np.array(list(np.ndindex(2, 2, 2)), dtype=bool), high, low)
    moved = _moved(corners, move, project_move_m)
    box = moved.min(axis=0).tolist(), moved.max(axis=0).tolist()
    return replace(row, box_m=(tuple(box[0]), tuple(box[1])))
