"""Proposed changes and routes on the terminal: numbers before and after, side by side."""

from __future__ import annotations

from collections.abc import Sequence

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from route3d.mending.mend import Mended
from route3d.mending.propose import Proposed
from route3d.mending.trial import Trial
from route3d.model.finding import CAUTION
from route3d.reports.console import Console
from route3d.units import METRES_PER_UNIT

_SHOWN = 4
_ROUTE_HEADINGS = ("route", "verdict", "length m", "bends", "ratio", "gap mm", "straps", "holes", "through")


def print_mended(answers: Sequence[Mended], console: Console, unit: str, *, points: bool) -> None:
    """Print what became of each run: its worst bend ratio, its smallest gap, how far its points move in all.

    ``points``: also the proposed points, in ``unit``.
    """
    table = Table(title="before → after", title_justify="left", box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for heading in ("run", "outcome", "length m", "bends", "ratio", "gap mm", "moves mm", "corners", "straps"):
        text = heading in ("run", "outcome")
        table.add_column(heading, overflow="fold", no_wrap=text, justify="left" if text else "right")
    for answer in answers:
        before, after, change = answer.before, answer.after, answer.change
        table.add_row(
            answer.run_id,
            answer.outcome,
            _pair(
                f"{before.review.fitted.length_m:.2f}", None if after is None else f"{after.review.fitted.length_m:.2f}"
            ),
            _pair(str(len(before.review.bends)), None if after is None else str(len(after.review.bends))),
            _pair(_ratio(before), None if after is None else _ratio(after)),
            _pair(_gap(before), None if after is None else _gap(after)),
            "" if change is None else f"{1000.0 * change.moved_m:.0f}",
            "" if change is None else _corners(change.new_corners, change.corners_gone),
            f"+{answer.straps_added}" if answer.straps_added else "",
        )
    console.print(table, markup=False)
    for answer in answers:
        said = _said(answer)
        if said or points:
            console.print(f"{answer.run_id}", style="bold", markup=False)
        for line in said:
            console.print(f"  {line}", markup=False, soft_wrap=True)
        if points and answer.run is not None and answer.change is not None:
            scale = METRES_PER_UNIT[unit]
            rows = ", ".join(
                "[" + ", ".join(f"{v / scale:.6g}" for v in p) + "]" for p in answer.run.corners_m.tolist()
            )
            console.print(f"  path = [{rows}]  ({unit})", markup=False, soft_wrap=True)
        if points and answer.run is not None and answer.straps_added:
            scale = METRES_PER_UNIT[unit]
            rows = ", ".join(f"{at_m / scale:.6g}" for at_m in answer.run.straps_at_m)
            console.print(f"  straps = [{rows}]  ({unit})", markup=False, soft_wrap=True)
    console.print(CAUTION, style="dim", markup=False)


def _said(answer: Mended) -> list[str]:
    lines = []
    if answer.why:
        lines.append(answer.why)
        lines.append("As drawn, or as near as was tried, it has:")
    elif answer.blocked:
        lines.append("No change was found that passes. Of what was tried, the nearest still has:")
    for finding in answer.blocked[:_SHOWN]:
        lines.append(f"· {finding.check}: {finding.message}")
    if len(answer.blocked) > _SHOWN:
        lines.append(f"· and {len(answer.blocked) - _SHOWN} more")
    lines += [f"· nothing can hold it from {s.from_m:.2f} to {s.to_m:.2f} m: {s.why}" for s in answer.stuck]
    if answer.after is not None or not answer.before.wrong:
        lines += [f"! not checked, and no other line changes that: {f.message}" for f in answer.unknown[:_SHOWN]]
    if answer.redraws_arcs:
        lines.append("! Arcs that were drawn became corners; their bends are fitted.")
    return lines + [f"! {said}" for said in answer.to_look_at]


def print_proposed(answers: Sequence[Proposed], console: Console) -> None:
    """Print the routes that were found for each run, side by side."""
    for answer in answers:
        if answer.alternatives:
            title = f"{answer.run_id}: no level and upright line is shorter than {answer.least_m:.2f} m"
            table = Table(title=Text(title), title_justify="left", box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
            for heading in _ROUTE_HEADINGS:
                text = heading in ("verdict", "through")
                table.add_column(heading, overflow="fold", justify="left" if text else "right")
            for n, one in enumerate(answer.alternatives, start=1):
                table.add_row(
                    str(n),
                    one.trial.review.verdict,
                    f"{one.trial.review.fitted.length_m:.2f}",
                    str(len(one.trial.review.bends)),
                    _ratio(one.trial),
                    _gap(one.trial),
                    str(one.straps),
                    str(one.holes),
                    " ".join(one.passed),
                )
            console.print(table, markup=False)
            for n, one in enumerate(answer.alternatives, start=1):
                for finding in one.trial.unknown[:_SHOWN]:
                    console.print(f"  route {n}: ! not checked: {finding.message}", markup=False, soft_wrap=True)
            continue
        console.print(f"{answer.run_id}: no route was found that passes. {answer.why}", style="bold", markup=False)
        for finding in answer.blocked[:_SHOWN]:
            console.print(f"  · {finding.check}: {finding.message}", markup=False, soft_wrap=True)
    console.print(CAUTION, style="dim", markup=False)


def _pair(before: str, after: str | None) -> str:
    return before if after is None or after == before else f"{before} → {after}"


def _ratio(trial: Trial) -> str:
    ratios = [bend.ratio for bend in trial.review.bends if bend.ratio is not None]
    return "" if not ratios else f"{min(ratios):.2f}"


def _gap(trial: Trial) -> str:
    gap = trial.review.smallest_gap_m
    return "" if gap is None else f"{1000.0 * gap:.1f}"


def _corners(new: int, gone: int) -> str:
    return " ".join(part for part in (f"+{new}" if new else "", f"-{gone}" if gone else "") if part)
