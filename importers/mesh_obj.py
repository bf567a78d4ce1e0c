"""OBJ: points, faces and lines in text, told apart by objects, groups and materials.

Material files are never opened: their names are enough to give roles by.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from importers.mesh_part import NO_LINES, Array, Index, Lost, MeshFile, Part, bytes_of, faces_of, numbers_of, text_of
from importers.polygons import NO_TRIANGLES
from route3d.errors import UnreadableFileError
from route3d.kernel.shells import find_shells

_CONTINUED = re.compile(rb"\\[ \t]*\r?\n")
_AFTER_SLASH = re.compile(rb"/[^\s]*")
# what carries no geometry of its own
_QUIET = frozenset(
    b"# vt vn vp s mg mtllib maplib usemap bevel c_interp d_interp lod shadow_obj trace_obj cstype deg bmat step parm "
    b"trim hole scrv sp end con ctech stech".split()
)
_CURVED = {b"curv": "curve", b"curv2": "curve", b"surf": "curved surface", b"call": "included file", b"csh": "command"}


@dataclass(slots=True)
class _Rows:
    """The text of statements of one kind, and how many points stood before each: negative numbers count from there."""

    text: list[bytes] = field(default_factory=list)
    before: list[int] = field(default_factory=list)


@dataclass(slots=True)
class _Stretch:
    """All that stands under one object, group and material."""

    name: str
    group: str
    material: str
    faces: _Rows = field(default_factory=_Rows)
    lines: _Rows = field(default_factory=_Rows)
    dots: _Rows = field(default_factory=_Rows)


def read_obj(path: Path) -> MeshFile:
    """Read the objects of an OBJ file. Raises ``UnreadableFileError``."""
    raw = bytes_of(path)
    if b"\\" in raw:
        raw = _CONTINUED.sub(b" ", raw)
    words: list[bytes] = []
    stretches, odd, curved = _stretches(raw, words)
    if not words and not curved:
        raise UnreadableFileError(path, "is no OBJ file: it has no point; export it again")
    points = _points(words)
    lost = [Lost(f"{n} {what}(s) are not read: export them as triangles") for what, n in curved.items()]
    if odd:
        lost.append(Lost(f"{odd} line(s) are no OBJ statement: export the file again"))
    parts = _parts(points, stretches, path.stem)
    if not parts and not lost:
        raise UnreadableFileError(path, "has no face, line or point in it: export it again with its surfaces")
    return MeshFile(tuple(parts), len(parts), lost=tuple(lost))


def _stretches(raw: bytes, words: list[bytes]) -> tuple[list[_Stretch], int, Counter[str]]:
    """Sort the lines; point lines go to ``words``."""
    name = group = material = ""
    stretches: dict[tuple[str, str, str], _Stretch] = {}
    now: _Stretch | None = None
    odd = 0
    curved: Counter[str] = Counter()
    for line in raw.split(b"\n"):
        start = line[:2]
        if start == b"v ":
            words.append(line[2:])
            continue
        if start != b"f ":
            pair = line.split(None, 1)
            if not pair:
                continue
            key, rest = pair[0].lower(), pair[1] if len(pair) > 1 else b""
            if key == b"v":
                words.append(rest)
                continue
            if key in (b"o", b"g", b"usemtl"):
                now = None
                if key == b"o":
                    name = text_of(rest)
                elif key == b"g":
                    group = text_of(rest)
                else:
                    material = text_of(rest)
                continue
            if key not in (b"f", b"fo", b"l", b"p"):
                if key in _CURVED:
                    curved[_CURVED[key]] += 1
                elif key not in _QUIET and not key.startswith(b"#"):
                    odd += 1
                continue
        else:
            key, rest = b"f", line[2:]
        if now is None:
            now = stretches.setdefault((name, group, material), _Stretch(name, group, material))
        rows = now.lines if key == b"l" else now.dots if key == b"p" else now.faces
        rows.text.append(rest)
        rows.before.append(len(words))
    return list(stretches.values()), odd, curved


def _points(words: list[bytes]) -> Array:
    """Return the points (n, 3); a line with fewer than three numbers gives NaN, so that its faces are reported."""
    flat = numbers_of(b" ".join(words))
    columns = len(words[0].split()) if words else 3
    counts = np.fromiter((len(w.split()) for w in words), np.int64, len(words))
    if columns >= 3 and (counts == columns).all():
        return np.ascontiguousarray(flat.reshape(-1, columns)[:, :3])
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]]) if len(counts) else np.empty(0, np.int64)
    points = np.full((len(words), 3), np.nan)
    whole = counts >= 3
    points[whole] = flat[starts[whole][:, None] + np.arange(3)]
    return points


def _parts(points: Array, stretches: list[_Stretch], stem: str) -> list[Part]:
    """Return one part per object; in a file without objects, one part whose groups tell its pieces apart."""
    gathered: dict[str, list[_Stretch]] = {}
    for s in stretches:
        gathered.setdefault(s.name, []).append(s)
    parts = []
    faces = {name: _faces(points, mine) for name, mine in gathered.items()}
    across = _across({name: found[0] for name, found in faces.items()}) if len(gathered) > 1 else {}
    if across:
        parts.append(_joint({name: found[:2] for name, found in faces.items()}, across, gathered, stem))
    for name, mine in gathered.items():
        triangles, groups, lost = faces[name]
        if name in across:
            triangles, groups = triangles[~across[name]], groups[~across[name]]
        lines, bad_lines = _lines(points, mine)
        dots, bad_dots = _dots(points, mine)
        if bad_lines + bad_dots:
            reason = f"{bad_lines + bad_dots} line(s) or point(s) name points that are not there: export the file again"
            lost.append(Lost(reason))
        parts.append(
            Part(
                name,
                name if name else stem,
                (stem,) if name else (),
                triangles,
                lines,
                dots,
                tuple(lost),
                groups=groups,
                group_names=tuple(tuple(n for n in (s.group, s.material) if n) for s in mine),
                named=bool(name),
            )
        )
    return parts


def _across(meshes: dict[str, Array]) -> dict[str, NDArray[np.bool_]]:
    """Tell which triangles of each object close a body only together with those of other objects."""
    sizes = [len(mesh) for mesh in meshes.values()]
    owner = np.repeat(np.arange(len(sizes)), sizes)
    joint = np.concatenate(list(meshes.values()))
    fit = np.flatnonzero(np.isfinite(joint).all(axis=(1, 2)))
    found = find_shells(joint[fit])
    used = found.shell >= 0
    low, high = np.full(len(found.closed), len(sizes)), np.full(len(found.closed), -1)
    np.minimum.at(low, found.shell[used], owner[fit][used])
    np.maximum.at(high, found.shell[used], owner[fit][used])
    spread = found.closed & (low < high)
    if not spread.any():
        return {}
    chosen = np.zeros(len(joint), dtype=bool)
    chosen[fit[used]] = spread[found.shell[used]]
    return dict(zip(meshes, np.split(chosen, np.cumsum(sizes)[:-1]), strict=True))


def _joint(
    faces: dict[str, tuple[Array, Index]],
    across: dict[str, NDArray[np.bool_]],
    gathered: dict[str, list[_Stretch]],
    stem: str,
) -> Part:
    """Return the bodies that several objects close together, as one part that is named by the first object of each."""
    names = [tuple(n for n in (s.name, s.group, s.material) if n) for mine in gathered.values() for s in mine]
    first = np.cumsum([0, *(len(mine) for mine in gathered.values())])[:-1]
    triangles = np.concatenate([faces[name][0][across[name]] for name in gathered])
    groups = np.concatenate([faces[name][1][across[name]] + at for name, at in zip(gathered, first, strict=True)])
    return Part("", stem, (), triangles, groups=groups, group_names=tuple(names), named=False)


def _faces(points: Array, stretches: list[_Stretch]) -> tuple[Array, Index, list[Lost]]:
    found, groups, wrong = [NO_TRIANGLES], [np.empty(0, np.int64)], 0
    for number, s in enumerate(stretches):
        for block in _blocks(s.faces):
            if block.shape[1] < 3:
                wrong += len(block)
                continue
            triangles, bad = faces_of(points, block)
            wrong += bad
            found.append(triangles)
            groups.append(np.full(len(triangles), number))
    lost = [Lost(f"{wrong} face(s) name points that are not there: export the file again")] if wrong else []
    return np.concatenate(found), np.concatenate(groups), lost


def _blocks(rows: _Rows) -> list[NDArray[np.int64]]:
    """Return the point numbers of faces or lines, from 0, in blocks (n, k) of one corner count k; -1: no such point."""
    if not rows.text:
        return []
    lines = rows.text
    text = b"\n".join(lines)
    if b"/" in text:
        text = _AFTER_SLASH.sub(b"", text)
        lines = text.split(b"\n")
    counts = np.fromiter((len(line.split()) for line in lines), np.int64, len(lines))
    flat = numbers_of(text)
    with np.errstate(invalid="ignore"):
        whole = np.where(np.isfinite(flat) & (np.abs(flat) < 2**52) & (flat == np.rint(flat)), flat, 0.0).astype(
            np.int64
        )
    numbers = np.where(whole > 0, whole - 1, np.where(whole < 0, whole + np.repeat(rows.before, counts), -1))
    starts = np.cumsum(counts) - counts
    return [
        numbers[starts[counts == k][:, None] + np.arange(k)] if k else np.empty((int((counts == 0).sum()), 0), np.int64)
        for k in np.unique(counts).tolist()
    ]


def _lines(points: Array, stretches: list[_Stretch]) -> tuple[Array, int]:
    found, wrong = [NO_LINES], 0
    for s in stretches:
        for block in _blocks(s.lines):
            fit = ((block >= 0) & (block < len(points))).all(axis=1) & (block.shape[1] >= 2)
            wrong += int((~fit).sum())
            chain = points[block[fit]]
            found.append(np.stack([chain[:, :-1], chain[:, 1:]], axis=2).reshape(-1, 2, 3))
    return np.concatenate(found), wrong


def _dots(points: Array, stretches: list[_Stretch]) -> tuple[Array, int]:
    found, wrong = [np.empty((0, 3))], 0
    for s in stretches:
        for block in _blocks(s.dots):
            named = block.reshape(-1)
            fit = (named >= 0) & (named < len(points))
            wrong += int((~fit).sum())
            found.append(points[named[fit]])
    return np.concatenate(found), wrong
