"""Runs drawn in an IFC file: the centre lines of cable segments, joined where they meet, as corners in metres."""

from __future__ import annotations

import logging
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from importers import ifc_process
from importers.ifc import damage_rows, scale_of
from importers.ifc_frame import map_place
from importers.ifc_open import staged
from importers.ifc_roles import names_of
from importers.route_chains import SAME_M, chain, coincident, joined
from importers.route_pieces import Piece, tidy
from route3d.errors import UnreadableFileError
from route3d.model.building import DrawnRoute, InputFile, RouteDrawing, Unread

log = logging.getLogger(__name__)

_SAY_EVERY = 100


def read_routes(
    path: Path,
    *,
    name: str,
    wanted: Callable[[str], bool],
    units: str | None,
    move_m: Sequence[float] = (0.0, 0.0, 0.0),
    join_m: float = 0.001,
    chord_tolerance_m: float = 0.0001,
    say: Callable[[str], None] = lambda _: None,
) -> RouteDrawing:
    """Return the runs of the things that ``wanted`` accepts one name of; arguments as those of the DXF reader.

    The names are those of ``importers.ifc_roles.names_of``: ``IfcCableSegment``, ``IfcCableSegment/NAME``,
    ``IfcSystem/CIRCUIT`` … Segments of one circuit whose ends are within ``join_m`` are one run. A run is called by
    the name that all its segments share, where no other run has it; else by class and GUID.

    Raises
    ------
    MissingExtraError, UnreadableFileError, UnknownUnitError
    """
    del chord_tolerance_m  # lines and arcs stay exact, other curves are not read
    with staged(path, name) as file:
        child, facts = ifc_process.opened(file.path, name, facts=True)
        try:
            factor, unit, notes = scale_of(facts, units, name)
            chosen: dict[int, tuple[str, dict[str, Any]]] = {}
            for one in facts["products"]:
                classes = list(dict.fromkeys((one["kind"], one["class"])))
                names = names_of(classes, one["type"], one["name"], one["systems"])
                layer = next((n for n in names if wanted(n)), None)
                if layer is not None:
                    chosen[one["id"]] = layer, one
            gatherer = _Gatherer(name, factor * file_metres(facts), np.asarray(move_m, dtype=np.float64))

            def tell(done: int) -> None:
                if done % _SAY_EVERY == 0:
                    say(f"reading {name}: {done} of {len(chosen)} cable segments")

            for number, line in ifc_process.lines(child, list(chosen), tell):
                gatherer.take(*chosen[number], line)
        except ifc_process.ChildDiedError as error:
            raise UnreadableFileError(
                name, f"has a cable segment over which the IFC library {error}: draw it again"
            ) from error
        finally:
            child.end()
    routes = gatherer.routes(join_m)
    place, place_notes = map_place(facts["map"], factor)
    source = InputFile(name, file.sha256, unit, len(chosen), 0, (*file.notes, *notes, *place_notes, *gatherer.notes))
    unread = (*damage_rows(file, facts, name), *gatherer.unread)
    log.info("%d routes and %d unread things from %s", len(routes), len(unread), path)
    return RouteDrawing(routes, unread, source, map_place=place)


def file_metres(facts: dict[str, Any]) -> float:
    """Return the metres of the file's own unit, 1 where it states none."""
    return 1.0 if facts["unit"] is None else float(facts["unit"]["metres"])


class _Gatherer:
    """Collects centre lines, then joins them."""

    def __init__(self, name: str, scale_m: float, move_m: Any) -> None:
        self._name = name
        self._scale_m = scale_m
        self._move_m = move_m
        self._pieces: dict[tuple[str, tuple[str, ...]], list[Piece]] = defaultdict(list)
        self._names: dict[str, str] = {}
        self.unread: list[Unread] = []
        self.notes: list[str] = []

    def take(self, layer: str, facts: dict[str, Any], line: dict[str, Any]) -> None:
        """Take in what became of one segment."""
        handle = facts["guid"] or f"#{facts['id']}"
        if handle in self._names:
            handle = f"{handle}#{facts['id']}"
        self._names[handle] = facts["name"]
        kind = facts["class"]
        if "failed" in line:
            self.unread.append(Unread(self._name, handle, layer, kind, line["failed"]))
            return
        corners, radius = tidy(
            np.array(line["corners"]) * self._scale_m + self._move_m, np.array(line["radius"]) * self._scale_m
        )
        piece = Piece(corners, radius, layer, handle, kind)
        if len(corners) < 2 or piece.length_m <= SAME_M:
            self.unread.append(Unread(self._name, handle, layer, kind, "it has no length: delete it, or draw the run"))
            return
        circuit = tuple(sorted(group for group_kind, group in facts["systems"] if group_kind != "IfcZone"))
        self._pieces[layer, circuit].append(piece)

    def routes(self, join_m: float) -> tuple[DrawnRoute, ...]:
        """Return the runs; what has no two ends, and where three ends meet, goes to ``unread``."""
        found: list[tuple[Piece, str]] = []
        for (layer, _), pieces in self._pieces.items():
            for run, called in self._chains(layer, self._without_repeats(pieces), join_m):
                if float(np.linalg.norm(run.corners_m[0] - run.corners_m[-1])) <= SAME_M:
                    self._loop(run)
                else:
                    found.append((run, called))
        shared = Counter(called for _, called in found)
        return tuple(
            DrawnRoute(
                called if called and shared[called] == 1 else f"{called or run.layer}/{run.handle}",
                run.layer,
                run.handle,
                self._name,
                run.corners_m,
                run.radius_m,
            )
            for run, called in found
        )

    def _without_repeats(self, pieces: list[Piece]) -> list[Piece]:
        repeats = coincident(pieces)
        for kept, gone in repeats:
            self.notes.append(f"{pieces[gone].handle} lies exactly on {pieces[kept].handle}: read once")
        left_out = {gone for _, gone in repeats}
        return [piece for index, piece in enumerate(pieces) if index not in left_out]

    def _chains(self, layer: str, pieces: list[Piece], join_m: float) -> list[tuple[Piece, str]]:
        result = chain(pieces, join_m)
        for tangle in result.junctions:
            x, y, z = tangle.point_m
            reason = (
                f"{tangle.ends} ends meet at ({x:.3f}, {y:.3f}, {z:.3f}) m; which is the run? Every run was ended "
                "there: put the segments of each run into a circuit of its own"
            )
            box = tangle.point_m, tangle.point_m
            self.unread.append(Unread(self._name, " ".join(tangle.handles), layer, "junction", reason, box))
        for loop in result.loops:
            self._loop(_as_one(loop))
        if result.gaps:
            self.notes.append(
                f"{layer}: {result.gaps} gaps between ends of up to {result.widest_gap_m * 1000.0:.2g} mm were closed"
            )
        return [
            (_as_one(members), names.pop() if len(names := {self._names[m.handle] for m in members}) == 1 else "")
            for members in result.chains
        ]

    def _loop(self, run: Piece) -> None:
        reason = "it is a closed loop, which has no ends: break it where the run starts"
        self.unread.append(Unread(self._name, run.handle, run.layer, run.kind, reason, run.box_m))


def _as_one(members: Sequence[Piece]) -> Piece:
    corners, radius = joined(members)
    first = members[0]
    return Piece(corners, radius, first.layer, first.handle, "+".join(sorted({m.kind for m in members})))
