"""What every mesh format gives: named parts in the file's own units, before roles, units and axes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from importers.polygons import NO_TRIANGLES, CrossingPolygonError, fill, split_quads
from route3d.errors import UnreadableFileError

Array = NDArray[np.float64]
Index = NDArray[np.int64]

FILE_BYTES_MAX = 2**31
NO_POINTS: Array = np.empty((0, 3))
NO_POINTS.setflags(write=False)
NO_LINES: Array = np.empty((0, 2, 3))
NO_LINES.setflags(write=False)
HERE: Array = np.eye(4)[None]
HERE.setflags(write=False)

_OTHER_FILES = (
    (b"\x1f\x8b", "is compressed with gzip: unpack it first"),
    (b"PK\x03\x04", "is a zip archive: unpack it first"),
    (b"BZh", "is compressed with bzip2: unpack it first"),
    (b"\xfd7zXZ", "is compressed with xz: unpack it first"),
    (b"%PDF", "is a PDF file, not a mesh: export the model again"),
    (b"ISO-10303-21", "is a STEP or IFC text file, not a mesh: give it its own suffix"),
    (b"\xff\xfe", "is text of 16-bit characters: save it as UTF-8"),
    (b"\xfe\xff", "is text of 16-bit characters: save it as UTF-8"),
    (b"<!DOCTYPE", "is a web page, not a mesh: download the file itself"),
    (b"<html", "is a web page, not a mesh: download the file itself"),
    (b"version https://git-lfs", "is a pointer to a file kept elsewhere, not the file: fetch the file itself"),
)


@dataclass(frozen=True, slots=True, eq=False)
class Lost:
    """A piece that is in the file and not in the model."""

    reason: str  # one clause: what, and how to mend it
    hull: Array | None = None  # (h, 3) in the part's own axes: the box of these holds it; None: it could be anywhere


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One named mesh, at each of its places; arrays in the file's units and axes.

    ``groups`` (n,) may number the pieces that the file tells apart within the part by group or material; each of
    ``group_names`` holds the names that role patterns may match as well.
    """

    handle: str  # the path through the scene, "" where the file names nothing
    layer: str  # the name that role patterns are compared with first
    also: tuple[str, ...] = ()  # other names that they may match: path, mesh, group, material
    triangles: Array = field(default_factory=lambda: NO_TRIANGLES)  # (n, 3, 3)
    lines: Array = field(default_factory=lambda: NO_LINES)  # (k, 2, 3)
    points: Array = field(default_factory=lambda: NO_POINTS)  # (p, 3)
    lost: tuple[Lost, ...] = ()
    matrices: Array = field(default_factory=lambda: HERE)  # (m, 4, 4) for row vectors
    handles: tuple[str, ...] | None = None  # one per place, where the places have names of their own
    groups: Index | None = None
    group_names: tuple[tuple[str, ...], ...] = ()
    named: bool = True  # the file tells it from its neighbours; else it is split into what hangs together


@dataclass(frozen=True, slots=True, eq=False)
class MeshFile:
    """One mesh file, as it is."""

    parts: tuple[Part, ...]
    entities: int  # things that the file lists: meshes at their places, objects, solids
    notes: tuple[str, ...] = ()
    lost: tuple[Lost, ...] = ()  # of no part
    depends: tuple[tuple[str, str], ...] = ()  # other files that were read: path beside this one, sha256 of its content


def bytes_of(path: Path, limit: int = FILE_BYTES_MAX) -> bytes:
    """Return the whole file.

    Raises
    ------
    UnreadableFileError
        Missing, empty, too large, or plainly of another kind.
    """
    try:
        if path.stat().st_size > limit:
            raise UnreadableFileError(path, f"is larger than {limit // 2**20} MiB: split it, or export what is needed")
        raw = path.read_bytes()
    except OSError as error:
        raise UnreadableFileError(
            path, f"cannot be read ({error.__class__.__name__}): check name and rights"
        ) from error
    if not raw.strip(b"\0 \t\r\n"):
        raise UnreadableFileError(path, "is empty: export it again")
    for magic, says in _OTHER_FILES:
        if raw.startswith(magic):
            raise UnreadableFileError(path, says)
    return raw


def text_of(raw: bytes) -> str:
    """Return a name from a file as text of one line."""
    return " ".join(raw.decode("utf-8", errors="replace").split())


def numbers_of(tokens: bytes) -> Array:
    """Return the numbers in a text separated by white space; what is no number comes back as NaN."""
    words = tokens.split()
    try:
        return np.array(words, dtype=np.float64) if words else np.empty(0)
    except (ValueError, OverflowError):
        return np.array([_number(word) for word in words])


def _number(word: bytes) -> float:
    try:
        return float(word)
    except ValueError:
        return float("nan")


def faces_of(points: Array, indices: Index) -> tuple[Array, int]:
    """Return the triangles (m, 3, 3) of faces (n, k) that all have k corners, and how many faces name no such point."""
    fit = ((indices >= 0) & (indices < len(points))).all(axis=1)
    corners = points[indices[fit]]
    wrong = int((~fit).sum())
    k = indices.shape[1]
    if k == 3:
        return corners, wrong
    if k == 4:
        with np.errstate(all="ignore"):
            return split_quads(corners), wrong
    return (np.concatenate([_polygon(ring) for ring in corners]) if len(corners) else NO_TRIANGLES), wrong


def _polygon(ring: Array) -> Array:
    """Return the triangles of one polygon; one that is no plain flat ring is filled by a fan, so that it is there."""
    try:
        if np.isfinite(ring).all():
            return fill([ring])
    except (CrossingPolygonError, ValueError):
        pass
    first = np.broadcast_to(ring[0], (len(ring) - 2, 3))
    return np.stack([first, ring[1:-1], ring[2:]], axis=1)


def of_mixed(points: Array, faces: Iterable[Index]) -> tuple[Array, int]:
    """Return the triangles of blocks of faces, each (n, k) of one k, and how many faces are unusable."""
    found, wrong = [NO_TRIANGLES], 0
    for block in faces:
        if block.shape[1] < 3:
            wrong += len(block)
            continue
        triangles, bad = faces_of(points, block)
        found.append(triangles)
        wrong += bad
    return np.concatenate(found), wrong


def strip_faces(count: int, alternate: bool = True) -> Index:
    """Return the faces (count - 2, 3) of a strip of points; every other one is turned so that all look one way."""
    start = np.arange(max(count - 2, 0))
    faces = np.stack([start, start + 1, start + 2], axis=1)
    if alternate:
        faces[1::2] = faces[1::2][:, [1, 0, 2]]
    return faces
