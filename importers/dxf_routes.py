"""Runs drawn in CAD: polylines, and chains of lines, arcs and curves, as corners in metres.

Arcs come back as the corner where their end tangents meet, with the drawn radius: the same form that the fit works on.
"""

from __future__ import annotations

import logging
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from ezdxf.document import Drawing as DxfDocument
from ezdxf.entities.dxfgfx import DXFGraphic
from ezdxf.entities.insert import Insert
from numpy.typing import ArrayLike, NDArray

from importers.drawing_units import metres_per_unit, unit_note
from importers.dxf_blocks import NOT_SANE, written_layer
from importers.dxf_collect import FARTHEST_M, INSANE
from importers.dxf_open import LIBRARY_ERRORS, open_dxf
from importers.dxf_placing import reference_matrices, sane
from importers.route_chains import SAME_M, age, chain, coincident, joined
from importers.route_notes import ANNOTATION, say_hidden, say_paper
from importers.route_pieces import (
    CHAINED,
    FLATTENED,
    POLYLINES,
    NotACentreLineError,
    Piece,
    corners_of,
    tidy,
)
from route3d.model.building import DrawnRoute, InputFile, RouteDrawing, Unread

log = logging.getLogger(__name__)

APPLICATION = "ROUTE3D"
# Files that come to more are mistakes, or made to stop a checker; what is beyond is named as unread.
_PLACES_MAX = 20_000
_DEPTH_MAX = 60
_KEYS = ("id", "start", "end", "bent")


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    """An entity where a chain of block references puts it; ``matrix`` takes row vectors to the axes of the drawing."""

    entity: DXFGraphic
    layer: str
    handle: str
    matrix: NDArray[np.float64] | None  # (4, 4); None: drawn in model space itself


@dataclass(slots=True)
class _Said:
    """What is collected on the way."""

    notes: list[str] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)

    def note(self, text: str) -> None:
        """Keep a sentence once."""
        if text not in self.notes:
            self.notes.append(text)


def read_routes(
    path: Path,
    *,
    name: str,
    wanted: Callable[[str], bool],
    units: str | None,
    move_m: ArrayLike = (0.0, 0.0, 0.0),
    join_m: float = 0.001,
    chord_tolerance_m: float = 0.0001,
) -> RouteDrawing:
    """Return the runs drawn on the layers that ``wanted`` accepts.

    Parameters
    ----------
    path, name
        The DXF file, and how messages and results call it.
    units
        Of the project file, in place of what the drawing states: mm, cm, m, in or ft.
    move_m : (3,) float
        Shift into the common frame, after scaling to metres.
    join_m
        Ends of lines, arcs and curves this close, on one layer, are one run.
    chord_tolerance_m
        Deviation allowed where splines, ellipses and helices become dense corners.

    Raises
    ------
    UnreadableFileError, UnknownUnitError
        The file cannot be loaded, or nobody states its unit of length.

    Notes
    -----
    A run's id is the ``id=`` of its extended data, else ``LAYER/HANDLE``; repeated ids are left to the caller.
    """
    opened = open_dxf(path, in_bulk=True, lines=False)
    if any(layer == "0" or wanted(layer) for part in opened.bulk.values() for layer in {p.layer for p in part}):
        opened = open_dxf(path)  # meshes on layers of runs are no runs, and are named one by one
    scale, unit = metres_per_unit(opened.doc, units, name)
    said = _Said(list(opened.notes), list(opened.unread_rows(name)))
    contradiction = unit_note(opened.doc, units)
    if contradiction is not None:
        said.note(contradiction)
    move = np.asarray(move_m, dtype=np.float64)
    placed, runs = _all_runs(opened.doc, name, wanted, (scale, move, chord_tolerance_m, join_m), said)
    routes = tuple(_route(run, name) for run in sorted(runs, key=lambda run: age(run.handle)) if _open(run, name, said))
    say_hidden(opened.doc, [(one.layer, one.entity) for one in placed], said.note)
    say_paper(opened.doc, wanted, said.note)
    source = InputFile(name, opened.sha256, unit, len(placed), 0, tuple(said.notes))
    log.info("%d routes and %d unread entities from %s", len(routes), len(said.unread), path)
    return RouteDrawing(routes, tuple(said.unread), source)


