"""A comparison of two revisions as a table on the terminal, and as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from rich.markup import escape
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from route3d.compare import CHANGES, Comparison, FindingChange, ThingChange
from route3d.model.finding import CAUTION, Finding
from route3d.reports.console import Console
from route3d.reports.formats import stamp

CHANGE_MARKS = {
    "new": ("+", "bold red"),
    "worse": ("▲", "red"),
    "stayed": ("=", ""),
    "better": ("▼", "cyan"),
    "gone": ("✔", "cyan"),
}
_SHOWN = 60
_TABLE_LETTERS = 110  # narrower, a column of sentences is a column of words


def print_comparison(comparison: Comparison, console: Console, *, everything: bool = False) -> None:
    """Print what changed; what merely stayed is counted, unless ``everything`` is asked for."""
    old, new = comparison.old, comparison.new
    console.print(Text(f"{new.project}: {old.made or 'earlier'} → {new.made or 'now'}", style="bold"))
    shown = [f for f in comparison.findings if everything or f.change != "stayed"]
    cut = shown if everything else shown[:_SHOWN]
    if cut:
        (_print_table if console.width >= _TABLE_LETTERS else _print_lines)(cut, console)
    if len(cut) < len(shown):
        console.print(f"… and {len(shown) - len(cut)} more; --all shows them")
    for title, things in (("runs", comparison.runs), ("files", comparison.files), ("elements", comparison.elements)):
        _print_things(console, title, things, everything)
    for note in comparison.notes:
        console.print(Text(f"note: {note}", style="dim"))
    counts = comparison.counts
    console.print(Text(" · ".join(f"{counts[change]} {change}" for change in CHANGES), style="bold"))
    if new.unread:
        console.print(Text(f"not read in the later revision, so not clear: {new.unread} things", style="yellow"))
    console.print(Text(CAUTION, style="dim"))


def _print_table(changes: Sequence[FindingChange], console: Console) -> None:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("", "severity", "check", "run", "other", "measured", "what"):
        table.add_column(heading, overflow="fold")
    for change in changes:
        mark, style = CHANGE_MARKS[change.change]
        finding = change.finding
        table.add_row(
            Text(f"{mark} {change.change}", style=style),
            finding.severity,
            finding.check,
            *(escape(name) if name is not None else "–" for name in (finding.run, finding.other)),
            _numbers(change),
            escape(finding.message) + _doubts(change),
        )
    console.print(table)


def _print_lines(changes: Sequence[FindingChange], console: Console) -> None:
    for change in changes:
        mark, style = CHANGE_MARKS[change.change]
        finding = change.finding
        parts = (finding.severity, finding.check, finding.run, finding.other, _numbers(change))
        said = " · ".join(escape(part) for part in parts if part)
        console.print(Text(f"{mark} {change.change} ", style=style), end="")
        console.print(said)
        console.print(Padding(escape(finding.message) + _doubts(change), (0, 0, 0, 4)))


def _numbers(change: FindingChange) -> str:
    def one(finding: Finding | None, which: str) -> str:
        value = None if finding is None else getattr(finding, which)
        if finding is None or value is None:
            return ""
        return f"{value * 1000.0:.1f} mm" if finding.unit == "m" else f"{value:g} {finding.unit}".strip()

    told = " → ".join(dict.fromkeys(v for v in (one(change.old, "measured"), one(change.new, "measured")) if v))
    asked = list(dict.fromkeys(v for v in (one(change.old, "required"), one(change.new, "required")) if v))
    # what was asked matters where that is what changed
    return f"{told} (asked: {' → '.join(asked)})" if len(asked) > 1 else told


def _doubts(change: FindingChange) -> str:
    said = []
    if change.ambiguous:
        said.append("could be another one as well")
    if change.far and change.moved_m is not None:
        said.append(f"the same pair, {change.moved_m:.2f} m further on")
    return f" [dim]({'; '.join(said)})[/dim]" if said else ""


def _print_things(console: Console, title: str, things: Sequence[ThingChange] | None, everything: bool) -> None:
    if not things:
        return
    console.print(Text(f"{title} that changed: {len(things)}", style="bold"))
    for thing in things if everything else things[:_SHOWN]:
        was = f" (was {thing.was})" if thing.was is not None else ""
        console.print(Text(f"  {thing.change} {thing.name}{was}: {thing.what}"))
    if len(things) > _SHOWN and not everything:
        console.print(f"  … and {len(things) - _SHOWN} more; --all shows them")


def comparison_text(comparison: Comparison) -> str:
    """Return the comparison as JSON text, schema ``route3d-comparison/1``."""
    value = {
        **stamp("comparison"),
        "caution": CAUTION,
        "old": _revision(comparison, earlier=True),
        "new": _revision(comparison, earlier=False),
        "counts": dict(comparison.counts),
        "shift_m": list(comparison.shift_m),
        "notes": list(comparison.notes),
        "findings": [_finding(change) for change in comparison.findings],
        "runs": [_thing(thing) for thing in comparison.runs],
        "files": [_thing(thing) for thing in comparison.files],
        "elements": None if comparison.elements is None else [_thing(thing) for thing in comparison.elements],
    }
    return json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _revision(comparison: Comparison, *, earlier: bool) -> dict[str, Any]:
    revision = comparison.old if earlier else comparison.new
    return {"project": revision.project, "rules": revision.rules, "made": revision.made, "unread": revision.unread}


def _finding(change: FindingChange) -> dict[str, Any]:
    finding = change.finding
    return {
        "change": change.change,
        "old_id": None if change.old is None else change.old.finding_id,
        "new_id": None if change.new is None else change.new.finding_id,
        "check": finding.check,
        "severity": finding.severity,
        "run": finding.run,
        "other": finding.other,
        "rule": finding.rule,
        "point_m": finding.point_m,
        "old_measured": None if change.old is None else change.old.measured,
        "new_measured": None if change.new is None else change.new.measured,
        "required": finding.required,
        "unit": finding.unit,
        "message": finding.message,
        "moved_m": change.moved_m,
        "ambiguous": list(change.ambiguous),
        "far": change.far,
    }


def _thing(thing: ThingChange) -> dict[str, Any]:
    return {"change": thing.change, "name": thing.name, "was": thing.was, "what": thing.what}
