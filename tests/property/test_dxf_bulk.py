"""Faces and meshes that are read in bulk are what the DXF library's own reading gives, to the bit."""

import random
import tempfile
from pathlib import Path
from unittest.mock import patch

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from importers import dxf_bulk, dxf_collect, dxf_open
from importers.dxf import read_model
from importers.dxf_tokens import tokenise
from route3d.errors import UnreadableFileError

LAYERS = ["0", "M-DUCT", "m-duct", "P-PIPE 2", "Lüftung", "other"]
BOX = [(1, 4, 3, 2), (5, 6, 7, 8), (1, 2, 6, 5), (2, 3, 7, 6), (3, 4, 8, 7), (4, 1, 5, 8)]


class Writer:
    """Writes a drawing, now and then in unusual ways; ``odd`` is the share of entities that are."""

    def __init__(self, seed, odd):
        self.rnd = random.Random(seed)
        self.odd = odd
        self.end = self.rnd.choice(["\n", "\r\n"])
        self.pad = self.rnd.choice(["{:>3}", "{}", "{:>4}"])
        self.r12 = self.rnd.random() < 0.3
        self.lines = []
        self.handle = 0x1000

    def tag(self, code, value):
        self.lines += [self.pad.format(code), str(value)]

    def chance(self, share=0.5):
        return self.rnd.random() < share

    def number(self, value):
        forms = [repr, "{:.6f}".format, "{:.17g}".format, "{:e}".format, "{:.3E}".format]
        if self.chance(self.odd):
            forms += ["+{}".format, "  {}".format, "{} ".format, lambda v: ".5", lambda v: "7.", lambda v: "1_0"]
        return self.rnd.choice(forms)(value)

    def point(self, code, at):
        self.tag(code, self.number(at[0]))
        self.tag(code + 10, self.number(at[1]))
        if not self.chance(self.odd / 2):
            self.tag(code + 20, self.number(at[2]))

    def start(self, kind, layer, marker, handle=True):
        self.tag(0, kind)
        if handle:
            self.handle += self.rnd.choice([1, 1, 1, 7])
            self.tag(5, f"{self.handle:X}" if not self.chance(self.odd) else f"{self.handle:x}")
        if not self.r12:
            if self.chance(0.3):
                self.tag(330, "1F")
            self.tag(100, "AcDbEntity")
        if not self.chance(self.odd / 4):
            self.tag(8, layer)
        self.extras()
        if not self.r12:
            self.tag(100, marker)

    def extras(self):
        if self.chance(0.2):
            self.tag(62, self.rnd.randint(0, 256))
        if self.chance(0.05):
            self.tag(67, 0)
        if self.chance(self.odd):
            code, value = self.rnd.choice(
                [(60, 1), (60, "0"), (6, "Continuous"), (370, -1), (999, "a comment"), (67, 1), (67, 0), (48, "1.5"),
                 (48, "2"), (420, 255), (62, "7.0"), (39, "1.0"), (102, "{X"), (6, ""), (284, 1), (8, "twice")]
            )  # fmt: skip
            self.tag(code, value)
            if code == 102:
                self.tag(102, "}")

    def tail(self):
        if self.chance(self.odd):
            self.point(210, self.rnd.choice([(0, 0, 1), (0, 0, -1), (0.6, 0.0, 0.8)]))
        if self.chance(self.odd / 3):
            self.tag(1001, "ROUTE3D")
            self.tag(1000, "id=X")

    def corners(self):
        x, y, z = (self.rnd.choice([0.0, self.rnd.uniform(-1e4, 1e4)]) for _ in range(3))
        a, b, c = (self.rnd.uniform(0.5, 400) for _ in range(3))
        low = [(x, y, z), (x + a, y, z), (x + a, y + b, z), (x, y + b, z)]
        return low + [(p, q, r + c) for p, q, r in low]

    def face(self, points, layer):
        self.start("3DFACE", layer, "AcDbFace")
        if self.chance(self.odd / 4):
            points = [*points[:3], points[0]]
        for number, point in enumerate(points):
            if number == 3 and self.chance(0.1):
                break
            if self.chance(self.odd / 8):
                continue
            self.point(10 + number, point)
        if self.chance(0.3):
            self.tag(70, self.rnd.randint(0, 15))
        self.tail()

    def box_of_faces(self, layer):
        corners = self.corners()
        for quad in BOX[: self.rnd.choice([6, 6, 6, 4, 1])]:
            order = quad[::-1] if self.chance(0.2) else quad
            self.face([corners[n - 1] for n in order], layer)

    def vertex(self, layer, at, flags, more=(), marker="AcDbVertex"):
        self.start("VERTEX", layer, marker)
        if at is not None and not self.chance(self.odd / 8):
            self.point(10, at)
        self.tag(70, flags)
        for code, value in more:
            self.tag(code, value)
        self.tail()

    def seqend(self, layer):
        if self.chance(self.odd / 6):
            return
        self.start("SEQEND", layer, "AcDbEntity")

    def polyface(self, layer):
        corners, faces = self.corners(), list(BOX)
        if self.chance(0.3):
            faces = [f for a, b, c, d in BOX for f in ((a, b, c), (a, c, d))] if self.chance() else faces[:4]
        if self.chance(self.odd):
            faces.append(self.rnd.choice([(1, 2), (1, 2, 99), (1, 0, 2, 3), (-1, -2, -3), (1, 1, 2), (0, 0, 0)]))
        self.start("POLYLINE", layer, "AcDbPolyFaceMesh")
        self.tag(66, 1)
        self.point(10, (0, 0, 0))
        self.tag(70, 64 if not self.chance(self.odd / 3) else self.rnd.choice([72, 80, 65]))
        self.tag(71, self.rnd.choice([len(corners), 0, 1_000_000_000]))
        self.tag(72, len(faces))
        self.tail()
        for corner in corners:
            self.vertex(layer, corner, 192 if not self.chance(self.odd / 8) else 64)
        for face in faces:
            signed = [n if self.chance(0.8) else -n for n in face]
            self.vertex(
                layer, (0, 0, 0) if self.chance() else None, 128, list(zip(range(71, 75), signed, strict=False))
            )
        self.seqend(layer)

    def grid(self, layer):
        rows, columns = self.rnd.randint(2, 4), self.rnd.randint(2, 4)
        self.start("POLYLINE", layer, "AcDbPolygonMesh")
        self.tag(66, 1)
        self.point(10, (0, 0, 0))
        self.tag(70, 16 | self.rnd.choice([0, 1, 32, 33]) | (4 if self.chance(self.odd / 3) else 0))
        self.tag(71, rows)
        self.tag(72, columns if not self.chance(self.odd) else columns + 1)
        if self.chance(0.2):
            self.tag(75, self.rnd.choice([0, 0, 6]))
        self.tail()
        for row in range(rows):
            for column in range(columns):
                self.vertex(layer, (row * 3.3, column * 1.7, self.rnd.uniform(0, 5)), 64)
        self.seqend(layer)

    def mesh(self, layer):
        if self.r12 and not self.chance(self.odd):
            return self.line(layer)  # a version that has none: the library refuses the whole file
        corners, faces = self.corners(), [[n - 1 for n in quad] for quad in BOX]
        way = self.rnd.random()
        if way < 0.2:
            faces = [f for a, b, c, d in faces for f in ([a, b, c], [a, c, d])]
        elif way < 0.6:
            corners, faces = self.prism()
        elif way < 0.7:
            faces = faces[:4]
        if self.chance(self.odd):
            faces.append(
                self.rnd.choice([[0, 1], [0, 1, 99], [0, 2, 1, 3, 4], [-1, 1, 2], [1, 1, 2], [0, 1, 0, 1, 0], []])
            )
        self.start("MESH", layer, "AcDbSubDMesh")
        self.tag(71, 2)
        self.tag(72, self.rnd.choice([0, 0, 1]))
        if not self.chance(self.odd / 4):
            self.tag(91, 0 if not self.chance(self.odd / 2) else self.rnd.choice([1, 3, -1]))
        self.tag(92, len(corners) + (self.rnd.choice([-1, 1, 10**9]) if self.chance(self.odd / 3) else 0))
        for corner in corners:
            self.point(10, corner)
        size = sum(len(face) + 1 for face in faces)
        self.tag(93, size + (self.rnd.choice([-1, 1, 2]) if self.chance(self.odd / 3) else 0))
        for face in faces:
            for number in (len(face), *face):
                self.tag(90, number)
        edges = self.rnd.choice([0, 0, 3])
        self.tag(94, edges)
        for _ in range(2 * edges):
            self.tag(90, self.rnd.randint(0, 7) if not self.chance(self.odd / 4) else -1)
        if self.chance(self.odd / 4):
            return None
        self.tag(95, edges)
        for _ in range(edges):
            self.tag(140, self.number(self.rnd.choice([0.0, 1.5, -1.0])))
        if self.chance(0.8):
            self.tag(90, 0)
        elif self.chance(self.odd):
            for code, value in ((90, 1), (91, 0), (92, 1), (90, 0), (62, 1)):
                self.tag(code, value)
        if self.chance(self.odd / 3):
            self.tag(self.rnd.choice([8, 60, 91, 100, 5]), self.rnd.choice(["1", "late"]))
        if self.chance(self.odd / 3):
            self.tail()
        return None

    def prism(self):
        """Return corners and faces of a prism over a polygon, which may be concave or have corners on its sides."""
        x, y, z = (self.rnd.uniform(-1e4, 1e4) for _ in range(3))
        plan = self.rnd.choice(
            [
                [(0, 0), (9, 0), (9, 4), (4, 4), (4, 9), (0, 9)],
                [(0, 0), (3, 0), (6, 0), (6, 6), (0, 6)],
                [(5, 0), (9, 3), (8, 8), (2, 8), (1, 3)],
                [(0, 0), (6, 0), (1, 1)],
            ]
        )
        count = len(plan)
        corners = [(x + 10 * a, y + 10 * b, z + h) for h in (0, 55) for a, b in plan]
        sides = [[k, (k + 1) % count, count + (k + 1) % count, count + k] for k in range(count)]
        return corners, [list(range(count))[::-1], list(range(count, 2 * count)), *sides]

    def thickness(self):
        if self.chance(0.1 + self.odd):
            self.tag(39, self.rnd.choice(["0", "0.0", "25.5", "-300"]))

    def radius(self):
        usual = [self.rnd.uniform(0.1, 900), self.rnd.uniform(1, 30), 7.0]
        return self.number(self.rnd.choice(usual if not self.chance(self.odd) else [0.0, -5.0, 1e11, 1e15, 1e-9]))

    def arc(self, layer):
        for _ in range(self.rnd.randint(1, 3)):
            self.start("ARC", layer, "AcDbCircle")
            self.thickness()
            self.point(10, self.corners()[0])
            self.tag(40, self.radius())
            if not self.r12:
                self.tag(100, "AcDbArc")
            self.tag(50, self.number(self.rnd.choice([0.0, 90.0, self.rnd.uniform(-720, 720)])))
            if not self.chance(self.odd / 6):
                self.tag(51, self.number(self.rnd.choice([0.0, 360.0, self.rnd.uniform(-720, 720)])))
            self.tail()

    def circle(self, layer):
        for _ in range(self.rnd.randint(1, 3)):
            self.start("CIRCLE", layer, "AcDbCircle")
            self.thickness()
            self.point(10, self.corners()[0])
            if not self.chance(self.odd / 6):
                self.tag(40, self.radius())
            self.tail()

    def dot(self, layer):
        self.start("POINT", layer, "AcDbPoint")
        self.point(10, self.corners()[0])
        self.thickness()
        if self.chance(0.2):
            self.tag(50, 30.0)
        self.tail()

    def plan(self):
        """Return corners with repeats and returns, at times."""
        x, y = (self.rnd.uniform(-1e4, 1e4) for _ in range(2))
        near = [(x, y), (x + 600, y), (x + 600, y + 400), (x + 250.5, y + 400), (x + 250.5, y + 900), (x, y + 900)]
        points = near[: self.rnd.randint(1, 6)]
        if self.chance(0.3):
            points.insert(self.rnd.randrange(len(points)), self.rnd.choice(points))
        if self.chance(0.3):
            points.append(points[0])
        return points

    def lwpolyline(self, layer):
        if self.r12 and not self.chance(self.odd):
            return self.polyline(layer)
        self.start("LWPOLYLINE", layer, "AcDbPolyline")
        points = self.plan() if not self.chance(self.odd / 4) else []
        self.tag(90, len(points))
        self.tag(70, self.rnd.choice([0, 1, 128, 129]))
        if self.chance(0.2):
            self.tag(43, self.rnd.choice(["0.0", "30", "0"]))
        if self.chance(0.5):
            self.tag(38, self.number(self.rnd.uniform(-100, 3000)))
        self.thickness()
        bent = self.chance(0.3)
        for at in points:
            for code, value in zip((10, 20, 30), (*at, 5.0), strict=True):
                if code < 30 or self.chance(self.odd / 4):
                    self.tag(code, self.number(value))
            if self.chance(self.odd / 2):
                self.tag(40, self.number(self.rnd.choice([0.0, 12.0])))
                self.tag(self.rnd.choice([41, 41, 40]), self.number(self.rnd.choice([0.0, 20.0])))
            if bent and self.chance():
                self.tag(42, self.number(self.rnd.choice([0.0, 0.3, -1.0, 1e-7, 2.5])))
            if self.chance(0.05):
                self.tag(91, self.rnd.choice([0, 7]))
        if self.chance(self.odd / 4):
            self.tag(self.rnd.choice([38, 39, 70, 8, 60]), 1)
        return self.tail()

    def polyline(self, layer):
        in_space = self.chance()
        self.start("POLYLINE", layer, "AcDb3dPolyline" if in_space else "AcDb2dPolyline")
        if not self.chance(self.odd / 4):
            self.tag(66, 1)
        if self.chance(0.8):
            self.point(10, (0, 0, self.rnd.choice([0, 25.5])))
        if not in_space:
            self.thickness()
            for code in (40, 41):
                if self.chance(0.1 + self.odd / 2):
                    self.tag(code, self.number(self.rnd.choice([0.0, 15.0])))
        self.tag(70, (8 if in_space else 0) | self.rnd.choice([0, 1]) | (4 if self.chance(self.odd / 2) else 0))
        self.tail()
        bent = self.chance(0.2) and not in_space
        points = self.plan() if not self.chance(self.odd / 4) else []
        z = self.rnd.uniform(0, 2000)
        for at in points:
            flags = (32 if in_space else 0) | (16 if self.chance(self.odd / 4) else 0)
            more = [(42, self.number(self.rnd.choice([0.0, 0.4, -1.0])))] if bent else []
            if self.chance(self.odd / 2):
                more.append((self.rnd.choice([40, 41]), self.number(self.rnd.choice([0.0, 22.0]))))
            kind = "AcDb3dPolylineVertex" if in_space else "AcDb2dVertex"
            self.vertex(layer, (*at, z + (self.rnd.uniform(0, 50) if in_space else 0)), flags, more, kind)
        self.seqend(layer)

    def wire(self, layer):
        self.rnd.choice([self.line, self.arc, self.circle, self.dot, self.lwpolyline, self.polyline])(layer)

    def line(self, layer):
        for _ in range(self.rnd.randint(1, 4)):
            self.start("LINE", layer, "AcDbLine")
            corners = self.corners()
            for code, at in ((10, corners[0]), (11, self.rnd.choice([corners[1], corners[6], corners[0]]))):
                if not self.chance(self.odd / 8):
                    self.point(code, at)
            if self.chance(self.odd / 2):
                self.tag(39, self.rnd.choice(["0", "0.0", "25.5", "-3"]))
            self.tail()

    def insert(self, layer, name):
        self.start("INSERT", layer, "AcDbBlockReference")
        attributes = self.chance(self.odd / 3)
        if attributes:
            self.tag(66, 1)
        if not self.chance(self.odd / 6):
            self.tag(2, name if not self.chance(self.odd / 3) else self.rnd.choice(["none", "a\\U+00E9", ""]))
        if not self.chance(self.odd / 6):
            self.point(10, self.corners()[0])
        if self.chance():
            for code in (41, 42, 43):
                self.tag(code, self.rnd.choice([2.0, 2.0, -1.0, 0.0 if self.chance(self.odd) else 1.0]))
            self.tag(50, self.number(self.rnd.choice([0.0, 90.0, -270.0, 33.3])))
        if self.chance(0.1 + self.odd / 3):
            for code, value in ((70, 2), (71, self.rnd.choice([1, 3, 0, -2])), (44, 500.0), (45, 700.5)):
                self.tag(code, value)
        self.tail()
        if attributes:
            self.start("ATTRIB", layer, "AcDbText")
            self.point(10, (1, 2, 3))
            self.tag(40, 2.5)
            self.tag(1, "x")
            self.tag(100, "AcDbAttribute")
            self.tag(2, "TAG")
            self.seqend(layer)

    def entities(self, count):
        for _ in range(count):
            layer = self.rnd.choice(LAYERS) if not self.chance(self.odd / 4) else self.rnd.choice(["a\\U+00E9", " x "])
            kind = self.rnd.choice(
                [self.box_of_faces, self.box_of_faces, self.polyface, self.grid, self.mesh, self.wire, self.wire]
            )
            kind(layer)

    def text(self):
        self.tag(0, "SECTION")
        self.tag(2, "HEADER")
        self.tag(9, "$ACADVER")
        self.tag(1, "AC1009" if self.r12 else self.rnd.choice(["AC1015", "AC1027"]))
        self.tag(0, "ENDSEC")
        if self.chance():
            self.tag(0, "SECTION")
            self.tag(2, "BLOCKS")
            self.start("BLOCK", "0", "AcDbBlockBegin")
            self.tag(2, "B")
            self.tag(70, 0)
            self.point(10, (1, 2, 3))
            self.tag(3, "B")
            self.entities(self.rnd.randint(1, 5))
            self.start("ENDBLK", "0", "AcDbBlockEnd")
            self.tag(0, "ENDSEC")
        self.tag(0, "SECTION")
        self.tag(2, "ENTITIES")
        self.entities(self.rnd.randint(1, 12))
        for _ in range(self.rnd.randint(0, 5)):
            self.insert(self.rnd.choice(LAYERS), self.rnd.choice(["B", "b"]))
        self.entities(self.rnd.randint(0, 5))
        self.tag(0, "ENDSEC")
        self.tag(0, "EOF")
        utf8 = "AC1027" in self.lines
        return (self.end.join(self.lines) + self.end).encode("utf-8" if utf8 else "cp1252")


