"""From shapes at their places to the elements, outlines and unread rows of a drawing, by the role of their layer."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from importers.dxf_placing import placed
from importers.dxf_shape import Shape
from importers.roles import RoleOf
from route3d.model.building import LayerSummary, Outline, Unread
from route3d.model.element import MARK_ROLES, Element

Array = NDArray[np.float64]
Box = tuple[tuple[float, float, float], tuple[float, float, float]]

ZONE = "zone"  # pseudo role: a volume that changes the rules inside it, not a thing of the building
# A line of the outline of a room is no plate: closed profiles with thickness keep open ends on these.
OPEN_ENDED_ROLES = frozenset({"wall", "fire-wall"})
# Marks whose lines stand for a body that cables must not cross.
BODY_MARKS = frozenset({"equipment", "cabinet"})
# No building is this large: a coordinate beyond is a mistake, and would eat up the digits of all others.
FARTHEST_M = 1e8
INSANE = "its coordinates are no numbers, or farther out than any building: draw it again"
TRIANGLES_MAX = 12_000_000
ROWS_MAX = 5_000
_CHUNK = 2_000_000  # coordinates at a time

_WIRES = {
    "LINE": "a line", "ARC": "an arc", "CIRCLE": "a circle", "ELLIPSE": "an ellipse", "SPLINE": "a curve",
    "3DFACE": "a face without area",
    "SOLID": "a face without area",
    "TRACE": "a face without area",
    "HELIX": "a helix", "MLINE": "a multiple line", "INSERT": "a symbol of lines",
}  # fmt: skip


@dataclass(slots=True)
class _Layer:
    """What is counted for one layer."""

    kinds: Counter[str] = field(default_factory=Counter)
    triangles: int = 0
    low: Array = field(default_factory=lambda: np.full(3, np.inf))
    high: Array = field(default_factory=lambda: np.full(3, -np.inf))

    def grow(self, low: Array, high: Array) -> None:
        self.low, self.high = np.minimum(self.low, low), np.maximum(self.high, high)


@dataclass(slots=True)
class _Rest:
    """Unread rows beyond ``ROWS_MAX``, of one layer, kind and reason."""

    count: int = 0
    low: Array = field(default_factory=lambda: np.full(3, np.inf))
    high: Array = field(default_factory=lambda: np.full(3, -np.inf))
    bounded: bool = True


class Places:
    """Where something stands, k times; what of it can be known from its placing alone is worked out once."""

    def __init__(self, matrices: Array) -> None:
        self.matrices = matrices  # (k, 4, 4)

    def __len__(self) -> int:
        return len(self.matrices)

    @cached_property
    def mirrored(self) -> NDArray[np.bool_]:
        """Tell which places (k,) turn a solid inside out."""
        return np.asarray(np.linalg.det(self.matrices[:, :3, :3]) < 0.0)

    @cached_property
    def singular(self) -> NDArray[np.bool_]:
        """Tell which places (k,) flatten space, by their smallest against their largest stretch."""
        stretch = np.linalg.svd(self.matrices[:, :3, :3], compute_uv=False)
        return np.asarray(stretch[:, 2] <= 1e-12 * stretch[:, 0])


class Collector:
    """Gathers one drawing; ``margin_m`` is what chords may be off their curve."""

    def __init__(self, name: str, role_of: RoleOf, margin_m: float) -> None:
        self._name = name
        self._role_of = role_of
        self._margin_m = margin_m
        self._roles: dict[tuple[str, str], str] = {}
        self._ids: dict[str, int] = {}
        self._layers: dict[str, _Layer] = defaultdict(_Layer)
        self._rest: dict[tuple[str, str, str], _Rest] = defaultdict(_Rest)
        self.elements: list[Element] = []
        self.outlines: list[Outline] = []
        self.rows: list[Unread] = []
        self.notes: Counter[str] = Counter()
        self.triangles = 0
        self.ignored = 0
        self.points = 0

    def role(self, layer: str) -> str:
        """Return the role of a layer, asked once."""
        if (layer, "") not in self._roles:
            self._roles[layer, ""] = self._role_of(layer)
        return self._roles[layer, ""]

    def role_of_reference(self, layer: str, block: str) -> str:
        """Return the role of a block reference: small things may go by the name of their block, all else by layer."""
        if not block or block.startswith("*"):
            return self.role(layer)
        if (layer, block) not in self._roles:
            self._roles[layer, block] = self._role_of(layer, block)
        role = self._roles[layer, block]
        return role if role in MARK_ROLES else self.role(layer)

    def used_layers(self) -> frozenset[str]:
        """Return the layers that hold anything but annotation."""
        return frozenset(self._layers)

    def ignore(self, kind: str, layer: str, count: int) -> None:
        """Count entities on a layer of role ignore."""
        self._layers[layer].kinds[kind] += count
        self.ignored += count

    def add(self, shape: Shape, places: Places, handles: Sequence[str], layer: str, role: str | None = None) -> None:
        """Take in a shape at each of its places, which lead to metres in the common frame.

        ``role`` is given where it is not that of the layer.
        """
        if role is None:
            role = self.role(layer)
        count = len(places)
        if role == "ignore":
            self.ignore(shape.kind, layer, count * shape.members)
            return
        self._layers[layer].kinds[shape.kind] += count * shape.members
        if shape.note is not None:
            self.notes[shape.note] += count
        if shape.unread is not None:
            self.unread(shape.kind, layer, shape.unread, handles, self._boxes(shape.hull, places.matrices))
        if len(shape.triangles):
            self._surface(shape, places, handles, layer, role)
        elif len(shape.segments):
            self._line(shape, places.matrices, handles, layer, role)

    def add_all(self, shapes: Sequence[Shape], places: Places, paths: Sequence[str], layer: str) -> None:
        """Take in many shapes at each of their places; ``paths`` (k,) are what comes before their handles."""
        role = self.role(layer)
        if len(places) == 1 and role != "ignore":
            # small meshes, and lines, in one go, stretch by stretch: what is left is theirs alone
            at = 0
            while at < len(shapes):
                end = self._stretch(shapes, at, places, role)
                if end - at == 1:
                    self.add(shapes[at], places, [f"{paths[0]}{shapes[at].handle}"], layer)
                elif len(shapes[at].triangles):
                    self._meshes(shapes[at:end], places, paths[0], layer, role)
                else:
                    self._wires(shapes[at:end], places, paths[0], layer)
                at = end
            return
        for shape in shapes:
            self.add(shape, places, [f"{path}{shape.handle}" for path in paths], layer)

    def _stretch(self, shapes: Sequence[Shape], at: int, places: Places, role: str) -> int:
        """Return up to where shapes from ``at`` on are alike and plain; the next place where they are not."""
        end, size = at, 0
        if _is_plain(shapes[at], role):
            while end < len(shapes) and size < _CHUNK and _is_plain(shapes[end], role):
                size += shapes[end].triangles.size
                end += 1
            fits = self.triangles + size // 9 <= TRIANGLES_MAX and not places.singular[0]
            return end if fits else at + 1
        if _unread_lines(role):
            kind = shapes[at].kind
            while end < len(shapes) and size < _CHUNK and shapes[end].kind == kind and _is_line(shapes[end]):
                size += shapes[end].segments.size
                end += 1
        return max(end, at + 1)

    def unread(self, kind: str, layer: str, reason: str, handles: Sequence[str], boxes: Array | None) -> None:
        """Say that something is not read, at each of its places; ``boxes`` (k, 2, 3) may be None or not finite."""
        room = max(ROWS_MAX - len(self.rows), 0)
        if len(handles) > room:
            self._count_unread(kind, layer, reason, len(handles) - room, None if boxes is None else boxes[room:])
            handles = handles[:room]
        for number, handle in enumerate(handles):
            box = None if boxes is None else boxes[number]
            if box is not None and not np.isfinite(box).all():
                box = None
            if box is not None:
                self._layers[layer].grow(*box)
            if len(self.rows) < ROWS_MAX:
                self.rows.append(Unread(self._name, handle, layer, kind, reason, as_box(box)))
                continue
            rest = self._rest[layer, kind, reason]
            rest.count += 1
            if box is None:
                rest.bounded = False
            else:
                rest.low, rest.high = np.minimum(rest.low, box[0]), np.maximum(rest.high, box[1])

    def _count_unread(self, kind: str, layer: str, reason: str, count: int, boxes: Array | None) -> None:
        """Count what there is no room for in rows, as ``unread`` does one by one."""
        rest = self._rest[layer, kind, reason]
        rest.count += count
        sized = np.empty((0, 2, 3)) if boxes is None else boxes[np.isfinite(boxes).all(axis=(1, 2))]
        rest.bounded = rest.bounded and len(sized) == count
        if len(sized):
            low, high = sized[:, 0].min(axis=0), sized[:, 1].max(axis=0)
            self._layers[layer].grow(low, high)
            rest.low, rest.high = np.minimum(rest.low, low), np.maximum(rest.high, high)

    def _wires(self, shapes: Sequence[Shape], places: Places, path: str, layer: str) -> None:
        """Say of plain lines of one kind at one place that they have no surface."""
        kind = shapes[0].kind
        self._layers[layer].kinds[kind] += len(shapes)
        if kind == "POINT":
            self.points += len(shapes)
            return
        points = [shape.segments.reshape(-1, 3) if shape.hull is None else shape.hull for shape in shapes]
        starts = np.cumsum([0, *(len(some) for some in points[:-1])])
        with np.errstate(invalid="ignore", over="ignore"):
            moved = placed(np.concatenate(points), places.matrices)[0]
            low, high = np.minimum.reduceat(moved, starts), np.maximum.reduceat(moved, starts)
            boxes = np.stack([low - self._margin_m, high + self._margin_m], axis=1)
        self.unread(kind, layer, no_surface(kind), [f"{path}{shape.handle}" for shape in shapes], boxes)

    def all_rows(self) -> tuple[Unread, ...]:
        """Return the unread rows, the last of them for many entities each where there are too many."""
        rest = [
            Unread(
                self._name,
                "",
                layer,
                kind,
                f"{r.count} more like this: {reason}",
                as_box(np.stack([r.low, r.high])) if r.bounded else None,
            )
            for (layer, kind, reason), r in self._rest.items()
        ]
        return (*self.rows, *rest)

    def summaries(self) -> tuple[LayerSummary, ...]:
        """Return what was found on each layer, sorted by name."""
        return tuple(
            LayerSummary(
                layer,
                tuple(sorted(found.kinds.items())),
                self.role(layer),
                found.triangles,
                as_box(np.stack([found.low, found.high])) if np.isfinite(found.low).all() else None,
            )
            for layer, found in sorted(self._layers.items())
        )

    def _meshes(self, shapes: Sequence[Shape], places: Places, path: str, layer: str, role: str) -> None:
        """Take in plain meshes at the one place where they are."""
        meshes = placed(np.concatenate([shape.triangles for shape in shapes]), places.matrices)[0]
        if places.mirrored[0]:
            meshes = meshes[:, ::-1]
        sizes = [len(shape.triangles) for shape in shapes]
        starts = np.concatenate([[0], np.cumsum(sizes)])
        low = np.minimum.reduceat(meshes.min(axis=1), starts[:-1], axis=0)
        high = np.maximum.reduceat(meshes.max(axis=1), starts[:-1], axis=0)
        # comparisons with what is no number are false
        good = np.asarray(((low >= -FARTHEST_M) & (high <= FARTHEST_M)).all(axis=1))
        found = self._layers[layer]
        for shape in shapes:
            found.kinds[shape.kind] += shape.members
        if good.any():
            found.grow(low[good].min(axis=0), high[good].max(axis=0))
        for shape, start, end, fits in zip(
            shapes, starts[:-1].tolist(), starts[1:].tolist(), good.tolist(), strict=True
        ):
            handle = f"{path}{shape.handle}"
            if not fits:
                self._insane(shape.kind, layer, handle, meshes[start:end].reshape(-1, 3))
                continue
            found.triangles += end - start
            self.triangles += end - start
            self.elements.append(
                Element(
                    self._unique(handle), role, layer, shape.kind, meshes[start:end], shape.closed, self._name, handle
                )
            )

    def _surface(self, shape: Shape, places: Places, handles: Sequence[str], layer: str, role: str) -> None:
        triangles, closed = shape.triangles, shape.closed
        matrices, singular = places.matrices, places.singular
        if role in OPEN_ENDED_ROLES and shape.uncapped is not None:
            triangles, closed = shape.uncapped, False
        if singular.any():
            reason = "its block reference has a scale of 0, which leaves no body: set the scale to 1"
            self.unread(shape.kind, layer, reason, [h for h, s in zip(handles, singular, strict=True) if s], None)
        if self.triangles + len(matrices) * len(triangles) > TRIANGLES_MAX:
            reason = f"the file comes to more than {TRIANGLES_MAX} triangles: split it, or ignore layers"
            self.unread(shape.kind, layer, reason, handles, self._boxes(triangles.reshape(-1, 3), matrices))
            return
        step = max(1, _CHUNK // triangles.size)
        for start in range(0, len(matrices), step):
            part = slice(start, start + step)
            meshes = placed(triangles, matrices[part])
            for mesh, handle, mirrored, flat in zip(
                meshes, handles[part], places.mirrored[part], singular[part], strict=True
            ):
                # a mirrored solid would be turned inside out
                self._element(shape.kind, mesh[:, ::-1] if mirrored else mesh, closed and not flat, handle, layer, role)

    def _line(self, shape: Shape, matrices: Array, handles: Sequence[str], layer: str, role: str) -> None:
        if role == ZONE:
            if shape.kind == "POINT":
                self.points += len(matrices)
            elif shape.outline is not None:
                self._outline(shape, shape.outline, matrices, handles, layer)
            else:
                reason = "a zone outline is not closed: close it, or draw the zone as a solid"
                self.unread(shape.kind, layer, reason, handles, self._wire_boxes(shape, matrices))
            return
        if role in MARK_ROLES:
            marks = placed(np.concatenate([shape.segments, shape.segments[:, 1:]], axis=1), matrices)
            for mark, handle in zip(marks, handles, strict=True):
                self._element(shape.kind, mark, False, handle, layer, role)
            if role not in BODY_MARKS or _only_points(shape.segments):
                return
        elif shape.kind == "POINT":
            self.points += len(matrices)
            return
        self.unread(shape.kind, layer, no_surface(shape.kind), handles, self._wire_boxes(shape, matrices))

    def _outline(self, shape: Shape, outline: Array, matrices: Array, handles: Sequence[str], layer: str) -> None:
        for points, handle in zip(placed(outline, matrices), handles, strict=True):
            if not _is_sane(points):
                self._insane(shape.kind, layer, handle, points)
                continue
            self._layers[layer].grow(points.min(axis=0), points.max(axis=0))
            self.outlines.append(Outline(points, layer, handle, self._name))

    def _element(self, kind: str, mesh: Array, closed: bool, handle: str, layer: str, role: str) -> None:
        points = mesh.reshape(-1, 3)
        if not _is_sane(points):
            self._insane(kind, layer, handle, points)
            return
        found = self._layers[layer]
        found.triangles += len(mesh)
        found.grow(points.min(axis=0), points.max(axis=0))
        self.triangles += len(mesh)
        self.elements.append(Element(self._unique(handle), role, layer, kind, mesh, closed, self._name, handle))

    def _insane(self, kind: str, layer: str, handle: str, points: Array) -> None:
        box = np.stack([points.min(axis=0), points.max(axis=0)]) if np.isfinite(points).all() else None
        self.unread(kind, layer, INSANE, [handle], None if box is None else box[None])

    def _unique(self, handle: str) -> str:
        """Return the element id; a handle that the file uses twice gets a number."""
        name = f"{self._name}:{handle}"
        self._ids[name] = uses = self._ids.get(name, 0) + 1
        if uses == 1:
            return name
        numbered = f"{name}~{uses}"
        return self._unique(f"{handle}~{uses}") if numbered in self._ids else self._taken(numbered)

    def _taken(self, name: str) -> str:
        self._ids[name] = 1
        return name

    def _boxes(self, points: Array | None, matrices: Array) -> Array | None:
        """Return the boxes (k, 2, 3) of points at each place, wider by the margin; None stays None."""
        if points is None or len(points) == 0:
            return None
        # of many points only their box is placed: still sure to hold them, and no more work than eight points
        if len(points) > 8 and len(matrices) > 1:
            low, high = points.min(axis=0), points.max(axis=0)
            points = np.array(
                [[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])]
            )
        with np.errstate(invalid="ignore", over="ignore"):
            moved = placed(points, matrices)
        return np.stack([moved.min(axis=1) - self._margin_m, moved.max(axis=1) + self._margin_m], axis=1)

    def _wire_boxes(self, shape: Shape, matrices: Array) -> Array | None:
        return self._boxes(shape.segments.reshape(-1, 3) if shape.hull is None else shape.hull, matrices)


def no_surface(kind: str) -> str:
    """Return the reason why a line of some kind is not read."""
    what = _WIRES.get(kind, "a polyline")
    return f"{what} has no surface: draw it with thickness or as a solid, or give its layer the role ignore"


def as_box(box: Array | None) -> Box | None:
    """Return a box (2, 3) as the model writes it."""
    if box is None:
        return None
    (x0, y0, z0), (x1, y1, z1) = box.tolist()
    return (x0, y0, z0), (x1, y1, z1)


def _is_sane(points: Array) -> bool:
    return bool(np.isfinite(points).all() and np.abs(points).max(initial=0.0) <= FARTHEST_M)


def _is_plain(shape: Shape, role: str) -> bool:
    """Tell whether a shape is a mesh and nothing else, with the same triangles on layers of every role."""
    uncapped = role in OPEN_ENDED_ROLES and shape.uncapped is not None
    return len(shape.triangles) > 0 and shape.unread is None and shape.note is None and not uncapped


def _is_line(shape: Shape) -> bool:
    """Tell whether a shape is lines and nothing else."""
    return shape.is_wire and shape.unread is None and shape.note is None and (shape.hull is None or len(shape.hull) > 0)


def _unread_lines(role: str) -> bool:
    """Tell whether lines on layers of a role are not read."""
    return role != "ignore" and role != ZONE and role not in MARK_ROLES


def _only_points(segments: Array) -> bool:
    return bool((segments[:, 0] == segments[:, 1]).all())
