"""Stored solids with curved faces: areas and volumes against closed forms, in every version, order and direction."""

import copy
import math
import random
import time
from pathlib import Path

import acis_shapes as shapes
import ezdxf
import numpy as np
import pytest
from acis_writer import Writer

from importers.acis import shape_of_body, shape_of_records
from importers.acis_records import DamagedError, binary_records, text_records
from importers.dxf_shape import Grain

DATA = Path(__file__).parents[2] / "data"
FINE = Grain(1e-3, 1e-6)

# name, solid, how many times the chord tolerance the volume and the area may be off, relative
SHAPES = {
    "ball": shapes.ball(),
    "ring": shapes.ring(),
    "ring of negative tube": shapes.ring(sign=-1),
    "apple": shapes.ring(1.0, 2.0),
    "horn": shapes.ring(2.0, 2.0),
    "lemon": shapes.ring(-1.0, 2.0),
    "cylinder": shapes.cylinder(),
    "cylinder with turned rims": shapes.cylinder(start=1.0, against=True),
    "cylinder with a seam": shapes.cylinder(start=1.0, seam=True),
    "slanted cylinder": shapes.slanted(),
    "large piece of cake": shapes.sector(turn=4.0),
    "small piece of cake": shapes.sector(turn=1.0),
    "frustum": shapes.frustum(),
    "elliptical frustum": shapes.frustum(ratio=0.5),
    "elliptical cylinder": shapes.frustum(r0=2.0, r1=2.0, ratio=0.5),
    "cone": shapes.cone(),
    "cone without a tip edge": shapes.cone(tip="none"),
    "cone with a seam": shapes.cone(tip="seam"),
    "cone downwards": shapes.cone(up=False),
    "cone downwards without a tip edge": shapes.cone(tip="none", up=False),
    "tube": shapes.tube(),
    "elbow": shapes.elbow(),
    "short elbow": shapes.elbow(turn=1.0),
    "long elbow": shapes.elbow(turn=4.0),
    "bent bar of negative tube": shapes.elbow(inner=0, sign=-1),
    "upper half of a ring": shapes.half_ring(),
    "lower half of a ring": shapes.half_ring(upper=False),
    "cap of a ball": shapes.cap(),
    "rest of a ball": shapes.cap(upper=False),
    "cap with its pole aside": shapes.cap(pole=shapes.X),
    "half a ball with edges through its poles": shapes.cap(z=0.0, pole=shapes.X),
    "rest of a ball of negative radius": shapes.cap(upper=False, pole=shapes.X, sign=-1),
    "eighth of a ball": shapes.octant(),
    "napkin ring": shapes.napkin(),
    "box with a round hole": shapes.drilled_box(),
    "crossed cylinders": shapes.crossed_cylinders(),
    "tank": shapes.tank(),
    "bar with a hole across": shapes.drilled_bar(),
    "block under a saddle": shapes.saddle(),
    "cylinder of splines": shapes.spline_cylinder(),
    "cylinder of splines the other way": shapes.spline_cylinder(reverse=True),
    "eighth of a ball of splines": shapes.spline_octant(),
    "ring with a hole": shapes.drilled_ring(),
    "plug of a ring": shapes.drilled_ring(outside=True),
}


