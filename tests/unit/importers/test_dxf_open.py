"""Files that are whole, damaged, cut off, or something else; and what they say about their unit."""

import gzip
import hashlib

import ezdxf
import pytest

from importers.drawing_units import metres_per_unit, unit_note
from importers.dxf import read_model
from importers.dxf_open import open_dxf
from route3d.errors import UnknownUnitError, UnreadableFileError


def read(path, units="m"):
    return read_model(
        path, name="d", role_of=lambda *_: "obstacle", units=units, move_m=(0, 0, 0), chord_tolerance_m=1e-3
    )


@pytest.fixture
def drawing(tmp_path):
    doc = ezdxf.new("R2000", units=4)
    block = doc.blocks.new("B")
    block.add_3dface([(0, 0), (1, 0), (1, 1)])
    for i in range(30):
        doc.modelspace().add_3dface([(i, 0), (i + 0.5, 0), (i, 0.5)])
    doc.modelspace().add_polyline3d([(0, 0), (1, 1), (2, 2)])
    doc.modelspace().add_blockref("B", (0, 9))
    path = tmp_path / "whole.dxf"
    doc.saveas(path)
    return path


def test_a_whole_file_has_no_notes(drawing):
    opened = open_dxf(drawing)
    assert (opened.notes, opened.recovered, opened.truncated, opened.lost) == ((), False, False, None)
    assert opened.sha256 == hashlib.sha256(drawing.read_bytes()).hexdigest()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "0 bytes"),
        (gzip.compress(b"  0\nSECTION\n", mtime=0), "gzip"),
        (b"PK\x03\x04rest", "zip"),
        (b"AC1027\x00\x00", "DWG"),
        (b"ISO-10303-21;\nHEADER;", "STEP or IFC"),
        (b"hello, world\n" * 20, "not a DXF"),
        (bytes(range(256)) * 8, "not a DXF"),
        (b"  0\nSECTION\n  2\nENTITIES\n  0\nENDSEC\n  0\nEOF\n", "no entities"),
    ],
)
def test_other_files_are_refused_in_one_sentence(tmp_path, content, says):
    path = tmp_path / "other.dxf"
    path.write_bytes(content)
    with pytest.raises(UnreadableFileError, match=says) as caught:
        open_dxf(path)
    assert "\n" not in str(caught.value)


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    for path in (tmp_path / "gone.dxf", tmp_path):
        with pytest.raises(UnreadableFileError):
            open_dxf(path)


def test_a_byte_order_mark_does_no_harm(drawing):
    drawing.write_bytes(b"\xef\xbb\xbf" + drawing.read_bytes())
    assert len(read(drawing).elements) == 31


def test_a_file_cut_in_its_entities_is_read_as_far_as_it_goes_and_says_so(drawing):
    raw = drawing.read_bytes()
    start = raw.rindex(b"ENTITIES")
    drawing.write_bytes(raw[: start + (raw.rindex(b"OBJECTS") - start) // 2])
    result = read(drawing)
    assert 10 <= len(result.elements) < 30
    assert result.unread[0].box_m is None
    assert "rest is missing" in result.unread[0].reason
    assert "ends in the middle" in result.source.notes[0]


def test_every_truncation_is_an_input_error_or_is_named(drawing, tmp_path):
    raw = drawing.read_bytes()
    path = tmp_path / "cut.dxf"
    whole = len(read(drawing).elements)
    for number in range(1, 60):
        path.write_bytes(raw[: len(raw) * number // 60])
        try:
            result = read(path)
        except UnreadableFileError:
            continue
        assert len(result.elements) == whole or any(row.box_m is None for row in result.unread)


STRAY = b"  0\nLINE\n  5\nFFF\n  8\n0\n 10\n0.0\n 20\n0.0\n 30\n0.0\n 11\n1.0\n 21\n0.0\n 31\n0.0\n"


def test_entities_outside_every_section_which_the_library_drops_are_counted(drawing):
    raw = drawing.read_bytes()
    objects = b"  0\nSECTION\n  2\nOBJECTS"
    drawing.write_bytes(raw.replace(objects, STRAY + objects))
    assert "1 LINE" in open_dxf(drawing).lost
    assert read(drawing).unread[0].kind == "FILE"


def test_a_section_of_a_misspelt_name_does_not_vanish(drawing):
    raw = drawing.read_bytes()
    objects = b"  0\nSECTION\n  2\nOBJECTS"
    section = b"  0\nSECTION\n  2\nENTITIEZ\n" + STRAY + b"  0\nENDSEC\n"
    drawing.write_bytes(raw.replace(objects, section + objects))
    assert "1 LINE" in open_dxf(drawing).lost


def test_units_come_from_the_file_unless_the_project_states_them(drawing):
    doc = open_dxf(drawing).doc
    assert metres_per_unit(doc, None, "f") == (0.001, "mm")
    assert metres_per_unit(doc, "in", "f") == (0.0254, "in")
    assert unit_note(doc, "mm") is None
    assert "states the unit mm, the project states in" in unit_note(doc, "in")


@pytest.mark.parametrize("code", [0, 3, 7])
def test_a_unit_that_nobody_states_is_an_error(code):
    doc = ezdxf.new(units=code)
    with pytest.raises(UnknownUnitError, match=r'units = "mm"'):
        metres_per_unit(doc, None, "f")


def test_a_unit_that_is_not_known_is_an_error():
    with pytest.raises(UnknownUnitError, match="furlong"):
        metres_per_unit(ezdxf.new(), "furlong", "f")
