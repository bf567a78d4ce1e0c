"""Time the first contact with a DXF file, kind by kind: python tests/speed/bench_first_contact.py [MB] [kind ...].

Writes a seeded drawing of each kind of entity, and a mix of all, and reads it as a check does the first time: text to
elements in metres with their solids. Prints MB a second, entities, triangles and the largest stages, and how many times
faster that is than the library's reading of a smaller drawing of the same kind, in the same run. Run it alone on the
machine: beside each time stands the processor time, which other work on the machine lengthens less.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from unittest.mock import patch

import numpy as np

from importers import dxf_open
from importers.dxf import read_model
from route3d.model.building import Drawing

SEED = 11
LIBRARY_MB = 4.0  # the library's reading takes up to a second for each
_LAYERS = ("M-DUCT", "P-PIPE", "S-BEAM", "A-WALL", "E-EQPM")
_QUADS = ((0, 3, 2, 1), (4, 5, 6, 7), (0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7))
_HEADER = "  0\nSECTION\n  2\nHEADER\n  9\n$ACADVER\n  1\nAC1027\n  9\n$INSUNITS\n 70\n4\n  0\nENDSEC\n"


class Pen:
    """Writes entities one after the other, in millimetres within a building of 200 m."""

    def __init__(self) -> None:
        self.rng = np.random.default_rng(SEED)
        self.handle = 0x100000

    def start(self, kind: str, *markers: str) -> list[str]:
        """Return the beginning of an entity on some layer."""
        self.handle += 1
        layer = _LAYERS[self.handle // 7 % len(_LAYERS)]
        lines = [f"  0\n{kind}\n  5\n{self.handle:X}\n330\n1F\n100\nAcDbEntity\n  8\n{layer}\n"]
        return lines + [f"100\n{marker}\n" for marker in markers]

    def place(self) -> np.ndarray:
        """Return a place (3,) in the building."""
        return np.asarray(self.rng.uniform((0.0, 0.0, 0.0), (200e3, 200e3, 20e3)))

    def box(self) -> np.ndarray:
        """Return the corners (8, 3) of a box."""
        size = self.rng.uniform(50.0, 800.0, 3)
        flat = np.array([(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0)], dtype=float)
        return np.asarray(self.place() + np.concatenate([flat, flat + np.array([0.0, 0.0, 1.0])]) * size)


def _point(code: int, at: np.ndarray) -> str:
    return "".join(f"{code + 10 * axis:>3}\n{value:.6f}\n" for axis, value in enumerate(at.tolist()))


def _tube(pen: Pen, sides: int, rings: int) -> tuple[np.ndarray, list[tuple[int, ...]]]:
    """Return corners and faces of a pipe with closed ends."""
    angle = np.arange(sides) * (2.0 * np.pi / sides)
    radius, length = pen.rng.uniform(20.0, 300.0), pen.rng.uniform(500.0, 6000.0)
    along = np.repeat(np.linspace(0.0, length, rings), sides)
    corners = np.stack([along, np.tile(np.cos(angle), rings) * radius, np.tile(np.sin(angle), rings) * radius], axis=1)
    faces: list[tuple[int, ...]] = [tuple(range(sides - 1, -1, -1)), tuple(range((rings - 1) * sides, rings * sides))]
    for ring in range(rings - 1):
        low = ring * sides
        faces += [
            (low + k, low + (k + 1) % sides, low + sides + (k + 1) % sides, low + sides + k) for k in range(sides)
        ]
    return corners + pen.place(), faces


def _faces(pen: Pen) -> str:
    corners = pen.box()
    return "".join(
        "".join([*pen.start("3DFACE", "AcDbFace"), *(_point(10 + n, corners[c]) for n, c in enumerate(quad))])
        for quad in _QUADS
    )


def _polyface(pen: Pen) -> str:
    corners, faces = _tube(pen, 24, 2)
    faces = [(f[0], f[k], f[k + 1]) for f in faces[:2] for k in range(1, len(f) - 1)] + faces[2:]
    lines = [*pen.start("POLYLINE", "AcDbPolyFaceMesh"), " 66\n1\n 10\n0.0\n 20\n0.0\n 30\n0.0\n 70\n64\n"]
    lines.append(f" 71\n{len(corners)}\n 72\n{len(faces)}\n")
    for corner in corners:
        lines += [*pen.start("VERTEX", "AcDbVertex", "AcDbPolyFaceMeshVertex"), _point(10, corner), " 70\n192\n"]
    for face in faces:
        lines += [*pen.start("VERTEX", "AcDbFaceRecord"), " 10\n0.0\n 20\n0.0\n 30\n0.0\n 70\n128\n"]
        lines += [f" 7{n}\n{number + 1}\n" for n, number in enumerate(face, start=1)]
    return "".join([*lines, *pen.start("SEQEND")])


def _mesh(pen: Pen) -> str:
    corners, faces = _tube(pen, 24, 12)
    lines = [*pen.start("MESH", "AcDbSubDMesh"), f" 71\n2\n 72\n0\n 91\n0\n 92\n{len(corners)}\n"]
    lines += [_point(10, corner) for corner in corners]
    lines.append(f" 93\n{sum(len(face) + 1 for face in faces)}\n")
    lines += [f" 90\n{len(face)}\n" + "".join(f" 90\n{n}\n" for n in face) for face in faces]
    return "".join([*lines, " 94\n0\n 95\n0\n 90\n0\n"])


def _line(pen: Pen) -> str:
    at = pen.place()
    return "".join([*pen.start("LINE", "AcDbLine"), _point(10, at), _point(11, at + pen.rng.uniform(-5e3, 5e3, 3))])


def _lwpolyline(pen: Pen) -> str:
    at, closed = pen.place(), pen.handle % 3 == 0
    thick = f" 39\n{pen.rng.uniform(100, 3000):.1f}\n" if pen.handle % 4 == 0 else ""
    count = int(pen.rng.integers(3, 12))
    lines = [*pen.start("LWPOLYLINE", "AcDbPolyline"), f" 90\n{count}\n 70\n{int(closed)}\n 38\n{at[2]:.3f}\n{thick}"]
    angle = np.sort(pen.rng.uniform(0, 2 * np.pi, count))
    for x, y in (at[:2] + np.stack([np.cos(angle), np.sin(angle)], axis=1) * pen.rng.uniform(100, 4000)).tolist():
        lines.append(f" 10\n{x:.6f}\n 20\n{y:.6f}\n" + (" 42\n0.2\n" if pen.rng.random() < 0.1 else ""))
    return "".join(lines)


def _arc(pen: Pen) -> str:
    start = pen.start("ARC", "AcDbCircle")
    size = f" 40\n{pen.rng.uniform(10, 900):.6f}\n100\nAcDbArc\n 50\n{pen.rng.uniform(0, 360):.6f}\n 51\n270.0\n"
    return "".join([*start, _point(10, pen.place()), size])


def _circle(pen: Pen) -> str:
    return "".join(
        [*pen.start("CIRCLE", "AcDbCircle"), _point(10, pen.place()), f" 40\n{pen.rng.uniform(5, 90):.6f}\n"]
    )


def _dot(pen: Pen) -> str:
    return "".join([*pen.start("POINT", "AcDbPoint"), _point(10, pen.place())])


def _polyline(pen: Pen) -> str:
    lines = [*pen.start("POLYLINE", "AcDb3dPolyline"), " 66\n1\n 10\n0.0\n 20\n0.0\n 30\n0.0\n 70\n8\n"]
    at = pen.place()
    for _ in range(int(pen.rng.integers(3, 12))):
        at = at + pen.rng.uniform(-2e3, 2e3, 3)
        lines += [*pen.start("VERTEX", "AcDbVertex", "AcDb3dPolylineVertex"), _point(10, at), " 70\n32\n"]
    return "".join([*lines, *pen.start("SEQEND")])


def _insert(pen: Pen) -> str:
    turn = f" 50\n{90.0 * int(pen.rng.integers(0, 4)):.1f}\n"
    return "".join([*pen.start("INSERT", "AcDbBlockReference"), "  2\nPART\n", _point(10, pen.place()), turn])


KINDS: dict[str, Callable[[Pen], str]] = {
    "3dface": _faces,
    "polyface": _polyface,
    "mesh": _mesh,
    "line": _line,
    "lwpolyline": _lwpolyline,
    "arc": _arc,
    "circle": _circle,
    "point": _dot,
    "polyline": _polyline,
    "insert": _insert,
}
# what of a mixed drawing is of each kind, in parts of its bytes
_MIX = {"mesh": 30, "polyface": 25, "3dface": 15, "line": 8, "lwpolyline": 8, "insert": 5, "polyline": 4}
_MIX |= {"arc": 2, "circle": 2, "point": 1}


def _entities(kind: str, size: float, pen: Pen) -> Iterator[str]:
    if kind != "mix":
        while size > 0:
            text = KINDS[kind](pen)
            size -= len(text)
            yield text
        return
    written = dict.fromkeys(_MIX, 0)
    while size > 0:
        # the kind that lags behind most, some of it at a time, as drawings have it
        name = min(_MIX, key=lambda some: written[some] / _MIX[some])
        for _ in range(20):
            text = KINDS[name](pen)
            written[name] += len(text)
            size -= len(text)
            yield text


def write(path: Path, kind: str, megabytes: float) -> None:
    """Write a drawing of entities of one kind, or a mix."""
    pen = Pen()
    with path.open("w", encoding="ascii") as file:
        file.write(_HEADER + "  0\nSECTION\n  2\nBLOCKS\n")
        if kind in ("insert", "mix"):
            file.write(
                "  0\nBLOCK\n  5\nF00A0\n330\nF00A2\n100\nAcDbEntity\n  8\n0\n100\nAcDbBlockBegin\n  2\nPART\n 70\n0\n"
            )
            file.write(f"{_point(10, np.zeros(3))}  3\nPART\n")
            file.write(
                _faces(pen) + "  0\nENDBLK\n  5\nF00A1\n330\nF00A2\n100\nAcDbEntity\n  8\n0\n100\nAcDbBlockEnd\n"
            )
        file.write("  0\nENDSEC\n  0\nSECTION\n  2\nENTITIES\n")
        file.writelines(_entities(kind, megabytes * 1e6, pen))
        file.write("  0\nENDSEC\n  0\nEOF\n")


def _role(layer: str, *_: str) -> str:
    return {"M": "duct", "P": "pipe", "S": "structure", "A": "wall"}.get(layer[:1], "equipment")


def _read(path: Path) -> tuple[Drawing, float, float]:
    begin, busy = time.perf_counter(), time.process_time()
    drawing = read_model(path, name="d", role_of=_role, units=None, move_m=(0, 0, 0), chord_tolerance_m=1e-3)
    return drawing, time.perf_counter() - begin, time.process_time() - busy


def _once(kind: str, megabytes: float, folder: Path) -> None:
    large, small = folder / "large.dxf", folder / "small.dxf"
    write(large, kind, megabytes)
    write(small, kind, min(LIBRARY_MB, megabytes))
    with patch.object(dxf_open, "take_out", lambda *_, **__: None):
        _, _, slow = _read(small)
    drawing, wall, busy = _read(large)
    size, little = large.stat().st_size / 1e6, small.stat().st_size / 1e6
    print(
        f"{kind:11s}{size:7.1f} MB{wall:8.2f} s, processor{busy:8.2f} s{size / busy:8.1f} MB/s; the library's reading "
        f"{little / slow:6.2f} MB/s, ratio {size / busy / (little / slow):6.1f}; {drawing.source.entities:,} entities, "
        f"{drawing.source.triangles:,} triangles, {len(drawing.elements):,} elements",
        flush=True,
    )
    large.unlink()
    small.unlink()


def main() -> None:
    """Write, read, print, one kind after the other."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("megabytes", nargs="?", type=float, default=20.0)
    parser.add_argument("kinds", nargs="*", metavar="kind", help=f"of {', '.join([*KINDS, 'mix'])}; all of them else")
    asked = parser.parse_args()
    chosen = asked.kinds or [*KINDS, "mix"]
    if unknown := sorted(set(chosen) - {*KINDS, "mix"}):
        sys.exit(f"{unknown[0]} is none of {', '.join([*KINDS, 'mix'])}")
    with tempfile.TemporaryDirectory() as folder:
        _read_warm(Path(folder))
        for kind in chosen:
            _once(kind, asked.megabytes, Path(folder))
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


def _read_warm(folder: Path) -> None:
    """Compile and import what the first reading does, outside of the times."""
    path = folder / "warm.dxf"
    write(path, "mix", 0.5)
    _read(path)


if __name__ == "__main__":
    main()