def volume(triangles):
    a, b, c = (triangles[:, i] for i in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


def area(triangles):
    sides = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    return float(np.linalg.norm(sides, axis=1).sum() / 2.0)


def read(writer, grain=FINE, **options):
    return shape_of_records(text_records(writer.text(**options)), grain, "3DSOLID", "1A")


def read_binary(writer, grain=FINE, **options):
    return shape_of_records(binary_records(writer.binary(**options)), grain, "3DSOLID", "1A")


@pytest.mark.parametrize("name", SHAPES)
def test_area_and_volume_are_those_of_the_closed_form(name):
    writer, wanted_area, wanted_volume = SHAPES[name]
    shape = read(writer)
    assert shape.unread is None
    assert shape.closed
    # chords of 1 mm inside curves of about 1 m: the skin is nowhere further off than that
    skin = area(shape.triangles)
    assert abs(volume(shape.triangles) - wanted_volume) <= 1e-3 * skin
    if wanted_area is not None:
        assert skin == pytest.approx(wanted_area, rel=1e-3)


@pytest.mark.parametrize("name", ["slanted cylinder", "elbow", "napkin ring", "eighth of a ball of splines"])
def test_a_finer_tolerance_comes_closer_in_proportion(name):
    writer, _, wanted = SHAPES[name]
    off = [abs(volume(read(writer, Grain(chord, 1e-6)).triangles) - wanted) for chord in (1e-2, 1e-3)]
    assert off[1] < off[0] / 4.0


@pytest.mark.parametrize(
    ("name", "distance"),
    [
        ("ball", lambda p: np.linalg.norm(p - (1, 2, 3), axis=1) - 2.0),
        ("lemon", lambda p: np.hypot(_ring_frame(p)[0] + 1.0, _ring_frame(p)[1]) - 2.0),
        ("ring", lambda p: np.hypot(_ring_frame(p)[0] - 5.0, _ring_frame(p)[1]) - 2.0),
    ],
)
def test_no_triangle_is_further_off_its_surface_than_the_tolerance(name, distance):
    t = read(SHAPES[name][0], Grain(1e-2, 1e-6)).triangles
    weights = np.array([(a, b, 1 - a - b) for a in (0, 0.25, 0.5) for b in (0, 0.25, 0.5)])
    points = np.einsum("kw,nwc->nkc", weights, t).reshape(-1, 3)
    assert np.abs(distance(points)).max() <= 1.05e-2


def _ring_frame(points):
    off = points - (1, 2, 3)
    axis = np.array([0, 1, 1]) / math.sqrt(2)
    height = off @ axis
    return np.linalg.norm(off - height[:, None] * axis, axis=1), height


@pytest.mark.parametrize("version", [106, 400, 500, 700, 20800])
@pytest.mark.parametrize("name", ["elbow", "large piece of cake", "bar with a hole across", "cylinder of splines"])
def test_every_version_of_text_records_in_any_order_gives_the_same_solid(name, version):
    writer, _, _ = SHAPES[name]
    shape = read(writer, Grain(1e-2, 1e-6), version=version, seed=version, numbered=version == 400)
    assert shape.closed
    assert volume(shape.triangles) == pytest.approx(volume(read(writer, Grain(1e-2, 1e-6)).triangles), rel=1e-9)


@pytest.mark.parametrize("version", [21800, 22300, 22700])
@pytest.mark.parametrize("name", ["elbow", "cone", "bar with a hole across", "eighth of a ball of splines"])
def test_binary_records_give_the_solid_of_the_text(name, version):
    writer, _, _ = SHAPES[name]
    shape = read_binary(writer, Grain(1e-2, 1e-6), version=version, seed=3)
    assert shape.closed
    assert volume(shape.triangles) == pytest.approx(volume(read(writer, Grain(1e-2, 1e-6)).triangles), rel=1e-9)


@pytest.mark.parametrize("version", ["R2000", "R2004", "R2007", "R2010", "R2013", "R2018"])
def test_a_pipe_bend_is_read_from_a_drawing_of_each_version(read_dxf, version):
    writer, _, wanted = SHAPES["elbow"]
    doc = ezdxf.new(version)
    solid = doc.modelspace().add_3dsolid()
    if version < "R2013":
        solid.sat = writer.text(400 if version == "R2000" else 700)
    else:
        solid.sab = writer.binary(21800)
    drawing = read_dxf(doc, tolerance_m=1e-3)
    (element,) = drawing.elements
    assert not drawing.unread
    assert element.closed
    assert volume(element.triangles_m) == pytest.approx(wanted, rel=1e-3)


TURN = np.array([[0.0, 1, 0], [0, 0, 1], [1, 0, 0]])


@pytest.mark.parametrize(
    ("matrix", "scale", "grows"),
    [
        (TURN, 1.0, 1.0),
        (TURN, 2.5, 2.5),
        (2.5 * TURN, 2.5, 2.5),  # some writers put the scale into the axes as well
        (np.diag([1.0, 1, -1]), 1.0, 1.0),  # mirrored
        (np.diag([1.0, 1, -1]), 0.5, 0.5),
    ],
)
def test_the_transform_of_a_body_turns_scales_and_mirrors_it(matrix, scale, grows):
    writer, _, wanted = shapes.cone(tip="edge")
    shape = read(writer.transform(matrix, (10, 20, 30), scale))
    assert shape.closed
    assert volume(shape.triangles) == pytest.approx(wanted * grows**3, rel=2e-3)
    tip = np.array([0, 0, 3.0]) @ (TURN if matrix[0, 0] == 0 else np.diag([1.0, 1, -1])) * grows + (10, 20, 30)
    assert np.linalg.norm(shape.triangles.reshape(-1, 3) - tip, axis=1).min() < 1e-9


@pytest.mark.parametrize("digits", [17, 6])
@pytest.mark.parametrize("name", ["slanted cylinder", "elbow", "tank", "large piece of cake", "box with a round hole"])
def test_a_solid_anywhere_and_in_any_direction_is_read_also_with_six_digits(name, digits):
    writer, _, wanted = SHAPES[name]
    writer = copy.deepcopy(writer)
    turn = np.linalg.qr(np.random.default_rng(7).normal(size=(3, 3)))[0]
    for record in writer.records:
        vectors = [k for k, f in enumerate(record) if isinstance(f, tuple)]
        for k in vectors:  # the first is a place, the others are directions
            moved = turn @ np.array(record[k]) + (np.array([8.0, -5, 9]) if k == vectors[0] else 0.0)
            record[k] = tuple(float(f"{c:.{digits}g}") for c in moved)
    shape = read(writer, Grain(1e-2, 1e-6))
    assert shape.closed
    assert volume(shape.triangles - (8, -5, 9)) == pytest.approx(wanted, rel=2e-2)


def test_a_void_is_a_shell_of_its_own_and_both_are_closed():
    writer, wanted_area, _ = shapes.hollow_box()
    shape = read(writer)
    assert shape.closed
    assert area(shape.triangles) == pytest.approx(wanted_area, rel=1e-3)
    # the kernel turns each shell outwards on its own
    assert volume(shape.triangles) == pytest.approx(64 + 4 / 3 * math.pi, rel=1e-3)


def test_all_lumps_of_a_body_are_read():
    writer = Writer()
    for x in (0, 10, 20):
        writer.solid(writer.face(writer.ball((x, 0, 0), 1.0)))
    shape = read(writer)
    assert shape.closed
    assert volume(shape.triangles) == pytest.approx(3 * 4 / 3 * math.pi, rel=2e-3)


def test_stored_solids_of_another_program_are_read_to_the_last_face():
    found = []
    for text in (DATA / "solids_text_records.txt").read_text().split("\n\n"):
        shape = shape_of_records(text_records(text.splitlines()), Grain(1e-2, 1e-6), "3DSOLID", "")
        assert shape.unread is None
        assert shape.closed
        found.append(volume(shape.triangles))
    ring = 2 * math.pi**2 * 32 * 10**2
    # a quarter ring of radii 5 and 2, and a quarter cylinder of radius and height 5, taken off a cube of 10
    wanted = [ring, ring, 875.0, 962.0271604938, 1000 - math.pi / 4 * 125, 1000 - math.pi**2 / 2 * 5 * 4]
    assert found[:6] == pytest.approx(wanted, rel=2e-3)
    assert found[6] == pytest.approx(math.pi / 3 * 0.25**2, rel=0.1)  # a cone of 0.25 at a tolerance of 0.01


def test_a_surface_that_is_not_read_is_counted_and_bounded():
    writer, _, _ = shapes.cylinder()
    number = next(k for k, r in enumerate(writer.records) if r[0] == "cone-surface")
    writer.records[number][0] = "meshsurf-surface"
    shape = read(writer)
    assert not shape.closed
    assert shape.unread.startswith("1 of its 3 faces is not read (1 on a meshsurf-surface)")
    assert len(shape.triangles) > 0


def test_a_damaged_wall_is_held_by_its_box():
    writer, _, _ = shapes.cylinder()
    number = next(k for k, r in enumerate(writer.records) if r[0] == "cone-surface")
    writer.records[number][1] = (0.0, 0.2, 0.0)  # the axis is moved: the rims are no longer on it
    shape = read(writer)
    assert "1 with edges off its surface" in shape.unread
    np.testing.assert_allclose([shape.hull.min(axis=0)[:2], shape.hull.max(axis=0)[:2]], [[-1, -1], [1, 1]], atol=1e-9)


def test_a_curve_whose_points_are_not_stored_is_unread():
    writer, _, _ = shapes.drilled_bar()
    for record in writer.records:
        if record[0] == "intcurve-curve":
            record[2:-2] = ["{", "lawintcur", "none", "}"]
    shape = read(writer)
    assert "2 with a curve or surface whose points are not stored" in shape.unread
    assert len(shape.triangles) > 0


def test_a_referenced_curve_is_read_where_it_was_written_first():
    writer, _, wanted = shapes.drilled_bar()
    curve = next(r for r in writer.records if r[0] == "intcurve-curve")
    writer.add(*curve)  # the same once more, in braces that come later
    curve[2:-2] = ["{", "ref", 1, "}"]  # braces: 0 is the other rim, 1 the copy
    shape = read(writer)
    assert shape.unread is None
    assert volume(shape.triangles) == pytest.approx(wanted, rel=1e-3)


def test_faces_out_of_reach_are_counted():
    writer, _, _ = shapes.drilled_box()
    shell = next(r for r in writer.records if r[0] == "shell")
    writer.records[shell[3]][1] = type(shell[3])(-1)  # the first face has no next
    shape = read(writer)
    assert "6 out of reach" in shape.unread
    assert shape.hull is None


@pytest.mark.parametrize("name", ["elbow", "box with a round hole"])
def test_no_record_is_missing_without_a_word(name):
    writer = shapes.elbow()[0].transform(np.eye(3)) if name == "elbow" else SHAPES[name][0]
    lines = writer.text(numbered=True)
    coarse = Grain(5e-2, 1e-6)
    assert shape_of_records(text_records(lines), coarse, "", "").unread is None
    for number in range(3, len(lines) - 1):
        assert shape_of_records(text_records(lines[:number] + lines[number + 1 :]), coarse, "", "").unread


def test_wires_beside_faces_are_named():
    writer, _, _ = shapes.ball()
    writer.records[writer.body][2] = writer.add("wire")
    assert read(writer).unread.startswith("1 of its parts is a wire, not read")


@pytest.mark.parametrize("text", [[], [""], ["700"], ["700 0 1 0", "x", "1 1 1"], ["abc"], ["700 0", "", "", "face #"]])
def test_records_of_nothing_are_refused_or_unread(text):
    try:
        shape = shape_of_records(text_records(text), FINE, "BODY", "")
    except DamagedError:
        return
    assert shape.unread
    assert not len(shape.triangles)


class _Entity:
    """As the DXF library hands it over."""

    class dxf:  # noqa: N801
        handle = "1A"

    def __init__(self, sat=(), sab=None):
        self.sat, self.sab, self.has_binary_data = sat, sab, sab is not None

    def dxftype(self):
        return "3DSOLID"


HOSTILE = [
    "nan", "inf", "-inf", "1e308", "$0", "$-1", "$9999999", "#", "{", "}", "-5", "0", "1e-300", "forward", "@9999",
    "99999999", "$x", "-99999999",
]  # fmt: skip


@pytest.mark.parametrize(
    "name", ["elbow", "cylinder with a seam", "eighth of a ball of splines", "box with a round hole"]
)
def test_damaged_records_end_in_time_and_without_a_traceback(name):
    chance = random.Random(name)
    writer = SHAPES[name][0]
    coarse = Grain(5e-2, 1e-6)
    words = " \n".join(writer.text()).split(" ")
    data = writer.binary()
    began = time.process_time()
    for _ in range(60):
        damaged = list(words)
        for _ in range(chance.choice([1, 2, 8])):
            damaged[chance.randrange(4, len(words))] = chance.choice([*HOSTILE, chance.choice(words)])
        shape_of_body(_Entity(" ".join(damaged).split("\n")), coarse)
        raw = bytearray(data)
        for _ in range(chance.choice([1, 2, 8])):
            raw[chance.randrange(16, len(raw))] = chance.randrange(256)
        shape_of_body(_Entity(sab=bytes(raw)), coarse)
    assert time.process_time() - began < 60.0


@pytest.mark.parametrize("part", range(1, 50, 4))
def test_a_solid_that_was_cut_off_is_never_silently_smaller(part):
    writer = SHAPES["elbow"][0]
    text, data = "\n".join(writer.text()), writer.binary()
    for entity in (
        _Entity(text[: len(text) * part // 50].splitlines()),
        _Entity(sab=data[: len(data) * part // 50]),
    ):
        assert shape_of_body(entity, FINE).unread


def test_loops_that_run_in_a_circle_end():
    writer, _, _ = shapes.cylinder()
    loop = next(k for k, r in enumerate(writer.records) if r[0] == "loop")
    writer.records[loop][1] = type(writer.body)(loop)  # its own next
    face = next(k for k, r in enumerate(writer.records) if r[0] == "face")
    writer.records[face][1] = type(writer.body)(face)
    assert read(writer).unread