def read(path, roles):
    try:
        return read_model(
            path, name="d", role_of=lambda layer, *_: roles.get(layer, "duct"), units="mm", move_m=(1, 2, 3),
            chord_tolerance_m=1e-4,
        )  # fmt: skip
    except UnreadableFileError as error:
        return str(error)


def both(data, roles, rows_max=dxf_collect.ROWS_MAX):
    """Return the drawing read in bulk, the same by the library alone, and whether there was anything in bulk."""
    with tempfile.TemporaryDirectory() as folder, patch.object(dxf_collect, "ROWS_MAX", rows_max):
        path = Path(folder) / "d.dxf"
        path.write_bytes(data)
        with patch.object(dxf_bulk, "_LEAST", 1), patch.object(dxf_open, "take_out", wraps=dxf_bulk.take_out) as taker:
            ours = read(path, roles)
            used = taker(data, "cp1252", marked=b"AC1009" not in data) is not None
        with patch.object(dxf_open, "take_out", lambda *_, **__: None):
            theirs = read(path, roles)
    return ours, theirs, used


def assert_equal(ours, theirs):
    if isinstance(theirs, str):
        assert ours == theirs
        return
    assert ours.unread == theirs.unread
    assert ours.source == theirs.source
    assert ours.layers == theirs.layers
    assert [(o.layer, o.handle, o.points_m.tolist()) for o in ours.outlines] == [
        (o.layer, o.handle, o.points_m.tolist()) for o in theirs.outlines
    ]
    assert len(ours.elements) == len(theirs.elements)
    for element, other in zip(ours.elements, theirs.elements, strict=True):
        for name in ("element_id", "role", "layer", "kind", "closed", "file", "handle"):
            assert getattr(element, name) == getattr(other, name)
        np.testing.assert_array_equal(element.triangles_m, other.triangles_m)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**9), st.sampled_from([0.0, 0.0, 0.01, 0.05, 0.3]))
