"""A check handed to the database: findings known again, what is mended, what came back, what is new."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from route3d.compare import trend
from route3d.matching import Match, match_revisions
from route3d.model.decision import NEEDS_REASON, Checkpoint, Decision, Kept, Matter
from route3d.model.finding import Finding
from route3d.model.revision import Revision, RunMark
from route3d.model.topic import topic_guid
from route3d.store.decisions import finding_text, insert_decision, read_events, read_histories, read_matters
from route3d.store.opening import looked_into, opened, writing
from route3d.store.rows import counts_from, run_of

_ANOTHER_M = 0.05  # a finding that moved by more, against something of another name, may be a new one (practice)
OURSELVES = "route3d"  # the name under which a check itself reopens what was decided


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a check changed; numbers are those of matters."""

    revision: int
    fresh: tuple[int, ...] = ()
    mended: tuple[int, ...] = ()
    found_again: tuple[int, ...] = ()
    asked_again: tuple[int, ...] = ()  # were accepted or not ours; worse, moved or doubtful now
    ambiguous: tuple[int, ...] = ()
    not_judged: tuple[int, ...] = ()  # no longer found, but that does not show that they are mended
    unchanged: bool = False  # the same as the last revision: nothing was written
    overtaken: bool = False  # somebody recorded another check meanwhile: nothing was written


def record(path: Path, revision: Revision, checks: Collection[str], at: str, *, after: int | None = None) -> Recorded:
    """Hand a whole check to the database, all or nothing; the same revision twice is recorded once.

    ``checks`` are those that ran, ``at`` is the time now. A matter is mended only where its check ran, its run is there
    and could be judged in full: whatever else is no longer found stays open. With ``after``, it is recorded only as
    long as that revision is the last one (0: none is there): a check of files that were read before somebody else
    recorded a check would bring back what they mended.

    Raises
    ------
    StoreError
        The database cannot be used; nothing has changed then.
    """
    with opened(path) as connection, writing(connection):
        last = connection.execute("SELECT number, rules, digest FROM revision ORDER BY number DESC LIMIT 1").fetchone()
        digest = _digest(revision, checks)
        if last is not None and last[2] == digest:
            return Recorded(last[0], unchanged=True)
        if after is not None and after != (0 if last is None else last[0]):
            return Recorded(last[0], unchanged=True, overtaken=True)
        number = _insert_revision(connection, revision, checks, at, digest)
        keeper = _Keeper(connection, revision, checks, at, number, revision.rules if last is None else last[1])
        keeper.keep(read_matters(connection), _latest_runs(connection))
        _replace_runs(connection, revision.runs)
        return keeper.recorded()


def last_revision(path: Path) -> int:
    """Return the number of the last revision, 0 where none was recorded."""
    if not path.exists():
        return 0
    with looked_into(path) as connection:
        return int(connection.execute("SELECT coalesce(max(number), 0) FROM revision").fetchone()[0])


def kept(path: Path) -> Kept:
    """Return all that is kept, as it stands at one moment."""
    if not path.exists():
        return Kept()
    with looked_into(path) as connection:
        connection.execute("BEGIN")
        try:
            return Kept(
                read_matters(connection), read_histories(connection), read_events(connection), _trend(connection)
            )
        finally:
            connection.execute("COMMIT")


def trend_points(path: Path) -> tuple[Checkpoint, ...]:
    """Return what each recorded revision counted and changed, oldest first."""
    if not path.exists():
        return ()
    with looked_into(path) as connection:
        return _trend(connection)


def _trend(connection: sqlite3.Connection) -> tuple[Checkpoint, ...]:
    """Return the trend; events without the number of their check go to the first check of their time."""
    told: dict[int, Counter[str]] = {}
    for number, kind, count in connection.execute(
        """
        SELECT coalesce(revision, (SELECT min(number) FROM revision AS r WHERE r.recorded = event.at)), kind, count(*)
        FROM event GROUP BY 1, 2
        """
    ):
        told.setdefault(number, Counter())[kind] += count
    points = []
    rows = connection.execute("SELECT number, made, rules, counts, unread FROM revision ORDER BY number")
    for number, made, rules, counts, unread in rows:
        events = told.get(number, Counter())
        points.append(
            Checkpoint(
                number,
                made,
                rules,
                counts_from(counts),
                unread,
                fresh=events["first-found"],
                mended=events["mended"],
                lost=events["not-judged"] + events["run-gone"],
                returned=events["found-again"],
            )
        )
    return tuple(points)