def route_members(
    doc: DxfDocument,
    *,
    name: str,
    wanted: Callable[[str], bool],
    scale: float,
    move_m: ArrayLike = (0.0, 0.0, 0.0),
    join_m: float = 0.001,
    chord_tolerance_m: float = 0.0001,
) -> dict[str, tuple[str, ...]]:
    """Return for the handle of each run that ``read_routes`` gives all handles that it was read from.

    These are the links of a chain, and what lies exactly on it; a handle with ``>`` is inside a block. ``scale`` is in
    metres per drawing unit.
    """
    sizes = (scale, np.asarray(move_m, dtype=np.float64), chord_tolerance_m, join_m)
    _, runs = _all_runs(doc, name, wanted, sizes, _Said())
    return {run.handle: run.handles for run in runs}


def _all_runs(
    doc: DxfDocument,
    name: str,
    wanted: Callable[[str], bool],
    sizes: tuple[float, NDArray[np.float64], float, float],
    said: _Said,
) -> tuple[list[_Placed], list[Piece]]:
    """Return the entities on layers of runs, and the runs that they make."""
    scale, move, chord_m, join_m = sizes
    # numbers that overflow are found where they end up
    with np.errstate(all="ignore"):
        placed = list(_placed(doc, wanted, name, said))
        found = [_piece(one, name, scale, move, chord_m, said) for one in placed]
    pieces = _without_repeats([piece for piece in found if piece is not None], said)
    whole = [piece for piece in pieces if piece.kind in POLYLINES]
    runs = [*whole, *_chains([piece for piece in pieces if piece.kind in CHAINED], name, join_m, said)]
    return placed, _without_repeats(runs, said)


def _placed(doc: DxfDocument, wanted: Callable[[str], bool], name: str, said: _Said) -> Iterator[_Placed]:
    inside: dict[str, frozenset[str]] = {}
    visits = 0

    def layers_in(block_name: str) -> frozenset[str]:
        """Return every layer that is named in a block or in blocks placed in it."""
        key = block_name.lower()
        if key not in inside:
            layers: set[str] = set()
            seen, todo = {key}, [block_name]
            while todo:
                block = doc.blocks.get(todo.pop())
                for entity in block if block is not None else ():
                    layers.add(written_layer(entity))
                    inner = str(entity.dxf.get("name", "")) if isinstance(entity, Insert) else ""
                    if inner and inner.lower() not in seen:
                        seen.add(inner.lower())
                        todo.append(inner)
            inside[key] = frozenset(layers)
        return inside[key]

    def places(insert: Insert, block: Any, layer: str, handle: str) -> NDArray[np.float64] | None:
        """Return the matrices (k, 4, 4) of a reference, None where it is said why there are none."""
        rows, columns = max(int(insert.dxf.row_count), 1), max(int(insert.dxf.column_count), 1)
        if rows * columns > _PLACES_MAX:
            reason = f"an array of {rows} by {columns}, more than can be read: explode what is needed of it"
        else:
            try:
                base = np.array(block.block.dxf.base_point.xyz, dtype=np.float64)
                found = reference_matrices(insert, base, rows, columns)
                if sane(found).all():
                    return found
                reason = NOT_SANE
            except LIBRARY_ERRORS as error:
                reason = f"its placing is damaged ({type(error).__name__}): insert it again"
        said.unread.append(Unread(name, handle, layer, "INSERT", reason))
        return None

    def walk(
        entities: Iterable[Any],
        host: str | None,
        prefix: str,
        matrix: NDArray[np.float64] | None,
        above: tuple[str, ...],
    ) -> Iterator[_Placed]:
        nonlocal visits
        for entity in entities:
            layer = _layer(entity, host)
            handle = prefix + str(entity.dxf.handle or "")
            if not isinstance(entity, Insert):
                if wanted(layer):
                    yield _Placed(entity, layer, handle, matrix)
                continue
            block_name = str(entity.dxf.get("name", ""))
            block = doc.blocks.get(block_name) if block_name else None
            key = block_name.lower()
            if block is None or getattr(block.block, "is_xref", False):
                why = "is an external reference" if block is not None else "is not in the file"
                said.note(f"the block {block_name!r} {why} and was not looked into for runs ({handle})")
                continue
            if key in above:
                said.note(f"the block {block_name!r} holds itself; it was followed once ({handle})")
                continue
            if not any(wanted(_named(inner, layer)) for inner in layers_in(block_name)):
                continue
            if len(above) >= _DEPTH_MAX:
                reason = f"blocks are nested more than {_DEPTH_MAX} deep: explode what is needed of it"
                said.unread.append(Unread(name, handle, layer, "INSERT", reason))
                continue
            copies = places(entity, block, layer, handle)
            for number, own in enumerate(() if copies is None else copies):
                visits += 1
                if visits > _PLACES_MAX:
                    if visits == _PLACES_MAX + 1:
                        reason = f"the file comes to more than {_PLACES_MAX} blocks with runs: explode what is needed"
                        said.unread.append(Unread(name, handle, layer, "INSERT", reason))
                    return
                deeper = own if matrix is None else own @ matrix
                mark = f"{handle}.{number:X}>" if copies is not None and len(copies) > 1 else f"{handle}>"
                yield from walk(block, layer, mark, deeper, (*above, key))

    yield from walk(doc.modelspace(), None, "", None, ())


