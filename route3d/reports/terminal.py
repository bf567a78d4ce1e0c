"""A review on the terminal: runs, then findings worst first, then what was not read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from rich.console import Group, RenderableType
from rich.markup import escape
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from route3d.model.finding import Finding, Review
from route3d.reports.console import Console
from route3d.reports.rows import HEADINGS, LEGEND, NOT_ROUTED, run_rows_worst_first
from route3d.rules.provenance import REMARKS

# A mark beside the word, so that neither colour nor mark is needed alone.
VERDICT_MARKS = {
    "pass": ("✔", "cyan"),
    "fail": ("✘", "bold red"),
    "unchecked": ("?", "yellow"),
    NOT_ROUTED: ("?", "yellow"),
}
SEVERITY_MARKS = {"violation": ("✘", "bold red"), "caution": ("!", "yellow"), "note": ("·", "cyan")}

RUNS_SHOWN = 60
FINDINGS_SHOWN = 60


def print_review(review: Review, console: Console, *, everything: bool = False) -> None:
    """Print a review; long lists are cut unless ``everything`` is asked for, and what is cut is counted."""
    console.print(Text(f"{review.project} · {review.rules}", style="bold"))
    console.print(_runs(review, everything))
    for part in _findings(review.findings, everything):
        console.print(part)
    for part in _unread(review):
        console.print(part)
    console.print(_counts(review))
    console.print(Text(review.caution, style="dim"))


def _runs(review: Review, everything: bool) -> RenderableType:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in (HEADINGS.run, HEADINGS.cable):
        table.add_column(heading, overflow="fold")
    for heading in (HEADINGS.length, HEADINGS.bend, HEADINGS.gap, HEADINGS.held):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column(HEADINGS.verdict, no_wrap=True)
    rows = run_rows_worst_first(review)
    shown = rows if everything else rows[:RUNS_SHOWN]
    for row in shown:
        mark, style = VERDICT_MARKS[row.verdict]
        table.add_row(
            *(escape(cell) for cell in (row.run, row.cable, row.length, row.bend, row.gap, row.held)),
            Text(f"{mark} {row.verdict}", style=style),
        )
    legend = Text(LEGEND, style="dim")
    if len(shown) == len(rows):
        return Group(table, legend)
    return Group(table, legend, Text(f"… and {len(rows) - len(shown)} more runs; --all shows them", style="dim"))


def _findings(findings: Iterable[Finding], everything: bool) -> Iterable[RenderableType]:
    findings = list(findings)
    shown = findings if everything else findings[:FINDINGS_SHOWN]
    if shown:
        yield Text("\nfindings, worst first", style="bold")
    for number, finding in enumerate(shown, start=1):
        mark, style = SEVERITY_MARKS[finding.severity]
        head = Text(f"{number:>3} {mark} {finding.severity} ", style=style)
        head.append(f"{finding.check}  {finding.run if finding.run is not None else 'project'}", style="bold")
        head.append(f"  {finding.rule}  [{finding.finding_id}]", style="dim")
        if remark := REMARKS.get(finding.source, ""):
            head.append(f"  ({remark})", style="dim italic")
        yield head
        yield Padding(Text(finding.message), (0, 0, 0, 6))
        yield Padding(Text(f"→ {finding.remedy}"), (0, 0, 0, 6))
    if len(findings) > len(shown):
        yield Text(f"… and {len(findings) - len(shown)} more findings; --all shows them", style="dim")


def _unread(review: Review) -> Iterable[RenderableType]:
    if review.unread:
        yield Text(f"\nnot read: {len(review.unread)} – not read is not clear", style="bold yellow")
        groups = Counter((u.file, u.layer, u.kind, u.reason) for u in review.unread)
        handles = {(u.file, u.layer, u.kind, u.reason): u.handle for u in review.unread}
        for (file, layer, kind, reason), count in groups.most_common(20):
            which = f"handle {handles[(file, layer, kind, reason)]}" if count == 1 else f"{count} ×"
            yield Padding(Text(f"{file}: {which} {kind} on layer {layer}: {reason}"), (0, 0, 0, 2))
        if len(groups) > 20:
            yield Padding(Text(f"… and {len(groups) - 20} more kinds; the JSON lists them all"), (0, 0, 0, 2))
    remarks = [f"{source.file}: {note}" for source in review.inputs for note in source.notes]
    for remark in (*remarks, *review.notes):
        yield Text(f"note: {remark}", style="dim")


def _counts(review: Review) -> RenderableType:
    s = review.summary
    without = f" {len(review.not_routed)} more have no route and were not checked;" if review.not_routed else ""
    return Text(
        f"\n{s['runs']} runs: {s['runs_passed']} pass, {s['runs_failed']} fail, {s['runs_unchecked']} unchecked;"
        f"{without} "
        f"{s['violations']} violations, {s['cautions']} cautions; {len(review.unread)} not read",
        style="bold",
    )
