"""Write stored solids of a few faces as text or binary records: for tests only."""

import math
import random
import struct
from itertools import pairwise

import numpy as np

DATE = "Sat Jan  1 10:00:00 2022"


class Ref(int):
    """A number of a record."""


class Writer:
    """Collects the records of a solid; a record is a name and its fields behind attributes, identity and history.

    Fields: Ref, float, int, str (a word or a text), bool (with the pair of words in ``WORDS``), a vector as tuple.
    """

    def __init__(self):
        self.records = []
        self.points = {}
        self.body = self.add("body", Ref(-1), Ref(-1), Ref(-1))
        self.lumps = []

    def add(self, name, *fields):
        self.records.append([name, *fields])
        return Ref(len(self.records) - 1)

    def vertex(self, point):
        key = tuple(round(float(c), 9) for c in point)
        if key not in self.points:
            at = self.add("point", tuple(float(c) for c in point))
            self.points[key] = self.add("vertex", Ref(-1), at)
        return self.points[key]

    def line(self, a, b):
        a, b = np.array(a, float), np.array(b, float)
        way = (b - a) / np.linalg.norm(b - a)
        curve = self.add("straight-curve", tuple(a), tuple(way), no("I"), no("I"))
        return self.edge(self.vertex(a), 0.0, self.vertex(b), float(np.linalg.norm(b - a)), curve)

    def arc(self, centre, normal, major, start, end, ratio=1.0, against=False):
        """An arc from one angle to another about the normal; 2 pi apart is a full turn, ``against`` turns the curve."""
        centre, normal, major = (np.array(x, float) for x in (centre, normal, major))
        normal = normal / np.linalg.norm(normal)
        minor = np.cross(normal, major) * ratio

        def at(t):
            return centre + math.cos(t) * major + math.sin(t) * minor

        if against:
            curve = self.add("ellipse-curve", tuple(centre), tuple(-normal), tuple(major), ratio, no("I"), no("I"))
        else:
            curve = self.add("ellipse-curve", tuple(centre), tuple(normal), tuple(major), ratio, no("I"), no("I"))
        return self.edge(self.vertex(at(start)), start, self.vertex(at(end)), end, curve, against)

    def circle(self, centre, normal, major, ratio=1.0, against=False, start=0.0):
        return self.arc(centre, normal, major, start, start + math.tau, ratio, against)

    def spline(self, points, subtype="exactcur", rational=None, degree=3, knots=None, ref=None):
        """An edge on a spline with control points; knots are (value, repeats) pairs as stored."""
        fields = self.spline_fields(subtype, points, degree, knots, rational) if ref is None else ["ref", ref]
        curve = self.add("intcurve-curve", no("forward"), "{", *fields, "}", no("I"), no("I"))
        low, high = knots[0][0], knots[-1][0]
        return self.edge(self.vertex(points[0]), low, self.vertex(points[-1]), high, curve)

    @staticmethod
    def spline_fields(subtype, points, degree, knots, weights=None):
        fields = [subtype, "full", "nurbs" if weights is not None else "nubs", degree, "open", len(knots)]
        for value, repeats in knots:
            fields += [float(value), int(repeats)]
        for k, point in enumerate(points):
            fields += [float(c) for c in point] + ([float(weights[k])] if weights is not None else [])
        return [*fields, 0.0, "null_surface", "null_surface", "nullbs", "nullbs"]

    def tip(self, point):
        """An edge that is a point."""
        vertex = self.vertex(point)
        return self.edge(vertex, 1.0, vertex, 0.0, Ref(-1))

    def edge(self, a, t0, b, t1, curve, against=False):
        return self.add("edge", a, float(t0), b, float(t1), Ref(-1), curve, Flag(against, "reversed", "forward"), "@7",
                        "unknown")  # fmt: skip

    # surfaces
    def plane(self, origin, normal):
        normal = np.array(normal, float)
        across = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
        return self.add("plane-surface", tuple(origin), tuple(normal), tuple(across), no("forward_v"), *[no("I")] * 4)

    def cone(self, centre, axis, major, ratio=1.0, sine=0.0, cosine=1.0):
        return self.add("cone-surface", tuple(centre), tuple(axis), tuple(major), ratio, no("I"), no("I"), sine, cosine,
                        1.0, no("forward"), *[no("I")] * 4)  # fmt: skip

    def ball(self, centre, radius, across=(1, 0, 0), pole=(0, 0, 1)):
        return self.add("sphere-surface", tuple(centre), float(radius), across, pole, no("forward_v"), *[no("I")] * 4)

    def torus(self, centre, axis, major, minor, across=(1, 0, 0)):
        return self.add("torus-surface", tuple(centre), tuple(axis), float(major), float(minor), across,
                        no("forward_v"), *[no("I")] * 4)  # fmt: skip

    def sheet(self, grid, degrees, knots, weights=None, reverse=False):
        """A spline surface; ``grid`` (u, v, 3) of control points, knots as (value, repeats) pairs for u and v."""
        grid = np.asarray(grid, float)
        fields = ["exactsur", "full", "nurbs" if weights is not None else "nubs", *degrees]
        fields += ["both"] if weights is not None else []
        fields += ["open", "open", "none", "none", len(knots[0]), len(knots[1])]
        for pair in (*knots[0], *knots[1]):
            fields += [float(pair[0]), int(pair[1])]
        for j in range(grid.shape[1]):
            for i in range(grid.shape[0]):
                fields += [float(c) for c in grid[i, j]] + ([float(weights[i][j])] if weights is not None else [])
        return self.add("spline-surface", Flag(reverse, "reversed", "forward"), "{", *fields, 0.0, "}", *[no("I")] * 4)

    def face(self, surface, *loops, reverse=False):
        """A face; loops are lists of (edge, backward)."""
        number = self.add("face", Ref(-1), Ref(-1), Ref(-1), Ref(-1), surface, Flag(reverse, "reversed", "forward"),
                          no("single"))  # fmt: skip
        before = None
        for loop in loops:
            ring = self.add("loop", Ref(-1), Ref(-1), number)
            if before is None:
                self.records[number][2] = ring
            else:
                self.records[before][1] = ring
            before = ring
            sides = [
                self.add("coedge", Ref(-1), Ref(-1), Ref(-1), edge, Flag(back, "reversed", "forward"), ring, Ref(-1))
                for edge, back in loop
            ]
            for k, side in enumerate(sides):
                self.records[side][1] = sides[(k + 1) % len(sides)]
                self.records[side][2] = sides[k - 1]
            self.records[ring][2] = sides[0]
        return number

    def shell(self, *faces):
        shell = self.add("shell", Ref(-1), Ref(-1), faces[0], Ref(-1), Ref(-1))
        for a, b in pairwise(faces):
            self.records[a][1] = b
        for face in faces:
            self.records[face][3] = shell
        return shell

    def lump(self, *shells):
        lump = self.add("lump", Ref(-1), shells[0], self.body)
        for a, b in pairwise(shells):
            self.records[a][1] = b
        for shell in shells:
            self.records[shell][5] = lump
        if self.lumps:
            self.records[self.lumps[-1]][1] = lump
        else:
            self.records[self.body][1] = lump
        self.lumps.append(lump)
        return self

    def solid(self, *faces):
        return self.lump(self.shell(*faces))

    def transform(self, matrix, move=(0, 0, 0), scale=1.0):
        values = [float(v) for v in np.asarray(matrix, float).reshape(-1)] + [float(m) for m in move] + [float(scale)]
        self.records[self.body][3] = self.add("transform", *values, "rotate", "no_reflect", "no_shear")
        return self

    # output
    def _ordered(self, seed):
        order = list(range(len(self.records)))
        if seed is not None:
            random.Random(seed).shuffle(order)
        place = {old: new for new, old in enumerate(order)}
        return [[Ref(place[f]) if isinstance(f, Ref) and f >= 0 else f for f in self.records[old]] for old in order]

    def text(self, version=700, seed=None, numbered=False):
        lines = [f"{version} 0 1 0", f"@5 tests @9 ACIS {version} @{len(DATE)} {DATE}", "1 1e-06 1e-10"]
        if version < 200:
            lines = lines[:1]
        for number, (name, *fields) in enumerate(self._ordered(seed)):
            words = [name, "$-1"]
            if numbered:
                words.insert(0, f"-{number}")
            if version >= 700:
                words += ["-1"] if name == "transform" else ["-1", "$-1"]
            if name == "edge" and version < 500:
                fields = [f for k, f in enumerate(fields) if k not in (1, 3, 7, 8)]
            for f in fields:
                words += _words(f, version)
            lines.append(" ".join([*words, "#"]))
        return [*lines, "End-of-ACIS-data "]

    def binary(self, version=21800, seed=None):
        big = version >= 22600
        data = [b"ASM BinaryFile8" if big else b"ACIS BinaryFile"]
        data.append(struct.pack("<4q" if big else "<4i", version, 0, 1, 12))
        data += [_string(s) for s in ("tests", "ACIS", DATE)]
        data += [struct.pack("<Bd", 6, x) for x in (1.0, 1e-6, 1e-10)]
        for name, *fields in self._ordered(seed):
            parts = name.split("-")
            data += [_string(p, 0x0E) for p in parts[:-1]] + [_string(parts[-1], 0x0D)]
            data.append(_whole(12, -1, big) + _whole(4, -1, big))
            if name == "transform":
                text = " ".join(str(f) for f in fields).encode()
                data.append(struct.pack("<BI", 0x12, len(text)) + text)
                fields = []
            else:
                data.append(_whole(12, -1, big))
            if name == "vertex":
                fields = [fields[0], 0, fields[1]]
            if name == "coedge":
                fields = [*fields[:6], 0, fields[6]]
            data += [_packed(f, big) for f in fields if f != "@7"]
            data.append(b"\x11")
        return b"".join([*data, b"\x0e\x03End\x0e\x02of\x0e\x03ASM\x0d\x04data"])


