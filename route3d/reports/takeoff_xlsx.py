"""A take-off as a workbook: one sheet per table, and one of notes; the same take-off gives the same bytes."""

from __future__ import annotations

import io
from collections.abc import Iterable
from datetime import datetime

import xlsxwriter

from route3d.model.finding import CAUTION
from route3d.model.plan import TakeOff
from route3d.reports.takeoff_rows import Rows, remarks, tables

_FORMATS = {"m": "0.00", "ft": "0.0", "kg": "0.0", "count": "0", "money": "#,##0.00", "exact": "0.0000"}
# A workbook states when it was made; a fixed day keeps equal take-offs equal.
_MADE = datetime(2000, 1, 1)
_LONGEST_CELL = 32_000  # a cell holds 32,767 characters


def workbook(takeoff: TakeOff, project: str) -> bytes:
    """Return the workbook of a take-off. Text is written as text: what looks like a formula is none."""
    return workbook_of(tables(takeoff), f"Take-off: {project}", (CAUTION, *remarks(takeoff)))


def workbook_of(sheets: Iterable[Rows], title: str, notes: Iterable[str]) -> bytes:
    """Return a workbook with one sheet per table, and one of notes; the same tables give the same bytes."""
    out = io.BytesIO()
    book = xlsxwriter.Workbook(
        out,
        {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False},
    )
    book.set_properties({"title": title, "comments": CAUTION, "created": _MADE})
    head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    shown = {name: book.add_format({"num_format": form, "valign": "top"}) for name, form in _FORMATS.items()}
    text = book.add_format({"text_wrap": True, "valign": "top"})
    for rows in sheets:
        _sheet(book, rows, head, shown, text)
    _notes(book, title, notes, head, text)
    book.close()
    return out.getvalue()


def _sheet(
    book: xlsxwriter.Workbook,
    rows: Rows,
    head: xlsxwriter.format.Format,
    shown: dict[str, xlsxwriter.format.Format],
    text: xlsxwriter.format.Format,
) -> None:
    sheet = book.add_worksheet(rows.name)
    sheet.freeze_panes(1, 1)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    sheet.set_footer("&L&8An aid for planning, not a decision on code compliance; see the notes.&R&8&P / &N")
    for k, column in enumerate(rows.columns):
        sheet.set_column(k, k, column.width)
        sheet.write_string(0, k, column.heading, head)
    for n, row in enumerate(rows.rows, start=1):
        for k, (cell, column) in enumerate(zip(row, rows.columns, strict=True)):
            if isinstance(cell, str):
                sheet.write_string(n, k, cell[:_LONGEST_CELL], text)
            elif cell is not None:
                sheet.write_number(n, k, cell, shown[column.shows])
    sheet.autofilter(0, 0, max(len(rows.rows), 1), len(rows.columns) - 1)


def _notes(
    book: xlsxwriter.Workbook,
    title: str,
    notes: Iterable[str],
    head: xlsxwriter.format.Format,
    text: xlsxwriter.format.Format,
) -> None:
    sheet = book.add_worksheet("notes")
    sheet.freeze_panes(1, 0)
    sheet.set_column(0, 0, 120)
    sheet.write_string(0, 0, title, head)
    for n, line in enumerate(notes, start=1):
        sheet.write_string(n, 0, line[:_LONGEST_CELL], text)
