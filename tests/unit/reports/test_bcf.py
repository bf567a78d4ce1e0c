"""BCF: valid by the standard's schemas, safe against what is in names, and nothing of others is ever lost."""

from __future__ import annotations

import io
import zipfile
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from lxml import etree

from route3d.errors import UnreadableFileError
from route3d.model.decision import Decision, Matter
from route3d.model.element import Element
from route3d.model.finding import CAUTION, Finding, Review
from route3d.model.sight import Sight
from route3d.model.topic import topic_guid
from route3d.reports.bcf_read import read_bcf
from route3d.reports.bcf_topic import VERSIONS, Topic, finding_topic, instant, remark_guid
from route3d.reports.bcf_write import write_bcf, write_onto
from route3d.reports.bcf_zip import package
from tests.builders import block

SCHEMAS = Path(__file__).parents[2] / "data" / "bcf"
HOSTILE = "../..\\C:\\x<b>&\"'\x00\x1b\u202e ]]> <!ENTITY 水 =1+1 \ud800"
SIGHT = Sight((1.0, 2.0, 3.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), 60.0, 1.5, (((1.0, 3.0, 3.0), (0.0, -1.0, 0.0)),))
PICTURE = b"\x89PNG\r\n\x1a\nnot really"
IFC = "0Abcdefghij$_123456789"


@cache
def schema(version: str, name: str) -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(str(SCHEMAS / version / f"{name}.xsd")))


def finding(number: int = 1, **more: object) -> Finding:
    made = Finding(
        "clash", "violation", "R1", "NEC 2023 300.4", "R1 overlaps a duct by 4.0 mm.", "Move R1 by 4.0 mm.",
        "b.ifc:9", (1.0, 1.2), (1.0, 2.0, 3.0), -0.004, 0.0, "m", finding_id=f"clash-{number:010x}", source="seen",
    )  # fmt: skip
    return replace(made, **more)  # type: ignore[arg-type]


def review(*findings: Finding, project: str = "made") -> Review:
    return Review(project, "nec-2023", "2026-01-31T10:00:00Z", (), findings, (), ())


DUCT = Element(
    "b.ifc:9", "duct", "IfcDuctSegment", "IfcDuctSegment", block((0, 0, 0), (1, 1, 1)), True, "b.ifc", guid=IFC
)
HISTORY = (
    Decision("2026-02-01T08:00:00Z", "A. Foreman", "accepted", "duct moves\nnext week", "B. Fitter", "2026-02-10"),
)
MATTER = Matter(
    1, finding(), "accepted", "found", "2026-01-01T00:00:00Z", None, "duct moves", "B. Fitter", "2026-02-10",
    "A. Foreman", False,
)  # fmt: skip


def topic(one: Finding | None = None, **more: object) -> Topic:
    one = finding() if one is None else one
    return finding_topic(review(one), one, **({"sight": SIGHT} | more))  # type: ignore[arg-type]


def full(picture: bool = True) -> Topic:
    return topic(element=DUCT, matter=MATTER, history=HISTORY, has_picture=picture)


