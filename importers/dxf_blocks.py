"""Blocks and their references: what a container holds, where it is placed, and how often in all.

A container is model space or one block.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from ezdxf.document import Drawing as DxfDocument
from numpy.typing import NDArray

from importers.dxf_batches import Batches
from importers.dxf_curves import axes_of
from importers.dxf_faces import shapes_of_3dfaces
from importers.dxf_kinds import ANNOTATION, shape_of
from importers.dxf_open import LIBRARY_ERRORS, OpenedDxf
from importers.dxf_parts import PLACEHOLDER, BulkFaces, BulkInserts, BulkMeshes
from importers.dxf_placing import as_matrices, entity_of, placings, reference_matrices, sane
from importers.dxf_shape import Grain, Shape
from importers.dxf_xrefs import Externals

Array = NDArray[np.float64]

IDENTITY: Array = np.eye(4)[None]
# A file that comes to more than this is a mistake, or made to stop a checker; what is beyond is named as unread.
INSTANCES_MAX = 1_000_000

NOT_SANE = "its placing is no number, or farther or larger than any building: insert it again"
_BESIDE = "\x1f"  # between the number of an attached drawing and the name of its block; in no name of a block
_XREF_FLAGS = 4 | 8  # group 70 of BLOCK: external reference, overlaid external reference


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """One block reference with all places of its array."""

    block: str
    layer: str
    handle: str
    matrices: Array  # (k, 4, 4)
    labels: tuple[str, ...]  # (k,) handle, and [row,column] where it is an array
    problem: str | None = None  # why it is not followed
    shown: str = ""  # what the block is called where it was drawn; "" for an attached drawing


@dataclass(slots=True, eq=False)
class Leaf:
    """One entity, the 3D faces of one layer, or meshes or lines that were read in bulk, of a container."""

    kind: str
    count: int  # entities
    layer: str
    make: Callable[[Grain], Sequence[Shape]]
    one_by_one: bool = False  # where it stands at several scales, its entities are told each at all of them
    _shapes: dict[Grain, tuple[Shape, ...]] = field(default_factory=dict)

    def shapes(self, grain: Grain) -> tuple[Shape, ...]:
        """Return its shapes at a scale, worked out once for each."""
        if grain not in self._shapes:
            self._shapes[grain] = tuple(self.make(grain))
        return self._shapes[grain]


@dataclass(frozen=True, slots=True, eq=False)
class Container:
    """What model space or a block holds."""

    leaves: tuple[Leaf, ...]
    references: tuple[Reference, ...]
    annotation: int
    invisible: int
    clipped: int
    entities: int


class Blocks:
    """The blocks of one document, each looked through once, and those of the drawings that it attaches.

    Blocks of an attached drawing are called by its number and their own name; its model space has an empty name.
    """

    def __init__(
        self, opened: OpenedDxf, externals: Externals, chain: tuple[Path, ...], unit_m: float, unit: str
    ) -> None:
        self._doc = opened.doc
        self._bulk = opened.bulk
        self._externals = externals
        self._chain = chain  # the files that led here, this one last
        self._unit_m = unit_m
        self._unit = unit
        self._attached: dict[Path, tuple[str, Blocks]] = {}
        self._by_number: dict[str, Blocks] = {}
        self._layer_names: dict[str, str] = {}
        self._containers: dict[str, Container] = {}
        self._sizes: dict[str, float] = {}
        self.model = self._contents(self._doc.modelspace())

    def documents(self) -> Iterator[DxfDocument]:
        """Yield this document and all that are attached."""
        yield self._doc
        for _, blocks in self._attached.values():
            yield from blocks.documents()

    def container(self, block: str) -> Container:
        """Return what a block holds; the block exists."""
        key = block.lower()
        if key not in self._containers and _BESIDE in key:
            number, _, inner = block.partition(_BESIDE)
            blocks = self._by_number[number]
            found = blocks.container(inner) if inner else blocks.model
            named = tuple(replace(r, block=f"{number}{_BESIDE}{r.block}") for r in found.references)
            self._containers[key] = replace(found, references=named)
        if key not in self._containers:
            layout = self._doc.blocks.get(block)
            self._containers[key] = self._contents(() if layout is None else layout)
        return self._containers[key]

    def size(self, block: str) -> float:
        """Return how many entities one reference to a block brings, nested ones counted; infinite if it is cyclic."""
        stack: list[tuple[str, bool]] = [(block.lower(), False)]
        on_path: set[str] = set()
        while stack:
            name, done = stack.pop()
            inner = self.container(name)
            if done:
                on_path.discard(name)
                nested = sum(len(r.labels) * self._sizes.get(r.block.lower(), math.inf) for r in _followed(inner))
                self._sizes[name] = inner.entities + nested
            elif name not in self._sizes:
                on_path.add(name)
                stack.append((name, True))
                for reference in _followed(inner):
                    key = reference.block.lower()
                    # a block that is still open above has no size yet: the reference back to it counts as infinite
                    if key not in on_path:
                        stack.append((key, False))
        return self._sizes[block.lower()]

    def base_point(self, block: str) -> Array:
        """Return the base point (3,) of a block: what a reference puts at its insertion point."""
        if _BESIDE in block:
            number, _, inner = block.partition(_BESIDE)
            return self._by_number[number].base_point(inner)
        if not block:
            base = self._doc.header.get("$INSBASE", (0.0, 0.0, 0.0))
            return np.array([*base, 0.0][:3], dtype=np.float64)
        layout = self._doc.blocks.get(block)
        if layout is None or layout.block is None:
            return np.zeros(3)
        return np.array(layout.block.dxf.base_point.xyz, dtype=np.float64)

    def _layer(self, entity: Any) -> str:
        """Return the layer's name as the layer table spells it; names do not differ by case."""
        return self._spelled(written_layer(entity))

    def _spelled(self, written: str) -> str:
        if written not in self._layer_names:
            try:
                self._layer_names[written] = str(self._doc.layers.get(written).dxf.name)
            except LIBRARY_ERRORS:
                known = {name.lower(): name for name in self._layer_names.values()}
                self._layer_names[written] = known.get(written.lower(), written)
        return self._layer_names[written]

    def _contents(self, layout: Iterable[Any]) -> Container:
        faces: dict[str, list[Any]] = defaultdict(list)  # 3D faces, and rows of them that were read in bulk
        batches = Batches()
        leaves: list[Leaf] = []
        references: list[Reference] = []
        count: Counter[str] = Counter()
        for entity in layout:
            kind = entity.dxftype()
            if kind == PLACEHOLDER:
                for part in self._bulk.get(entity.dxf.handle or "", ()):
                    count["entities"] += len(part)
                    count["invisible"] += part.invisible
                    layer = self._spelled(part.layer)
                    if isinstance(part, BulkInserts):
                        references += self._references(part, layer)
                    elif isinstance(part, BulkFaces):
                        faces[layer].append(part)
                    else:
                        make, one_by_one = batches.add(part), not isinstance(part, BulkMeshes)
                        leaves.append(Leaf(part.kind, len(part), layer, make, one_by_one))
                continue
            count["entities"] += 1
            if kind in ANNOTATION:
                count["annotation"] += 1
                continue
            count["invisible"] += is_invisible(entity)
            layer = self._layer(entity)
            if kind == "3DFACE":
                faces[layer].append(entity)
            elif kind == "INSERT":
                references.append(self._reference(entity, layer))
                count["clipped"] += _is_clipped(entity)
            else:
                leaves.append(Leaf(kind, 1, layer, partial(_single, entity)))
        for layer, group in faces.items():
            size = sum(len(face) if isinstance(face, BulkFaces) else 1 for face in group)
            leaves.append(Leaf("3DFACE", size, layer, partial(shapes_of_3dfaces, group)))
        return Container(
            tuple(leaves),
            tuple(references),
            count["annotation"],
            count["invisible"],
            count["clipped"],
            count["entities"],
        )

    def _reference(self, insert: Any, layer: str) -> Reference:
        handle = insert.dxf.handle or ""
        name = str(insert.dxf.get("name", ""))
        layout = self._doc.blocks.get(name) if name else None
        problem = None
        if layout is None or layout.block is None:
            problem = "its block is not in the file: insert it again"
        elif layout.block.dxf.get("flags", 0) & _XREF_FLAGS:
            name, problem = self._beside(layout.block, insert)
        elif not insert.dxf.hasattr("insert"):
            problem = "it has no insertion point: insert it again"
        if problem is not None:
            return Reference(name, layer, handle, IDENTITY, (handle,), problem)
        try:
            rows, columns = max(int(insert.dxf.row_count), 1), max(int(insert.dxf.column_count), 1)
            if rows * columns > INSTANCES_MAX:
                problem = f"an array of {rows} by {columns}, more than can be read: explode what is needed of it"
                return Reference(name, layer, handle, IDENTITY, (handle,), problem)
            matrices = reference_matrices(insert, self.base_point(name), rows, columns)
        except LIBRARY_ERRORS as error:
            problem = f"its placing is damaged ({type(error).__name__}): insert it again"
            return Reference(name, layer, handle, IDENTITY, (handle,), problem)
        if not sane(matrices).all():
            problem = NOT_SANE
            return Reference(name, layer, handle, IDENTITY, (handle,), problem)
        single = rows * columns == 1
        labels = (handle,) if single else tuple(f"{handle}[{r},{c}]" for r in range(rows) for c in range(columns))
        shown = "" if _BESIDE in name else self._drawn_name(name)
        return Reference(name, layer, handle, matrices, labels, shown=shown)

    def _references(self, inserts: BulkInserts, layer: str) -> list[Reference]:
        """Return references that were read in bulk; those that are no plain ones as the library's entities are read."""
        bases = {name: self._base_of_plain(name) for name in set(inserts.names)}
        base = np.array([bases[name] for name in inserts.names]).reshape(-1, 3)
        plain = np.isfinite(base).all(axis=1) & (inserts.counts <= 1).all(axis=1)
        _, linear, origin = placings(
            inserts.points, axes_of(inserts.extrusion), inserts.degrees.tolist(), inserts.scales, base
        )
        matrices = as_matrices(linear, origin)
        plain &= sane(matrices)
        shown = {name: self._drawn_name(name) for name in set(inserts.names)}
        references = []
        for n, (handle, name) in enumerate(zip(inserts.handles.tolist(), inserts.names, strict=True)):
            label = handle.decode()
            if plain[n]:
                references.append(Reference(name, layer, label, matrices[n : n + 1], (label,), shown=shown[name]))
            else:
                references.append(self._reference(entity_of(inserts, n, label), layer))
        return references

    def _base_of_plain(self, name: str) -> Array:
        """Return the base point (3,) of a block of this document, what is no number where there is none of the name."""
        layout = self._doc.blocks.get(name) if name else None
        if layout is None or layout.block is None or layout.block.dxf.get("flags", 0) & _XREF_FLAGS:
            return np.full(3, np.nan)
        return self.base_point(name)

    def _drawn_name(self, name: str) -> str:
        """Return the name of a block; what a block with changeable parts looks like is kept under a name of its own."""
        if not name.upper().startswith("*U"):
            return name
        try:
            tags = self._doc.blocks.get(name).block_record.get_xdata("AcDbBlockRepBTag")
            handle = next(str(tag.value) for tag in tags if tag.code == 1005)
            return str(self._doc.entitydb[handle].dxf.name)
        except (*LIBRARY_ERRORS, StopIteration):
            return name

    def _beside(self, block: Any, insert: Any) -> tuple[str, str | None]:
        """Return the name for the model space of an attached drawing, and why it cannot be read."""
        written = str(block.dxf.get("xref_path", ""))
        host = self._chain[-1]
        found = self._externals.attach(written, host, self._unit_m, self._unit, self._chain)
        if found.opened is None or found.path is None:
            return "", found.problem
        factor = found.unit_m / self._unit_m
        scales = [abs(float(insert.dxf.get(f"{axis}scale", 1.0))) for axis in "xyz"]
        # what a reference is scaled by includes the ratio of the units, by whoever attached it
        if abs(factor - 1.0) > 1e-5 and not all(abs(scale - factor) <= 1e-5 * factor for scale in scales):
            return "", (
                f"its file is drawn in {found.unit}, this one in {self._unit}, and it is not scaled by {factor:g}: "
                "scale the reference, or add its file as a [[model]] of its own"
            )
        if found.path not in self._attached:
            number = str(len(self._attached) + 1)
            chain = (*self._chain, found.path)
            blocks = Blocks(found.opened, self._externals, chain, found.unit_m, found.unit)
            self._attached[found.path] = number, blocks
            self._by_number[number] = blocks
        return f"{self._attached[found.path][0]}{_BESIDE}", None


