"""Pull sheets: one sheet of paper per run, its words in front, its drawings and straps on the back.

What has no room in front is continued on the back, and on further sides where need be: nothing is left out. Sheets are
made and written one after the other, see ``pdf_stream``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from route3d.examine import Examined
from route3d.model.finding import Finding, Review
from route3d.model.gap import Gap
from route3d.model.plan import StrapPlan, TakeOff
from route3d.reports.ink import (
    BLACK,
    GREY,
    LIGHT,
    MARGIN,
    PAPERS,
    RED,
    WHITE,
    Colour,
    Ink,
    clean,
    fitted,
    wide,
    wrapped,
)
from route3d.reports.pdf_stream import pdf_pages
from route3d.reports.pull_sheet_facts import CAUTIONS, STRAP_DATUM, Place, Sheet, sheet_of, tape
from route3d.reports.pull_sheet_strip import HEIGHT as STRIP_HEIGHT
from route3d.reports.pull_sheet_strip import Strip
from route3d.reports.pull_sheet_views import draw_elevation, draw_plan
from route3d.reports.surroundings import Surroundings

_TEXT, _LEAD = 7.0, 8.5
_SIZES = (8.4, 7.7, 7.0)  # of the facts: the largest that leaves room for everything in front
_FOOT = 74.0  # of the front: blanks to fill in, cautions
_ROW = 9.2  # of the table of straps
_COLUMNS = (0.0, 12.0, 36.0, 152.0, 204.0, 304.0, 388.0)  # of that table
_PLAN_MIN, _ELEVATION = 210.0, 128.0
_VERDICTS = {"pass": "✔ pass", "fail": "✘ FAIL", "unchecked": "? UNCHECKED"}


def write_pull_sheets(
    path: Path,
    examined: Examined,
    review: Review,
    plans: Sequence[StrapPlan] | None = None,
    takeoff: TakeOff | None = None,
    *,
    paper: str = "letter",
    say: Callable[[str, float | None], None] = lambda _doing, _share: None,
) -> int:
    """Write a sheet for each run of ``review`` and return how many; ``paper`` is letter or a4.

    Without ``plans`` the sheets show the straps that are there now, without ``takeoff`` they say that nothing was
    planned about cutting. ``say`` is told how far it is.

    Raises
    ------
    InputError
        The folder cannot be written to.
    """
    sheets = PullSheets(examined, review, plans, takeoff)
    total = len(review.runs)
    with pdf_pages(path, PAPERS[paper], f"Pull sheets: {clean(review.project)}") as canvas:
        ink = Ink(canvas)
        for number in range(total):
            say(f"pull sheet {number + 1} of {total}", number / max(total, 1))
            _Pages(ink, paper, review, sheets.sheet(number), sheets.findings(number), number, sheets.around).draw()
        if not total:
            ink.words(MARGIN, PAPERS[paper][1] - 60.0, "The project has no run: there is nothing to pull.", 11.0)
            canvas.showPage()
    return total


class PullSheets:
    """Makes the sheet of any run of a review."""

    def __init__(
        self, examined: Examined, review: Review, plans: Sequence[StrapPlan] | None, takeoff: TakeOff | None
    ) -> None:
        self.scene, self.review = examined.scene, review
        self.around = Surroundings(examined.scene.job)
        self._plans = {plan.run_id: plan for plan in plans or ()}
        self._cuts = {cut.run_id: cut for cut in takeoff.lengths} if takeoff is not None else {}
        self._coils = _coils(takeoff)
        self._findings: dict[str, list[tuple[int, Finding]]] = {}
        self._of_all: list[tuple[int, Finding]] = []
        for number, finding in enumerate(review.findings, start=1):
            for name in {finding.run, finding.other} - {None}:
                self._findings.setdefault(str(name), []).append((number, finding))
            if finding.run is None and finding.unchecked:
                self._of_all.append((number, finding))
        self._gaps: dict[str, list[Gap]] = {}
        for gap in self.scene.gaps.pairs:
            self._gaps.setdefault(self.scene.fitted[gap.run].run.run_id, []).append(gap)

    def findings(self, number: int) -> list[tuple[int, Finding]]:
        """Return the findings that speak of a run, and those of the whole job that take the pass from every run."""
        own = self._findings.get(self.review.runs[number].fitted.run.run_id, [])
        seen = {n for n, _ in own}
        return [*own, *(f for f in self._of_all if f[0] not in seen)]

    def sheet(self, number: int) -> Sheet:
        """Return what the sheet of a run says."""
        run = self.review.runs[number]
        name = run.fitted.run.run_id
        gaps = self._gaps.get(name, ())
        plan, cut = self._plans.get(name), self._cuts.get(name)
        coils = self._coils.get(name, ())
        return sheet_of(self.scene, run, self.findings(number), gaps, self.around, plan, cut, coils)


def _coils(takeoff: TakeOff | None) -> Mapping[str, list[str]]:
    found: dict[str, list[str]] = {}
    for cable in takeoff.cables if takeoff is not None else ():
        for coil in cable.coils:
            for turn, (name, length_m) in enumerate(coil.cuts, start=1):
                stock = "" if coil.stock == "new" else f", offcut {coil.stock}"
                said = f"coil {coil.number} of {cable.cable_id}{stock}, cut {turn} ({tape(length_m)})"
                found.setdefault(name, []).append(said)
        for name in cable.too_long:
            found.setdefault(name, []).append("LONGER THAN ANY COIL: a box on the way, or a longer reel")
    return found


@dataclass(slots=True)
class _Notice:
    """A box of findings, and what of it is still to be shown."""

    heading: str
    lines: list[str]
    colour: Colour
    left: list[str] = field(default_factory=list)


class _Pages:
    """All sides of one sheet."""

    def __init__(
        self,
        ink: Ink,
        paper: str,
        review: Review,
        sheet: Sheet,
        findings: Sequence[tuple[int, Finding]],
        number: int,
        around: Surroundings,
    ) -> None:
        self.ink, self.paper, self.review, self.sheet = ink, paper, review, sheet
        self.findings, self.number, self.around = findings, number, around
        self.width, self.height = PAPERS[paper]
        self.inner = self.width - 2.0 * MARGIN
        self.side = 0
        self.size = _TEXT
        self._set: dict[float, list[list[tuple[str, list[str]]]]] = {}  # facts in columns, by size of text

    def draw(self) -> None:
        """Draw front and back, and as many sides more as it takes; their count is even."""
        notices = [
            _Notice("✘ DO NOT PULL BEFORE THIS IS MENDED", list(self.sheet.stop), RED),
            _Notice("? NOT CHECKED: this is not clear", list(self.sheet.unchecked), BLACK),
            _Notice("! CONFIRM", list(self.sheet.confirm), BLACK),
        ]
        self._front(notices)
        left = self._back([n for n in notices if n.left])
        while left.places or left.notices:
            left = self._more(left)
        if self.side % 2:
            self._header()
            self.ink.words(MARGIN, self.height - 80.0, "Notes", 8.0, colour=GREY)
            for k in range(1, 24):
                y = self.height - 80.0 - 26.0 * k
                self.ink.line([(MARGIN, y), (MARGIN + self.inner, y)], 0.3, GREY)
            self._end_side()

    # --- front ----------------------------------------------------------------------------------------------------

    def _front(self, notices: Sequence[_Notice]) -> None:
        y = self._header()
        steps = self._steps_height()
        wanted = [n for n in notices if n.lines]
        texts = sum(20.0 + _LEAD * sum(len(wrapped(t, _TEXT, self.inner - 12.0)) for t in n.lines) for n in wanted)
        for self.size in _SIZES:
            room = y - MARGIN - _FOOT - steps - self._facts_height() - STRIP_HEIGHT - 14.0
            if room >= texts:
                break
        for k, notice in enumerate(wanted):
            # every heading is in front; the worst kind takes what room there is
            spare = room - 24.0 * (len(wanted) - k - 1)
            used = self._notice(y, notice, max(spare, 24.0))
            y, room = y - used, room - used
        y = self._facts(y)
        Strip(self.ink, MARGIN, y - 2.0, self.inner, self.sheet.run).draw(self.sheet.places, self.findings)
        y -= STRIP_HEIGHT + 4.0
        self._steps(y)
        self._foot()
        self._end_side()

    def _header(self) -> float:
        run, ink = self.sheet.run, self.ink
        self.side += 1
        top = self.height - MARGIN
        verdict = _VERDICTS[self.sheet.verdict]
        colour = RED if self.sheet.verdict == "fail" else BLACK
        ink.words(MARGIN + self.inner, top - 12.0, verdict, 13.0, bold=True, colour=colour, anchor="end")
        ink.words(MARGIN, top - 11.0, "Pull sheet", 8.0, colour=GREY)
        width = self.inner - wide("Pull sheet", 8.0) - wide(verdict, 13.0, True) - 24.0
        left = MARGIN + wide("Pull sheet", 8.0) + 8.0
        name = clean(run.fitted.run.run_id)
        size = next((s for s in (15.0, 12.0, 9.0) if wide(name, s, True) <= width), 7.0)
        lines = wrapped(name, size, width, True)
        y = top - 12.0
        for line in lines:
            ink.words(left, y, line, size, bold=True)
            y -= size * 1.15
        y = min(y, top - 25.0) + (2.0 if len(lines) == 1 else -3.0)
        about = (
            f"{self.review.project} · rules {self.review.rules} · checked {self.review.made} · sheet {self.number + 1} "
            f"of {len(self.review.runs)}, side {self.side}"
        )
        ink.words(MARGIN, y, fitted(about, _TEXT, self.inner), _TEXT)
        ink.line([(MARGIN, y - 4.0), (MARGIN + self.inner, y - 4.0)], 0.8)
        return y - 9.0

    def _notice(self, y: float, notice: _Notice, room: float) -> float:
        """Draw a box of findings in at most ``room``, note what is left, and return how high it is."""
        ink = self.ink
        heading = f"{notice.heading} ({len(notice.lines)})"
        lines: list[str] = []
        left = list(notice.lines)
        most = int((room - 16.0) / _LEAD)
        while left:
            more = wrapped(left[0], _TEXT, self.inner - 12.0)
            reserve = 1 if len(left) > 1 else 0
            if len(lines) + len(more) + reserve > most:
                break
            lines += more
            left.pop(0)
        notice.left = left
        if left and most > len(lines):
            lines.append(f"{'and ' if lines else ''}{len(left)} more on the next side")
        elif left:
            heading += ": on the next side"
        high = 12.0 + _LEAD * len(lines) + (3.0 if lines else 0.0)
        strong = notice.colour == RED
        ink.box(MARGIN, y - 11.0, self.inner, 11.0, fill=notice.colour if strong else LIGHT, edge=notice.colour)
        ink.words(MARGIN + 5.0, y - 8.4, heading, 8.0, bold=True, colour=WHITE if strong else BLACK)
        ink.box(MARGIN, y - high, self.inner, high, edge=notice.colour, pen=1.4 if strong else 0.6)
        for k, line in enumerate(lines):
            ink.words(MARGIN + 6.0, y - 19.0 - _LEAD * k, line, _TEXT, colour=notice.colour)
        return high + 4.0

    def _columns(self) -> list[list[tuple[str, list[str]]]]:
        """Return the facts in two columns of about one height, in reading order."""
        if self.size in self._set:
            return self._set[self.size]
        width = self.inner / 2.0 - 64.0
        entries = [(label, wrapped(value, self.size, width)) for label, value in self.sheet.facts]
        heights = [len(lines) for _, lines in entries]
        split = min(range(len(entries) + 1), key=lambda k: max(sum(heights[:k]), sum(heights[k:])))
        self._set[self.size] = [entries[:split], entries[split:]]
        return self._set[self.size]

    def _facts_height(self) -> float:
        return max(sum(len(lines) for _, lines in column) for column in self._columns()) * self.size * 1.22 + 10.0

    def _facts(self, y: float) -> float:
        top = y - 7.0
        for side, column in enumerate(self._columns()):
            x, at = MARGIN + side * (self.inner / 2.0 + 4.0), top
            for label, lines in column:
                self.ink.words(x, at, label, 6.2, colour=GREY)
                if lines == [""]:
                    self.ink.line([(x + 60.0, at - 1.5), (x + self.inner / 2.0 - 8.0, at - 1.5)], 0.3, GREY)
                for line in lines:
                    self.ink.words(x + 60.0, at, line, self.size)
                    at -= self.size * 1.22
        return y - self._facts_height()

    def _step_lines(self) -> list[list[str]]:
        return [wrapped(step, 7.6, self.inner / 2.0 - 24.0) for step in self.sheet.steps]

    def _steps_height(self) -> float:
        lines = self._step_lines()
        half = (len(lines) + 1) // 2
        return max(sum(len(s) for s in part) * 9.2 + 3.0 * len(part) for part in (lines[:half], lines[half:])) + 14.0

    def _steps(self, y: float) -> None:
        self.ink.words(MARGIN, y - 7.0, "Steps: tick each one", 7.6, bold=True)
        lines = self._step_lines()
        half = (len(lines) + 1) // 2
        for side, part in enumerate((lines[:half], lines[half:])):
            x, at = MARGIN + side * self.inner / 2.0, y - 18.0
            for k, step in enumerate(part, start=1 + side * half):
                self.ink.box(x, at - 1.2, 7.4, 7.4, pen=0.8)
                for row, line in enumerate(step):
                    self.ink.words(x + 11.0, at - 9.2 * row, f"{k}. {line}" if row == 0 else line, 7.6)
                at -= 9.2 * len(step) + 3.0

    def _foot(self) -> None:
        y = MARGIN + _FOOT - 16.0
        x = MARGIN
        for label, share in (
            ("Pulled by", 0.30),
            ("Date", 0.17),
            ("Length used", 0.20),
            ("Coil", 0.13),
            ("Left on coil", 0.20),
        ):
            width = wide(label, 7.6) + 4.0
            self.ink.words(x, y, label, 7.6, bold=False)
            self.ink.line([(x + width, y - 1.5), (x + share * self.inner - 6.0, y - 1.5)], 0.5)
            x += share * self.inner
        y -= 12.0
        for text in (*CAUTIONS, self.review.caution):
            for line in wrapped(text, 5.8, self.inner):
                self.ink.words(MARGIN, y, line, 5.8)
                y -= 6.8

    # --- back -----------------------------------------------------------------------------------------------------

    def _back(self, notices: list[_Notice]) -> _Left:
        y = self._header()
        room = y - MARGIN
        table = 22.0 + _ROW * sum(len(lines) for lines in self._holders(self.sheet.places))
        texts = sum(20.0 + _LEAD * sum(len(wrapped(t, _TEXT, self.inner - 12.0)) for t in n.left) for n in notices)
        plan = max(_PLAN_MIN, min(room - _ELEVATION - table - texts - 24.0, 0.48 * self.height))
        draw_plan(self.ink, (MARGIN, y - plan, self.inner, plan), self.sheet, self.around, self.paper)
        y -= plan + 6.0
        box = (MARGIN, y - _ELEVATION, self.inner, _ELEVATION)
        draw_elevation(self.ink, box, self.sheet, self.around, self.paper)
        y -= _ELEVATION + 8.0
        return self._rest(y, _Left(list(self.sheet.places), [_Notice(n.heading, n.left, n.colour) for n in notices]))

    def _more(self, left: _Left) -> _Left:
        return self._rest(self._header(), left)

    def _rest(self, y: float, left: _Left) -> _Left:
        """Draw as much of the table and of the findings as there is room for; end the side, return what is left."""
        y, places = self._table(y, left.places)
        notices: list[_Notice] = []
        for notice in left.notices:
            if y - MARGIN > 60.0 and not places:
                y -= self._notice(y, notice, y - MARGIN)
                notice = _Notice(notice.heading, notice.left, notice.colour)
            if notice.lines:
                notices.append(notice)
        self._end_side()
        return _Left(places, notices)

    def _table(self, y: float, places: list[Place]) -> tuple[float, list[Place]]:
        ink = self.ink
        if not places:
            if not self.sheet.places:
                ink.words(MARGIN, y - 8.0, "Nothing holds this run between its ends.", 7.6)
                y -= 14.0
            return y, []
        if y - MARGIN < 22.0 + _ROW:
            return y, places
        ink.words(MARGIN, y - 8.0, f"What holds the run: {STRAP_DATUM}", 7.6, bold=True)
        x = [MARGIN + at for at in _COLUMNS]
        y -= 18.0
        names = ("", "", "from the start end", "from the last", "height of centre", "what", "shared with; held by")
        for at, name in zip(x, names, strict=True):
            ink.words(at, y, name, 6.0, colour=GREY)
        ink.line([(MARGIN, y - 2.5), (MARGIN + self.inner, y - 2.5)], 0.5)
        first = len(self.sheet.places) - len(places)
        before = self.sheet.places[first - 1].at_m if first else 0.0
        shown = 0
        for place, lines in zip(places, self._holders(places), strict=True):
            if y - _ROW * len(lines) < MARGIN + 4.0 and shown:
                break
            shown += 1
            y -= _ROW
            ink.box(x[0], y - 1.0, 6.0, 6.0, pen=0.6)
            ink.words(x[1], y, place.mark, _TEXT, bold=place.mark.startswith("S"))
            ink.words(x[2], y, tape(place.at_m), _TEXT, bold=place.mark.startswith("S"))
            ink.words(x[3], y, f"+{(place.at_m - before) * 1000.0:.0f} mm", _TEXT)
            ink.words(x[4], y, fitted(tape(place.height_m), _TEXT, x[5] - x[4] - 4.0), _TEXT)
            ink.words(x[5], y, fitted(place.what, _TEXT, x[6] - x[5] - 4.0, place.new), _TEXT, bold=place.new)
            for k, line in enumerate(lines):
                ink.words(x[6], y - _ROW * k, line, _TEXT)
            y -= _ROW * (len(lines) - 1)
            before = place.at_m
        if shown < len(places):
            ink.words(MARGIN + self.inner, y - 8.0, "continued on the next side", 6.0, anchor="end", colour=GREY)
        return y - 10.0, places[shown:]

    def _holders(self, places: Sequence[Place]) -> list[list[str]]:
        """Return what holds each place, in lines of the last column; who shares it comes first."""
        width = self.inner - _COLUMNS[-1]
        shared = [f"WITH {', '.join(place.shared)}; " if place.shared else "" for place in places]
        return [wrapped(f"{s}{place.holder}", _TEXT, width) for s, place in zip(shared, places, strict=True)]

    def _end_side(self) -> None:
        self.ink.canvas.showPage()


@dataclass(frozen=True, slots=True)
class _Left:
    """What has found no room yet."""

    places: list[Place]
    notices: list[_Notice]
