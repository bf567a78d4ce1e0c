"""The strap layout: plans at a scale that can be read on a ladder, and what each strap is, run by run.

A storey is cut into tiles as large as a sheet of paper at that scale; tiles that no run passes are left out. A strap is
called by the number of its run and its own, ``12-S3``; where its name finds no room, the tile says how many did not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from route3d.examine import Examined
from route3d.kernel.path import chords, points_at
from route3d.model.finding import Review, RunReview
from route3d.model.plan import StrapPlan
from route3d.plans.homeruns import storey_of
from route3d.reports.ink import BLACK, GREY, MARGIN, PAPERS, RED, WHITE, Ink, clean, fitted, wide, wrapped
from route3d.reports.pdf_stream import pdf_pages
from route3d.reports.pull_sheet_facts import CAUTIONS, STRAP_DATUM, Place, counted, places_of, tape
from route3d.reports.pull_sheet_views import (
    ABOVE_M,
    BELOW_M,
    PLAN_LEAVES_OUT,
    POINT_M,
    Frame,
    draw_building,
    draw_caption,
    draw_mark,
)
from route3d.reports.room import Taken
from route3d.reports.surroundings import Surroundings

Floats = NDArray[np.float64]

SCALES = {"letter": 48, "a4": 50}  # 1/4 in = 1 ft, and its metric neighbour
_OVERLAP = 0.06  # of a tile, on each side, so that no strap lies on an edge only
_TOP, _FOOT = 26.0, 30.0
_ROW, _SIZE = 8.8, 6.6
_VERDICTS = {"pass": "✔", "fail": "✘", "unchecked": "?"}


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    number: int  # from 1, as names of straps begin
    run: RunReview
    line_m: Floats  # (n, 3) chords of its centre line
    places: tuple[Place, ...]
    points_m: Floats  # (k, 3) of the places
    plan: StrapPlan | None
    violations: int
    storey: str


def write_strap_layout(
    path: Path,
    examined: Examined,
    review: Review,
    plans: Sequence[StrapPlan] | None = None,
    *,
    paper: str = "letter",
    scale: int | None = None,
    say: Callable[[str, float | None], None] = lambda _doing, _share: None,
) -> int:
    """Write plans and tables of straps, and return how many pages; ``scale`` is the 48 of 1:48.

    Without ``plans`` it shows the straps that are there now. Errors as ``write_pull_sheets``.
    """
    scene = examined.scene
    planned = {plan.run_id: plan for plan in plans or ()}
    broken: dict[str, int] = {}
    for finding in review.findings:
        if finding.severity == "violation":
            for name in {finding.run, finding.other} - {None}:
                broken[str(name)] = broken.get(str(name), 0) + 1
    runs = []
    for k, run in enumerate(review.runs, start=1):
        name = run.fitted.run.run_id
        places = tuple(places_of(scene.job, run, planned.get(name)))
        points = points_at(run.fitted.pieces, np.array([p.at_m for p in places])).reshape(-1, 3)
        runs.append(
            _Run(
                k, run, chords(run.fitted.pieces, 0.003), places, points, planned.get(name), broken.get(name, 0),
                storey_of(scene.job, run.fitted, run.attachment, scene.job.takeoff),
            )
        )  # fmt: skip
    width, height = PAPERS[paper]
    with pdf_pages(path, (height, width), f"Strap layout: {clean(review.project)}") as canvas:
        layout = _Layout(Ink(canvas), paper, review, Surroundings(scene.job), plans is not None)
        storeys = sorted({run.storey for run in runs})
        for storey in storeys:
            here = [run for run in runs if run.storey == storey]
            for done, tile in enumerate(_tiles(here, layout.box, SCALES[paper] if scale is None else scale)):
                say(f"strap layout, plan {done + 1}", None)
                layout.plan(storey, tile)
        say("strap layout, tables", None)
        layout.tables(runs)
    return layout.page


@dataclass(frozen=True, slots=True, eq=False)
class _Tile:
    name: str
    frame: Frame
    runs: tuple[_Run, ...]
    heights: tuple[float, float]


def _tiles(runs: Sequence[_Run], box: tuple[float, float, float, float], scale: int) -> Iterator[_Tile]:
    """Yield the tiles that a run passes, row by row from the upper left."""
    points = np.concatenate([run.line_m for run in runs])
    low, high = points.min(axis=0), points.max(axis=0)
    size = np.array([box[2], box[3]]) * scale * POINT_M
    step = size * (1.0 - 2.0 * _OVERLAP)
    extent = (high - low)[:2]
    counts = np.maximum(np.ceil((extent - size * 0.9) / step).astype(int) + 1, 1)
    first = (low + high)[:2] / 2.0 - step * (counts - 1) / 2.0
    for row in range(int(counts[1]) - 1, -1, -1):
        for column in range(int(counts[0])):
            middle = first + step * np.array([column, row])
            inside = tuple(run for run in runs if _passes(run.line_m[:, :2], middle - size / 2.0, middle + size / 2.0))
            if inside:
                name = f"{_letters(int(counts[1]) - 1 - row)}{column + 1}"
                frame = Frame(*box, (float(middle[0]), float(middle[1])), float(scale))
                yield _Tile(name, frame, inside, (float(low[2]), float(high[2])))


def _passes(line: Floats, low: Floats, high: Floats) -> bool:
    """Tell whether a line in plan meets a rectangle: each of its pieces is clipped to it."""
    start, step = line[:-1], np.diff(line, axis=0)
    enter, leave = np.zeros(len(start)), np.ones(len(start))
    for axis in range(2):
        moves = np.abs(step[:, axis]) > 1e-12
        safe = np.where(moves, step[:, axis], 1.0)
        a, b = (low[axis] - start[:, axis]) / safe, (high[axis] - start[:, axis]) / safe
        near, far = np.minimum(a, b), np.maximum(a, b)
        beside = (start[:, axis] < low[axis]) | (start[:, axis] > high[axis])
        enter = np.where(moves, np.maximum(enter, near), np.where(beside, 2.0, enter))
        leave = np.where(moves, np.minimum(leave, far), leave)
    return bool((enter <= leave).any())


def _letters(number: int) -> str:
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


class _Layout:
    def __init__(self, ink: Ink, paper: str, review: Review, around: Surroundings, planned: bool) -> None:
        self.ink, self.paper, self.review, self.around, self.planned = ink, paper, review, around, planned
        self.height, self.width = PAPERS[paper]
        self.page = 0
        self.box = (MARGIN, MARGIN + _FOOT, self.width - 2.0 * MARGIN, self.height - 2.0 * MARGIN - _TOP - _FOOT)

    def _begin(self, title: str) -> None:
        self.page += 1
        ink, top = self.ink, self.height - MARGIN
        ink.words(MARGIN, top - 10.0, fitted(f"Strap layout: {title}", 12.0, self.box[2] * 0.46, True), 12.0, bold=True)
        what = "planned straps" if self.planned else "straps as they are now; no plan was made"
        without = len(self.review.not_routed)
        if without:
            what += f"; {without} without a route not in it"
        about = f"page {self.page} · {self.review.project} · {what} · checked {self.review.made}"
        ink.words(self.width - MARGIN, top - 9.0, fitted(about, 6.6, self.box[2] * 0.52), 6.6, anchor="end")
        ink.words(
            MARGIN, top - 20.0,
            f"▲ new strap · ■ strap in place · ○ hanger, only supports · • bored framing · distances {STRAP_DATUM}",
            6.6, colour=GREY,
        )  # fmt: skip
        y = MARGIN + _FOOT - 10.0
        for line in wrapped(f"{CAUTIONS[2]} {self.review.caution}", 5.6, self.box[2]):
            ink.words(MARGIN, y, line, 5.6)
            y -= 6.6

    def _end(self) -> None:
        self.ink.canvas.showPage()

    # --- plans ----------------------------------------------------------------------------------------------------

    def plan(self, storey: str, tile: _Tile) -> None:
        """Draw one tile on a page of its own."""
        self._begin(f"{storey or 'plan'}, tile {tile.name}")
        frame, ink = tile.frame, self.ink
        left, low, right, high = frame.window_m
        top_m = tile.heights[1] + ABOVE_M
        window = ([left, low, tile.heights[0] - BELOW_M], [right, high, top_m])
        draw_building(ink, frame, self.around, "plan", window, PLAN_LEAVES_OUT, above_m=top_m)
        canvas = ink.canvas
        canvas.saveState()
        clip = canvas.beginPath()
        clip.rect(frame.x, frame.y, frame.width, frame.height)
        canvas.clipPath(clip, stroke=0, fill=0)
        lines = [[frame.place(float(x), float(y)) for x, y, _ in run.line_m.tolist()] for run in tile.runs]
        for line in lines:
            ink.line(line, 2.6, WHITE)
            ink.line(line, 1.2, BLACK)
        taken = Taken(40.0)
        marks = []
        for run in tile.runs:
            for place, point in zip(run.places, run.points_m, strict=True):
                x, y = frame.place(float(point[0]), float(point[1]))
                if frame.x <= x <= frame.x + frame.width and frame.y <= y <= frame.y + frame.height:
                    draw_mark(ink, x, y, place)
                    taken.take(x - 2.0, y - 2.0, x + 2.0, y + 2.0)
                    if not place.mark.startswith("F"):
                        marks.append((x, y, f"{run.number}-{place.mark}"))
        lost = sum(not self._label(taken, *mark) for mark in marks)
        unnamed = 0
        for run, line in zip(tile.runs, lines, strict=True):
            unnamed += not self._number(taken, run, line, frame)
        canvas.restoreState()
        said = (
            "" if not lost + unnamed else f" · names without room: {lost} of straps, {unnamed} of runs; see the tables"
        )
        draw_caption(ink, frame, f"Plan, x to the right, y up{said}", self.paper)
        self._end()

    def _label(self, taken: Taken, x: float, y: float, text: str) -> bool:
        size = 5.6
        width = wide(text, size)
        for dx, dy in _AROUND:
            a = x + dx * 4.0 - (width if dx < 0 else width / 2.0 if dx == 0 else 0.0)
            b = y + dy * 5.0 - 2.0
            if taken.free(a - 0.5, b - 1.0, a + width + 0.5, b + size - 0.6):
                self.ink.words(a, b, text, size, halo=True)
                return True
        return False

    def _number(self, taken: Taken, run: _Run, line: Sequence[tuple[float, float]], frame: Frame) -> bool:
        """Write the number of a run in a box on the longest of its pieces that is seen."""
        text = f"{run.number}{'' if not run.violations else ' ✘'}"
        width = wide(text, 7.0, True) + 4.0
        points = np.clip(np.array(line), [frame.x, frame.y], [frame.x + frame.width, frame.y + frame.height])
        sizes = np.linalg.norm(np.diff(points, axis=0), axis=1)
        for k in np.argsort(-sizes, kind="stable")[:4].tolist():
            for share in (0.5, 0.42, 0.58, 0.34, 0.66, 0.26, 0.74, 0.18, 0.82, 0.1, 0.9):
                x, y = points[k] + share * (points[k + 1] - points[k])
                if taken.free(x - width / 2.0, y - 5.0, x + width / 2.0, y + 5.0):
                    colour = RED if run.violations else BLACK
                    self.ink.box(x - width / 2.0, y - 5.0, width, 10.0, fill=WHITE, edge=colour, pen=0.8)
                    self.ink.words(x, y - 2.6, text, 7.0, bold=True, anchor="middle", colour=colour)
                    return True
        return False

    # --- tables ---------------------------------------------------------------------------------------------------

    def tables(self, runs: Sequence[_Run]) -> None:
        """Write what holds each run, in two columns a page."""
        room = self.box[3]
        width = self.box[2] / 2.0 - 8.0
        column, used = 2, room
        for run in runs:
            for kind, cells in self._rows(run, width):
                if used + _ROW > room or (kind == "head" and used + 4.0 * _ROW > room):
                    if column >= 1:
                        if column == 1:
                            self._end()
                        self._begin("straps run by run")
                        column = 0
                    else:
                        column = 1
                    used = 0.0
                    if kind != "head":
                        self._row(column, used, width, "head", (f"{run.number} continued", "", "", "", ""))
                        used += _ROW
                self._row(column, used, width, kind, cells)
                used += _ROW
            used += 0.5 * _ROW
        if self.page and column < 2:
            self._end()
        if not self.page:
            self._begin("no run")
            self._end()

    def _rows(self, run: _Run, width: float) -> Iterator[tuple[str, tuple[str, ...]]]:
        fitted_run = run.run.fitted
        straps = sum(p.mark.startswith("S") for p in run.places)
        new = sum(p.new for p in run.places)
        head = (
            f"{run.number}  {fitted_run.run.run_id} {_VERDICTS[run.run.verdict]} · {fitted_run.run.cable_id} · "
            f"{tape(fitted_run.length_m)} · {counted(straps, 'strap')}, {new} new"
        )
        yield from (("head", (line,)) for line in wrapped(head, 7.2, width, True))
        if run.violations:
            text = f"✘ {run.violations} violation(s): see its pull sheet before anything is fixed"
            yield "bad", (text,)
        for stuck in run.plan.stuck if run.plan is not None else ():
            text = f"✘ no place from {tape(stuck.from_m)} to {tape(stuck.to_m)}: {stuck.why} {stuck.remedy}"
            yield from (("bad", (line,)) for line in wrapped(text, _SIZE, width))
        for note in run.plan.notes if run.plan is not None else ():
            yield from (("note", (line,)) for line in wrapped(note, _SIZE, width))
        if not run.places:
            yield "note", ("nothing holds it between its ends",)
        for place in run.places:
            shared = f"WITH {', '.join(place.shared)}; " if place.shared else ""
            what = "NEW: " if place.new else ""
            yield "row", (
                f"{run.number}-{place.mark}", tape(place.at_m), tape(place.height_m), f"{what}{shared}{place.holder}",
            )  # fmt: skip

    def _row(self, column: int, used: float, width: float, kind: str, cells: Sequence[str]) -> None:
        ink = self.ink
        x = MARGIN + column * (width + 16.0)
        y = self.box[1] + self.box[3] - used - _ROW
        if kind == "head":
            ink.words(x, y, cells[0], 7.2, bold=True)
            ink.line([(x, y - 2.0), (x + width, y - 2.0)], 0.5)
        elif kind in ("bad", "note"):
            ink.words(x, y, cells[0], _SIZE, colour=RED if kind == "bad" else GREY)
        else:
            ink.box(x, y - 0.8, 5.6, 5.6, pen=0.5)
            stops = (9.0, 42.0, 145.0, 240.0, width)
            for k, cell in enumerate(cells):
                bold = k < 2 and "-S" in cells[0]
                text = fitted(cell, _SIZE, stops[k + 1] - stops[k] - 3.0, bold)
                ink.words(x + stops[k], y, text, _SIZE, bold=bold)


_AROUND = ((0, 1), (1, 1), (1, 0), (1, -1), (0, -1.4), (-1, -1), (-1, 0), (-1, 1), (0, 2.2), (0, -2.6))
