"""Building geometry from mesh files: glTF, GLB, OBJ, STL and PLY, as named elements in metres with z up.

Each format is read by a module of its own, since general mesh libraries drop what a checker must not lose: geometry
under a name that is used twice, faces that count their points from the end, polygons of differing size, and the digits
of survey coordinates. Here names become roles, and meshes become bodies.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from importers.dxf_collect import Collector, Places
from importers.dxf_placing import sane, scale_steps
from importers.dxf_shape import Shape, box_corners, missing
from importers.mesh_gltf import read_gltf
from importers.mesh_obj import read_obj
from importers.mesh_part import Array, MeshFile, Part
from importers.mesh_ply import read_ply
from importers.mesh_stl import read_stl
from importers.points import NO_RADIUS, Cloud
from importers.roles import ZONE_ROLE, RoleOf, StatesRoles
from route3d.errors import InputError, UnknownUnitError, UnreadableFileError
from route3d.kernel.closed import is_closed, orient
from route3d.kernel.shells import Shells, bodies, find_shells
from route3d.model.building import Drawing, InputFile
from route3d.units import METRES_PER_UNIT

log = logging.getLogger(__name__)

Flags = NDArray[np.bool_]

FORMATS: dict[str, Callable[[Path], MeshFile]] = {
    ".glb": read_gltf,
    ".gltf": read_gltf,
    ".obj": read_obj,
    ".ply": read_ply,
    ".stl": read_stl,
}
IN_METRES = frozenset({".glb", ".gltf"})  # and y is up: the format says so

PIECES_MAX = 5_000  # unnamed bodies that become elements of their own
_TURNED_MAX = 200  # shells whose faces disagree that are turned one by one


def read_model(
    path: Path,
    *,
    name: str,
    role_of: RoleOf,
    units: str | None,
    move_m: Sequence[float],
    chord_tolerance_m: float,
    up: str | None = None,
    point_radius: float | None = None,
) -> Drawing:
    """Read a mesh file; see :func:`importers.dxf.read_model`.

    ``up`` says which axis is up, "z" or "y", where it is not what the format says (glTF: y) or else is taken (z).
    ``point_radius``, in the file's unit, makes balls of bare points.

    Raises
    ------
    UnreadableFileError, UnknownUnitError
    InputError
        It is a point cloud, and no radius is given.
    """
    metric = path.suffix.lower() in IN_METRES
    if units is None and not metric:
        raise UnknownUnitError(
            name, 'the format states no unit of length: add units = "mm" (or cm, m, in, ft) to its [[model]]'
        )
    unit = "m" if units is None else units
    with np.errstate(all="ignore"):
        found = FORMATS[path.suffix.lower()](path)
        frame = frame_of(METRES_PER_UNIT[unit], up if up is not None else "y" if metric else "z", move_m)
        radius_m = None if point_radius is None else point_radius * METRES_PER_UNIT[unit]
        builder = _Builder(name, role_of, chord_tolerance_m, radius_m)
        if radius_m is None and _only_points(found):
            raise InputError(name, NO_RADIUS)
        for part in found.parts:
            builder.part(part, frame)
        for lost in found.lost:
            builder.collector.add(missing("FILE", "", lost.reason), _HERE, [""], "")
    collector = builder.collector
    if not (collector.elements or collector.rows or collector.ignored):
        raise UnreadableFileError(name, "has no surface in it: export it again with its geometry")
    notes = [*found.notes, *builder.notes]
    if up is None and not metric:
        notes.append('the format does not say which axis is up: z was taken (else add up = "y" to its [[model]])')
    if metric and units not in (None, "m"):
        notes.append(f"the format says metres, the project says {units}: read in {units}")
    if collector.ignored:
        notes.append(f"{collector.ignored} mesh(es) are of role ignore")
    triangles = sum(len(e.triangles_m) for e in collector.elements)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    source = InputFile(name, digest, unit, found.entities, triangles, tuple(notes))
    log.info("%d elements, %d not read, from %s", len(collector.elements), len(collector.rows), path)
    return Drawing(
        tuple(collector.elements), (), collector.all_rows(), source, collector.summaries(), depends=found.depends
    )


def frame_of(metres: float, up: str, move_m: Sequence[float]) -> Array:
    """Return the placing (4, 4) for row vectors from a file's coordinates to metres in the common frame, z up."""
    frame = np.diag([metres, metres, metres, 1.0])
    if up == "y":
        frame[1:3, 1:3] = [[0.0, metres], [-metres, 0.0]]  # y goes to z, z to -y
    frame[3, :3] = move_m
    return frame


