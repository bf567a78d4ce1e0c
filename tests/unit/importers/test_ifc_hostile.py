"""Files that are damaged, of another kind, or traps: one sentence or a row, never a dead program."""

import time
import zipfile

import numpy as np
import pytest

pytest.importorskip("ifcopenshell")

from importers import ifc_open, ifc_process
from importers.ifc import read_model
from route3d.errors import InputError, UnreadableFileError
from tests.ifc_building import IfcBuilding


def building():
    made = IfcBuilding(unit="mm")
    for number in range(6):
        wall = made.box("IfcWall", f"wall {number}", (0, 3 * number, 0), (4, 3 * number + 0.2, 3), storey="Level 1")
        made.opening(wall, (1, 3 * number - 0.1, 0), (2, 3 * number + 0.3, 2))
    return made


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    return building().write(tmp_path_factory.mktemp("ifc") / "whole.ifc").read_bytes()


def read(path, **more):
    asked = {"name": path.name, "role_of": lambda *_: "obstacle", "units": None, "move_m": (0.0, 0.0, 0.0)}
    return read_model(path, **asked, chord_tolerance_m=1e-4, **more)


def sentence_or_drawing(path, **more):
    try:
        return read(path, **more), None
    except InputError as error:
        return None, str(error)


def written(folder, content, name="b.ifc"):
    path = folder / name
    path.write_bytes(content)
    return path


@pytest.mark.parametrize("part", range(20))
def test_a_truncated_file_is_refused_or_says_that_it_is_not_whole(tmp_path, whole, part):
    path = written(tmp_path, whole[: len(whole) * part // 20])
    drawing, said = sentence_or_drawing(path)
    if drawing is None:
        assert said and "\n" not in said
    else:
        assert any(row.kind == "FILE" and row.box_m is None for row in drawing.unread)


def test_flipped_bytes_end_in_a_sentence_or_in_rows(tmp_path, whole):
    random = np.random.default_rng(7)
    start = whole.index(b"DATA;")
    for number in range(6):
        content = bytearray(whole)
        for at in random.integers(start, len(content), 12):
            content[at] ^= 1 << int(random.integers(0, 8))
        drawing, said = sentence_or_drawing(written(tmp_path, bytes(content), f"{number}.ifc"), element_seconds=10.0)
        if drawing is None:
            assert said and "\n" not in said
        else:
            assert len(drawing.elements) + len(drawing.unread) > 0


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"hello", "is not an IFC file"),
        (b"<?xml version='1.0'?><ifcXML/>", "XML"),
        (b"\x1f\x8b\x08\x00", "gzip"),
        (b"ISO-10303-21;\nHEADER;\nENDSEC;\nDATA;\nENDSEC;\nEND-ISO-10303-21;\n", "states no schema"),
    ],
)
def test_other_files_are_named(tmp_path, content, says):
    with pytest.raises(UnreadableFileError, match=says):
        read(written(tmp_path, content))


@pytest.mark.parametrize("schema", [b"IFC4X3_RC1", b"IFC4X1", b"IFC4X2", b"IFC2X2_FINAL", b"IFC5", b"AP214"])
def test_draft_schemas_are_refused_in_one_sentence(tmp_path, whole, schema):
    with pytest.raises(UnreadableFileError, match="draft or not known"):
        read(written(tmp_path, whole.replace(b"'IFC4'", b"'" + schema + b"'")))


def test_a_published_addendum_is_read_and_said(tmp_path, whole):
    drawing = read(written(tmp_path, whole.replace(b"'IFC4'", b"'IFC4_ADD2'")))
    assert len(drawing.elements) == 6 and any("IFC4_ADD2" in note for note in drawing.source.notes)


def test_a_zipped_file_reads_like_the_plain_one(tmp_path, whole):
    path = tmp_path / "b.ifczip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("../../outside.ifc", whole)
    assert len(read(path).elements) == 6
    assert not (tmp_path.parent.parent / "outside.ifc").exists()


