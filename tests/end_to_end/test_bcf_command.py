"""Findings to BCF and comments back, from the command line, with the decisions of the project in between."""

from __future__ import annotations

import zipfile

import pytest
from click.testing import CliRunner
from lxml import etree

from route3d.cli.main import route3d
from route3d.reports.bcf_read import read_bcf
from route3d.store.decisions import histories, matters
from tests.scratch_project import CABLE


@pytest.fixture
def project(scratch):
    """A run whose bends are too tight, and that lacks straps."""
    scratch.run([[0, 900, 3000], [1000, 900, 3000], [1000, 960, 3000], [2000, 960, 3000]], "tight", straps=[250])
    scratch.table(CABLE)
    scratch.write()
    return scratch.folder


def run(*words):
    done = CliRunner().invoke(route3d, [str(w) for w in words], standalone_mode=False)
    return done


def edited(path, change) -> None:
    """Change the first topic's markup as others would."""
    with zipfile.ZipFile(path) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    name = next(n for n in files if n.endswith("markup.bcf"))
    root = etree.fromstring(files[name])
    change(root)
    files[name] = etree.tostring(root)
    with zipfile.ZipFile(path, "w") as archive:
        for entry, data in files.items():
            archive.writestr(entry, data)


def answered(status, text="ours stays as it is"):
    def change(root) -> None:
        node = root.find("Topic")
        node.set("TopicStatus", status)
        for tag, said in (("ModifiedDate", "2999-03-01T09:00:00Z"), ("ModifiedAuthor", "c@office.example")):
            child = etree.Element(tag)
            child.text = said
            node.find("Description").addprevious(child)
        node.addnext(
            etree.fromstring(
                '<Comment Guid="11111111-2222-4333-8444-555555555555"><Date>2999-03-01T09:00:00Z</Date>'
                f"<Author>c@office.example</Author><Comment>{text}</Comment></Comment>"
            )
        )

    return change


def test_comments_and_decisions_of_others_come_back_once_under_their_names(project) -> None:
    assert run("decide", project / "x", "--project", project).exception is not None  # no such finding
    run("decide", "--project", project)
    file = project / "a.bcf"
    done = run("report", project, "--bcf", file, "--pictures", "0")
    assert done.exception is None and done.return_value == 1, done.output
    assert "findings, 0 with a picture" in done.output
    edited(file, answered("Accepted"))
    taken = run("decide", "--from-bcf", file, "--project", project)
    assert taken.exception is None, taken.output
    assert "took over 1 comments and 1 decisions; 0 were here already" in taken.output
    store = next(project.glob("*.decisions.sqlite"))
    matter = next(m for m in matters(store) if m.decided == "accepted")
    assert matter.by == "c@office.example" and "ours stays as it is" in matter.note
    said = histories(store)[matter.number]
    again = run("decide", "--from-bcf", file, "--project", project)
    assert "took over 0 comments and 0 decisions; 1 were here already" in again.output
    assert histories(store)[matter.number] == said
    onto = project / "b.bcf"
    assert run("report", project, "--bcf", onto, "--onto", file, "--pictures", "0").exception is None
    topic = next(t for t in read_bcf(onto).topics if t.remarks)
    assert topic.status == "Accepted"
    assert len([r for r in topic.remarks if r.text == "ours stays as it is"]) == 1


def test_words_of_others_that_are_no_decision_are_kept_and_said(project) -> None:
    run("decide", "--project", project)
    file = project / "a.bcf"
    run("report", project, "--bcf", file, "--pictures", "0")
    edited(file, answered("Closed"))
    taken = run("decide", "--from-bcf", file, "--project", project)
    assert "took over 2 comments and 0 decisions" in taken.output
    assert "kept as a note only" in taken.output and "'Closed' of c@office.example" in taken.output
    store = next(project.glob("*.decisions.sqlite"))
    assert {m.decided for m in matters(store)} == {"open"}
    notes = [d.note for decisions in histories(store).values() for d in decisions]
    assert any("Closed" in note for note in notes)


def test_what_a_check_no_longer_finds_is_mended_in_the_file_too(project) -> None:
    run("decide", "--project", project)
    file = project / "a.bcf"
    run("report", project, "--bcf", file, "--pictures", "0")
    text = (project / "route3d.toml").read_text(encoding="utf-8")
    (project / "route3d.toml").write_text(
        text.replace("[1000, 960, 3000]", "[1000, 1900, 3000]").replace("[2000, 960, 3000]", "[2000, 1900, 3000]"),
        encoding="utf-8",
    )
    run("check", project)
    onto = project / "b.bcf"
    done = run("report", project, "--bcf", onto, "--onto", file, "--pictures", "0")
    assert "mended since" in done.output, done.output
    before, after = read_bcf(file).topics, {t.guid: t for t in read_bcf(onto).topics}
    mended = [t for t in before if after[t.guid].status == "Mended"]
    assert mended and all(t.status == "Open" for t in mended)


def commented(path, text="see the drawing of level 1") -> None:
    """Add a comment of others to every topic."""
    with zipfile.ZipFile(path) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    for k, name in enumerate(sorted(n for n in files if n.endswith("markup.bcf"))):
        root = etree.fromstring(files[name])
        root.find("Topic").addnext(
            etree.fromstring(
                f'<Comment Guid="11111111-2222-4333-8444-{k:012d}"><Date>2999-03-01T09:00:00Z</Date>'
                f"<Author>c@office.example</Author><Comment>{text} {root.find('Topic').get('Guid')}</Comment></Comment>"
            )
        )
        files[name] = etree.tostring(root)
    with zipfile.ZipFile(path, "w") as archive:
        for entry, data in files.items():
            archive.writestr(entry, data)


