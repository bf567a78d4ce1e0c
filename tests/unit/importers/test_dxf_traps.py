"""Drawings as damaged or hostile programs write them: what is not read is said, and nothing is made up."""

import time

import numpy as np
import pytest

from importers.dxf import read_model
from importers.dxf_open import open_dxf
from importers.dxf_routes import read_routes
from importers.dxf_tokens import tokenise
from route3d.errors import UnknownUnitError, UnreadableFileError


def section(name, *tags):
    return "".join(f"{code:>3}\n{value}\n" for code, value in [(0, "SECTION"), (2, name), *tags, (0, "ENDSEC")])


def entity(kind, marker, *tags, handle="A1"):
    return [(0, kind), (5, handle), (100, "AcDbEntity"), (8, "0"), (100, marker), *tags]


def face(x=1, handle="A1"):
    corners = [(0, 0, 0), (x, 0, 0), (1, 1, 0)]
    return entity(
        "3DFACE", "AcDbFace", *((10 * axis + 10 + n, v) for n, at in enumerate(corners) for axis, v in enumerate(at)),
        handle=handle,
    )  # fmt: skip


def faces(count, odd=lambda n: 1):
    return [tag for n in range(count) for tag in face(odd(n), f"{n + 256:X}")]


@pytest.fixture
def written(tmp_path):
    def write(*tags, header=((9, "$ACADVER"), (1, "AC1015"), (9, "$INSUNITS"), (70, 4)), blocks=()):
        path = tmp_path / "d.dxf"
        head = section("HEADER", *header) if header else ""
        path.write_text(head + section("BLOCKS", *blocks) + section("ENTITIES", *tags) + "  0\nEOF\n")
        return path

    return write


def read(path, units="mm", role="duct"):
    return read_model(path, name="d", role_of=lambda *_: role, units=units, move_m=(0, 0, 0), chord_tolerance_m=1e-4)


@pytest.mark.parametrize("header", [(), ((9, "$ACADVER"), (1, "AC1015"))])
@pytest.mark.parametrize("count", [1, 600])
def test_a_file_that_states_no_unit_is_not_read_in_the_library_s(written, header, count):
    path = written(*faces(count), header=header)
    with pytest.raises(UnknownUnitError):
        read(path, None)
    with pytest.raises(UnknownUnitError):
        read_routes(path, name="d", wanted=lambda _: True, units=None)


@pytest.mark.parametrize("count", [3, 600])
def test_decimal_commas_do_not_become_whole_numbers(written, count):
    with pytest.raises(UnreadableFileError, match=r"decimal comma \('1,5' near line \d+\)"):
        read(written(*faces(count, lambda n: "1,5")))


def test_a_number_that_is_guessed_in_a_repair_is_said(written):
    found = read(written(*face("1x5"), *face(handle="A2")))
    assert found.unread[0].box_m is None
    assert "1 of its numbers cannot be read and were guessed (first '1x5' near line" in found.unread[0].reason


@pytest.mark.parametrize("count", [6, 600])
@pytest.mark.parametrize("word", ["nan", "inf", "-inf", "1e999"])
def test_what_is_no_number_is_unread_and_the_rest_is_read(written, count, word):
    found = read(written(*faces(count, lambda n: word if n == 2 else 1 + n % 2)))
    assert [(row.handle, row.reason.split(":")[0]) for row in found.unread] == [("102", "its corners are no numbers")]
    assert found.source.triangles == count - 1


