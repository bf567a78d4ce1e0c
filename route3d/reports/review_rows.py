"""The tables of a review, as spreadsheets and papers show them: findings, runs, what was not read, decisions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from route3d.model.decision import Checkpoint, Matter, by_finding
from route3d.model.finding import Finding, Review
from route3d.reports.rows import HEADINGS, counts_of, not_routed_row, run_row
from route3d.reports.takeoff_rows import Cell, Column, Rows


def review_tables(review: Review, findings: Sequence[Finding], known: Sequence[Matter]) -> tuple[Rows, ...]:
    """Return all tables, in the order in which people read them."""
    return (finding_rows(findings, known), run_rows(review), unread_rows(review), decision_rows(known))


def finding_rows(findings: Sequence[Finding], known: Sequence[Matter] = ()) -> Rows:
    """Return one row per finding, worst first, with the decision that holds on it."""
    columns = (
        Column("severity", width=11),
        Column("check", width=12),
        Column("run", width=16),
        Column("other", width=20),
        Column("what", width=60),
        Column("remedy", width=50),
        Column("measured", "exact"),
        Column("required", "exact"),
        Column("unit", width=6),
        Column("rule", width=26),
        Column("value from", width=10),
        Column("from m", "m", 9),
        Column("to m", "m", 9),
        Column("x m", "exact"),
        Column("y m", "exact"),
        Column("z m", "exact"),
        Column("takes the pass", width=10),
        Column("decided", width=10),
        Column("note", width=30),
        Column("owner", width=14),
        Column("due", width=11),
        Column("finding", width=24),
    )
    by_id = by_finding(known)
    return Rows("findings", columns, tuple(_finding(f, by_id.get(f.finding_id)) for f in findings))


def _finding(finding: Finding, matter: Matter | None) -> tuple[Cell, ...]:
    at: tuple[Cell, ...] = (None, None) if finding.at_m is None else finding.at_m
    point: tuple[Cell, ...] = (None, None, None) if finding.point_m is None else finding.point_m
    decided: tuple[Cell, ...] = ("", "", "", "")
    if matter is not None:
        decided = (matter.decided, matter.note, matter.owner, matter.due)
    return (
        finding.severity, finding.check, finding.run or "", finding.other or "", finding.message, finding.remedy,
        finding.measured, finding.required, finding.unit, finding.rule, finding.source, *at, *point,
        "yes" if finding.unchecked else "", *decided, finding.finding_id,
    )  # fmt: skip


def run_rows(review: Review) -> Rows:
    """Return one row per run."""
    columns = (
        Column(HEADINGS.run, width=18),
        Column(HEADINGS.cable, width=16),
        Column(HEADINGS.length, "m"),
        Column(HEADINGS.bend, width=18),
        Column(HEADINGS.gap, width=10),
        Column(HEADINGS.held, width=24),
        Column(HEADINGS.verdict, width=12),
    )
    rows: list[tuple[Cell, ...]] = []
    for run in review.runs:
        said = run_row(run)
        rows.append((said.run, said.cable, run.fitted.length_m, said.bend, said.gap, said.held, said.verdict))
    for without in review.not_routed:
        said = not_routed_row(without)
        rows.append((said.run, said.cable, None, said.bend, said.gap, said.held, said.verdict))
    return Rows("runs", columns, tuple(rows))


def unread_rows(review: Review) -> Rows:
    """Return one row per thing that is in a file but was not read."""
    columns = (
        Column("file", width=24),
        Column("handle", width=14),
        Column("layer", width=20),
        Column("kind", width=16),
        Column("reason", width=70),
        Column("where", width=40),
    )
    rows = []
    for unread in review.unread:
        where = "not known: it could be anywhere"
        if unread.box_m is not None:
            low, high = (", ".join(f"{v:.2f}" for v in corner) for corner in unread.box_m)
            where = f"{low} to {high} m"
        rows.append((unread.file, unread.handle, unread.layer, unread.kind, unread.reason, where))
    return Rows("not read", columns, tuple(rows))


def decision_rows(known: Sequence[Matter]) -> Rows:
    """Return one row per matter of the project's decisions, those that are mended too."""
    columns = (
        Column("no.", "count", 6),
        Column("decided", width=11),
        Column("stands", width=14),
        Column("owner", width=16),
        Column("due", width=11),
        Column("by", width=16),
        Column("note", width=40),
        Column("run", width=16),
        Column("what", width=60),
        Column("first found", width=21),
        Column("mended", width=21),
        Column("finding", width=24),
    )
    rows = tuple(
        (
            m.number, m.decided, m.presence + (" ?" if m.ambiguous else ""), m.owner, m.due, m.by, m.note,
            m.finding.run or "", m.finding.message, m.since, m.mended or "", m.finding.finding_id,
        )
        for m in known
    )  # fmt: skip
    return Rows("decisions", columns, rows)


def trend_rows(points: Iterable[Checkpoint]) -> Rows:
    """Return one row per recorded check: number, when, rule set, what it counted and what it changed."""
    names = ("violation", "caution", "runs fail", "runs unchecked", "runs pass")
    columns = (
        Column("revision", "count", 9),
        Column("checked", width=21),
        Column("rules", width=12),
        *(Column(name, "count", 12) for name in names),
        Column("not read", "count", 9),
        *(Column(name, "count", 10) for name in ("new", "mended", "gone, unproven", "returned")),
    )
    rows: list[tuple[str | int | float | None, ...]] = [
        (
            p.number, p.made, p.rules, *(p.counts.get(name, 0) for name in names), p.unread,
            p.fresh, p.mended, p.lost, p.returned,
        )
        for p in points
    ]  # fmt: skip
    return Rows("trend", columns, tuple(rows))


def review_notes(review: Review) -> tuple[str, ...]:
    """Return what a reader of the tables needs to know: caution, rule set, counts, files and notes."""
    counts = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in counts_of(review).items())
    lines = [review.caution, f"Checked {review.made} by {review.rules}: {counts}."]
    for source in review.inputs:
        lines.append(f"File {source.file}, sha256 {source.sha256}, {source.entities} entities, unit {source.unit}.")
        lines += [f"{source.file}: {note}" for note in source.notes]
    return (*lines, *review.notes)
