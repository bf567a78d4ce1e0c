"""Whatever a drawing calls things, a topic is valid by the schemas, and is read back as it was written."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from route3d.model.finding import Finding, Review
from route3d.reports.bcf_parts import markup_part, project_part, text_of
from route3d.reports.bcf_topic import VERSIONS, finding_topic, plain
from route3d.reports.bcf_zip import parsed

SCHEMAS = Path(__file__).parents[1] / "data" / "bcf"
TEXT = st.text(st.characters(), max_size=40) | st.sampled_from(["", " ", "\ud800", "\x00", "]]>", "&#0;", "\ufffe"])


@pytest.mark.parametrize("version", VERSIONS)
@settings(deadline=None, max_examples=60)
@given(run=TEXT, message=TEXT, rule=TEXT, remedy=TEXT, project=TEXT)
def test_any_text_makes_a_valid_topic(version, run, message, rule, remedy, project) -> None:
    finding = Finding("bend", "note", run, rule, message, remedy, finding_id="bend-1")
    review = Review(project, "nec-2023", "2026-01-31T10:00:00Z", (), (finding,), (), ())
    topic = finding_topic(review, finding)
    tree = parsed(markup_part(version, topic), "a", "b")
    etree.XMLSchema(etree.parse(str(SCHEMAS / version / "markup.xsd"))).assertValid(tree)
    etree.XMLSchema(etree.parse(str(SCHEMAS / version / "project.xsd"))).assertValid(
        parsed(project_part(version, project), "a", "b")
    )
    assert tree.findtext("Topic/Title") == topic.title
    assert text_of(tree).startswith(b"<?xml")


@given(TEXT)
def test_text_that_xml_cannot_hold_never_comes_through(text) -> None:
    node = etree.Element("a")
    node.text = plain(text)
    assert etree.fromstring(etree.tostring(node)).text == plain(text)