class Flag:
    """Yes or no, with the words for both."""

    def __init__(self, value, yes, no):
        self.value = value
        self.word = yes if value else no


def no(word):
    return Flag(False, "", word)


def _words(field, version):
    if isinstance(field, Ref):
        return [f"${int(field)}"]
    if isinstance(field, Flag):
        old = version < 150
        return [str(int(field.value)) if old and field.word not in ("I", "F") else field.word]
    if isinstance(field, (tuple, list)):
        return [repr(float(c)) for c in field]
    if isinstance(field, str):
        return [field]
    return [repr(field)]


def _whole(tag, value, big):
    return struct.pack("<Bq" if big else "<Bi", tag, value)


def _string(text, tag=7):
    return struct.pack("<BB", tag, len(text)) + text.encode()


def _packed(field, big):
    if isinstance(field, Ref):
        return _whole(12, int(field), big)
    if isinstance(field, Flag):
        return b"\x0a" if field.value else b"\x0b"
    if isinstance(field, (tuple, list)):
        return struct.pack("<B3d", 0x13, *[float(c) for c in field])
    if isinstance(field, str):
        if field in ("{", "}"):
            return b"\x0f" if field == "{" else b"\x10"
        if field in ("open", "closed", "periodic"):
            return _whole(0x15, ("open", "closed", "periodic").index(field), big)
        return _string(field, 0x0D if field in ("nubs", "nurbs", "exactcur", "exactsur") else 7)
    if isinstance(field, int):
        return _whole(4, field, big)
    return struct.pack("<Bd", 6, float(field))