def _layer(entity: Any, host: str | None) -> str:
    return _named(written_layer(entity), host)


def _named(layer: str, host: str | None) -> str:
    """Return the layer that counts: what a block holds on layer 0 is on the layer of its reference."""
    return host if layer == "0" and host is not None else layer


def _piece(
    placed: _Placed, name: str, scale: float, move: NDArray[np.float64], chord_m: float, said: _Said
) -> Piece | None:
    """Return one entity in metres, or say what it is."""
    kind = placed.entity.dxftype()
    layer, handle = placed.layer, placed.handle
    if kind in ANNOTATION:
        said.note(f"text, dimensions and the like on route layers are not runs and were passed over ({kind})")
        return None
    matrix = np.eye(4) if placed.matrix is None else placed.matrix
    stretch = 1.0 if placed.matrix is None else float(np.linalg.norm(matrix[:3, :3], 2))
    even = placed.matrix is None or _is_even(matrix)
    try:
        corners, radius, closed = corners_of(placed.entity, chord_m / (scale * max(stretch, 1e-12)), even)
    except NotACentreLineError as error:
        said.unread.append(Unread(name, handle, layer, kind, str(error)))
        return None
    except LIBRARY_ERRORS as error:
        words = " ".join(str(error).split()) or type(error).__name__
        said.unread.append(Unread(name, handle, layer, kind, f"it is damaged ({words[:80]}): draw it again"))
        return None
    if placed.matrix is not None:
        corners = corners @ matrix[:3, :3] + matrix[3, :3]
        radius = radius * stretch
    corners, radius = corners * scale + move, radius * scale
    # comparisons with what is no number are false
    if not (np.abs(corners) <= FARTHEST_M).all() or not (radius <= FARTHEST_M).all():
        said.unread.append(Unread(name, handle, layer, kind, INSANE))
        return None
    corners, radius = tidy(corners, radius)
    piece = Piece(corners, radius, layer, handle, kind, closed, _tags(placed, said))
    if kind in FLATTENED:
        said.note(f"{kind} on a route layer: read as dense corners within {chord_m * 1000.0:g} mm of the curve")
    if not even and kind in (*POLYLINES, "ARC"):
        said.note(f"{layer}/{handle}: its block is scaled unevenly, so any arc in it was read as dense corners")
    if len(corners) < 2 or piece.length_m <= SAME_M:
        box = piece.box_m if len(corners) else None
        said.unread.append(Unread(name, handle, layer, kind, "it has no length: delete it, or draw the run", box))
        return None
    if closed and kind in CHAINED:
        said.unread.append(Unread(name, handle, layer, kind, _CLOSED, piece.box_m))
        return None
    return piece


_CLOSED = "it is a closed loop, which has no ends: break it where the run starts"


def _open(run: Piece, name: str, said: _Said) -> bool:
    """Tell whether a run has two ends; one that has not is reported."""
    if not run.closed and float(np.linalg.norm(run.corners_m[0] - run.corners_m[-1])) > SAME_M:
        return True
    said.unread.append(Unread(name, run.handle, run.layer, run.kind, _CLOSED, run.box_m))
    return False


def _is_even(matrix: NDArray[np.float64]) -> bool:
    """Tell whether circles stay circles: the same scale in all directions, mirrored or not."""
    axes = matrix[:3, :3]
    gram = axes @ axes.T
    size = float(np.trace(gram)) / 3.0
    return size > 0.0 and bool(np.abs(gram / size - np.eye(3)).max() < 1e-9)


def _tags(placed: _Placed, said: _Said) -> tuple[tuple[str, str], ...]:
    """Return the key=value strings that the application name ROUTE3D keeps in an entity's extended data."""
    xdata = placed.entity.xdata
    if xdata is None:
        return ()
    found: dict[str, str] = {}
    where = f"{placed.layer}/{placed.handle}"
    for application, tags in xdata.data.items():
        if application.upper() != APPLICATION:
            continue
        for tag in tags[1:]:
            if tag.code != 1000:
                continue
            key, equals, value = (part.strip() for part in str(tag.value).partition("="))
            key = key.lower()
            if not equals or not value:
                said.note(
                    f"{where}: the extended data {str(tag.value)!r} is not of the form key=value, and was not used"
                )
            elif key not in _KEYS:
                said.note(f"{where}: the extended data {key!r} is not known ({', '.join(_KEYS)} are), and was not used")
            elif found.setdefault(key, value) != value:
                said.note(f"{where}: the extended data gives {key} twice; {found[key]!r} was used, not {value!r}")
    return tuple(sorted(found.items()))


