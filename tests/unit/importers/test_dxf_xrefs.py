"""Drawings that are attached to others, and blocks that go by another name than their own."""

import hashlib

import ezdxf
import numpy as np
import pytest
from ezdxf import xref

from importers.dxf import read_model

FACE = [(0, 0, 0), (1, 0, 0), (1, 2, 0), (0, 2, 0)]


@pytest.fixture
def folder(tmp_path):
    """A project's folder with a drawing in a folder of its own, which tests attach others to."""
    (tmp_path / "dwg").mkdir()
    return tmp_path


def drawing(path, units=4, layer="S-BEAM", base=(0, 0, 0)):
    doc = ezdxf.new("R2000", units=units)
    doc.modelspace().add_3dface(FACE, dxfattribs={"layer": layer})
    doc.header["$INSBASE"] = base
    doc.saveas(path)
    return path


def host(folder, filename, units=4, **how):
    doc = ezdxf.new("R2000", units=units)
    xref.attach(doc, block_name="X", filename=filename, **how)
    path = folder / "dwg" / "host.dxf"
    doc.saveas(path)
    return path


def read(path, units=None, roles=None):
    return read_model(
        path, name="dwg/host.dxf", role_of=roles or (lambda *_: "structure"), units=units, move_m=(0, 0, 0),
        chord_tolerance_m=1e-4,
    )  # fmt: skip


@pytest.mark.parametrize("written", ["frame.dxf", ".\\frame.dxf", "../dwg/frame.dxf", "..\\dwg\\frame.dwg"])
def test_an_attached_drawing_is_read_where_its_reference_puts_it(folder, written):
    other = drawing(folder / "dwg" / "frame.dxf", base=(0.5, 0, 0))
    found = read(host(folder, written, insert=(10, 20, 30), rotation=90))
    (element,) = found.elements
    assert (element.layer, element.role) == ("S-BEAM", "structure")
    # its base point goes to the insertion point
    np.testing.assert_allclose(element.box_m, np.array([[8, 19.5, 30], [10, 20.5, 30]]) / 1000, atol=1e-12)
    assert not found.unread
    assert found.depends == (("frame.dxf", hashlib.sha256(other.read_bytes()).hexdigest()),)
    assert any("in place" in n or "read from frame.dxf" in n for n in found.source.notes) == written.endswith("dwg")


def test_a_drawing_in_another_unit_must_be_scaled_by_its_reference(folder):
    drawing(folder / "dwg" / "frame.dxf", units=1)
    (element,) = read(host(folder, "frame.dxf", scale=25.4)).elements
    np.testing.assert_allclose(element.box_m[1], [0.0254, 0.0508, 0], atol=1e-12)
    found = read(host(folder, "frame.dxf"))
    assert not found.elements
    assert "drawn in in, this one in mm, and it is not scaled by 25.4" in found.unread[0].reason


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("C:\\jobs\\frame.dxf", "path that is not relative"),
        ("/etc/frame.dxf", "path that is not relative"),
        ("\\\\server\\frame.dxf", "path that is not relative"),
        ("../../frame.dxf", "outside of the project's folder"),
        ("gone.dxf", "not there"),
        ("", "not relative"),
        ("host.dxf", "attaches this one"),
    ],
)
def test_what_cannot_be_attached_is_unread_with_its_path(folder, written, says):
    (folder.parent / "frame.dxf").unlink(missing_ok=True)
    found = read(host(folder, written))
    (row,) = found.unread
    assert row.kind == "INSERT"
    assert says in row.reason
    assert written[-9:] in row.reason.replace("\\\\", "\\")


def test_a_damaged_attachment_is_unread_and_looked_at_again_when_it_changes(folder):
    (folder / "dwg" / "frame.dxf").write_bytes(b"no drawing")
    found = read(host(folder, "frame.dxf"))
    assert "is not a DXF file" in found.unread[0].reason
    assert found.depends == (("frame.dxf", hashlib.sha256(b"no drawing").hexdigest()),)


def test_drawings_that_attach_each_other_end(folder):
    for name, other in (("a", "b"), ("b", "c"), ("c", "a")):
        doc = ezdxf.new("R2000", units=4)
        doc.modelspace().add_3dface(FACE)
        xref.attach(doc, block_name="X", filename=f"{other}.dxf")
        doc.saveas(folder / "dwg" / f"{name}.dxf")
    found = read(host(folder, "a.dxf"))
    assert len(found.elements) == 3
    assert [("attaches this one" in row.reason, row.handle.count("/")) for row in found.unread] == [(True, 3)]
    assert [name for name, _ in found.depends] == ["a.dxf", "b.dxf", "c.dxf"]


def test_many_drawings_that_attach_each_other_crosswise_are_bounded(folder):
    names = [f"n{i}" for i in range(9)]
    for level, name in enumerate(names):
        doc = ezdxf.new("R2000", units=4)
        doc.modelspace().add_3dface(FACE)
        for n, other in enumerate(names[level + 1 :]):
            xref.attach(doc, block_name=f"X{n}", filename=f"{other}.dxf")
        doc.saveas(folder / "dwg" / f"{name}.dxf")
    found = read(host(folder, "n0.dxf"))
    assert len(found.elements) + len(found.unread) >= 256


def blocks_with_changeable_parts():
    doc = ezdxf.new("R2010", units=4)
    doc.appids.add("AcDbBlockRepBTag")
    plain, shown = doc.blocks.new("BOX-4X4"), doc.blocks.new("*U7")
    plain.add_line((0, 0), (1, 0))
    shown.add_3dface(FACE)
    shown.block_record.set_xdata("AcDbBlockRepBTag", [(1070, 1), (1005, plain.block_record.dxf.handle)])
    doc.modelspace().add_blockref("*U7", (0, 0))
    doc.modelspace().add_blockref("*U7", (9, 0), dxfattribs={"layer": "E-LITE"})
    return doc


def test_a_block_with_changeable_parts_goes_by_the_name_it_was_drawn_under(read_dxf):
    drawing = read_dxf(blocks_with_changeable_parts(), roles={"BOX-4X4": "box"})
    assert [(e.kind, e.role) for e in drawing.elements] == [("INSERT", "box")] * 2


def test_only_small_things_go_by_the_name_of_their_block(read_dxf):
    drawing = read_dxf(blocks_with_changeable_parts(), roles={"BOX-4X4": "framing"})
    assert {e.role for e in drawing.elements} == {"obstacle"}
