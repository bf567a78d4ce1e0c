"""glTF 2.0, text and binary: every mesh at every node, named by its path through the scene.

Lengths are metres and y is up, as the format says. What is compressed is reported with the box that the file announces
for it.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from importers.mesh_accessors import Accessors, BrokenError, entry
from importers.mesh_part import Array, Index, Lost, MeshFile, Part, bytes_of, strip_faces
from route3d.errors import UnreadableFileError

_NODES_MAX = 1_000_000
_GLB_JSON, _GLB_BIN = 0x4E4F534A, 0x004E4942
_INSTANCING = "EXT_mesh_gpu_instancing"
_COMPRESSED = ("KHR_draco_mesh_compression",)
# extensions that change no geometry, or whose geometry is read here
_HARMLESS = frozenset({
    _INSTANCING, *_COMPRESSED, "KHR_mesh_quantization", "KHR_texture_transform", "KHR_texture_basisu",
    "KHR_lights_punctual", "KHR_xmp_json_ld", "EXT_texture_webp", "EXT_meshopt_compression",
    "KHR_meshopt_compression", "KHR_node_visibility", "MSFT_lod",
})  # fmt: skip
_POINTS, _LINES, _LOOP, _CHAIN, _TRIANGLES, _STRIP, _FAN = range(7)


@dataclass(slots=True)
class _Mesh:
    """One mesh: what its primitives hold, in its own axes; ``groups`` numbers the material of each triangle."""

    name: str
    triangles: Array
    lines: Array
    points: Array
    groups: Index
    materials: tuple[str, ...]
    lost: tuple[Lost, ...]


@dataclass(slots=True)
class _Placed:
    """All places of one mesh under one node name."""

    matrices: list[Array] = field(default_factory=list)
    paths: list[str] = field(default_factory=list)


def read_gltf(path: Path) -> MeshFile:
    """Read a glTF or GLB file. Raises ``UnreadableFileError``."""
    raw = bytes_of(path)
    document, binary, cut = _document(raw, path)
    reader = _Reader(document, Accessors(document, path, binary))
    lost = [Lost(cut)] if cut is not None else []
    required = document.get("extensionsRequired")
    strange = [str(n) for n in required if n not in _HARMLESS and not str(n).startswith("KHR_materials")] if isinstance(
        required, list) else []  # fmt: skip
    if strange:
        lost.append(Lost(f"the file cannot be read without {', '.join(strange)}: export it as plain glTF 2.0"))
    reader.walk()
    parts = reader.parts()
    lost += reader.lost
    if not parts and not lost:
        raise UnreadableFileError(path, "has no mesh in its scenes: export it again with its geometry")
    return MeshFile(
        tuple(parts), reader.placed_count, tuple(reader.notes), tuple(lost), tuple(reader.accessors.depends)
    )


def _document(raw: bytes, path: Path) -> tuple[dict[str, Any], bytes | None, str | None]:
    """Return the JSON document, the binary part if there is one, and what is cut off."""
    text, binary, cut = raw, None, None
    if raw[:4] == b"glTF":
        if len(raw) < 20 or int.from_bytes(raw[4:8], "little") != 2:
            raise UnreadableFileError(path, "is no GLB file of version 2: export it as glTF 2.0")
        if int.from_bytes(raw[8:12], "little") > len(raw):
            cut = f"the file is cut off after {len(raw)} bytes: export it again"
        at, text = 12, b""
        while at + 8 <= len(raw):
            length, kind = int.from_bytes(raw[at : at + 4], "little"), int.from_bytes(raw[at + 4 : at + 8], "little")
            chunk = raw[at + 8 : at + 8 + length]
            if kind == _GLB_JSON and not text:
                text = chunk
            elif kind == _GLB_BIN and binary is None:
                binary = chunk
            at += 8 + length + (-length) % 4
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise UnreadableFileError(
            path, "is damaged or no glTF file: its description cannot be read; export it again"
        ) from error
    asset = document.get("asset") if isinstance(document, dict) else None
    version = asset.get("version") if isinstance(asset, dict) else None
    if not isinstance(version, str) or not version.startswith("2"):
        raise UnreadableFileError(path, "is no glTF file of version 2: export it as glTF 2.0")
    return document, binary, cut


class _Reader:
    """The walk through the nodes, and the meshes found on it."""

    def __init__(self, document: dict[str, Any], accessors: Accessors) -> None:
        self.document = document
        self.accessors = accessors
        self.lost: list[Lost] = []
        self.notes: list[str] = []
        self.placed_count = 0
        self._meshes: dict[int, _Mesh] = {}
        self._placed: dict[tuple[int, str], _Placed] = {}

    def walk(self) -> None:
        """Visit every node of every scene, and note what no scene shows."""
        nodes = self.document.get("nodes")
        count = len(nodes) if isinstance(nodes, list) else 0
        stack = [(root, np.eye(4), "", 0) for root in reversed(self._roots(count))]
        seen = np.zeros(count, dtype=np.int64)
        visited, hidden = 0, 0
        while stack:
            number, outer, above, depth = stack.pop()
            visited += 1
            if visited > _NODES_MAX or depth > max(count, 1):
                self.lost.append(Lost("its nodes contain themselves, or come to more than a million: export it again"))
                break
            try:
                node = entry(self.document, "nodes", number)
                inner = _matrix(node) @ outer
            except BrokenError as error:
                self.lost.append(Lost(f"node {number}: {error}"))
                continue
            seen[number] += 1
            name = _name(node)
            here = f"{above}/{name or f'node {number}'}" if above else name or f"node {number}"
            hidden += _is_hidden(node)
            if "mesh" in node:
                self._place(node, name, here, inner)
            children = node.get("children")
            for child in reversed(children) if isinstance(children, list) else ():
                stack.append((child, inner, here, depth + 1))
        listed = nodes if isinstance(nodes, list) else []
        stray = sum(isinstance(n, dict) and "mesh" in n and not seen[i] for i, n in enumerate(listed))
        if stray and visited <= _NODES_MAX:
            self.notes.append(f"{stray} mesh(es) that no scene shows are left out")
        if hidden:
            self.notes.append(f"{hidden} hidden node(s) were read all the same")
        if self.document.get("animations"):
            self.notes.append("things that move are read where the file puts them at first")

    def _roots(self, count: int) -> list[Any]:
        """Return the first nodes of all scenes, each once; without scenes, the nodes that no other one holds."""
        scenes = self.document.get("scenes")
        roots: list[Any] = []
        for scene in scenes if isinstance(scenes, list) else []:
            listed = scene.get("nodes") if isinstance(scene, dict) else None
            roots += [n for n in listed if isinstance(n, int)] if isinstance(listed, list) else []
        if isinstance(scenes, list) and scenes:
            return list(dict.fromkeys(roots))
        held: set[int] = set()
        for node in self.document.get("nodes") or []:
            children = node.get("children") if isinstance(node, dict) else None
            held.update(c for c in children if isinstance(c, int)) if isinstance(children, list) else None
        return [n for n in range(count) if n not in held]

    def _place(self, node: dict[str, Any], name: str, path: str, matrix: Array) -> None:
        """Keep a mesh at its places."""
        try:
            mesh = self._mesh(node["mesh"])
            places = self._instances(node)
        except BrokenError as error:
            self.lost.append(Lost(f"{path}: {error}"))
            return
        weights = node.get("weights", entry(self.document, "meshes", node["mesh"]).get("weights"))
        morphed = isinstance(weights, list) and any(w != 0 for w in weights)
        if "skin" in node or morphed:
            why = "is bent by a skeleton" if "skin" in node else "is shown in another shape than at rest"
            self.lost.append(Lost(f"{path} {why}: export it as a plain mesh"))
            return
        layer = name if name else mesh.name if mesh.name else path
        kept = self._placed.setdefault((node["mesh"], layer), _Placed())
        for number, place in enumerate(places):
            kept.matrices.append(place @ matrix)
            kept.paths.append(path if len(places) == 1 else f"{path}[{number + 1}]")
        self.placed_count += len(places)

    def _instances(self, node: dict[str, Any]) -> Array:
        """Return the places (m, 4, 4) of a node's mesh within the node."""
        extensions = node.get("extensions")
        given = extensions.get(_INSTANCING) if isinstance(extensions, dict) else None
        attributes = given.get("attributes") if isinstance(given, dict) else None
        if not isinstance(attributes, dict):
            return np.eye(4)[None]
        read = {
            key: self.accessors.array(attributes[key])
            for key in ("TRANSLATION", "ROTATION", "SCALE")
            if key in attributes
        }
        counts = {len(values) for values in read.values()}
        if len(counts) != 1 or counts.pop() > _NODES_MAX:
            raise BrokenError("its repeated places do not belong together")
        many = len(next(iter(read.values())))
        move = read.get("TRANSLATION", np.zeros((many, 3)))
        turn = read.get("ROTATION", np.tile([0.0, 0.0, 0.0, 1.0], (many, 1)))
        scale = read.get("SCALE", np.ones((many, 3)))
        if move.shape[1] != 3 or turn.shape[1] != 4 or scale.shape[1] != 3:
            raise BrokenError("its repeated places are not described")
        return _joined(move, turn, scale)

    def _mesh(self, number: object) -> _Mesh:
        mesh = entry(self.document, "meshes", number)
        assert isinstance(number, int)
        if number not in self._meshes:
            self._meshes[number] = self._read_mesh(mesh)
        return self._meshes[number]

    def _read_mesh(self, mesh: dict[str, Any]) -> _Mesh:
        primitives = mesh.get("primitives")
        if not isinstance(primitives, list):
            raise BrokenError("its mesh holds nothing")
        triangles, lines, points = [np.empty((0, 3, 3))], [np.empty((0, 2, 3))], [np.empty((0, 3))]
        groups, lost, materials = [np.empty(0, np.int64)], list[Lost](), dict[str, int]()
        for primitive in primitives:
            number = materials.setdefault(self._material(primitive), len(materials))
            try:
                self._primitive(primitive, triangles, lines, points)
            except BrokenError as error:
                attributes = primitive.get("attributes") if isinstance(primitive, dict) else None
                box = self.accessors.box(attributes.get("POSITION")) if isinstance(attributes, dict) else None
                lost.append(Lost(str(error), box))
                continue
            groups.append(np.full(sum(map(len, triangles)) - sum(map(len, groups)), number))
        return _Mesh(
            _name(mesh),
            np.concatenate(triangles),
            np.concatenate(lines),
            np.concatenate(points),
            np.concatenate(groups),
            tuple(materials),
            tuple(lost),
        )

    def _material(self, primitive: object) -> str:
        try:
            return _name(entry(self.document, "materials", primitive["material"]))  # type: ignore[index]
        except (BrokenError, KeyError, TypeError):
            return ""

    def _primitive(self, primitive: Any, triangles: list[Array], lines: list[Array], points: list[Array]) -> None:
        if not isinstance(primitive, dict) or not isinstance(primitive.get("attributes"), dict):
            raise BrokenError("a piece of its mesh is not described")
        extensions = primitive.get("extensions")
        if isinstance(extensions, dict) and any(name in extensions for name in _COMPRESSED):
            raise BrokenError("it is compressed in a way that is not read: export it uncompressed")
        places = self.accessors.array(primitive["attributes"].get("POSITION"))
        if places.shape[1] != 3:
            raise BrokenError("its points have no three coordinates")
        if "indices" in primitive:
            order = self.accessors.raw(primitive["indices"])
            if order.shape[1] != 1 or order.dtype.kind != "u":
                raise BrokenError("its points are not numbered")
            order = order[:, 0].astype(np.int64)
        else:
            order = np.arange(len(places))
        mode = primitive.get("mode", _TRIANGLES)
        if mode == _POINTS:
            chosen = _fit(order[:, None], len(places))
            points.append(places[chosen[:, 0]])
        elif mode in (_LINES, _LOOP, _CHAIN):
            chosen = _fit(_line_ends(order, mode), len(places))
            lines.append(places[chosen])
        elif mode in (_TRIANGLES, _STRIP, _FAN):
            chosen = _fit(_corners(order, mode), len(places))
            triangles.append(places[chosen])
        else:
            raise BrokenError("it is drawn in a way that glTF does not know")

    def parts(self) -> list[Part]:
        """Return everything found, one part per mesh and node name."""
        result = []
        used: Counter[str] = Counter()
        for (number, layer), kept in self._placed.items():
            mesh = self._meshes[number]
            paths = []
            for path in kept.paths:
                used[path] += 1
                paths.append(path if used[path] == 1 else f"{path}~{used[path]}")
            result.append(
                Part(
                    paths[0],
                    layer,
                    tuple(dict.fromkeys(n for n in (kept.paths[0], mesh.name) if n and n != layer)),
                    mesh.triangles,
                    mesh.lines,
                    mesh.points,
                    mesh.lost,
                    np.array(kept.matrices),
                    tuple(paths),
                    mesh.groups,
                    tuple((m,) if m else () for m in mesh.materials),
                )
            )
        return result