def test_bulk_and_library_read_the_same(seed, odd):
    data = Writer(seed, odd).text()
    ours, theirs, used = both(data, {"other": "ignore", "m-duct": "strap"})
    assert_equal(ours, theirs)
    assert used or odd > 0.0 or b"3DFACE" not in data


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**9), st.sampled_from([0.0, 0.02, 0.1, 0.3]))
def test_meshes_in_bulk_are_those_of_the_library(seed, odd):
    writer = Writer(seed, odd)
    writer.r12 = writer.r12 and odd > 0.0
    with patch.object(Writer, "box_of_faces", Writer.mesh), patch.object(Writer, "polyface", Writer.mesh):
        data = writer.text()
    ours, theirs, used = both(data, {"other": "ignore"})
    assert_equal(ours, theirs)
    assert used or odd > 0.0


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**9), st.integers(1, 3))
def test_damaged_text_is_read_the_same_in_bulk(seed, count):
    rnd = random.Random(seed)
    data = Writer(seed, 0.0).text()
    for _ in range(count):
        lines = data.split(b"\n")
        at = rnd.randrange(len(lines))
        way = rnd.randrange(6)
        if way == 0:
            del lines[at : at + rnd.choice([1, 2, 2, 6])]
        elif way == 1:
            lines[at:at] = lines[at - 2 * rnd.randint(0, 3) : at]
        elif way == 2:
            lines[at] = rnd.choice(
                [b"", b"0", b" 90", b"-1", b"1e999", b"nan", b"1,5", b"  8", b"MESH", b"99999999999"]
            )
        elif way == 3 and lines[at]:
            place = rnd.randrange(len(lines[at]))
            lines[at] = lines[at][:place] + bytes([rnd.randrange(1, 256)]) + lines[at][place + 1 :]
        elif way == 4:
            other = rnd.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        else:
            lines = lines[:at]
        data = b"\n".join(lines)
    ours, theirs, _ = both(data, {"other": "ignore", "m-duct": "strap"})
    if all_named(data):
        assert_equal(ours, theirs)


