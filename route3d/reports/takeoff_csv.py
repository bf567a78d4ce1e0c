"""A take-off as CSV: one file per table, or the cut list alone."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

from route3d.model.finding import CAUTION
from route3d.model.plan import TakeOff
from route3d.plans.without_route import IN_TAKE_OFF, left_out
from route3d.reports.takeoff_rows import Cell, Rows, length_rows, remarks, tables

# What a spreadsheet takes for the beginning of a formula.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_DECIMALS = 4


def csv_files(takeoff: TakeOff) -> dict[str, str]:
    """Return the text of one file per table, by name, and of the notes."""
    files = {f"{rows.name.replace(' ', '-')}.csv": csv_text(rows) for rows in tables(takeoff)}
    lines = [[safe(line)] for line in (CAUTION, *remarks(takeoff))]
    return {**files, "notes.csv": _joined([["note"], *lines])}


def csv_lengths(takeoff: TakeOff) -> str:
    """Return the cut list as the text of one file."""
    return csv_text(length_rows(takeoff), left_out(takeoff.not_routed, IN_TAKE_OFF))


def safe(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula.

    >>> safe("=1+1"), safe("L1-LTG-04")
    ("'=1+1", 'L1-LTG-04')
    """
    return f"'{text}" if text.startswith(_FORMULA) else text


def csv_text(rows: Rows, said: Sequence[str] = ()) -> str:
    """Return one table as the text of a file, below it what is to be ``said``, with the caution as its last row."""
    lines = [[column.heading for column in rows.columns]]
    lines += [[_cell(cell) for cell in row] for row in rows.rows]
    # the last row says what everything that leaves the program says
    return _joined([*lines, *([safe(f"{line}.")] for line in said), [CAUTION]])


def _cell(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, str):
        return safe(cell)
    return f"{cell:.{_DECIMALS}f}".rstrip("0").rstrip(".") if isinstance(cell, float) else str(cell)


def _joined(lines: list[list[str]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerows(lines)
    # the mark tells spreadsheets that this is UTF-8
    return f"\ufeff{out.getvalue()}"
