"""Findings to BCF and comments back: what joins the project, its decisions, the viewer and the file."""

from __future__ import annotations

import tempfile
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from route3d.clock import written
from route3d.drawables import origin_of
from route3d.errors import InputError, MissingExtraError
from route3d.model.decision import NEEDS_REASON, Decision, Matter, by_finding
from route3d.model.finding import Finding, Review
from route3d.model.job import Job
from route3d.reports.bcf_read import MEANINGS, TopicRead, read_bcf
from route3d.reports.bcf_topic import AUTHOR, STATUSES, Remark, Topic, finding_topic, instant, remark_guid
from route3d.reports.bcf_write import Written, write_bcf, write_onto
from route3d.reports.bcf_zip import package
from route3d.store.adding import add_all
from route3d.store.decisions import MOST_LETTERS, histories, matters
from route3d.viewer.picture import draw_picture
from route3d.viewer.sight import HEIGHT, WIDTH, sight_of

_PIECE = MOST_LETTERS - 200  # of a comment that is longer than an entry may be


def chosen(review: Review, wanted: Sequence[str], project: Path) -> tuple[Finding, ...]:
    """Return the findings of these ids; of none: violations and cautions, worst first.

    Raises
    ------
    InputError
        There is no finding of an id.
    """
    if not wanted:
        return tuple(f for f in review.findings if f.severity != "note")
    by_id = {f.finding_id: f for f in review.findings}
    for finding_id in wanted:
        if finding_id not in by_id:
            raise InputError(project, f"has no finding {finding_id!r}; `route3d check` prints the ids", "--finding")
    return tuple(by_id[finding_id] for finding_id in dict.fromkeys(wanted))


class Pictures:
    """Draws findings until ``most`` are drawn, or until it turns out that nothing can be drawn here."""

    def __init__(self, job: Job, review: Review, most: int, size: tuple[int, int] = (WIDTH, HEIGHT)) -> None:
        self.job, self.review, self.left, self.size = job, review, most, size
        self.missing = ""  # why nothing can be drawn

    def of(self, finding: Finding) -> bytes | None:
        """Return a PNG of one finding; None where it has no place, or no more are drawn."""
        if finding.point_m is None or self.left <= 0 or self.missing:
            return None
        with tempfile.TemporaryDirectory() as scratch:
            drawn = Path(scratch) / "finding.png"
            try:
                draw_picture(self.job, self.review, drawn, size=self.size, view=finding.finding_id)
            except MissingExtraError as error:
                self.missing = str(error)
                return None
            self.left -= 1
            return drawn.read_bytes()


def export(
    path: Path,
    job: Job,
    review: Review,
    findings: Sequence[Finding],
    *,
    version: str | None,
    pictures: int,
    store: Path,
    onto: Path | None,
) -> str:
    """Write findings as a BCF file and say in words what is in it; ``version`` None: 2.1, or that of ``onto``.

    Raises
    ------
    Route3DError
        A file cannot be used or written.
    """
    drawing = Pictures(job, review, pictures)
    topics = _topics(job, review, findings, drawing, store)
    mended: list[Topic] = []
    if onto is None:
        done = write_bcf(path, topics, project=review.project, version="2.1" if version is None else version)
    else:
        with package(onto) as older:
            if version not in (None, older.version):
                raise InputError(onto, f"is BCF {older.version}, which is kept; leave --bcf-version out", "--onto")
            mended = _mended(review, store, older.topics().keys())
        done = write_onto(path, onto, chain(topics, ((topic, None) for topic in mended)))
    return _said(done, len(mended), drawing.missing)


def _mended(review: Review, store: Path, there: Collection[str]) -> list[Topic]:
    """Return the topics of an older file whose findings no check finds any more."""
    gone = [m for m in matters(store) if m.presence == "mended"]
    told = histories(store) if gone else {}
    topics = {
        topic.guid: topic
        for m in gone
        for topic in [finding_topic(review, m.finding, matter=m, history=told.get(m.number, ()))]
    }
    return [topic for guid, topic in topics.items() if guid in there]


def _topics(
    job: Job, review: Review, findings: Sequence[Finding], drawing: Pictures, store: Path
) -> Iterator[tuple[Topic, bytes | None]]:
    by_id = by_finding(matters(store))
    told = histories(store) if by_id else {}
    origin: NDArray[np.float64] | None = origin_of(job, review) if findings else None
    for finding in findings:
        assert origin is not None
        picture = drawing.of(finding)
        matter = by_id.get(finding.finding_id)
        topic = finding_topic(
            review,
            finding,
            element=job.element(finding.other),
            sight=sight_of(job, review, finding, origin),
            matter=matter,
            history=() if matter is None else told.get(matter.number, ()),
            has_picture=picture is not None,
        )
        yield topic, picture


