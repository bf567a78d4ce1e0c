"""Why a finding stands, and all that was judged of a run, on the terminal."""

from __future__ import annotations

import math
from collections.abc import Iterable

from rich.markup import escape
from rich.table import Table
from rich.text import Text

from route3d.model.finding import Finding, JudgedBend, Review, RunReview
from route3d.model.span import Span
from route3d.reports.console import Console
from route3d.reports.terminal import SEVERITY_MARKS, VERDICT_MARKS
from route3d.rules.provenance import REMARKS
from route3d.units import TOLERANCE_M, both_units


def print_finding(review: Review, finding: Finding, console: Console) -> None:
    """Print the chain of one finding: fact, rule, conditions, exemptions, verdict; then what would mend it."""
    mark, style = SEVERITY_MARKS[finding.severity]
    where = finding.run if finding.run is not None else "project"
    console.print(Text(f"{mark} {finding.severity} {finding.check} · {where} · {finding.finding_id}", style=style))
    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column(style="bold", no_wrap=True)
    table.add_column(overflow="fold")
    last = ""
    for step in review.chains.get(finding.finding_id, ()):
        table.add_row("" if step.step == last else step.step, escape(step.text))
        last = step.step
    table.add_row("remedy", escape(finding.remedy))
    console.print(table)
    console.print(Text(review.caution, style="dim"))


def print_run(review: Review, run_id: str, console: Console) -> None:
    """Print everything that was judged of one run: bends, zones, every span with its reason, and its findings."""
    run = next(r for r in review.runs if r.fitted.run.run_id == run_id)
    mark, style = VERDICT_MARKS[run.verdict]
    head = f"{mark} {run.verdict} · {run_id} · cable {run.fitted.run.cable_id} · {both_units(run.fitted.length_m)}"
    console.print(Text(head, style=style))
    ends = run.attachment
    console.print(Text(f"from {ends.start.kind} to {ends.end.kind}; rule set {review.rules}"))
    for title, lines in (
        ("bends, inner edge", [_bend(judged, review) for judged in run.bends]),
        ("zones", [f"{z.from_m:.3f}–{z.to_m:.3f} m  {z.zone.kind}: {z.zone.name}" for z in run.zones]),
        *(
            (check, [line for span in run.spans if span.check == check for line in _span(span, review)])
            for check in ("securing", "supporting")
        ),
        ("findings", list(_findings(review, run))),
    ):
        console.print(Text(f"\n{title}", style="bold"))
        for line in lines or ["none"]:
            console.print(Text(f"  {line}"))
    console.print(Text(f"\n{review.caution}", style="dim"))


def _bend(judged: JudgedBend, review: Review) -> str:
    turn = f"{judged.bend.at_m:.3f} m  {math.degrees(judged.bend.turn_rad):.1f}°"
    if judged.required_inner_m is None:
        return f"{turn}  {both_units(judged.inner_radius_m)}, not judged  {judged.rule}"
    enough = judged.inner_radius_m + TOLERANCE_M >= judged.required_inner_m
    how = "enough" if enough else "less than"
    compared = (
        f"{both_units(judged.inner_radius_m)}, {how} {'for ' if enough else ''}{both_units(judged.required_inner_m)}"
    )
    return f"{turn}  {compared}  {_cited(judged.rule, review)}"


def _span(span: Span, review: Review) -> Iterable[str]:
    state = f"exempt: {span.exempt}" if span.exempt is not None else "ok" if span.ok else "✘ fails"
    yield f"{span.from_m:.3f}–{span.to_m:.3f} m  {both_units(span.length_m)}  {state}  {_cited(span.rule, review)}"
    for reason in span.why.split("; "):
        yield f"    {reason}"


def _cited(rule: str, review: Review) -> str:
    remark = REMARKS.get(review.sources.get(rule, ""), "")
    return f"{rule} ({remark})" if remark else rule


def _findings(review: Review, run: RunReview) -> Iterable[str]:
    run_id = run.fitted.run.run_id
    for finding in review.findings:
        if run_id in (finding.run, finding.other):
            mark, _ = SEVERITY_MARKS[finding.severity]
            yield f"{mark} {finding.finding_id}  {finding.rule}  {finding.message}"
