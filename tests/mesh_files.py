"""Small mesh and scan files of every kind, as bytes: what a test writes is what a reader of ours must find."""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

CUBE_POINTS = np.array([[x, y, z] for x in (0.0, 1.0) for y in (0.0, 1.0) for z in (0.0, 1.0)])
CUBE_QUADS = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))
CUBE_FACES = np.array([t for a, b, c, d in CUBE_QUADS for t in ((a, b, c), (a, c, d))])
CUBE = CUBE_POINTS[CUBE_FACES]  # (12, 3, 3), volume 1, faces outward


def box(low: Sequence[float], high: Sequence[float]) -> np.ndarray:
    """Return the triangles (12, 3, 3) of a box."""
    return np.asarray(low) + CUBE * (np.asarray(high) - np.asarray(low))


def volume(triangles: np.ndarray) -> float:
    a, b, c = (triangles[:, k] - triangles[0, 0] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def stl_binary(triangles: np.ndarray, claimed: int | None = None) -> bytes:
    record = np.zeros(len(triangles), np.dtype([("n", "<f4", 3), ("t", "<f4", (3, 3)), ("m", "<u2")]))
    record["t"] = triangles
    return bytes(80) + struct.pack("<I", len(triangles) if claimed is None else claimed) + record.tobytes()


def stl_text(**solids: np.ndarray) -> bytes:
    lines = []
    for name, triangles in solids.items():
        lines.append(f"solid {name}")
        for triangle in triangles.tolist():
            lines.append("facet normal 0 0 0\n outer loop")
            lines += [f"  vertex {x!r} {y!r} {z!r}" for x, y, z in triangle]
            lines.append(" endloop\nendfacet")
        lines.append(f"endsolid {name}")
    return ("\n".join(lines) + "\n").encode()


def obj(points: np.ndarray, faces: Sequence[Sequence[int]]) -> bytes:
    lines = [f"v {x!r} {y!r} {z!r}" for x, y, z in points.tolist()]
    lines += ["f " + " ".join(str(i + 1) for i in face) for face in faces]
    return ("\n".join(lines) + "\n").encode()


def ply(points: np.ndarray, faces: Sequence[Sequence[int]], order: str = "<", number: str = "double") -> bytes:
    """Return a PLY file; ``order`` is "" for text, else that of numpy."""
    form = {"": "ascii", "<": "binary_little_endian", ">": "binary_big_endian"}[order]
    head = [
        "ply",
        f"format {form} 1.0",
        f"element vertex {len(points)}",
        *(f"property {number} {axis}" for axis in "xyz"),
        *((f"element face {len(faces)}", "property list uchar int vertex_indices") if len(faces) else ()),
        "end_header",
    ]
    start = ("\n".join(head) + "\n").encode()
    if order == "":
        rows = [" ".join(map(repr, p)) for p in points.tolist()]
        rows += [" ".join(map(str, (len(f), *f))) for f in faces]
        return start + ("\n".join(rows) + "\n").encode()
    kind = {"double": "f8", "float": "f4"}[number]
    body = b"".join(struct.pack(f"{order}B{len(f)}i", len(f), *f) for f in faces)
    return start + points.astype(order + kind).tobytes() + body


def gltf(document: dict[str, Any], *arrays: np.ndarray) -> bytes:
    """Return a GLB file whose accessors 0, 1, … are the arrays; the document brings meshes and nodes."""
    body, views, accessors = b"", [], []
    kinds = {"f": 5126, "I": 5125, "H": 5123, "B": 5121, "h": 5122}
    for array in arrays:
        views.append({"buffer": 0, "byteOffset": len(body), "byteLength": array.nbytes})
        width = array.shape[1] if array.ndim == 2 else 1
        shape = {1: "SCALAR", 3: "VEC3", 4: "VEC4"}[width]
        accessor = {
            "bufferView": len(views) - 1,
            "componentType": kinds[array.dtype.char],
            "count": len(array),
            "type": shape,
        }
        if width == 3 and array.dtype.char == "f":
            accessor |= {"min": array.min(axis=0).tolist(), "max": array.max(axis=0).tolist()}
        accessors.append(accessor)
        body += array.tobytes() + bytes(-array.nbytes % 4)
    whole = {
        "asset": {"version": "2.0"},
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": len(body)}],
        **document,
    }
    text = json.dumps(whole).encode()
    text += b" " * (-len(text) % 4)
    size = 12 + 8 + len(text) + 8 + len(body)
    return (
        struct.pack("<4sII", b"glTF", 2, size)
        + struct.pack("<II", len(text), 0x4E4F534A)
        + text
        + struct.pack("<II", len(body), 0x004E4942)
        + body
    )


def las(path: Path, points: np.ndarray, classes: Sequence[int] | None = None) -> Path:
    import laspy

    header = laspy.LasHeader(point_format=3, version="1.2")
    header.scales, header.offsets = [0.001] * 3, np.floor(points.min(axis=0))
    data = laspy.LasData(header)
    data.x, data.y, data.z = points.T
    if classes is not None:
        data.classification = np.asarray(classes, dtype=np.uint8)
    data.write(str(path))
    return path


def e57(path: Path, points: np.ndarray) -> Path:
    import pye57

    # the writer keeps single precision, so the scan has its own origin, as scans do
    origin = np.floor(points.min(axis=0))
    local = points - origin
    file = pye57.E57(str(path), mode="w")
    columns = {f"cartesian{axis}": local[:, k].copy() for k, axis in enumerate("XYZ")}
    file.write_scan_raw(columns, translation=origin, rotation=np.array([1.0, 0.0, 0.0, 0.0]))
    file.close()
    return path