def _without_repeats(pieces: Sequence[Piece], said: _Said) -> list[Piece]:
    repeats = coincident(pieces)
    for kept, repeated in repeats:
        a, b = pieces[kept], pieces[repeated]
        said.note(f"{b.layer}/{b.handle} lies exactly on {a.layer}/{a.handle}: read once")
    gone = {repeated for _, repeated in repeats}
    also: dict[int, tuple[str, ...]] = {}
    for kept, repeated in repeats:
        also[kept] = (*also.get(kept, pieces[kept].handles), *also.get(repeated, pieces[repeated].handles))
    return [
        replace(piece, members=also[index]) if index in also else piece
        for index, piece in enumerate(pieces)
        if index not in gone
    ]


def _chains(pieces: Sequence[Piece], name: str, join_m: float, said: _Said) -> list[Piece]:
    """Join lines, arcs and curves layer by layer."""
    by_layer: dict[str, list[Piece]] = defaultdict(list)
    for piece in pieces:
        by_layer[piece.layer].append(piece)
    runs = []
    for layer, members in by_layer.items():
        result = chain(members, join_m)
        for tangle in result.junctions:
            x, y, z = tangle.point_m
            count = {3: "three", 4: "four"}.get(tangle.ends, str(tangle.ends))
            reason = (
                f"{count} lines meet at ({x:.3f}, {y:.3f}, {z:.3f}) m; which is the run? "
                "Every run was ended there: draw each as one polyline, or give its lines the same id"
            )
            said.unread.append(
                Unread(name, _listed(tangle.handles), layer, "junction", reason, (tangle.point_m, tangle.point_m))
            )
        for loop in result.loops:
            run = _joined(loop)
            said.unread.append(Unread(name, run.handle, layer, run.kind, _CLOSED, run.box_m))
        if result.crowded:
            said.note(f"{layer}: too many ends lie near each other to look for gaps, so none were closed")
        if result.gaps:
            said.note(
                f"{layer}: {result.gaps} gaps between ends of up to {result.widest_gap_m * 1000.0:.2g} mm were closed"
            )
        for order in result.chains:
            run = _joined(order)
            ids = sorted({piece.route_id for piece in order if piece.route_id is not None})
            if len(ids) > 1:
                reason = f"its lines carry different ids ({', '.join(ids)}): leave one id, or break it where a box is"
                said.unread.append(Unread(name, run.handle, layer, run.kind, reason, run.box_m))
                continue
            _say_conflicts(order, run, said)
            runs.append(run)
    return runs


def _listed(handles: Sequence[str]) -> str:
    return " ".join(handles) if len(handles) <= 20 else f"{' '.join(handles[:20])} …"


def _joined(members: Sequence[Piece]) -> Piece:
    """Return a chain as one piece, named after its oldest member."""
    corners, radius = joined(members)
    oldest = min(members, key=lambda piece: age(piece.handle))
    tags: dict[str, str] = {}
    for piece in sorted(members, key=lambda piece: age(piece.handle)):
        for key, value in piece.tags:
            tags.setdefault(key, value)
    kinds = Counter(piece.kind for piece in members)
    return replace(
        oldest,
        corners_m=corners,
        radius_m=radius,
        kind="+".join(sorted(kinds)),
        tags=tuple(sorted(tags.items())),
        members=tuple(handle for piece in members for handle in piece.handles),
    )


def _say_conflicts(members: Sequence[Piece], run: Piece, said: _Said) -> None:
    for key in _KEYS[1:]:
        values = sorted({value for piece in members for k, value in piece.tags if k == key})
        if len(values) > 1:
            used = dict(run.tags)[key]
            said.note(f"{run.layer}/{run.handle}: its lines give {key} as {', '.join(values)}; {used!r} was used")


def _route(run: Piece, name: str) -> DrawnRoute:
    route_id = run.route_id if run.route_id is not None else f"{run.layer}/{run.handle}"
    rest = tuple((key, value) for key, value in run.tags if key != "id")
    return DrawnRoute(route_id, run.layer, run.handle, name, run.corners_m, run.radius_m, rest)