@pytest.mark.parametrize("names", [(), ("a.ifc", "b.ifc"), ("a.txt",)])
def test_an_archive_holds_one_file(tmp_path, whole, names):
    path = tmp_path / "b.ifczip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("readme.md", b"")
        for name in names:
            archive.writestr(name, whole)
    with pytest.raises(UnreadableFileError, match="IFC files, not one"):
        read(path)


def test_a_zip_bomb_is_refused_before_it_is_unpacked(tmp_path):
    path = tmp_path / "b.ifczip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("b.ifc", b"\x00" * 30_000_000)
    with pytest.raises(UnreadableFileError, match="no building"):
        read(path)


def test_a_zip_that_lies_about_its_size_is_cut_off(tmp_path, monkeypatch, whole):
    path = tmp_path / "b.ifczip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("b.ifc", whole)
    monkeypatch.setattr(ifc_open, "UNPACKED_MAX", 1000)
    with pytest.raises(UnreadableFileError, match="no building"):
        read(path)
    path.write_bytes(path.read_bytes()[:300])
    with pytest.raises(UnreadableFileError, match="damaged archive"):
        read(path)


def misbehaving(monkeypatch, what):
    """Make the child do something at the elements whose name ends in 3; the box of the uncut shape still works."""
    start = ifc_process._START.replace(
        "main()\n",
        "import importers.ifc_child as child, os, time\n"
        "plain = child._Maker.make\n"
        "def make(self, number, whole):\n"
        f"    if self._ifc.by_id(number).Name.endswith('3') and not whole: {what}\n"
        "    return plain(self, number, whole)\n"
        "child._Maker.make = make\n"
        "main()\n",
    )
    monkeypatch.setattr(ifc_process, "_START", start)


def test_an_element_that_crashes_the_library_is_one_row(tmp_path, monkeypatch, whole):
    misbehaving(monkeypatch, "os.abort()")
    drawing = read(written(tmp_path, whole))
    (row,) = drawing.unread
    assert len(drawing.elements) == 5 and "crashes" in row.reason and "wall 3" in row.reason
    np.testing.assert_allclose(row.box_m, [[0, 9, 0], [4, 9.2, 3]], atol=1e-9)
    assert not drawing.repeatable


def test_an_element_that_never_ends_is_one_row(tmp_path, monkeypatch, whole):
    misbehaving(monkeypatch, "time.sleep(600)")
    began = time.monotonic()
    drawing = read(written(tmp_path, whole), element_seconds=1.5)
    (row,) = drawing.unread
    assert len(drawing.elements) == 5 and "longer than 1.5 s" in row.reason
    np.testing.assert_allclose(row.box_m, [[0, 9, 0], [4, 9.2, 3]], atol=1e-9)
    assert time.monotonic() - began < 60.0


def test_a_crash_while_opening_is_one_sentence(tmp_path, monkeypatch, whole):
    monkeypatch.setattr(ifc_process, "_START", "import os; os.abort()")
    with pytest.raises(UnreadableFileError, match="crashed while opening"):
        read(written(tmp_path, whole))


def test_entities_that_the_library_drops_are_counted(tmp_path, whole):
    repeated = whole.replace(b"DATA;\n", b"DATA;\n#2=IFCDIRECTION((0.,0.,1.));\n", 1)
    drawing = read(written(tmp_path, repeated))
    assert any("entities are lost" in row.reason for row in drawing.unread)


def test_stopping_half_way_ends_the_children(tmp_path, monkeypatch, whole):
    ended = []
    plain = ifc_process.Child.end
    monkeypatch.setattr(ifc_process.Child, "end", lambda self: (ended.append(self), plain(self)))
    path = written(tmp_path, whole)
    child, facts = ifc_process.opened(path, "b.ifc", facts=True)
    numbers = [p["id"] for p in facts["products"] if p["shape"]]
    shapes = ifc_process.shapes(path, "b.ifc", 1e-4, numbers, child)
    next(shapes)
    shapes.close()
    assert ended == [child]