def _said(done: Written, mended: int, missing: str) -> str:
    parts = [f"{done.topics - mended} findings, {done.pictures} with a picture"]
    without = done.topics - done.pictures - done.placeless
    if without:
        parts.append(f"{without} without (--pictures sets how many are drawn)" if not missing else f"{without} without")
    if done.placeless > mended:
        parts.append(f"{done.placeless - mended} about the whole job, without a place")
    if mended:
        parts.append(f"{mended} mended since")
    if done.joined:
        parts.append(f"{done.joined} brought up to date")
    if done.kept_topics:
        parts.append(f"{done.kept_topics} other topics kept as they were")
    return ", ".join(parts) + (f"; no picture: {missing}" if missing else "")


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What came of reading a file back."""

    comments: int
    decisions: int
    known: int  # entries that were here already
    foreign: tuple[str, ...]  # titles of topics that are none of ours
    untaken: tuple[str, ...]  # statuses that were kept as notes only, in words


def take_in(store: Path, path: Path) -> TakenIn:
    """Read comments and statuses of others from a BCF file into the histories of our matters, by their authors.

    Raises
    ------
    Route3DError
        The file or the database cannot be used; nothing has changed then.
    """
    read = read_bcf(path)
    ours = {matter.topic: matter for matter in matters(store)}
    told = histories(store)
    entries: list[tuple[int, Decision]] = []
    foreign, untaken = [], []
    decisions, known = 0, 0
    for topic in read.topics:
        matter = ours.get(topic.guid)
        if matter is None:
            foreign.append(topic.title)
            continue
        history = told.get(matter.number, ())
        said, why = _entries(topic, matter, history, path.name)
        fresh = [(entry, start) for entry, start in said if not _is_there(entry, start, history)]
        known += len(said) - len(fresh)
        if len(said) == len(fresh) or any(entry.decided != matter.decided for entry, _ in fresh):
            untaken += why
        decisions += sum(entry.decided != matter.decided for entry, _ in fresh)
        entries += [(matter.number, entry) for entry, _ in fresh]
    added = add_all(store, entries) if entries else 0
    return TakenIn(max(added - decisions, 0), decisions, known, tuple(foreign), tuple(untaken))


def _is_there(entry: Decision, start: str, history: Sequence[Decision]) -> bool:
    return any(d.at == entry.at and d.by == entry.by and d.note.startswith(start) for d in history)


def _entries(
    topic: TopicRead, matter: Matter, history: Sequence[Decision], file: str
) -> tuple[list[tuple[Decision, str]], list[str]]:
    """Return what a topic says, each entry with the words that its note begins with whenever it is read, and the
    statuses that are not taken as decisions, in words."""
    own = {remark_guid(topic.guid, decision) for decision in history}
    fallback = matter.since  # for what carries no date that can be read
    entries: list[tuple[Decision, str]] = []
    standing = "" if not (matter.note and matter.decided in NEEDS_REASON) else f" (before: {matter.note})"
    for remark in topic.remarks:
        if remark.guid not in own and remark.text:
            entries += _comment_entries(remark, matter, fallback, standing)
    if not topic.changed_by_others or topic.status.lower() == STATUSES[matter.decided].lower() or not topic.status:
        return entries, []
    at = _when(topic.modified_at, fallback)
    meant = MEANINGS.get(topic.status.lower())
    reason = next((r.text for r in reversed(topic.remarks) if r.author == topic.modified_by and r.text), "")
    last, theirs = instant(history[-1].at) if history else None, instant(topic.modified_at)
    why = ""
    if meant is None:
        why = "which is no decision here"
    elif last is not None and (theirs is None or theirs <= last):
        why = "which is older than what was decided here"
    elif meant in NEEDS_REASON and not reason:
        why = "without a reason, so it was not taken over"
    words = f"status in {file}: {topic.status}"
    if why:
        note = f"{words}, {why}{standing}"
        entries.append((_entry(at, topic.modified_by, matter, note, matter.decided), words))
        return entries, [f"{matter.finding.finding_id}: {topic.status!r} of {topic.modified_by}, {why}"]
    assert meant is not None
    note = f"{words}" + (f"; {reason}" if reason else "")
    owner = topic.owner if topic.owner else matter.owner
    decided = _entry(at, topic.modified_by, matter, note, meant)
    due = _date(topic.due, matter.due)
    entries.append((replace(decided, owner=owner[:MOST_LETTERS], due=due), words))
    return entries, []


def _comment_entries(remark: Remark, matter: Matter, fallback: str, standing: str) -> list[tuple[Decision, str]]:
    """A comment as entries of a history: one, or several where it is longer than an entry may be."""
    at, by = _when(remark.at, fallback), remark.author if remark.author else "not named"
    parts = [remark.text[k : k + _PIECE] for k in range(0, len(remark.text), _PIECE)]
    if len(parts) > 1:
        parts = [f"({k}/{len(parts)}) {part}" for k, part in enumerate(parts, start=1)]
    return [(_entry(at, by, matter, part + standing, matter.decided), part) for part in parts]


def _entry(at: str, by: str, matter: Matter, note: str, decided: str) -> Decision:
    by = f"{by} (not {AUTHOR} itself)" if by == AUTHOR else by
    return Decision(at, by[:MOST_LETTERS], decided, note[:MOST_LETTERS], matter.owner, matter.due)


def _when(text: str, fallback: str) -> str:
    moment = instant(text)
    return fallback if moment is None else written(moment)


def _date(text: str, otherwise: str) -> str:
    try:
        return datetime.fromisoformat(text).date().isoformat()
    except ValueError:
        return otherwise