def all_named(data):
    """Tell whether all entities have handles: the library makes them up, in bulk they are called by their line."""
    tokens = tokenise(data)
    if tokens is None:
        return True  # nothing is read in bulk
    records = np.cumsum(tokens.code == 0) - 1
    named = np.bincount(records[tokens.code == 5], minlength=records[-1] + 1) > 0
    names = tokens.text(np.flatnonzero(tokens.code == 0))[0]
    return bool((named | np.isin(names, [b"SECTION", b"ENDSEC", b"EOF"])).all())


@settings(max_examples=40, deadline=None)
@example(28402, 0.0, "duct", 5000)  # a block at two scales
@given(
    st.integers(0, 10**9),
    st.sampled_from([0.0, 0.02, 0.3]),
    st.sampled_from(["duct", "strap", "luminaire", "zone", "wall", "ignore"]),
    st.sampled_from([0, 1, 5, 5000]),
)
def test_lines_in_bulk_are_those_of_the_library_whatever_they_stand_for(seed, odd, role, rows_max) -> None:
    writer = Writer(seed, odd)
    with patch.object(Writer, "box_of_faces", Writer.wire), patch.object(Writer, "polyface", Writer.wire):
        data = writer.text()
    roles = dict.fromkeys(LAYERS, role) | {"P-PIPE 2": "pipe"}
    ours, theirs, used = both(data, roles, rows_max)
    assert_equal(ours, theirs)
    assert used or odd > 0.0
