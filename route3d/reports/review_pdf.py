"""A review on paper: summary, findings with numbers and rule, pictures of the worst, runs, and what was not read."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from pathlib import Path

from PIL import Image
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from route3d.model.decision import Matter, by_finding
from route3d.model.finding import Finding, Review
from route3d.reports.ink import BLACK, GREY, LIGHT, MARGIN, PAPERS, RED, Ink, fitted, wrapped
from route3d.reports.pdf_stream import pdf_pages
from route3d.reports.rows import HEADINGS, LEGEND, counts_of, run_rows_worst_first
from route3d.reports.takeoff_rows import Rows

_SIZE, _LINE = 7.5, 9.4
_HEAD = 13.0
_MARKS = {"violation": "✘", "caution": "!", "note": "·"}
_FOOT_LINES = 2
_TREND_ROWS = 12  # the newest
_PICTURE_SHARE = 0.84  # of the page, for the picture of a finding; the rest is for its words


def write_review_pdf(
    path: Path,
    review: Review,
    findings: Sequence[Finding],
    known: Sequence[Matter],
    picture: Callable[[Finding], bytes | None],
    paper: str = "letter",
    trend: Rows | None = None,
) -> int:
    """Write the review as a PDF, landscape, with the caution on every page; return how many pictures are in it.

    ``picture`` draws one finding as PNG, or returns None where it is not drawn; ``trend`` is `trend_rows`.
    The same review gives the same bytes.

    Raises
    ------
    InputError
        The folder cannot be written to.
    """
    short, tall = PAPERS[paper]
    with pdf_pages(path, (tall, short), f"Review: {review.project}") as canvas:
        pages = _Pages(canvas, (tall, short), review)
        pages.begin()
        _summary(pages, review)
        if trend is not None and len(trend.rows) > 1:
            _trend(pages, trend)
        _findings(pages, findings, known)
        drawn = _pictures(pages, findings, picture)
        _runs(pages, review)
        _unread(pages, review)
        pages.end()
    return drawn


class _Pages:
    """Pages that fill from the top, each with head and caution."""

    def __init__(self, canvas: Canvas, size: tuple[float, float], review: Review) -> None:
        self.canvas, self.ink = canvas, Ink(canvas)
        self.width, self.height = size
        self.review = review
        self.number = 0
        self.y = 0.0
        self.low = MARGIN + _FOOT_LINES * _LINE + 10.0

    @property
    def room(self) -> float:
        """Width between the margins."""
        return self.width - 2.0 * MARGIN

    def begin(self) -> None:
        """Begin a page."""
        self.number += 1
        self.y = self.height - MARGIN
        self.ink.words(MARGIN, self.y, f"{self.review.project}", 8.0, bold=True)
        right = f"{self.review.rules}, checked {self.review.made}, page {self.number}"
        self.ink.words(self.width - MARGIN, self.y, right, _SIZE, colour=GREY, anchor="end")
        self.ink.line([(MARGIN, self.y - 5.0), (self.width - MARGIN, self.y - 5.0)])
        for n, line in enumerate(wrapped(self.review.caution, 7.0, self.room)):
            self.ink.words(MARGIN, MARGIN + _LINE * (_FOOT_LINES - 1 - n), line, 7.0, colour=RED)
        self.y -= 22.0

    def end(self) -> None:
        """Finish the last page."""
        self.canvas.showPage()

    def turn(self) -> None:
        """Go on to the next page."""
        self.canvas.showPage()
        self.begin()

    def need(self, height: float) -> bool:
        """Turn the page where less than ``height`` is left, and say whether that was so."""
        if self.y - height >= self.low:
            return False
        self.turn()
        return True

    def title(self, text: str) -> None:
        """Write a heading, with room for what follows."""
        self.need(60.0)
        self.y -= 8.0
        self.ink.words(MARGIN, self.y, text, 11.0, bold=True)
        self.y -= 16.0

    def lines(self, text: str, size: float = _SIZE, bold: bool = False) -> None:
        """Write a paragraph."""
        for line in wrapped(text, size, self.room, bold):
            self.need(_LINE)
            self.ink.words(MARGIN, self.y, line, size, bold=bold)
            self.y -= size * 1.3

    def table(self, headings: Sequence[str], shares: Sequence[float], rows: Sequence[Sequence[str]]) -> None:
        """Write a table; ``shares`` are widths. Headings are repeated on every page, long rows go on to the next."""
        widths = [share / sum(shares) * self.room for share in shares]
        self._headings(headings, widths)
        for row in rows:
            cells = [wrapped(cell, _SIZE, width - 6.0) for cell, width in zip(row, widths, strict=True)]
            left = max(len(lines) for lines in cells)
            start = 0
            while left > 0:
                fits = int((self.y - self.low) / _LINE)
                if fits < min(left, 3):
                    self.turn()
                    self._headings(headings, widths)
                    continue
                count = min(left, fits)
                x = MARGIN
                for lines, width in zip(cells, widths, strict=True):
                    for n, line in enumerate(lines[start : start + count]):
                        self.ink.words(x, self.y - n * _LINE, line, _SIZE)
                    x += width
                self.y -= count * _LINE
                start, left = start + count, left - count
            self.ink.line([(MARGIN, self.y + 6.0), (self.width - MARGIN, self.y + 6.0)], 0.3, GREY)
            self.y -= 3.0

    def _headings(self, headings: Sequence[str], widths: Sequence[float]) -> None:
        self.ink.box(MARGIN - 2.0, self.y - 3.0, self.room + 4.0, _HEAD, fill=LIGHT, edge=None)
        x = MARGIN
        for heading, width in zip(headings, widths, strict=True):
            self.ink.words(x, self.y, fitted(heading, _SIZE, width - 4.0, True), _SIZE, bold=True)
            x += width
        self.y -= _HEAD + 2.0


def _summary(pages: _Pages, review: Review) -> None:
    pages.ink.words(MARGIN, pages.y, f"Review of cable runs: {review.project}"[:110], 15.0, bold=True, colour=BLACK)
    pages.y -= 22.0
    counts = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in counts_of(review).items())
    pages.lines(f"{counts}.", 9.5, bold=True)
    if review.unread:
        pages.lines(f"{len(review.unread)} things were not read; they are listed at the end, and are not clear.", 9.0)
    for note in review.notes:
        pages.lines(f"· {note}")
    for source in review.inputs:
        pages.lines(f"· {source.file}: {source.entities} entities, {source.triangles} triangles, unit {source.unit}")


def _trend(pages: _Pages, trend: Rows) -> None:
    pages.title("From check to check")
    rows = [tuple(str(cell) for cell in row) for row in trend.rows[-_TREND_ROWS:]]
    pages.table([column.heading for column in trend.columns], [column.width for column in trend.columns], rows)


def _findings(pages: _Pages, findings: Sequence[Finding], known: Sequence[Matter]) -> None:
    pages.title(f"Findings ({len(findings)}), worst first")
    by_id = by_finding(known)
    rows = []
    for number, finding in enumerate(findings, start=1):
        matter = by_id.get(finding.finding_id)
        decided = "" if matter is None else "; ".join(p for p in (matter.decided, matter.owner, matter.due) if p)
        rows.append(
            (
                str(number),
                f"{_MARKS[finding.severity]} {finding.severity}" + (", not judged" if finding.unchecked else ""),
                finding.check,
                finding.run or "the job",
                finding.message,
                _number(finding.measured, finding.unit),
                _number(finding.required, finding.unit),
                finding.rule,
                finding.remedy,
                decided,
            )
        )
    headings = ("no.", "severity", "check", "run", "what", "measured", "required", "rule", "remedy", "decided")
    pages.table(headings, (3, 8, 8, 9, 27, 8, 8, 13, 22, 8), rows)


def _number(value: float | None, unit: str) -> str:
    if value is None:
        return "–"
    if unit == "m":
        return f"{value * 1000.0:.1f} mm"
    return f"{value:.4g} {unit}".strip()


def _pictures(pages: _Pages, findings: Sequence[Finding], picture: Callable[[Finding], bytes | None]) -> int:
    drawn, without = 0, 0
    for number, finding in enumerate(findings, start=1):
        data = picture(finding)
        if data is None:
            without += 1
            continue
        pages.turn()
        _picture(pages, number, finding, data)
        drawn += 1
    if drawn:
        pages.turn()
    if without:
        pages.lines(f"{without} of {len(findings)} findings have no picture here; the table has all of them.")
    return drawn


def _picture(pages: _Pages, number: int, finding: Finding, data: bytes) -> None:
    where = f"{number} · {finding.severity} · {finding.check} · {finding.run or 'the job'} · {finding.finding_id}"
    pages.lines(where, 9.0, True)
    image = Image.open(io.BytesIO(data)).convert("RGB")
    height = min(pages.room * image.height / image.width, _PICTURE_SHARE * (pages.y - pages.low))
    width = height * image.width / image.height
    packed = io.BytesIO()
    image.save(packed, format="JPEG", quality=85)  # a third of what the library makes of a PNG
    packed.seek(0)
    pages.canvas.drawImage(ImageReader(packed), MARGIN, pages.y - height, width, height)
    pages.ink.box(MARGIN, pages.y - height, width, height, pen=0.4, edge=GREY)
    pages.y -= height + 12.0
    for words in (finding.message, f"Rule: {finding.rule}", f"Remedy: {finding.remedy}"):
        pages.lines(words)


def _runs(pages: _Pages, review: Review) -> None:
    rows = run_rows_worst_first(review)
    pages.title(f"Runs ({len(rows)})")
    pages.table(
        (HEADINGS.run, HEADINGS.cable, HEADINGS.length, HEADINGS.bend, HEADINGS.gap, HEADINGS.held, HEADINGS.verdict),
        (18, 16, 8, 14, 8, 20, 10),
        [(row.run, row.cable, row.length, row.bend, row.gap, row.held, row.verdict) for row in rows],
    )
    pages.lines(LEGEND)


def _unread(pages: _Pages, review: Review) -> None:
    pages.title(f"Not read ({len(review.unread)})")
    if not review.unread:
        pages.lines("Everything in the files was read.")
        return
    pages.table(
        ("file", "handle", "layer", "kind", "why"),
        (16, 10, 16, 12, 46),
        [(u.file, u.handle, u.layer, u.kind, u.reason) for u in review.unread],
    )