_HERE = Places(np.eye(4)[None])


def _only_points(found: MeshFile) -> bool:
    surfaces = any(len(p.triangles) or len(p.lines) for p in found.parts) or bool(found.lost)
    return not surfaces and any(len(p.points) for p in found.parts)


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """Triangles (n, 3, 3) that become one element; ``group`` is that of the first of them."""

    triangles: Array
    closed: bool
    group: int


class _Builder:
    """Gives parts their roles, and cuts them into bodies."""

    def __init__(self, name: str, role_of: RoleOf, margin_m: float, radius_m: float | None) -> None:
        self._role_of = role_of
        self._roles: dict[str, str] = {}
        self._radius_m = radius_m
        self._cut: dict[tuple[int, int, bool], list[_Piece]] = {}
        self._keep: list[Array] = []  # so that the numbers in ``_cut`` stay those of living arrays
        self.collector = Collector(name, lambda layer, *_: self._roles[layer], margin_m)
        self.notes: list[str] = []
        self._roles[""] = "obstacle"  # rows about the whole file

    def part(self, part: Part, frame: Array) -> None:
        """Take in one part at all its places."""
        handles = part.handles if part.handles is not None else (part.handle,) * len(part.matrices)
        places = part.matrices @ frame
        fit = sane(places)
        label = self._label(part, (part.layer, *part.also))
        if not fit.all():
            reason = "its place is no usable one: export it again"
            self.collector.unread("MESH", label, reason, [h for h, f in zip(handles, fit, strict=True) if not f], None)
            places, handles = places[fit], tuple(h for h, f in zip(handles, fit, strict=True) if f)
        if not len(places):
            return
        for lost in part.lost:
            hull = lost.hull if lost.hull is None or len(lost.hull) != 2 else box_corners(lost.hull[0], lost.hull[1])
            self.collector.add(missing("MESH", "", lost.reason, hull), Places(places), handles, label)
        steps = scale_steps(places)
        for step in np.unique(steps).tolist():
            mine = steps == step
            self._meshes(part, Places(places[mine]), [h for h, m in zip(handles, mine, strict=True) if m], step)
        self._lines(part, Places(places), handles, label)
        self._points(part, Places(places), handles, label)

    def _meshes(self, part: Part, places: Places, handles: Sequence[str], step: int) -> None:
        for label, triangles, groups in self._by_role(part):
            usable = np.asarray(np.isfinite(triangles).all(axis=(1, 2)))
            if not usable.all():
                reason = f"{int((~usable).sum())} face(s) have coordinates that are no numbers: export it again"
                self.collector.add(missing("MESH", "", reason), places, handles, label)
            pieces = self._pieces(triangles, groups, usable, part, step)
            for number, piece in enumerate(pieces, start=1):
                tail = "" if len(pieces) == 1 else f"#{number}"
                names = part.group_names[piece.group] if not part.named and part.group_names else ()
                own = label if not names else self._label(part, (*names, *part.also))
                called = [f"{h}{'/' if h and names else ''}{names[0] if names else ''}{tail}" for h in handles]
                self.collector.add(Shape("MESH", "", piece.triangles, piece.closed), places, called, own)

    def _label(self, part: Part, names: tuple[str, ...]) -> str:
        """Return the layer under which something is kept: its first name, and more where roles would mix."""
        role = self._role_of(*names)
        if role == ZONE_ROLE and isinstance(self._role_of, StatesRoles):
            # zones are looked up by their layer alone
            names = (next((n for n in names if self._role_of.stated(n) == ZONE_ROLE), names[0]),)
        for label in (names[0], f"{names[0]} [{' '.join(names[1:])}]"):
            if self._roles.setdefault(label, role) == role:
                return label
        return self._label(part, (f"{names[0]} ", *names[1:]))

    def _by_role(self, part: Part) -> Iterator[tuple[str, Array, NDArray[np.int64]]]:
        """Yield label, triangles and groups of each role in a part."""
        count = len(part.triangles)
        if not count:
            return
        groups = part.groups if part.groups is not None else np.zeros(count, dtype=np.int64)
        if not part.group_names:
            yield self._label(part, (part.layer, *part.also)), part.triangles, groups
            return
        used = np.unique(groups).tolist()
        named = {g: (part.layer, *part.also, *part.group_names[g]) for g in used}
        if not part.named:
            named = {g: (*part.group_names[g], *part.also) if part.group_names[g] else named[g] for g in used}
        roles = {g: self._role_of(*named[g]) for g in used}
        if len(set(roles.values())) == 1:
            yield self._label(part, named[used[0]]), part.triangles, groups
            return
        for role in dict.fromkeys(roles.values()):
            mine = [g for g in used if roles[g] == role]
            chosen = np.isin(groups, mine)
            yield self._label(part, named[mine[0]]), part.triangles[chosen], groups[chosen]

    def _pieces(
        self, triangles: Array, groups: NDArray[np.int64], usable: Flags, part: Part, step: int
    ) -> list[_Piece]:
        key = (id(triangles), step, part.named)
        if key not in self._cut:
            self._keep.append(triangles)
            self._cut[key] = list(cut(triangles[usable], groups[usable], part.named, step))
        return self._cut[key]

    def _lines(self, part: Part, places: Places, handles: Sequence[str], label: str) -> None:
        usable = np.isfinite(part.lines).all(axis=(1, 2))
        if not usable.all():
            reason = "lines with coordinates that are no numbers: export it again"
            self.collector.add(missing("LINE", "", reason), places, handles, label)
        if usable.any():
            self.collector.add(Shape("LINE", "", segments=part.lines[usable]), places, handles, label)

    def _points(self, part: Part, places: Places, handles: Sequence[str], label: str) -> None:
        if not len(part.points):
            return
        if self._radius_m is None:
            usable = np.isfinite(part.points).all(axis=1)
            hull = part.points[usable] if usable.all() else None
            self.collector.add(missing("POINTS", "", NO_RADIUS, hull), places, handles, label)
            return
        for place, handle in zip(places.matrices, handles, strict=True):
            cloud = Cloud(self._radius_m)
            cloud.add(part.points @ place[:3, :3] + place[3, :3])
            note = cloud.into(self.collector, label, handle)
            self.notes += [note] if note is not None else []


