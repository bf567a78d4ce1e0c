"""Blocks and their references: what a container holds, where it is placed, and how often in all.

A container is model space or one block. Placing multiplies 4 by 4 matrices in row vector order, many at once.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from ezdxf.document import Drawing as DxfDocument
from numpy.typing import NDArray

from importers.dxf_curves import plane_axes
from importers.dxf_faces import shapes_of_3dfaces
from importers.dxf_kinds import ANNOTATION, shape_of
from importers.dxf_open import LIBRARY_ERRORS
from importers.dxf_shape import Grain, Shape

Array = NDArray[np.float64]

IDENTITY: Array = np.eye(4)[None]
# A file that comes to more than this is a mistake, or made to stop a checker; what is beyond is named as unread.
INSTANCES_MAX = 1_000_000

NOT_SANE = "its placing is no number, or farther or larger than any building: insert it again"
_LARGEST = 1e15
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


@dataclass(slots=True, eq=False)
class Leaf:
    """One entity, or the 3D faces of one layer, of a container."""

    entities: tuple[Any, ...]
    layer: str
    _shapes: dict[Grain, tuple[Shape, ...]] = field(default_factory=dict)

    def shapes(self, grain: Grain) -> tuple[Shape, ...]:
        """Return its shapes at a scale, worked out once for each."""
        if grain not in self._shapes:
            first = self.entities[0]
            if first.dxftype() == "3DFACE":
                self._shapes[grain] = tuple(shapes_of_3dfaces(self.entities, grain))
            else:
                shape = shape_of(first, grain)
                self._shapes[grain] = () if shape is None else (shape,)
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
    """The blocks of one document, each looked through once."""

    def __init__(self, doc: DxfDocument) -> None:
        self._doc = doc
        self._layer_names: dict[str, str] = {}
        self._containers: dict[str, Container] = {}
        self._sizes: dict[str, float] = {}
        self.model = self._contents(doc.modelspace())

    def container(self, block: str) -> Container:
        """Return what a block holds; the block exists."""
        key = block.lower()
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
        layout = self._doc.blocks.get(block)
        if layout is None or layout.block is None:
            return np.zeros(3)
        return np.array(layout.block.dxf.base_point.xyz, dtype=np.float64)

    def _layer(self, entity: Any) -> str:
        """Return the layer's name as the layer table spells it; names do not differ by case."""
        try:
            written = str(entity.dxf.get("layer", "0"))
        except LIBRARY_ERRORS:
            written = _stored_layer(entity)
        if written not in self._layer_names:
            try:
                self._layer_names[written] = str(self._doc.layers.get(written).dxf.name)
            except LIBRARY_ERRORS:
                known = {name.lower(): name for name in self._layer_names.values()}
                self._layer_names[written] = known.get(written.lower(), written)
        return self._layer_names[written]

    def _contents(self, layout: Iterable[Any]) -> Container:
        faces: dict[str, list[Any]] = defaultdict(list)
        leaves: list[Leaf] = []
        references: list[Reference] = []
        count: Counter[str] = Counter()
        for entity in layout:
            count["entities"] += 1
            kind = entity.dxftype()
            if kind in ANNOTATION:
                count["annotation"] += 1
                continue
            count["invisible"] += _is_invisible(entity)
            layer = self._layer(entity)
            if kind == "3DFACE":
                faces[layer].append(entity)
            elif kind == "INSERT":
                references.append(self._reference(entity, layer))
                count["clipped"] += _is_clipped(entity)
            else:
                leaves.append(Leaf((entity,), layer))
        leaves += [Leaf(tuple(group), layer) for layer, group in faces.items()]
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
            problem = "an external reference: bind it, or add its file as a [[model]] of its own"
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
        return Reference(name, layer, handle, matrices, labels)