def entries(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def assert_valid(path: Path, version: str) -> None:
    """Every part of the file is valid by the schema of its kind."""
    kinds = {"bcf.version": "version", "project.bcfp": "project", "extensions.xml": "extensions"}
    for name, data in entries(path).items():
        kind = kinds.get(name)
        kind = "markup" if name.endswith("markup.bcf") else "visinfo" if name.endswith(".bcfv") else kind
        if kind is not None:
            schema(version, kind).assertValid(etree.parse(io.BytesIO(data)))
        else:
            assert name.endswith(".png"), name


# --- writing ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("version", VERSIONS)
def test_every_part_is_valid_by_the_schemas_of_the_standard(tmp_path, version) -> None:
    rows = [(full(), PICTURE), (topic(finding(2)), None), (topic(finding(3, run=None, point_m=None), sight=None), None)]
    rows.append((topic(finding(4, run=HOSTILE, message=HOSTILE, other=HOSTILE, remedy="", rule=HOSTILE)), None))
    done = write_bcf(tmp_path / "a.bcf", rows, project=HOSTILE, version=version)
    assert (done.topics, done.pictures, done.placeless) == (4, 1, 1)
    assert_valid(tmp_path / "a.bcf", version)


@pytest.mark.parametrize("version", VERSIONS)
def test_a_topic_says_rule_numbers_remedy_and_caution_and_selects_the_element(tmp_path, version) -> None:
    write_bcf(tmp_path / "a.bcf", [(full(), PICTURE)], project="made", version=version)
    files = entries(tmp_path / "a.bcf")
    node = etree.fromstring(files[f"{full().guid}/markup.bcf"]).find("Topic")
    said = node.findtext("Description")
    for words in ("NEC 2023 300.4", "-0.004 m", "Move R1 by 4.0 mm.", CAUTION, "clash-0000000001"):
        assert words in said
    assert node.get("TopicStatus") == "Accepted" and node.findtext("AssignedTo") == "B. Fitter"
    view = etree.fromstring(files[f"{full().guid}/viewpoint.bcfv"])
    assert [c.get("IfcGuid") for c in view.iter("Component")] == [IFC]
    eye = [float(view.findtext(f"PerspectiveCamera/CameraViewPoint/{axis}")) for axis in "XYZ"]
    assert eye == [1.0, 2.0, 3.0]
    assert files[f"{full().guid}/snapshot.png"] == PICTURE


def test_names_never_become_paths_and_what_xml_cannot_hold_is_shown_as_its_code(tmp_path) -> None:
    one = topic(finding(5, run=HOSTILE, message=HOSTILE))
    write_bcf(tmp_path / "a.bcf", [(one, None)], project=HOSTILE, version="3.0")
    names = set(entries(tmp_path / "a.bcf"))
    assert names == {
        "bcf.version",
        "project.bcfp",
        "extensions.xml",
        f"{one.guid}/markup.bcf",
        f"{one.guid}/viewpoint.bcfv",
    }
    title = read_bcf(tmp_path / "a.bcf").topics[0].title
    assert "‹U+0000›" in title and "‹U+202E›" in title and "‹U+D800›" in title and "<b>&\"'" in title


def test_the_id_of_a_topic_belongs_to_finding_and_project_and_the_bytes_are_the_same(tmp_path) -> None:
    assert topic_guid("made", "clash-1") == topic_guid("made", "clash-1")
    assert len({topic_guid("made", "clash-1"), topic_guid("other", "clash-1"), topic_guid("made", "clash-2")}) == 3
    for name in ("a.bcf", "b.bcf"):
        write_bcf(tmp_path / name, [(full(), PICTURE)], project="made", version="2.1")
    assert (tmp_path / "a.bcf").read_bytes() == (tmp_path / "b.bcf").read_bytes()


def test_thousands_of_topics_are_written_one_by_one(tmp_path) -> None:
    alive = 0

    def rows():
        nonlocal alive
        for number in range(3000):
            alive = number
            yield topic(finding(number)), None

    write_bcf(tmp_path / "a.bcf", rows(), project="made", version="2.1")
    assert alive == 2999 and len(read_bcf(tmp_path / "a.bcf").topics) == 3000


# --- reading, and writing into a file of others -------------------------------------------------------------------


def by_others(path: Path, version: str, status: str = "Closed") -> dict[str, bytes]:
    """Our file, after others worked on it: a comment, a status, a view, a topic, files and XML that nobody knows."""
    write_bcf(path, [(full(), PICTURE), (topic(finding(2)), None)], project="made", version=version)
    files = entries(path)
    name = f"{full().guid}/markup.bcf"
    root = etree.fromstring(files[name])
    node = root.find("Topic")
    node.set("TopicStatus", status)
    for tag, text in (("ModifiedDate", "2026-03-01T09:00:00+01:00"), ("ModifiedAuthor", "c@office.example")):
        child = etree.Element(tag)
        child.text = text
        node.find("DueDate").addprevious(child)
    said = etree.fromstring(
        '<Comment Guid="11111111-2222-4333-8444-555555555555"><Date>2026-03-01T09:05:00+01:00</Date>'
        "<Author>c@office.example</Author><Comment>duct stays &lt;there&gt;</Comment></Comment>"
    )
    own = root.find(".//Comment")
    own.addnext(said)
    node.insert(0, etree.Comment("kept by hand"))
    node.append(etree.fromstring('<x:More xmlns:x="urn:others" a="1"><x:Deep/>tail</x:More>'))
    files[name] = etree.tostring(root)
    theirs = "77777777-2222-4333-8444-555555555555"
    files[f"{theirs}/markup.bcf"] = (
        f'<Markup><Topic Guid="{theirs}" TopicType="T" TopicStatus="S"><Title>theirs</Title></Topic></Markup>'.encode()
    )
    files[f"{theirs}/drawing.pdf"] = b"%PDF theirs"
    files["documents/9.bin"] = bytes(range(256))
    with zipfile.ZipFile(path, "w") as archive:
        for entry, data in files.items():
            archive.writestr(entry, data)
    return files


@pytest.mark.parametrize("version", VERSIONS)
def test_comments_and_statuses_of_others_are_read_back(tmp_path, version) -> None:
    by_others(tmp_path / "a.bcf", version)
    read = read_bcf(tmp_path / "a.bcf")
    assert read.version == version and len(read.topics) == 3
    ours = next(t for t in read.topics if t.guid == full().guid)
    assert (ours.status, ours.modified_by, ours.changed_by_others) == ("Closed", "c@office.example", True)
    assert [r.guid for r in ours.remarks] == [
        remark_guid(ours.guid, HISTORY[0]),
        "11111111-2222-4333-8444-555555555555",
    ]
    assert ours.remarks[1].text == "duct stays <there>"
    assert instant(ours.remarks[1].at).isoformat() == "2026-03-01T08:05:00+00:00"


@pytest.mark.parametrize("version", VERSIONS)
def test_nothing_of_others_is_lost_when_we_write_onto_their_file(tmp_path, version) -> None:
    before = by_others(tmp_path / "a.bcf", version)
    changed = replace(full(), title="a new title", has_picture=True)
    fresh = topic(finding(9))
    done = write_onto(tmp_path / "b.bcf", tmp_path / "a.bcf", [(changed, b"new picture"), (fresh, None)])
    after = entries(tmp_path / "b.bcf")
    assert (done.joined, done.kept_topics, done.topics) == (1, 2, 2)
    ours = f"{full().guid}/"
    touched = {ours + "markup.bcf", ours + "viewpoint.bcfv", ours + "snapshot.png"}
    assert {n: d for n, d in after.items() if n not in touched and fresh.guid not in n} == {
        n: d for n, d in before.items() if n not in touched
    }
    root = etree.fromstring(after[ours + "markup.bcf"])
    text = after[ours + "markup.bcf"].decode()
    assert root.findtext("Topic/Title") == "a new title"
    assert root.find("Topic").get("TopicStatus") == "Closed"  # theirs, later than our decision
    assert "<!--kept by hand-->" in text and '<x:More xmlns:x="urn:others" a="1"><x:Deep/>tail</x:More>' in text
    assert "duct stays &lt;there&gt;" in text
    assert after[ours + "snapshot.png"] == b"new picture"
    assert len(root.findall(".//Comment[@Guid]")) == 2  # none doubled
    assert len(root.findall(".//Snapshot")) == 1


@pytest.mark.parametrize("version", VERSIONS)
def test_writing_twice_onto_a_file_changes_nothing_more_and_stays_valid(tmp_path, version) -> None:
    write_bcf(tmp_path / "a.bcf", [(topic(), None)], project="made", version=version)
    rows = [(full(), PICTURE), (topic(finding(9)), None)]
    write_onto(tmp_path / "b.bcf", tmp_path / "a.bcf", rows)
    write_onto(tmp_path / "c.bcf", tmp_path / "b.bcf", rows)
    assert entries(tmp_path / "b.bcf") == entries(tmp_path / "c.bcf")
    assert_valid(tmp_path / "c.bcf", version)


def test_our_later_decision_sets_the_status_over_theirs(tmp_path) -> None:
    by_others(tmp_path / "a.bcf", "2.1")
    later = replace(full(), decided_at="2026-04-01T00:00:00Z", status="To mend")
    write_onto(tmp_path / "b.bcf", tmp_path / "a.bcf", [(later, None)])
    assert next(t.status for t in read_bcf(tmp_path / "b.bcf").topics if t.guid == later.guid) == "To mend"


# --- files that mean harm -----------------------------------------------------------------------------------------


def packed(path: Path, **files: bytes) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bcf.version", files.pop("version", b'<Version VersionId="2.1"/>'))
        for name, data in files.items():
            archive.writestr(name, data)
    return path


WIDE = '<?xml version="1.0" encoding="UTF-16"?><!DOCTYPE a SYSTEM "file:///x"><a/>'.encode("utf-16")
FOLDER = "77777777-2222-4333-8444-555555555555/markup.bcf"


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ({"../evil": b"x"}, "leads out of it"),
        ({"/etc/x": b"x"}, "leads out of it"),
        ({"a\\..\\..\\x": b"x"}, "leads out of it"),
        ({"C:/x": b"x"}, "leads out of it"),
        ({"zeros.png": bytes(8 << 20)}, "times its size"),
        ({FOLDER: b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>'}, "document type"),
        ({FOLDER: WIDE}, "document type"),
        ({FOLDER: b"<a>&never;</a>"}, "no XML"),
        ({FOLDER: b"<Markup><Topic"}, "no XML"),
        ({"version": b'<Version VersionId="9"/>'}, "BCF 9"),
        ({"version": b'<!DOCTYPE a><Version VersionId="2.1"/>'}, "document type"),
    ],
)  # fmt: skip
def test_what_no_bcf_file_holds_is_refused_in_a_sentence(tmp_path, files, words) -> None:
    path = packed(tmp_path / "a.bcf", **files)
    with pytest.raises(UnreadableFileError, match=words) as caught:
        read_bcf(path)
    assert "\n" not in str(caught.value)


def test_what_is_no_bcf_file_at_all_is_refused(tmp_path) -> None:
    (tmp_path / "a.bcf").write_bytes(b"PK\x03\x04 nothing")
    with pytest.raises(UnreadableFileError, match="no BCF file"):
        read_bcf(tmp_path / "a.bcf")
    with zipfile.ZipFile(tmp_path / "b.bcf", "w") as archive:
        archive.writestr("x", b"")
    with pytest.raises(UnreadableFileError, match=r"no bcf\.version"):
        read_bcf(tmp_path / "b.bcf")
    with pytest.raises(UnreadableFileError, match="does not exist"):
        read_bcf(tmp_path / "c.bcf")


def test_a_damaged_entry_is_said_and_nothing_is_written(tmp_path) -> None:
    write_bcf(tmp_path / "a.bcf", [(full(), PICTURE)], project="made", version="2.1")
    data = bytearray((tmp_path / "a.bcf").read_bytes())
    data[data.index(PICTURE) + 3] ^= 0xFF
    (tmp_path / "a.bcf").write_bytes(data)
    with pytest.raises(UnreadableFileError, match="is damaged"):
        write_onto(tmp_path / "b.bcf", tmp_path / "a.bcf", [])
    assert [p.name for p in tmp_path.iterdir()] == ["a.bcf"]


def test_entities_are_not_expanded_and_nothing_is_fetched(tmp_path) -> None:
    with package(packed(tmp_path / "a.bcf")) as opened:
        assert opened.version == "2.1" and opened.topics() == {}