def _single(entity: Any, grain: Grain) -> tuple[Shape, ...]:
    shape = shape_of(entity, grain)
    return () if shape is None else (shape,)


def grouped(references: Iterable[Reference]) -> Iterator[list[Reference]]:
    """Yield the references of the same block on the same layer together, in the order of their first."""
    groups: dict[tuple[str, str], list[Reference]] = defaultdict(list)
    for reference in references:
        groups[reference.block.lower(), reference.layer].append(reference)
    yield from groups.values()


def _followed(container: Container) -> Iterator[Reference]:
    return (reference for reference in container.references if reference.problem is None)


def written_layer(entity: Any) -> str:
    """Return the layer of an entity as it is written; also of kinds that the library keeps as plain tags."""
    try:
        return str(entity.dxf.get("layer", "0"))
    except LIBRARY_ERRORS:
        pass
    try:
        found = (tags.get_first_value(8, None) for tags in entity.xtags.subclasses)
        return next((str(layer) for layer in found if layer is not None), "0")
    except LIBRARY_ERRORS:
        return "0"


def is_invisible(entity: Any) -> bool:
    """Tell whether an entity is not shown; kinds that the library does not know have no such mark."""
    try:
        return bool(entity.dxf.get("invisible", 0))
    except LIBRARY_ERRORS:
        return False


def _is_clipped(insert: Any) -> bool:
    """Tell whether a reference shows only what is inside a clipping boundary."""
    if not insert.has_extension_dict:
        return False
    try:
        return "ACAD_FILTER" in insert.get_extension_dict()
    except LIBRARY_ERRORS:
        return False