def reference_matrices(insert: Any, base_point: Array, rows: int, columns: int) -> Array:
    """Return the matrices (rows * columns, 4, 4) of a reference: block axes to those of its container, row vectors.

    Base point to the origin, scale, rotate about the extrusion, move to the insertion point, then along the array.
    """
    dxf = insert.dxf
    axes = plane_axes(dxf.extrusion)
    angle = math.radians(float(dxf.rotation))
    # right angles to the last bit: a wall turned by 90 degrees stays square to the axes
    cos, sin = (
        round(f(angle), 15) + 0.0 if float(dxf.rotation) % 90.0 == 0.0 else f(angle) for f in (math.cos, math.sin)
    )
    along = np.array([axes[0] * cos + axes[1] * sin, axes[1] * cos - axes[0] * sin, axes[2]])
    scale = np.array([dxf.xscale, dxf.yscale, dxf.zscale], dtype=np.float64)
    linear = along * scale[:, None]
    place = np.array(dxf.insert.xyz, dtype=np.float64) @ axes - base_point @ linear
    row, column = np.divmod(np.arange(rows * columns), columns)
    steps = (
        place
        + (column * float(dxf.column_spacing))[:, None] * along[0]
        + (row * float(dxf.row_spacing))[:, None] * along[1]
    )
    matrices = np.zeros((rows * columns, 4, 4))
    matrices[:, :3, :3] = linear
    matrices[:, 3, :3] = steps
    matrices[:, 3, 3] = 1.0
    return matrices


def placed(points: Array, matrices: Array) -> Array:
    """Return points (..., 3) at each of the places (k, 4, 4) as (k, ..., 3); equal points stay equal to the bit."""
    lift = (slice(None),) + (None,) * (points.ndim - 1)
    x, y, z = points[..., 0], points[..., 1], points[..., 2]
    result = np.empty((len(matrices), *points.shape))
    for axis in range(3):
        # three products and sums for each number, not a matrix product: that one rounds by position in the array
        m = matrices[:, :, axis]
        result[..., axis] = x * m[:, 0][lift] + y * m[:, 1][lift] + z * m[:, 2][lift] + m[:, 3][lift]
    return result


def sane(matrices: Array) -> NDArray[np.bool_]:
    """Tell which places (k, 4, 4) are numbers that can be worked with; whether they lie in a building is seen later."""
    with np.errstate(invalid="ignore"):
        return np.asarray((np.abs(matrices) <= _LARGEST).all(axis=(1, 2)))


def products(inner: Array, outer: Array) -> Array:
    """Return all combinations (k_outer * k_inner, 4, 4): first the inner placing, then the outer one."""
    return np.asarray(np.einsum("iab,obc->oiac", inner, outer).reshape(-1, 4, 4))


def scale_steps(matrices: Array) -> NDArray[np.int64]:
    """Return for each place the power of two (k,) that is no smaller than its largest stretch."""
    stretch = np.linalg.norm(matrices[:, :3, :3], ord=2, axis=(1, 2))
    with np.errstate(divide="ignore"):
        steps = np.ceil(np.log2(stretch) - 1e-9)
    return np.asarray(np.clip(np.nan_to_num(steps, neginf=-60.0, posinf=60.0), -60, 60), dtype=np.int64)


def grouped(references: Iterable[Reference]) -> Iterator[list[Reference]]:
    """Yield the references of the same block on the same layer together, in the order of their first."""
    groups: dict[tuple[str, str], list[Reference]] = defaultdict(list)
    for reference in references:
        groups[reference.block.lower(), reference.layer].append(reference)
    yield from groups.values()


def _followed(container: Container) -> Iterator[Reference]:
    return (reference for reference in container.references if reference.problem is None)


def _stored_layer(entity: Any) -> str:
    """Return the layer (group 8) of an entity of a kind that the library keeps as plain tags."""
    try:
        return str(entity.xtags.get_subclass("AcDbEntity").get_first_value(8, "0"))
    except LIBRARY_ERRORS:
        return "0"


def _is_invisible(entity: Any) -> bool:
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