def _fit(chosen: Index, count: int) -> Index:
    if len(chosen) and (int(chosen.max()) >= count or int(chosen.min()) < 0):
        raise BrokenError("its faces name points that are not there: export it again")
    return chosen


def _line_ends(order: Index, mode: int) -> Index:
    if mode == _LINES:
        return order[: len(order) // 2 * 2].reshape(-1, 2)
    if len(order) < 2:
        return np.empty((0, 2), np.int64)
    ends = np.stack([order[:-1], order[1:]], axis=1)
    return np.concatenate([ends, [[order[-1], order[0]]]]) if mode == _LOOP else ends


def _corners(order: Index, mode: int) -> Index:
    if mode == _TRIANGLES:
        if len(order) % 3:
            raise BrokenError("its last face is not whole: export it again")
        return order.reshape(-1, 3)
    if mode == _STRIP:
        return order[strip_faces(len(order))]
    faces = strip_faces(len(order), alternate=False)
    faces[:, 0] = 0
    return order[faces]


def _name(thing: dict[str, Any]) -> str:
    name = thing.get("name")
    return " ".join(name.split()) if isinstance(name, str) else ""


def _is_hidden(node: dict[str, Any]) -> bool:
    extensions = node.get("extensions")
    shown = extensions.get("KHR_node_visibility") if isinstance(extensions, dict) else None
    return isinstance(shown, dict) and shown.get("visible") is False


def _matrix(node: dict[str, Any]) -> Array:
    """Return the node's placing (4, 4) for row vectors: glTF writes columns one after the other."""
    try:
        if "matrix" in node:
            matrix = np.array(node["matrix"], dtype=np.float64).reshape(4, 4)
        else:
            move = np.array(node.get("translation", [0.0, 0.0, 0.0]), dtype=np.float64).reshape(1, 3)
            turn = np.array(node.get("rotation", [0.0, 0.0, 0.0, 1.0]), dtype=np.float64).reshape(1, 4)
            scale = np.array(node.get("scale", [1.0, 1.0, 1.0]), dtype=np.float64).reshape(1, 3)
            matrix = _joined(move, turn, scale)[0]
    except (TypeError, ValueError, OverflowError) as error:
        raise BrokenError("its place is not described: export it again") from error
    if not np.isfinite(matrix).all() or not np.array_equal(matrix[:, 3], [0.0, 0.0, 0.0, 1.0]):
        raise BrokenError("its place is no usable one: export it again")
    return matrix


def _joined(move: Array, turn: Array, scale: Array) -> Array:
    """Return placings (m, 4, 4) for row vectors: scaled, then turned by quaternions (x, y, z, w), then moved."""
    length = np.linalg.norm(turn, axis=1, keepdims=True)
    if not (length > 1e-6).all():
        raise BrokenError("it is turned by nothing: export it again")
    x, y, z, w = (turn / length).T
    rows = np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y + z * w), 2 * (x * z - y * w)],
            [2 * (x * y - z * w), 1 - 2 * (x * x + z * z), 2 * (y * z + x * w)],
            [2 * (x * z + y * w), 2 * (y * z - x * w), 1 - 2 * (x * x + y * y)],
        ]
    ).transpose(2, 0, 1)
    matrices = np.zeros((len(move), 4, 4))
    matrices[:, :3, :3] = scale[:, :, None] * rows
    matrices[:, 3, :3] = move
    matrices[:, 3, 3] = 1.0
    return matrices
