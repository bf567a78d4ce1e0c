"""Bytes that are no text in a drawing's encoding reach results and reports as readable escapes."""

import json
from pathlib import Path

import ezdxf

from importers.plain_text import with_writable_text, writable
from route3d.model.building import Unread
from tests.scratch_project import call

PROJECT = """
[[routes]]
file = "r.dxf"
[routes.cables]
"*" = "mc"
[cable.mc]
method = "mc-interlocked"
sheath_diameter = 12
"""


def test_plain_and_foreign_text_stays_as_it_is() -> None:
    for text in ("E-CABL", "Überhang 水", ""):
        assert writable(text) == text


def test_what_needs_no_change_is_the_same_record() -> None:
    record = Unread("a.dxf", "2F", "LÄYER", "LINE", "why", ((0.0, 0.0, 0.0), (1.0, 1.0, 1.0)))
    assert with_writable_text(record) is record


def test_lone_surrogates_of_any_kind_can_be_written() -> None:
    writable("\ud800 \udcff \udfff").encode("utf-8")


def test_a_layer_with_undecodable_bytes_is_checked_and_written(tmp_path: Path) -> None:
    doc = ezdxf.new("R2010", units=4)
    doc.modelspace().add_polyline3d([(0, 0, 3000), (1000, 0, 3000)], dxfattribs={"layer": "E-CABLX"})
    doc.saveas(tmp_path / "r.dxf")
    raw = (tmp_path / "r.dxf").read_bytes().replace(b"E-CABLX", b"E-CAB\xff\xfe")
    (tmp_path / "r.dxf").write_bytes(raw)
    (tmp_path / "route3d.toml").write_text(
        PROJECT,
        encoding="utf-8",
    )
    status, output = call("check", str(tmp_path), "--json", str(tmp_path / "r.json"))
    assert "fault" not in output and status in (0, 3)
    assert json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["runs"][0]["id"].startswith("E-CAB\\xff\\xfe/")
