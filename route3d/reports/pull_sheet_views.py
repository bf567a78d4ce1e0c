"""Plan and elevation of one run with the building near it, to a scale of the trade."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.path import chords, points_at
from route3d.reports.ink import BLACK, GREY, LIGHT, WHITE, Ink, wide
from route3d.reports.pull_sheet_facts import Place, Sheet
from route3d.reports.pull_sheet_strip import compact
from route3d.reports.surroundings import VIEWS, Datum, Surroundings
from route3d.units import METRES_PER_UNIT

Floats = NDArray[np.float64]

# inches on paper for one foot, as rules and scales of the trade have them; and metric scales
_FOOT_SCALES = {
    16: "3/4",
    24: "1/2",
    32: "3/8",
    48: "1/4",
    64: "3/16",
    96: "1/8",
    128: "3/32",
    192: "1/16",
    384: "1/32",
}
_METRIC_SCALES = (10, 20, 25, 50, 75, 100, 150, 200, 250, 500)
_STRETCHES = (1, 2, 5, 10)  # how many times heights may be stretched in a long, flat elevation
POINT_M = METRES_PER_UNIT["in"] / 72.0
_BESIDE_PT = 11.0  # how far beside an end its dimension line runs
ABOVE_M, BELOW_M, _BESIDE_M = 0.35, 1.6, 0.7  # what is drawn around a run, in height and in depth
PLAN_LEAVES_OUT = frozenset({"deck", "ceiling", "strap", "hanger", "plate"})
_ELEVATION_LEAVES_OUT = frozenset({"strap", "hanger", "plate"})
_OUTLINED = frozenset({"wall", "fire-wall", "ceiling", "deck"})  # a fill would hide what is behind
_FILLS = {"structure": 0.80, "framing": 0.86, "wall": 0.90, "fire-wall": 0.82}


@dataclass(frozen=True, slots=True)
class Frame:
    """A rectangle of paper, and which part of the building it shows at which scale."""

    x: float
    y: float
    width: float
    height: float
    middle: tuple[float, float]  # of the building, to the right and up, metres
    scale: float  # metres of the building per metre of paper
    stretch: float = 1.0  # of heights

    def place(self, right_m: float, up_m: float) -> tuple[float, float]:
        """Return the point of paper of a place."""
        per_m = 1.0 / (self.scale * POINT_M)
        return (
            self.x + self.width / 2.0 + (right_m - self.middle[0]) * per_m,
            self.y + self.height / 2.0 + (up_m - self.middle[1]) * per_m * self.stretch,
        )

    @property
    def window_m(self) -> tuple[float, float, float, float]:
        """What is seen: left, low, right, high."""
        half = self.width / 2.0 * self.scale * POINT_M, self.height / 2.0 * self.scale * POINT_M / self.stretch
        return (
            self.middle[0] - half[0], self.middle[1] - half[1], self.middle[0] + half[0], self.middle[1] + half[1],
        )  # fmt: skip


def draw_plan(ink: Ink, box: tuple[float, float, float, float], sheet: Sheet, around: Surroundings, paper: str) -> None:
    """Draw the plan of a run into ``box`` (x, y, width, height), with its distances from two faces."""
    points = chords(sheet.run.fitted.pieces, 0.002)
    low, high = points.min(axis=0), points.max(axis=0)
    shown = [*_datums_shown(sheet.start_datums, box, low, high), *_datums_shown(sheet.end_datums, box, low, high)]
    ground = np.vstack([points[:, :2], *[np.array([d.foot_m]) for d in shown]])
    frame = _framed(box, ground, paper)
    left, below, right, above = frame.window_m
    window = ([left, below, low[2] - BELOW_M], [right, above, high[2] + ABOVE_M])
    draw_building(ink, frame, around, "plan", window, PLAN_LEAVES_OUT, above_m=high[2] + ABOVE_M)
    middle = (low + high) / 2.0
    for end, datums in ((points[0], sheet.start_datums), (points[-1], sheet.end_datums)):
        for letter, datum in zip("AB", datums, strict=False):
            if datum in shown:
                _dimension(ink, frame, end, datum, letter, (end - middle)[:2])
    _run(ink, frame, points[:, :2], sheet, VIEWS["plan"])
    draw_caption(ink, frame, "Plan, x to the right, y up", paper)


def draw_elevation(
    ink: Ink, box: tuple[float, float, float, float], sheet: Sheet, around: Surroundings, paper: str
) -> None:
    """Draw a run from the side that shows more of it; heights are stretched where it is long and flat."""
    points = chords(sheet.run.fitted.pieces, 0.002)
    low, high = points.min(axis=0), points.max(axis=0)
    view = "toward +y" if high[0] - low[0] >= high[1] - low[1] else "toward -x"
    right, up, deep = VIEWS[view]
    flat = points[:, [right, up]]
    plain = _framed(box, flat, paper)
    room = plain.height * 0.62 * plain.scale * POINT_M
    tall = max(float(high[2] - low[2]), 0.25)
    stretch = max((s for s in _STRETCHES if s * tall <= room), default=1)
    frame = Frame(plain.x, plain.y, plain.width, plain.height, plain.middle, plain.scale, float(stretch))
    left, below, far_right, above = frame.window_m
    window_low, window_high = [0.0] * 3, [0.0] * 3
    window_low[right], window_low[up], window_low[deep] = left, below, float(low[deep]) - _BESIDE_M
    window_high[right], window_high[up], window_high[deep] = far_right, above, float(high[deep]) + _BESIDE_M
    draw_building(ink, frame, around, view, (window_low, window_high), _ELEVATION_LEAVES_OUT)
    _run(ink, frame, flat, sheet, VIEWS[view])
    for end, anchor, shift in ((points[0], "start", 6.0), (points[-1], "end", -6.0)):
        x, y = frame.place(end[right], end[up])
        ink.words(x + shift, y + 5.0, f"z {compact(end[2])} · {end[2]:.3f} m", 5.6, anchor=anchor, halo=True)
    times = "" if stretch == 1 else f", heights {stretch} times"
    draw_caption(ink, frame, f"Elevation, looking {view.replace('-', '−')}{times}", paper)


def _datums_shown(
    datums: Sequence[Datum], box: tuple[float, float, float, float], low: Floats, high: Floats
) -> list[Datum]:
    """Leave out a face so far away that showing it would make the run itself too small; its distance is in words."""
    size = max(float((high - low)[:2].max()), 1.5)
    return [d for d in datums if d.distance_m <= 1.2 * size * max(1.0, box[3] / box[2])]


def _framed(box: tuple[float, float, float, float], points: Floats, paper: str) -> Frame:
    low, high = points.min(axis=0), points.max(axis=0)
    middle = (low + high) / 2.0
    need = max(
        (high[0] - low[0] + 0.3) / ((box[2] - 40.0) * POINT_M), (high[1] - low[1] + 0.3) / ((box[3] - 36.0) * POINT_M)
    )
    scales = tuple(_FOOT_SCALES) if paper == "letter" else _METRIC_SCALES
    scale = next((s for s in scales if s >= need), None)
    if scale is None:
        step = 100 if paper != "letter" else 96
        scale = math.ceil(need / step) * step
    return Frame(*box, (float(middle[0]), float(middle[1])), float(scale))


def draw_building(
    ink: Ink,
    frame: Frame,
    around: Surroundings,
    view: str,
    window: tuple[list[float], list[float]],
    leave_out: frozenset[str],
    above_m: float | None = None,
) -> None:
    """Draw what is near, clipped to the frame; ``window`` a box in building axes, ``above_m`` the cut of a plan."""
    canvas = ink.canvas
    canvas.saveState()
    clip = canvas.beginPath()
    clip.rect(frame.x, frame.y, frame.width, frame.height)
    canvas.clipPath(clip, stroke=0, fill=0)
    named: dict[str, tuple[float, tuple[float, float]]] = {}
    left, below, right, above = frame.window_m
    for outline in around.outlines(view, window[0], window[1], leave_out):
        if above_m is not None and outline.depth_m > above_m and outline.role not in _OUTLINED:
            # reaches above what is cut: drawn as cut, a little darker
            shade = _FILLS.get(outline.role, 0.93) - 0.04
        else:
            shade = _FILLS.get(outline.role, 0.93)
        fill = None if outline.role in _OUTLINED and view != "plan" else (shade, shade, shade)
        for outer, holes in outline.shapes:
            ring = [frame.place(*p) for p in outer]
            ink.shape(ring, fill=fill, edge=GREY, pen=0.35, holes=[[frame.place(*p) for p in h] for h in holes])
            seen = np.clip(np.array(outer), [left, below], [right, above])
            size = np.ptp(seen, axis=0)
            room = float(size[0] * size[1])
            if room > named.get(outline.role, (0.0, (0.0, 0.0)))[0]:
                middle = (seen.min(axis=0) + seen.max(axis=0)) / 2.0
                named[outline.role] = (room, frame.place(float(middle[0]), float(middle[1])))
        for a, b in outline.edges.tolist():
            ink.line([frame.place(*a), frame.place(*b)], 0.35, GREY)
    for role, (_, (x, y)) in named.items():
        ink.words(x, y - 2.0, role, 5.2, anchor="middle", colour=GREY, halo=True)
    canvas.restoreState()


def _run(ink: Ink, frame: Frame, flat: Floats, sheet: Sheet, axes: tuple[int, int, int]) -> None:
    line = [frame.place(float(a), float(b)) for a, b in flat]
    ink.line(line, 3.2, WHITE)
    ink.line(line, 1.9, BLACK)
    spots = place_points(sheet)[:, [axes[0], axes[1]]]
    crowded = len(sheet.places) > 36
    taken: list[tuple[float, float]] = []
    for place, spot in zip(sheet.places, spots, strict=True):
        x, y = frame.place(float(spot[0]), float(spot[1]))
        draw_mark(ink, x, y, place)
        clear = all(abs(x - a) > 11.0 or abs(y - b) > 6.5 for a, b in taken)
        if not place.mark.startswith("F") and not crowded and clear:
            ink.words(x, y + 5.0, place.mark, 5.2, anchor="middle", halo=True)
            taken.append((x, y))
    for (x, y), word in ((line[0], "START"), (line[-1], "END")):
        ink.ring(x, y, 3.0, fill=WHITE if word == "END" else BLACK)
        ink.words(x, y - 10.0, word, 5.6, bold=True, anchor="middle", halo=True)


def draw_mark(ink: Ink, x: float, y: float, place: Place) -> None:
    """Draw what holds a run: a square or, where it is new, a triangle secures; a ring supports only."""
    if place.mark.startswith("F"):
        ink.ring(x, y, 1.1, fill=GREY, width=0.3)
    elif place.mark.startswith("H"):
        ink.ring(x, y, 2.1)
    elif place.mark.startswith("X"):
        ink.line([(x - 2.5, y - 2.5), (x + 2.5, y + 2.5)], 1.2)
        ink.line([(x - 2.5, y + 2.5), (x + 2.5, y - 2.5)], 1.2)
    elif place.new:
        ink.shape([(x - 2.8, y - 2.2), (x + 2.8, y - 2.2), (x, y + 3.0)], fill=BLACK, edge=WHITE, pen=0.4)
    else:
        ink.box(x - 2.1, y - 2.1, 4.2, 4.2, fill=BLACK, edge=WHITE, pen=0.4)


def place_points(sheet: Sheet) -> Floats:
    """Return where each place of a sheet is, (n, 3)."""
    return points_at(sheet.run.fitted.pieces, np.array([p.at_m for p in sheet.places])).reshape(-1, 3)


def _dimension(ink: Ink, frame: Frame, end: Floats, datum: Datum, letter: str, away: Floats) -> None:
    """Draw the distance of an end from a face, beside the run: on the side that lies ``away`` from its middle."""
    a, b = np.array(frame.place(float(end[0]), float(end[1]))), np.array(frame.place(*datum.foot_m))
    along = np.array(datum.normal)
    across = np.array([-along[1], along[0]])
    across *= _BESIDE_PT if across @ away >= 0.0 else -_BESIDE_PT
    for spot in (a, b):
        ink.line([tuple(spot), tuple(spot + 1.3 * across)], 0.35, GREY)
    tail, tip = a + across, b + across
    ink.arrow(tuple(tail), tuple(tip), 0.5)
    text = f"{letter} {compact(datum.distance_m)} · {datum.distance_m * 1000.0:.0f}"
    middle, size = (tail + tip) / 2.0, float(np.linalg.norm(tip - tail))
    if size < wide(text, 5.6) + 6.0:
        # no room between the two: beyond the face, in the direction of the arrow
        middle = tip - along * 4.0
        flat = abs(along[0]) > 0.5
        anchor = ("start" if along[0] < 0.0 else "end") if flat else "middle"
        ink.words(
            middle[0],
            middle[1] - (2.0 if flat else 6.0 if along[1] > 0.0 else -2.0),
            text,
            5.6,
            anchor=anchor,
            halo=True,
        )
    elif abs(along[1]) > abs(along[0]):
        ink.words(middle[0] + 2.0, middle[1], text, 5.6, anchor="middle", halo=True, turn=90.0)
    else:
        ink.words(middle[0], middle[1] + 2.5, text, 5.6, anchor="middle", halo=True)


def draw_caption(ink: Ink, frame: Frame, text: str, paper: str) -> None:
    """Draw the rim of a view, what it shows, its scale in words and as a bar."""
    ink.box(frame.x, frame.y, frame.width, frame.height, edge=GREY, pen=0.5)
    number = round(frame.scale)
    inches = _FOOT_SCALES.get(number)
    said = f"1:{number}" if inches is None or paper != "letter" else f"{inches} in = 1 ft (1:{number})"
    ink.words(frame.x + 4.0, frame.y + frame.height - 8.0, f"{text} · {said} as printed at full size", 6.0, halo=True)
    # a bar tells the scale of a copy that was made smaller
    metres = next((m for m in (10.0, 5.0, 2.0, 1.0, 0.5, 0.2) if m / frame.scale / POINT_M < frame.width * 0.3), 0.1)
    long = metres / frame.scale / POINT_M
    x, y = frame.x + frame.width - long - 6.0, frame.y + 5.0
    ink.box(x, y, long, 2.2, fill=LIGHT, pen=0.4)
    ink.box(x, y, long / 2.0, 2.2, fill=BLACK, pen=0.4)
    ink.words(x + long, y + 4.0, f"{metres:g} m · {compact(metres)}", 5.4, anchor="end", halo=True)