def cut(triangles: Array, groups: NDArray[np.int64], named: bool, step: int) -> Iterator[_Piece]:
    """Yield the pieces of a mesh; ``step`` is the power of two that brings its units near to metres.

    A named mesh stays whole if it is all closed or all open; else its closed bodies stand apart from the open rest, so
    that they keep their inside. A mesh without names falls into what hangs together, or is of one group.
    """
    if not len(triangles):
        return
    found = find_shells(triangles * 2.0**step)
    triangles, found = _agreed(triangles, found, step)
    loose = (found.shell < 0) & ~found.repeated
    owner = np.where(found.shell >= 0, found.shell, -1)
    body = bodies(triangles, found) if len(found.closed) else np.zeros(0, dtype=np.int64)
    if named and not loose.any() and found.closed.all():
        yield _Piece(triangles[owner >= 0], True, int(groups[0]))
        return
    if named and not found.closed.any():
        yield _Piece(triangles[~found.repeated], False, int(groups[0]))
        return
    label = np.full(len(triangles), -1, dtype=np.int64)
    label[owner >= 0] = body[owner[owner >= 0]]
    many = len(np.unique(body)) > PIECES_MAX
    closed_faces = np.zeros(len(triangles), dtype=bool)
    closed_faces[owner >= 0] = found.closed[owner[owner >= 0]]
    if many:
        label[closed_faces] = 0
    if named or many:
        label[~closed_faces] = 1 if many else len(found.closed)
    label[loose] = len(found.closed) + 1 if not named else len(found.closed)
    label[found.repeated] = -1
    kept = label >= 0
    order = np.flatnonzero(kept)[np.argsort(label[kept], kind="stable")]
    for mine in np.split(order, np.flatnonzero(np.diff(label[order])) + 1):
        yield _Piece(triangles[mine], bool(closed_faces[mine].all()), int(groups[mine[0]]))


def _agreed(triangles: Array, found: Shells, step: int) -> tuple[Array, Shells]:
    """Turn the faces of shells that would be closed if their faces agreed about outside."""
    sizes = np.bincount(found.shell[found.shell >= 0], minlength=len(found.closed))
    doubtful = np.flatnonzero(~found.closed & (sizes >= 4))
    if not len(doubtful):
        return triangles, found
    turned = triangles.copy()
    closed = found.closed.copy()
    volume = found.volume_m3.copy()
    if len(doubtful) > _TURNED_MAX:
        doubtful = doubtful[np.argsort(sizes[doubtful])][-_TURNED_MAX:]
    for shell in doubtful.tolist():
        mine = found.shell == shell
        better = orient(triangles[mine] * 2.0**step)
        if better is not None and is_closed(better):
            turned[mine] = better * 2.0**-step
            closed[shell] = True
            volume[shell] = 1.0  # outward, and of no other use
    return turned, found._replace(closed=closed, volume_m3=volume)
