"""A take-off on the terminal: cables, the longest lists cut, material, and what is not sure."""

from __future__ import annotations

from rich.markup import escape
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from route3d.model.finding import CAUTION
from route3d.model.plan import TakeOff
from route3d.reports.console import Console
from route3d.reports.takeoff_rows import Cell, Rows, cable_rows, length_rows, material_rows, remarks

RUNS_SHOWN = 40
REMARKS_SHOWN = 30
_SHORT = 12  # columns as narrow as this are never broken
_CABLE_COLUMNS = (
    "cable",
    "runs",
    "cut m",
    "bought m",
    "at least m",
    "proven",
    "cost",
    "weight kg",
)
_LENGTH_COLUMNS = ("run", "cable", "storey", "panel", "fitted m", "cut m", "coil", "feed in at")
_MATERIAL_COLUMNS = ("kind", "size", "detail", "count")
_DECIMALS = {"m": 2, "ft": 1, "kg": 1, "count": 0, "money": 2}


def print_takeoff(takeoff: TakeOff, project: str, console: Console, *, everything: bool = False) -> None:
    """Print a take-off; long lists are cut unless ``everything`` is asked for, and what is cut is counted."""
    console.print(Text(f"take-off · {project}", style="bold"))
    _print(cable_rows(takeoff), _CABLE_COLUMNS, console, None)
    _print(length_rows(takeoff), _LENGTH_COLUMNS, console, None if everything else RUNS_SHOWN)
    _print(material_rows(takeoff), _MATERIAL_COLUMNS, console, None)
    said = remarks(takeoff)
    shown = said if everything else said[:REMARKS_SHOWN]
    if shown:
        console.print(Text("\nto know before buying", style="bold"))
    for line in shown:
        console.print(Padding(Text(f"· {line}"), (0, 0, 0, 2)))
    if len(said) > len(shown):
        console.print(Text(f"… and {len(said) - len(shown)} more; --all shows them", style="dim"))
    console.print(Text(CAUTION, style="dim"))


def _print(rows: Rows, headings: tuple[str, ...], console: Console, most: int | None) -> None:
    if not rows.rows:
        return
    columns = [c.heading for c in rows.columns]
    chosen = [columns.index(heading) for heading in headings]
    # a column that says nothing for anyone is left out
    chosen = [k for k in chosen if any(row[k] not in (None, "") for row in rows.rows)]
    table = Table(box=None, pad_edge=False, header_style="bold", title=f"\n{rows.name}", title_justify="left")
    for k in chosen:
        number = rows.columns[k].shows != "text"
        short = number or rows.columns[k].width < _SHORT
        table.add_column(columns[k], justify="right" if number else "left", overflow="fold", no_wrap=short)
    for row in rows.rows[:most]:
        table.add_row(*(escape(_cell(row[k], rows.columns[k].shows)) for k in chosen))
    console.print(table)
    if most is not None and len(rows.rows) > most:
        console.print(Text(f"… and {len(rows.rows) - most} more; --all shows them", style="dim"))


def _cell(cell: Cell, shows: str) -> str:
    if cell is None:
        return "–"
    return cell if isinstance(cell, str) else f"{cell:.{_DECIMALS[shows]}f}"
