"""Building geometry from a DXF file: every surface as triangles in metres, and a word on everything else.

The entities counted are those of model space plus, for each block reference, those that it brings; of a reference on a
layer whose role is a mark (a strap, a box …) all content is one element and counts as one.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from importers.drawing_units import metres_per_unit, unit_note
from importers.dxf_blocks import (
    INSTANCES_MAX,
    NOT_SANE,
    Blocks,
    Container,
    Leaf,
    Reference,
    grouped,
)
from importers.dxf_collect import BODY_MARKS, TRIANGLES_MAX, Collector, Places, no_surface
from importers.dxf_marks import runs_named, with_runs
from importers.dxf_open import LIBRARY_ERRORS, OpenedDxf, open_dxf
from importers.dxf_placing import placed, products, sane, scale_steps
from importers.dxf_shape import Grain, Shape, chain, missing, surface
from importers.dxf_xrefs import Externals
from importers.roles import RoleOf
from route3d.model.building import Drawing, InputFile
from route3d.model.element import MARK_ROLES

log = logging.getLogger(__name__)

Array = NDArray[np.float64]

# Corners of 3D faces this close are one corner: DXF writers round to six or more digits.
_SAME_M = 1e-6


def read_model(
    path: Path,
    *,
    name: str,
    role_of: RoleOf,
    units: str | None,
    move_m: Sequence[float],
    chord_tolerance_m: float,
) -> Drawing:
    """Read the geometry of a DXF file.

    Parameters
    ----------
    path, name : the file, and how messages and ids call it.
    role_of : from a layer's name, and of a block reference its block's too, to a role of the model or ``"zone"``.
    units : what the project says about the unit of length; None leaves it to the file.
    move_m : (3,) shift into the common frame.
    chord_tolerance_m : how far triangles of a curved surface may be off it.

    Raises
    ------
    UnreadableFileError, UnknownUnitError
    """
    opened = open_dxf(path, in_bulk=True)
    factor, unit = metres_per_unit(opened.doc, units, name)
    collector = Collector(name, role_of, chord_tolerance_m)
    externals = Externals(path, name, factor, unit)
    reader = _Reader(opened, Blocks(opened, externals, (path,), factor, unit), collector, chord_tolerance_m)
    frame = np.diag([factor, factor, factor, 1.0])
    frame[3, :3] = move_m
    # numbers that overflow are found where they end up: no element with them gets into the model
    with np.errstate(all="ignore"):
        reader.read(frame)
    notes = [*opened.notes, *filter(None, [unit_note(opened.doc, units)]), *externals.notes, *reader.notes()]
    source = InputFile(
        name, opened.sha256, unit, reader.entities, sum(len(e.triangles_m) for e in collector.elements), tuple(notes)
    )
    log.info("%d elements, %d not read, from %s", len(collector.elements), len(collector.rows), path)
    return Drawing(
        with_runs(collector.elements, runs_named(opened.doc)),
        tuple(collector.outlines),
        (*opened.unread_rows(name), *externals.rows, *collector.all_rows()),
        source,
        collector.summaries(),
        tuple(sorted(externals.depends.items())),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Spot:
    """Places of a container at which the same is fine."""

    grain: Grain
    places: Places
    paths: Sequence[str]  # what comes before the handles at each


class _Reader:
    """The walk through model space and the blocks placed in it."""

    def __init__(self, opened: OpenedDxf, blocks: Blocks, collector: Collector, tolerance_m: float) -> None:
        self._doc = opened.doc
        self._bulk = opened.bulk
        self._blocks = blocks
        self._collector = collector
        self._tolerance_m = tolerance_m
        self._lumps: dict[tuple[str, int, bool], tuple[Shape, ...]] = {}
        self._annotation = self._invisible = self._clipped = 0
        self.entities = self._blocks.model.entities

    def read(self, frame: Array) -> None:
        """Take in everything; ``frame`` (4, 4) leads from drawing units to metres in the common frame."""
        stack: list[tuple[Container, Array, tuple[str, ...], str | None]] = [
            (self._blocks.model, frame[None], ("",), None)
        ]
        while stack:
            container, matrices, paths, outer = stack.pop()
            self._count(container, len(matrices))
            spots = self._spots(matrices, paths)
            named = [(_resolved(leaf.layer, outer), leaf) for leaf in container.leaves]
            for layer, leaves in groupby(named, itemgetter(0)):
                self._leaves([leaf for _, leaf in leaves], spots, layer)
            for group in grouped(container.references):
                layer = _resolved(group[0].layer, outer)
                followed = [r for r in group if self._follows(r, matrices, paths, layer)]
                if not followed:
                    continue
                inner = np.concatenate([r.matrices for r in followed])
                labels = [label for r in followed for label in r.labels]
                places = products(inner, matrices)
                handles = tuple(f"{path}{label}" for path in paths for label in labels)
                fit = sane(places)
                if not fit.all():
                    wrong = [h for h, f in zip(handles, fit, strict=True) if not f]
                    self._collector.unread("INSERT", layer, NOT_SANE, wrong, None)
                    places, handles = places[fit], tuple(h for h, f in zip(handles, fit, strict=True) if f)
                role = self._role(followed[0], layer)
                if role in MARK_ROLES:
                    self._lumped(followed[0].block, places, handles, layer, role)
                else:
                    deeper = tuple(f"{handle}/" for handle in handles)
                    stack.append((self._blocks.container(followed[0].block), places, deeper, layer))

    def notes(self) -> list[str]:
        """Return what the input file should say besides its unread rows, one sentence each."""
        collector = self._collector
        said = [
            _counted(self._annotation + collector.points, "annotation entity has", "annotation entities have")
            + " no geometry"
            if self._annotation + collector.points
            else "",
            _counted(collector.ignored, "entity is", "entities are") + " on layers of role ignore"
            if collector.ignored
            else "",
            _counted(self._invisible, "invisible entity was", "invisible entities were") + " read all the same"
            if self._invisible
            else "",
            _counted(self._clipped, "clipped block reference was", "clipped block references were")
            + " read whole, beyond the clipping boundary"
            if self._clipped
            else "",
        ]
        said += [f"{count} times: {note}" for note, count in sorted(collector.notes.items())]
        hidden = sorted(layer for layer in collector.used_layers() if self._is_hidden(layer))
        if hidden:
            said.append(f"layers that are frozen or off were read all the same: {', '.join(hidden)}")
        paper = sum(
            sum(len(part) for part in self._bulk[e.dxf.handle]) if e.dxf.handle in self._bulk else 1
            for p in self._doc.layouts
            if not p.is_modelspace
            for e in p
            if e.dxftype() != "VIEWPORT"
        )
        if paper:
            said.append(_counted(paper, "entity", "entities") + " on paper layouts not read")
        return [sentence for sentence in said if sentence]

    def _is_hidden(self, layer: str) -> bool:
        for doc in self._blocks.documents():
            try:
                found = doc.layers.get(layer)
                if found.is_off() or found.is_frozen():
                    return True
            except LIBRARY_ERRORS:
                continue
        return False

    def _count(self, container: Container, places: int) -> None:
        self._annotation += container.annotation * places
        self._invisible += container.invisible * places
        self._clipped += container.clipped * places

    def _follows(self, reference: Reference, matrices: Array, paths: Sequence[str], layer: str) -> bool:
        """Tell whether to go into a reference; if not, it has been said why."""
        handles = [f"{path}{reference.handle}" for path in paths]
        problem = reference.problem
        if problem is None:
            brings = self._blocks.size(reference.block) * len(reference.labels) * len(matrices)
            if brings == np.inf:
                problem = "its block contains itself: redefine the block"
            elif self.entities + brings > INSTANCES_MAX:
                problem = f"the file comes to more than {INSTANCES_MAX} entities: explode what is needed of it"
            elif self._role(reference, layer) not in MARK_ROLES:
                # nested references are counted with their own content when their turn comes
                inner = self._blocks.container(reference.block)
                self.entities += inner.entities * len(reference.labels) * len(matrices)
            else:
                self.entities += len(reference.labels) * len(matrices)
        if problem is None:
            return True
        if self._collector.role(layer) == "ignore":
            self._collector.ignore("INSERT", layer, len(handles))
        else:
            self._collector.unread("INSERT", layer, problem, handles, None)
        return False

    def _grain(self, step: int) -> Grain:
        """Return what is fine in a container that is stretched by two to the power of ``step`` to be in metres."""
        stretch = 2.0**step
        return Grain(self._tolerance_m / stretch, _SAME_M / stretch)

    def _spots(self, matrices: Array, paths: Sequence[str]) -> list[_Spot]:
        """Return the places of a container apart by what is fine in them."""
        steps = scale_steps(matrices)
        spots = []
        for step in np.unique(steps):
            chosen = np.flatnonzero(steps == step)
            names = paths if len(chosen) == len(paths) else [paths[i] for i in chosen.tolist()]
            spots.append(_Spot(self._grain(int(step)), Places(matrices[chosen]), names))
        return spots

    def _leaves(self, leaves: Sequence[Leaf], spots: Sequence[_Spot], layer: str) -> None:
        """Take in leaves of one layer that follow each other, at all places of their container."""
        if self._collector.role(layer) == "ignore":
            for leaf in leaves:
                self._collector.ignore(leaf.kind, layer, leaf.count * sum(len(spot.places) for spot in spots))
            return
        if len(spots) == 1:
            spot = spots[0]
            shapes = [shape for leaf in leaves for shape in leaf.shapes(spot.grain)]
            self._collector.add_all(shapes, spot.places, spot.paths, layer)
            return
        for leaf in leaves:
            # lines in a row are told one after the other at every size, as they are when they come one by one
            for part in [slice(n, n + 1) for n in range(leaf.count)] if leaf.one_by_one else [slice(None)]:
                for spot in spots:
                    self._collector.add_all(leaf.shapes(spot.grain)[part], spot.places, spot.paths, layer)

    def _role(self, reference: Reference, layer: str) -> str:
        return self._collector.role_of_reference(layer, reference.shown)

    def _lumped(self, block: str, places: Array, handles: Sequence[str], layer: str, role: str) -> None:
        """Take in references whose content is one element each: a symbol of a strap, a box, a luminaire …"""
        of_body = role in BODY_MARKS
        steps = scale_steps(places)
        for step in np.unique(steps):
            chosen = np.flatnonzero(steps == step)
            key = (block.lower(), int(step), of_body)
            if key not in self._lumps:
                self._lumps[key] = self._gather(block, int(step), of_body)
            spots = Places(places[chosen])
            for shape in self._lumps[key]:
                self._collector.add(shape, spots, [handles[i] for i in chosen.tolist()], layer, role)

    def _gather(self, block: str, step: int, of_body: bool) -> tuple[Shape, ...]:
        """Return all content of a block as one shape, then the shapes that say what of it is not read."""
        triangles: list[Array] = []
        lines: list[Array] = []
        unread: list[Shape] = []
        size = 0
        stack = [(self._blocks.container(block), np.eye(4)[None])]
        while stack:
            container, matrices = stack.pop()
            inner = scale_steps(matrices)
            for leaf in container.leaves:
                for extra in np.unique(inner):
                    places = matrices[inner == extra]
                    for shape in leaf.shapes(self._grain(step + int(extra))):
                        size += len(places) * (len(shape.triangles) + len(shape.segments))
                        if size > TRIANGLES_MAX:
                            return (missing("INSERT", "", "its block is too large: explode it"),)
                        triangles.append(placed(shape.triangles, places).reshape(-1, 3, 3))
                        if shape.is_wire:
                            lines.append(placed(shape.segments, places).reshape(-1, 2, 3))
                        if shape.unread is not None:
                            hull = None if shape.hull is None else placed(shape.hull, places).reshape(-1, 3)
                            unread.append(missing(shape.kind, "", shape.unread, hull))
            for reference in container.references:
                if reference.problem is not None:
                    unread.append(missing("INSERT", "", reference.problem))
                else:
                    deeper = products(reference.matrices, matrices)
                    if not sane(deeper).all():
                        return (missing("INSERT", "", NOT_SANE),)
                    stack.append((self._blocks.container(reference.block), deeper))
        mesh = np.concatenate(triangles) if triangles else np.empty((0, 3, 3))
        wires = np.concatenate(lines) if lines else np.empty((0, 2, 3))
        body = surface("INSERT", "", mesh, self._grain(step))
        if len(body.triangles) == 0:
            return (Shape("INSERT", "", segments=wires if len(wires) else chain(self._base(block))), *unread)
        drawn = wires[(wires[:, 0] != wires[:, 1]).any(axis=1)]
        if of_body and len(drawn):
            unread.append(missing("INSERT", "", no_surface("INSERT"), drawn.reshape(-1, 3)))
        low, high = body.triangles.min(axis=(0, 1)), body.triangles.max(axis=(0, 1))
        outside = wires[((wires < low) | (wires > high)).any(axis=(1, 2))]
        if len(outside) == 0:
            return (body, *unread)
        # lines that reach out of the body belong to it all the same; with them it is no closed solid
        marks = np.concatenate([outside, outside[:, 1:]], axis=1)
        return (Shape("INSERT", "", np.concatenate([body.triangles, marks])), *unread)

    def _base(self, block: str) -> Array:
        return self._blocks.base_point(block)[None]


def _resolved(layer: str, outer: str | None) -> str:
    """Return the layer that an entity is on: inside a block, layer 0 stands for the layer of the reference."""
    return outer if outer is not None and layer == "0" else layer


def _counted(count: int, one: str, many: str) -> str:
    return f"{count} {one if count == 1 else many}"