def re_exported(project) -> None:
    """Give the run another name and shift it by a few centimetres, as another export would."""
    file = project / "route3d.toml"
    text = file.read_text(encoding="utf-8")
    moved = text.replace('"tight"', '"L7-new-name"').replace(" 900, 3000", " 930, 3000").replace(" 960,", " 990,")
    assert moved.count("930, 3000") == 2 and moved.count("990, 3000") == 2
    file.write_text(moved, encoding="utf-8")


def test_a_renamed_and_shifted_run_keeps_its_topics_and_what_others_wrote_in_them(project) -> None:
    run("decide", "--project", project)
    theirs = project / "theirs.bcf"
    assert run("report", project, "--bcf", theirs, "--pictures", "0").exception is None
    before = read_bcf(theirs).topics
    commented(theirs)
    store = next(project.glob("*.decisions.sqlite"))
    ids = {m.number: m.finding.finding_id for m in matters(store)}
    re_exported(project)
    onto = project / "onto.bcf"
    # no check in between: the report records its own
    done = run("report", project, "--bcf", onto, "--onto", theirs, "--pictures", "0")
    assert f"{len(before)} brought up to date" in done.output, done.output
    after = read_bcf(onto).topics
    renamed = [m for m in matters(store) if m.finding.run == "L7-new-name"]
    assert renamed and all(ids[m.number] != m.finding.finding_id for m in renamed)
    assert (
        {t.guid for t in after}
        == {t.guid for t in before}
        == {m.topic for m in matters(store)} & {t.guid for t in before}
    )
    for topic in after:
        assert [r.text for r in topic.remarks if r.author == "c@office.example"] == [
            f"see the drawing of level 1 {topic.guid}"
        ]
        assert "L7-new-name" in topic.title
    fresh = project / "fresh.bcf"
    run("report", project, "--bcf", fresh, "--pictures", "0")
    assert {t.guid for t in read_bcf(fresh).topics} == {t.guid for t in before}
    taken = run("decide", "--from-bcf", onto, "--project", project)
    assert f"took over {len(before)} comments" in taken.output and "none of our findings" not in taken.output
    told = histories(store)
    for matter in renamed:
        if matter.topic in {t.guid for t in before}:
            assert [d.note for d in told[matter.number]] == [f"see the drawing of level 1 {matter.topic}"]


def test_an_id_that_goes_to_a_neighbour_does_not_take_its_topic_along(scratch) -> None:
    """Ids count along a run: when the first of two equal findings is mended, the second takes over its id."""
    legs = [[0, 0], [500, 0], [500, 150], [1500, 150], [1500, 300], [2000, 300]]
    scratch.run([[x, y, 3000] for x, y in legs], "a", straps=[300, 1100, 1900])
    scratch.write()
    project = scratch.folder
    run("decide", "--project", project)
    theirs = project / "theirs.bcf"
    run("report", project, "--bcf", theirs, "--pictures", "0")
    store = next(project.glob("*.decisions.sqlite"))
    bends = sorted((m for m in matters(store) if m.finding.check == "bend"), key=lambda m: m.finding.at_m)
    first, third = bends[0], bends[2]
    file = project / "route3d.toml"
    text = file.read_text(encoding="utf-8")
    shorter = text.replace("[0, 0, 3000], [500, 0, 3000], [500, 150, 3000]", "[0, 150, 3000]")
    assert shorter != text
    file.write_text(shorter, encoding="utf-8")
    onto = project / "onto.bcf"
    done = run("report", project, "--bcf", onto, "--onto", theirs, "--pictures", "0")
    assert "2 mended since" in done.output, done.output
    now = {m.number: m for m in matters(store)}
    assert now[third.number].finding.finding_id == first.finding.finding_id
    status = {t.guid: t.status for t in read_bcf(onto).topics}
    assert status[first.topic] == "Mended" and status[third.topic] == "Open"
    # and the first one comes back under its own topic, with an id that is another one's now
    file.write_text(text, encoding="utf-8")
    run("report", project, "--bcf", project / "back.bcf", "--onto", onto, "--pictures", "0")
    status = {t.guid: t.status for t in read_bcf(project / "back.bcf").topics}
    assert status[first.topic] == status[third.topic] == "Open" and len(status) == len(read_bcf(theirs).topics)


def test_a_file_that_means_harm_changes_nothing(project) -> None:
    file = project / "bad.bcf"
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("bcf.version", '<!DOCTYPE a [<!ENTITY b "c">]><Version VersionId="2.1"/>')
    refused = run("decide", "--from-bcf", file, "--project", project)
    assert "document type" in str(refused.exception)


def test_a_finding_that_is_not_there_and_a_version_that_does_not_fit_are_said(project) -> None:
    assert "has no finding" in str(run("report", project, "--bcf", project / "a.bcf", "--finding", "x").exception)
    run("report", project, "--bcf", project / "a.bcf", "--bcf-version", "3.0", "--pictures", "0")
    wrong = run("report", project, "--bcf", project / "b.bcf", "--onto", project / "a.bcf", "--bcf-version", "2.1")
    assert "is BCF 3.0" in str(wrong.exception) and not (project / "b.bcf").exists()