class _Keeper:
    """Works one revision into the matters."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        revision: Revision,
        checks: Collection[str],
        at: str,
        number: int,
        rules_before: str,
    ) -> None:
        self.connection, self.revision, self.checks, self.at, self.number = connection, revision, checks, at, number
        self.rules_before = rules_before
        self.verdicts = {run.run_id: run.verdict for run in revision.runs}
        self.told: dict[str, list[int]] = {}

    def keep(self, known: Sequence[Matter], runs: tuple[RunMark, ...]) -> None:
        """Match in two turns, so that what was mended long ago never takes the place of what is still there."""
        there = [m for m in known if m.presence != "mended"]
        mended = [m for m in known if m.presence == "mended"]
        left = list(self.revision.findings)
        renamed: Mapping[str, str] = {}
        for turn in (there, mended):
            old = replace(
                self.revision, rules=self.rules_before, runs=runs, findings=tuple(matter.finding for matter in turn)
            )
            matching = match_revisions(old, replace(self.revision, findings=tuple(left)))
            renamed = matching.runs
            for match in matching.matches:
                self._matched(turn[match.old], left[match.new], match)
            for i in matching.gone:
                self._gone(turn[i], renamed, bool(runs))
            left = [left[j] for j in matching.fresh]
        for finding in left:
            self._fresh(finding)

    def recorded(self) -> Recorded:
        """Return what has changed."""
        told = {kind: tuple(numbers) for kind, numbers in self.told.items()}
        return Recorded(
            self.number,
            fresh=told.get("fresh", ()),
            mended=told.get("mended", ()),
            found_again=told.get("found_again", ()),
            asked_again=told.get("asked_again", ()),
            ambiguous=told.get("ambiguous", ()),
            not_judged=told.get("not_judged", ()),
        )

    def _tell(self, kind: str, number: int) -> None:
        self.told.setdefault(kind, []).append(number)

    def _event(self, matter: int, kind: str, why: str) -> None:
        self.connection.execute(
            "INSERT INTO event (matter, at, kind, why, revision) VALUES (?, ?, ?, ?, ?)",
            (matter, self.at, kind, why, self.number),
        )

    def _sighting(self, matter: int, finding: Finding, how: str) -> None:
        self.connection.execute(
            "INSERT INTO sighting (matter, revision, severity, measured, required, trend) VALUES (?, ?, ?, ?, ?, ?)",
            (matter, self.number, finding.severity, finding.measured, finding.required, how),
        )

    def _fresh(self, finding: Finding) -> None:
        cursor = self.connection.execute(
            "INSERT INTO matter (since, presence, mended, ambiguous, finding_id, finding, topic) "
            "VALUES (?, 'found', NULL, 0, ?, ?, ?)",
            (self.at, finding.finding_id, finding_text(finding), self._topic(finding)),
        )
        assert cursor.lastrowid is not None
        self._event(cursor.lastrowid, "first-found", finding.message)
        self._sighting(cursor.lastrowid, finding, "new")
        self._tell("fresh", cursor.lastrowid)

    def _topic(self, finding: Finding) -> str:
        """Return the id of a new topic: that of its name, unless an older matter was called so, and keeps it."""
        topic = topic_guid(self.revision.project, finding.finding_id)
        turn = 1
        while self.connection.execute("SELECT 1 FROM matter WHERE topic = ?", (topic,)).fetchone() is not None:
            turn += 1
            topic = topic_guid(self.revision.project, f"{finding.finding_id} {turn}")
        return topic

    def _matched(self, matter: Matter, finding: Finding, match: Match) -> None:
        how = trend(matter.finding, finding)
        self.connection.execute(
            "UPDATE matter SET presence = 'found', mended = NULL, ambiguous = ?, finding_id = ?, finding = ? "
            "WHERE number = ?",
            (bool(match.ambiguous), finding.finding_id, finding_text(finding), matter.number),
        )
        self._sighting(matter.number, finding, how)
        if match.ambiguous:
            self._tell("ambiguous", matter.number)
        if matter.finding.run != finding.run:
            self._event(matter.number, "renamed", f"its run was {matter.finding.run}, now {finding.run}")
        if match.far and match.moved_m is not None:
            self._event(matter.number, "moved", f"the same pair, {match.moved_m:.3f} m further on")
        if matter.presence == "mended":
            self._event(matter.number, "found-again", finding.message)
            self._tell("found_again", matter.number)
            if matter.decided != "open":
                self._reopen(matter, "found again")
            return
        elsewhere = matter.finding.other != finding.other and (match.moved_m or 0.0) > _ANOTHER_M
        doubts = [
            ("it got worse", how == "worse"),
            ("it moved", match.far),
            ("it may be another", match.ambiguous),
            ("it moved, and what it is against has another name", elsewhere and not match.ambiguous),
        ]
        why = "; ".join(words for words, holds in doubts if holds)
        if why and matter.decided in NEEDS_REASON:
            self._event(matter.number, "asked-again", why)
            self._tell("asked_again", matter.number)
            self._reopen(matter, why)

    def _reopen(self, matter: Matter, why: str) -> None:
        note = f"reopened: {why}; before: {matter.decided}" + (f", {matter.note}" if matter.note else "")
        insert_decision(
            self.connection, matter.number, Decision(self.at, OURSELVES, "open", note[:4000], matter.owner, matter.due)
        )

    def _gone(self, matter: Matter, renamed: Mapping[str, str], runs_known: bool) -> None:
        """Say what it means that a matter was not found: mended only where it would have been found."""
        self._follow_names(matter, renamed)
        if matter.presence == "mended":
            return
        finding = matter.finding
        presence, why = "mended", "no longer found"
        if finding.check not in self.checks:
            presence, why = "not-looked-for", "its check did not run"
        elif finding.run is not None and runs_known and finding.run not in renamed:
            presence, why = "run-gone", f"run {finding.run} is no longer there"
        elif finding.run is not None and self.verdicts.get(renamed.get(finding.run, finding.run)) == "unchecked":
            presence, why = "not-judged", "no longer found, but its run could not be judged in full"
        elif self.rules_before != self.revision.rules:
            why = f"no longer found; the rules changed from {self.rules_before} to {self.revision.rules}"
        if presence == matter.presence:
            return
        self.connection.execute(
            "UPDATE matter SET presence = ?, mended = ? WHERE number = ?",
            (presence, self.at if presence == "mended" else None, matter.number),
        )
        if presence != "not-looked-for":
            self._event(matter.number, presence, why)
        self._tell("mended" if presence == "mended" else "not_judged", matter.number)

    def _follow_names(self, matter: Matter, renamed: Mapping[str, str]) -> None:
        finding = matter.finding
        now = replace(
            finding,
            run=None if finding.run is None else renamed.get(finding.run, finding.run),
            other=None if finding.other is None else renamed.get(finding.other, finding.other),
        )
        if now != finding:
            self.connection.execute(
                "UPDATE matter SET finding = ? WHERE number = ?", (finding_text(now), matter.number)
            )


def _digest(revision: Revision, checks: Collection[str]) -> str:
    content = [revision.rules, sorted(checks), revision.inputs, [finding_text(f) for f in revision.findings]]
    content.append([(r.run_id, r.cable_id, r.verdict, np.round(r.corners_m, 6).tolist()) for r in revision.runs])
    return hashlib.sha256(json.dumps(content, ensure_ascii=False).encode()).hexdigest()


def _insert_revision(
    connection: sqlite3.Connection, revision: Revision, checks: Iterable[str], at: str, digest: str
) -> int:
    counts = Counter(finding.severity for finding in revision.findings)
    counts.update(f"runs {run.verdict}" for run in revision.runs)
    cursor = connection.execute(
        "INSERT INTO revision (recorded, made, project, rules, checks, inputs, unread, counts, digest) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            at,
            revision.made,
            revision.project,
            revision.rules,
            json.dumps(sorted(checks)),
            json.dumps(revision.inputs, ensure_ascii=False),
            revision.unread,
            json.dumps(counts),
            digest,
        ),
    )
    assert cursor.lastrowid is not None
    return cursor.lastrowid


def _latest_runs(connection: sqlite3.Connection) -> tuple[RunMark, ...]:
    rows = connection.execute("SELECT run, cable, verdict, length_m, corners FROM latest ORDER BY rowid")
    return tuple(run_of(row) for row in rows)


def _replace_runs(connection: sqlite3.Connection, runs: Iterable[RunMark]) -> None:
    connection.execute("DELETE FROM latest")
    connection.executemany(
        "INSERT OR REPLACE INTO latest (run, cable, verdict, length_m, corners) VALUES (?, ?, ?, ?, ?)",
        [(r.run_id, r.cable_id, r.verdict, r.length_m, json.dumps(r.corners_m.tolist())) for r in runs],
    )
