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
from importers.dxf_open import LIBRARY_ERRORS, open_dxf
from importers.route_chains import SAME_M, age, chain, coincident, joined
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
_KEYS = ("id", "start", "end")
_ANNOTATION = frozenset(
    {
        "TEXT", "MTEXT", "ATTRIB", "ATTDEF", "DIMENSION", "ARC_DIMENSION", "LEADER", "MULTILEADER", "MLEADER",
        "TOLERANCE", "HATCH", "MPOLYGON", "IMAGE", "WIPEOUT", "VIEWPORT", "ACAD_TABLE", "OLE2FRAME", "OLEFRAME",
        "PDFUNDERLAY", "DWFUNDERLAY", "DGNUNDERLAY", "LIGHT", "SUN", "GEODATA", "RTEXT", "ARCALIGNEDTEXT",
    }
)  # fmt: skip


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
    opened = open_dxf(path)
    scale, unit = metres_per_unit(opened.doc, units, name)
    said = _Said(list(opened.notes), list(opened.unread_rows(name)))
    contradiction = unit_note(opened.doc, units)
    if contradiction is not None:
        said.note(contradiction)
    move = np.asarray(move_m, dtype=np.float64)
    placed = list(_placed(opened.doc, wanted, said))
    pieces = [piece for one in placed if (piece := _piece(one, name, scale, move, chord_tolerance_m, said)) is not None]
    pieces = _without_repeats(pieces, said)
    whole = [piece for piece in pieces if piece.kind in POLYLINES]
    runs = [*whole, *_chains([piece for piece in pieces if piece.kind in CHAINED], name, join_m, said)]
    runs = _without_repeats(runs, said)
    routes = tuple(_route(run, name) for run in sorted(runs, key=lambda run: age(run.handle)) if _open(run, name, said))
    _say_hidden(opened.doc, placed, said)
    _say_paper(opened.doc, wanted, said)
    source = InputFile(name, opened.sha256, unit, len(placed), 0, tuple(said.notes))
    log.info("%d routes and %d unread entities from %s", len(routes), len(said.unread), path)
    return RouteDrawing(routes, tuple(said.unread), source)


def _placed(doc: DxfDocument, wanted: Callable[[str], bool], said: _Said) -> Iterator[_Placed]:
    inside: dict[str, frozenset[str]] = {}  # block name -> layers of what it holds, "0" for what takes its reference's

    def layers_in(block_name: str, above: tuple[str, ...]) -> frozenset[str]:
        key = block_name.lower()
        if key in above:
            return frozenset()
        if key not in inside:
            layers: set[str] = set()
            block = doc.blocks.get(block_name)
            for entity in block if block is not None else ():
                if isinstance(entity, Insert):
                    layers |= {_layer(entity, name) for name in layers_in(entity.dxf.name, (*above, key))}
                else:
                    layers.add(entity.dxf.layer)
            inside[key] = frozenset(layers)
        return inside[key]

    def walk(
        entities: Iterable[Any],
        host: str | None,
        prefix: str,
        matrix: NDArray[np.float64] | None,
        above: tuple[str, ...],
    ) -> Iterator[_Placed]:
        for entity in entities:
            layer = _layer(entity, host)
            handle = prefix + str(entity.dxf.handle or "")
            if not isinstance(entity, Insert):
                if wanted(layer):
                    yield _Placed(entity, layer, handle, matrix)
                continue
            block = entity.block()
            block_name = str(entity.dxf.get("name", ""))
            key = block_name.lower()
            if block is None or getattr(block.block, "is_xref", False):
                why = "is an external reference" if block is not None else "is not in the file"
                said.note(f"the block {block_name!r} {why} and was not looked into for runs ({handle})")
                continue
            if key in above:
                said.note(f"the block {block_name!r} holds itself; it was followed once ({handle})")
                continue
            if not any(wanted(_named(inner, layer)) for inner in layers_in(block_name, above)):
                continue
            copies = list(entity.multi_insert()) if entity.mcount > 1 else [entity]
            for number, copy in enumerate(copies):
                own = np.array(list(copy.matrix44()), dtype=np.float64).reshape(4, 4)
                deeper = own if matrix is None else own @ matrix
                mark = f"{handle}.{number:X}>" if len(copies) > 1 else f"{handle}>"
                yield from walk(block, layer, mark, deeper, (*above, key))

    yield from walk(doc.modelspace(), None, "", None, ())


def _layer(entity: Any, host: str | None) -> str:
    return _named(str(entity.dxf.get("layer", "0")), host)


def _named(layer: str, host: str | None) -> str:
    """Return the layer that counts: what a block holds on layer 0 is on the layer of its reference."""
    return host if layer == "0" and host is not None else layer


def _piece(
    placed: _Placed, name: str, scale: float, move: NDArray[np.float64], chord_m: float, said: _Said
) -> Piece | None:
    """Return one entity in metres, or say what it is."""
    kind = placed.entity.dxftype()
    layer, handle = placed.layer, placed.handle
    if kind in _ANNOTATION:
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
    corners, radius = tidy(corners * scale + move, radius * scale)
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
    return [piece for index, piece in enumerate(pieces) if index not in gone]


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
                Unread(name, " ".join(tangle.handles), layer, "junction", reason, (tangle.point_m, tangle.point_m))
            )
        for loop in result.loops:
            run = _joined(loop)
            said.unread.append(Unread(name, run.handle, layer, run.kind, _CLOSED, run.box_m))
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
        oldest, corners_m=corners, radius_m=radius, kind="+".join(sorted(kinds)), tags=tuple(sorted(tags.items()))
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


def _say_hidden(doc: DxfDocument, placed: Sequence[_Placed], said: _Said) -> None:
    count: Counter[str] = Counter()
    for one in placed:
        layer = doc.layers.get(one.layer) if doc.layers.has_entry(one.layer) else None
        if layer is not None and (layer.is_off() or layer.is_frozen()):
            count[f"layer {one.layer} is switched off or frozen"] += 1
        elif one.entity.dxf.get("invisible", 0):
            count[f"on layer {one.layer}, some entities are marked invisible"] += 1
    for what, number in sorted(count.items()):
        said.note(f"{what}: {number} entities of it were read all the same")


def _say_paper(doc: DxfDocument, wanted: Callable[[str], bool], said: _Said) -> None:
    count = sum(
        1
        for layout in doc.layouts
        if not layout.is_modelspace
        for entity in layout
        if entity.dxftype() not in _ANNOTATION and wanted(str(entity.dxf.get("layer", "0")))
    )
    if count:
        said.note(
            f"{count} entities on route layers stand on paper layouts, and were not read: draw runs in model space"
        )