MILLIARD = 1_000_000_000
CLAIMS = {
    "mesh": entity(
        "MESH", "AcDbSubDMesh", (71, 2), (72, 0), (91, 0), (92, MILLIARD), (10, 0), (20, 0), (30, 0),
        (93, 4), (90, MILLIARD), (90, 0), (94, MILLIARD), (95, 0),
    ),
    "grid": [
        *entity(
            "POLYLINE", "AcDbPolygonMesh", (66, 1), (10, 0), (20, 0), (30, 0), (70, 16), (71, MILLIARD), (72, MILLIARD)
        ),
        *entity("VERTEX", "AcDbVertex", (10, 0), (20, 0), (30, 0), (70, 64), handle="A2"),
        *entity("SEQEND", "AcDbEntity", handle="A3"),
    ],
    "curve": entity(
        "SPLINE", "AcDbSpline", (70, 8), (71, MILLIARD), (72, MILLIARD), (73, MILLIARD), (74, 0), (40, 0), (40, 1),
        (10, 0), (20, 0), (30, 0), (10, 1), (20, 0), (30, 0),
    ),
    "arc": entity("ARC", "AcDbCircle", (10, 0), (20, 0), (30, 0), (40, "1e300"), (100, "AcDbArc"), (50, 0), (51, 90)),
    "ellipse": entity(
        "ELLIPSE", "AcDbEllipse", (10, 0), (20, 0), (30, 0), (11, "1e12"), (21, 0), (31, 0), (40, "1e-9"), (41, 0),
        (42, "1e9"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("claim", CLAIMS)
def test_claims_of_a_milliard_are_unread_at_once(written, claim):
    path = written(*CLAIMS[claim])
    start = time.process_time()
    assert len(read(path).unread) == 1
    read_routes(path, name="d", wanted=lambda _: True, units="mm")
    assert time.process_time() - start < 2.0


def block(number, *content):
    return [
        *entity(
            "BLOCK", "AcDbBlockBegin", (2, f"B{number}"), (70, 0), (10, 0), (20, 0), (30, 0), handle=f"B{number:X}0"
        ),
        *content,
        *entity("ENDBLK", "AcDbBlockEnd", handle=f"B{number:X}F"),
    ]


def insert(number, handle, *more):
    return entity("INSERT", "AcDbBlockReference", (2, f"B{number}"), (10, 0), (20, 0), (30, 0), *more, handle=handle)


LINE = entity("LINE", "AcDbLine", (10, 0), (20, 0), (30, 0), (11, 1), (21, 0), (31, 0))


@pytest.mark.parametrize("levels", [24, 60])
def test_blocks_that_double_many_times_are_bounded_for_runs_too(written, levels):
    blocks = [
        tag for n in range(levels) for tag in block(n, *(LINE if n == 0 else insert(n - 1, "C1") + insert(n - 1, "C2")))
    ]
    path = written(*insert(levels - 1, "D1"), blocks=blocks)
    start = time.process_time()
    found = read_routes(path, name="d", wanted=lambda _: True, units="mm")
    assert time.process_time() - start < 10.0
    assert any("blocks with runs" in row.reason or "nested more than" in row.reason for row in found.unread)
    assert any("more than 1000000 entities" in row.reason for row in read(path).unread)


def test_deep_nests_are_read_as_geometry_and_named_as_runs(written):
    blocks = [tag for n in range(400) for tag in block(n, *(face() if n == 0 else insert(n - 1, "C1")))]
    path = written(*insert(399, "D1"), blocks=blocks)
    assert len(read(path).elements) == 1
    found = read_routes(path, name="d", wanted=lambda _: True, units="mm")
    assert "nested more than 60 deep" in found.unread[0].reason


def test_a_large_array_of_runs_is_unread(written):
    path = written(*insert(0, "D1", (70, 30000), (71, 30000), (44, 1), (45, 1)), blocks=block(0, *LINE))
    assert "array of 30000 by 30000" in read_routes(path, name="d", wanted=lambda _: True, units="mm").unread[0].reason


def test_solids_outside_of_the_stated_extents_are_in_the_model(written):
    header = [
        (9, "$ACADVER"),
        (1, "AC1015"),
        (9, "$EXTMIN"),
        (10, 0),
        (20, 0),
        (30, 0),
        (9, "$EXTMAX"),
        (10, 1),
        (20, 1),
        (30, 1),
    ]
    found = read(written(*face(5000), header=header))
    assert found.layers[0].box_m[1][0] == 5.0


def test_meshes_on_layers_of_runs_are_named_one_by_one(written):
    found = read_routes(written(*faces(600)), name="d", wanted=lambda _: True, units="mm")
    assert len(found.unread) == 600
    assert not open_dxf(written(*faces(600))).bulk
    assert open_dxf(written(*faces(600)), in_bulk=True).bulk


def test_tokens_are_the_doubles_that_float_makes():
    rnd = np.random.default_rng(1)
    words = [repr(float(v)) for v in rnd.normal(size=2000) * 10.0 ** rnd.integers(-300, 300, 2000)]
    words += ["0.1", "-.5", "7.", "+3", "  2.5", "4e0 ", "1E+05", "9007199254740993", "0.30000000000000004", "5e-324"]
    tokens = tokenise("".join(f" 10\n{word}\n" for word in words).encode() + b"  0\nEOF\n")
    values, good = tokens.floats(np.arange(len(words)))
    assert good.all()
    assert values.tolist() == [float(word) for word in words]


@pytest.mark.parametrize("word", ["1_0", "nan", "infinity", "1,5", "0x1", "", "1e", "--1", "1 2", "1" * 60])
def test_tokens_doubt_what_is_no_plain_number(word):
    _, good = tokenise(f" 10\n{word}\n 20\n1.5\n  0\nEOF\n".encode()).floats(np.arange(2))
    assert good.tolist() == [False, True]


@pytest.mark.parametrize(
    "text", ["", "10\n", "x\n1\n  0\nEOF\n", " 10\r1\n 20\n2\n  0\nEOF\n", "1 0\n1\n  0\nEOF\n", "10 \n1\n  0\nEOF\n",
             "99999\n1\n  0\nEOF\n", "  0\nSECTION\n", "\n1\n  0\nEOF\n", "-10\n1\n  0\nEOF\n"]
)  # fmt: skip
def test_a_text_that_readers_could_take_otherwise_has_no_tokens(text):
    assert tokenise(text.encode()) is None


def test_a_kind_written_in_bytes_of_no_encoding_is_unread(written):
    path = written(
        *faces(2), *entity("MARKER", "AcDbMarker"), header=((9, "$ACADVER"), (1, "AC1027"), (9, "$INSUNITS"), (70, 4))
    )
    path.write_bytes(path.read_bytes().replace(b"\nMARKER\n", b"\nMARK\xc0R\n"))
    drawing = read(path)
    assert sum(len(e.triangles_m) for e in drawing.elements) == 2
    assert len(drawing.unread) == 1
