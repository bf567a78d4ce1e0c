"""A run unrolled: chainage from left to right, on one letter page that reads in black and white.

Zones are hatched bands, what holds the run has a shape of its own, a span that fails is a black bar with crosses, one
that is exempt a hatched bar. The same drawing is written as SVG and as PNG. The drawing library is loaded on first use.
"""

from __future__ import annotations

import io
import math
import re
import textwrap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np

from route3d.errors import InputError
from route3d.kernel.path import points_at
from route3d.model.finding import Finding, Review, RunReview
from route3d.model.span import Span
from route3d.model.support import Support
from route3d.reports.strip_layout import cut, rows_of, spread
from route3d.units import METRES_PER_UNIT, feet_inches

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

WIDTH_IN, HEIGHT_IN = 10.2, 7.4  # inside the margins of a letter page, landscape
_LEFT, _RIGHT = 0.085, 0.985
_SMALL, _TEXT, _TITLE = 6.5, 7.5, 11.0
_LINES = 8  # of words under the strip; what has no room is counted

# (facecolour, hatch) of each kind of zone; they differ by hatch, so that a copy machine keeps them apart.
_ZONES = {
    "accessible-ceiling": ("#ffffff", "//"),
    "inaccessible": ("#d9d9d9", "xx"),
    "wet": ("#ffffff", ".."),
    "damp": ("#ffffff", "--"),
    "corrosive": ("#ffffff", "**"),
    "damage": ("#ffffff", "||"),
    "plenum": ("#ffffff", "oo"),
    "duct": ("#d9d9d9", "oo"),
    "attic": ("#ffffff", "\\\\\\\\"),
    "buried": ("#d9d9d9", ".."),
}
_OTHER_ZONE = ("#ffffff", "++")
_GROUP_ID = re.compile(r' id="[A-Za-z0-9.]+_\d+"')
_EXEMPT_HATCH = "////"


def strip_svg(review: Review, run_id: str) -> str:
    """Return the strip of one run as an SVG element, the same bytes for the same review.

    Raises
    ------
    InputError
        The review has no run of that id.
    """
    with _drawn(review, run_id) as figure:
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = out.getvalue()
    # names of groups that nothing refers to; on a page with several strips they would stand more than once
    return _GROUP_ID.sub("", text[text.index("<svg") :])


def strip_png(review: Review, run_id: str, dots_per_inch: int = 200) -> bytes:
    """Return the strip of one run as a PNG; errors as ``strip_svg``."""
    with _drawn(review, run_id) as figure:
        out = io.BytesIO()
        figure.savefig(out, format="png", dpi=dots_per_inch, metadata={"Software": None})
    return out.getvalue()


@contextmanager
def _drawn(review: Review, run_id: str) -> Iterator[Figure]:
    run = next((r for r in review.runs if r.fitted.run.run_id == run_id), None)
    if run is None:
        raise InputError(review.project, f"has no run {run_id!r}")
    import matplotlib
    from matplotlib.figure import Figure

    style: dict[Any, Any] = {
        "svg.hashsalt": run_id,  # ids that stay the same, and differ between the strips of one page
        "svg.fonttype": "none",
        "text.parse_math": False,  # a name from a drawing may hold anything
        "hatch.linewidth": 0.5,
        "font.size": _TEXT,
        "font.family": "DejaVu Sans",
        "axes.linewidth": 0.6,
    }
    with matplotlib.rc_context(style), warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a character that the font lacks is drawn as a box
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        _Strip(review, run, figure).draw()
        yield figure


class _Strip:
    """The drawing of one run."""

    def __init__(self, review: Review, run: RunReview, figure: Figure) -> None:
        self.review = review
        self.run = run
        self.figure = figure
        self.length = run.fitted.length_m
        self.span = 1.04 * max(self.length, 1e-3)
        self.inches = (_RIGHT - _LEFT) * WIDTH_IN
        numbered = list(enumerate(review.findings, start=1))
        name = run.fitted.run.run_id
        self.findings = [(n, f) for n, f in numbered if name in (f.run, f.other)]
        self.letters: list[str] = []
        self.upright = _SMALL
        self.bad = [(n, f) for n, f in self.findings if f.severity == "violation" or f.unchecked]

    def draw(self) -> None:
        """Lay the rows out from the top; the elevation takes what is left."""
        zones = rows_of([(z.from_m, z.to_m) for z in self.run.zones])
        shown = sorted(((n, f) for n, f in self.findings if self._has_place(f)), key=lambda x: _middle(x)[0])
        label = self._metres(3.0 * _SMALL)
        lines = rows_of([(min(at[0], m - label), max(at[1], m + label)) for at, m in map(_middle, shown)])
        zones_high = min(0.032 * (max(zones, default=0) + 1), 0.09)
        findings_high = 0.024 * min(max(lines, default=0) + 1, 3)
        spans_high, words_high, axis_high = 0.11, 0.218, 0.030
        left = 0.893 - zones_high - findings_high - spans_high - words_high - axis_high - 0.016
        cable_high = min(0.36 if self._supports() else 0.26, left - 0.085)
        self.upright = _SMALL - (0.5 if cable_high > 0.34 else 1.3)  # of what stands on its side beside the cable
        top = 0.893 - zones_high
        self._zones(self._axes(top, zones_high), zones)
        top -= cable_high + 0.003
        self._cable(self._axes(top, cable_high))
        top -= spans_high + 0.005
        self._spans(self._axes(top, spans_high))
        top -= findings_high + 0.008
        self._places(self._axes(top, findings_high), shown, lines)
        self._elevation(self._axes(words_high, top - axis_high - words_high))
        self._words()

    def _axes(self, bottom: float, height: float) -> Axes:
        axes = self.figure.add_axes((_LEFT, bottom, _RIGHT - _LEFT, height))
        axes.set_xlim(-0.02 * self.span, self.length + 0.02 * self.span)
        axes.set_ylim(0.0, 1.0)
        axes.patch.set_visible(False)  # a label that reaches out of its row stays readable
        axes.set_xticks([])
        axes.set_yticks([])
        for side in ("top", "right", "left", "bottom"):
            axes.spines[side].set_visible(False)
        return axes

    def _named(self, axes: Axes, y: float, name: str) -> None:
        axes.annotate(
            name, (0.0, y), xycoords="axes fraction", xytext=(-4, 0), textcoords="offset points",
            ha="right", va="center", fontsize=_SMALL,
        )  # fmt: skip

    def _fits(self, metres: float, text: str, size: float = _SMALL) -> bool:
        return metres / self.span * self.inches * 72.0 > 0.60 * size * len(text) + 2.0

    # --- rows ---------------------------------------------------------------------------------------------------------

    def _zones(self, axes: Axes, rows: Sequence[int]) -> None:
        self._named(axes, 0.5, "zones")
        if not self.run.zones:
            axes.text(self.length / 2.0, 0.5, "no zone", ha="center", va="center", fontsize=_SMALL, color="0.35")
            return
        axes.set_ylim(max(rows) + 1.0, 0.0)
        for stretch, row in zip(self.run.zones, rows, strict=True):
            face, hatch = _ZONES.get(stretch.zone.kind, _OTHER_ZONE)
            wide = stretch.to_m - stretch.from_m
            look: dict[str, Any] = {"facecolor": face, "hatch": hatch, "edgecolor": "0.45", "linewidth": 0.6}
            axes.broken_barh([(stretch.from_m, wide)], (row + 0.08, 0.84), **look)
            name = f"{stretch.zone.kind}: {stretch.zone.name}"
            text = name if self._fits(wide, name) else stretch.zone.kind
            if not self._fits(wide, text):
                text = self._letter(name)
            self._label(axes, (stretch.from_m + stretch.to_m) / 2.0, row + 0.5, text)

    def _letter(self, name: str) -> str:
        """Return the letter of a zone whose name has no room in its band; the key explains it."""
        if name not in self.letters:
            self.letters.append(name)
        return chr(ord("A") + self.letters.index(name) % 26)

    def _label(self, axes: Axes, x: float, y: float, text: str, *, bold: bool = False, inverse: bool = False) -> None:
        axes.text(
            x, y, text, ha="center", va="center", fontsize=_SMALL, color="white" if inverse else "black",
            fontweight="bold" if bold else "normal",
            bbox={"facecolor": "black" if inverse else "white", "edgecolor": "none", "pad": 1.0},
        )  # fmt: skip

    def _cable(self, axes: Axes) -> None:
        """The cable as a double line, with what holds it below and its bends above."""
        middle = 0.66
        for y, name in ((middle, "cable"), (0.88, "bends"), (0.30, "held at")):
            self._named(axes, y, name)
        flat: dict[str, Any] = {"solid_capstyle": "butt"}
        axes.plot([0.0, self.length], [middle] * 2, color="black", linewidth=7.0, **flat)
        axes.plot([0.0, self.length], [middle] * 2, color="white", linewidth=5.0, **flat)
        for judged in self.run.bends:
            axes.plot([judged.bend.from_m, judged.bend.to_m], [middle] * 2, color="0.45", linewidth=5.0, **flat)
        self._bends(axes, middle)
        self._held(axes, middle)
        self._ends(axes, middle)

    def _nothing(self, axes: Axes, y: float, text: str) -> None:
        axes.text(self.length / 2.0, y, text, ha="center", va="center", fontsize=_SMALL, color="0.35")

    def _bends(self, axes: Axes, middle: float) -> None:
        bends = self.run.bends
        if not bends:
            self._nothing(axes, middle + 0.25, "no bend")
        places = spread([b.bend.at_m for b in bends], self._metres(_SMALL * 1.35), 0.0, self.length)
        for judged, x in zip(bends, places, strict=True):
            at = judged.bend.at_m
            bad = any(f.at_m == (judged.bend.from_m, judged.bend.to_m) for _, f in self.bad if f.check == "bend")
            ratio = "?" if judged.ratio is None else f"{math.floor(judged.ratio * 100.0 + 1e-6) / 100.0:.2f}×"
            text = f"{math.degrees(judged.bend.turn_rad):.0f}° {ratio}"
            axes.plot([at, at, x], [middle + 0.05, middle + 0.07, middle + 0.11], color="black", linewidth=0.5)
            look = ("X", 9.0, "black", "white") if bad else ("D", 4.0, "white", "black")
            self._mark(axes, at, middle, *look)
            self._upright(axes, x, middle + 0.115, f"✘ {text}" if bad else text, "bottom", bold=bad)

    def _supports(self) -> list[Support]:
        return [s for s in self.run.attachment.supports if s.kind not in ("box", "fitting")]

    def _held(self, axes: Axes, middle: float) -> None:
        supports = self._supports()
        if not supports:
            self._nothing(axes, middle - 0.3, "no strap, hanger or framing on the way")
        for support in supports:
            if support.kind == "framing":
                reach = [middle - 0.10, middle + 0.10]
                axes.plot([support.at_m] * 2, reach, color="0.55", linewidth=3.0, solid_capstyle="butt")
            else:
                axes.plot([support.at_m] * 2, [middle - 0.09, middle + 0.05], color="black", linewidth=1.2)
                face = "black" if support.secures else "white"
                self._mark(axes, support.at_m, middle - 0.10, "s" if support.secures else "o", 5.0, face, "black")
        places = spread([s.at_m for s in supports], self._metres(_SMALL * 1.3), 0.0, self.length)
        for support, x in zip(supports, places, strict=True):
            axes.plot([support.at_m, x], [middle - 0.13, middle - 0.18], color="black", linewidth=0.4)
            self._upright(axes, x, middle - 0.19, f"{support.at_m:.2f} m · {feet_inches(support.at_m)}", "top")

    def _mark(self, axes: Axes, x: float, y: float, shape: str, size: float, face: str, edge: str) -> None:
        colours: dict[str, Any] = {"markerfacecolor": face, "markeredgecolor": edge, "markeredgewidth": 0.9}
        axes.plot(x, y, marker=shape, markersize=size, **colours)

    def _upright(self, axes: Axes, x: float, y: float, text: str, side: str, *, bold: bool = False) -> None:
        weight = "bold" if bold else "normal"
        axes.text(x, y, text, rotation=90, ha="center", va=side, fontsize=self.upright, fontweight=weight)

    def _ends(self, axes: Axes, middle: float) -> None:
        for x, end, side in ((0.0, self.run.attachment.start, 1.0), (self.length, self.run.attachment.end, -1.0)):
            shape = {"open": "|", "luminaire": "h", "box": "s", "cabinet": "s", "fitting": "P"}.get(end.kind, "p")
            self._mark(axes, x, middle, shape, 13.0, "white", "black")
            axes.annotate(
                end.kind, (x, middle), xytext=(side * -6.0, 11), textcoords="offset points",
                ha="left" if side > 0 else "right", va="bottom", fontsize=_SMALL, fontstyle="italic",
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
            )  # fmt: skip

    def _spans(self, axes: Axes) -> None:
        for row, check in ((0, "securing"), (1, "supporting")):
            y = 0.76 - 0.5 * row
            self._named(axes, y, check)
            for span in self.run.spans:
                if span.check == check:
                    self._span(axes, span, y)

    def _span(self, axes: Axes, span: Span, y: float) -> None:
        middle, high = (span.from_m + span.to_m) / 2.0, 0.30
        low, length = y - high / 2.0, span.length_m
        bar = [(span.from_m, length)]
        look: dict[str, Any]
        limit, feet = "", f"({feet_inches(length)})"
        if span.limit_m is not None:
            limit, feet = f" of {span.limit_m:.2f} m", f"({feet_inches(length)} of {feet_inches(span.limit_m)})"
        texts = [f"{length:.2f} m{limit} {feet}", f"{length:.2f} m{limit}", f"{length:.2f}"]
        if span.exempt is not None:
            look = {"facecolor": "white", "hatch": _EXEMPT_HATCH, "edgecolor": "0.25", "linewidth": 0.6}
            axes.broken_barh(bar, (low, high), **look)
            name = f"exempt, {span.exempt}"
            texts = [f"{name}: {texts[0]}", f"{name}: {length:.2f} m", name, span.exempt[:1].upper()]
        elif not span.ok:
            look = {"facecolor": "black", "hatch": "xxx", "edgecolor": "white", "linewidth": 0.0}
            axes.broken_barh(bar, (low, high), **look)
            texts = [f"✘ {texts[0]}", f"✘ {texts[1]}", f"✘ {length:.2f}"]
        else:
            for x in (span.from_m, span.to_m):
                axes.plot([x, x], [low, low + high], color="black", linewidth=0.7)
            arrow = {"arrowstyle": "<->", "linewidth": 0.6, "shrinkA": 0, "shrinkB": 0}
            axes.annotate("", (span.to_m, y), (span.from_m, y), arrowprops=arrow)
        text = next((text for text in texts if self._fits(length, text)), "" if span.ok else texts[-1])
        if text:
            self._label(axes, middle, y, text, bold=not span.ok, inverse=not span.ok)

    def _has_place(self, finding: Finding) -> bool:
        mine = finding.run == self.run.fitted.run.run_id
        return finding.at_m is not None and mine and finding.severity != "note"

    def _places(self, axes: Axes, shown: Sequence[tuple[int, Finding]], lines: Sequence[int]) -> None:
        """Where the findings are, apart from each other while there is room; numbered as in the list."""
        self._named(axes, 0.5, "findings")
        if not shown:
            self._nothing(axes, 0.5, "none with a place on this run")
        count = min(max(lines, default=0) + 1, 3)
        for (number, finding), line in zip(shown, lines, strict=True):
            assert finding.at_m is not None
            bad = finding.severity == "violation"
            y = 1.0 - (line % count + 0.5) / count
            low, high = finding.at_m
            axes.plot([low, high], [y, y], color="black", linewidth=4.0 if bad else 1.4, solid_capstyle="butt")
            self._label(axes, (low + high) / 2.0, y, f"{'✘' if bad else '!'}{number}", bold=bad)

    def _elevation(self, axes: Axes) -> None:
        at = np.linspace(0.0, self.length, 600)
        heights = points_at(self.run.fitted.pieces, at)[:, 2]
        low, high = float(heights.min()), float(heights.max())
        room = max(0.45 * (high - low), 0.06)
        axes.set_ylim(low - room, high + room)
        axes.plot(at, heights, color="black", linewidth=1.6)
        axes.fill_between(at, low - room, heights, facecolor="0.93", edgecolor="none")
        for x, y, side in ((0.0, float(heights[0]), 1), (self.length, float(heights[-1]), -1)):
            below = y < (low + high) / 2.0 - 1e-9
            axes.annotate(
                f"{y:.3f} m ({feet_inches(y)})", (x, y), xytext=(3 * side, -4 if below else 4),
                textcoords="offset points", ha="left" if side > 0 else "right", va="top" if below else "bottom",
                fontsize=_SMALL,
            )  # fmt: skip
        for edge in ("left", "bottom", "top"):
            axes.spines[edge].set_visible(True)
        axes.set_ylabel("elevation, m", fontsize=_SMALL)
        axes.yaxis.set_major_locator(_ticks(4))
        axes.xaxis.set_major_locator(_ticks(14))
        axes.tick_params(labelsize=_SMALL, length=2.5)
        axes.set_xlabel("distance along the cable from its start: m below, ft above", fontsize=_SMALL, labelpad=1.5)
        feet = axes.secondary_xaxis("top", functions=(_feet, _metres))
        feet.xaxis.set_major_locator(_ticks(14))
        feet.tick_params(labelsize=_SMALL, length=2.5, pad=1.0)
        axes.grid(axis="both", color="0.8", linewidth=0.4)

    def _words(self) -> None:
        drawn, figure = self.run.fitted.run, self.figure
        verdict = {"pass": "✔ pass", "fail": "✘ fail", "unchecked": "? unchecked"}[self.run.verdict]
        figure.text(_LEFT, 0.958, f"Run {cut(drawn.run_id, 60)}", fontsize=_TITLE, fontweight="bold")
        figure.text(_RIGHT, 0.958, verdict, fontsize=_TITLE, fontweight="bold", ha="right")
        about = (
            f"{self.review.project} · cable {drawn.cable_id} · length {self.length:.3f} m ({feet_inches(self.length)})"
            f" · rules {self.review.rules} · {self.review.made}"
        )
        figure.text(_LEFT, 0.936, cut(about, 150))
        figure.text(_LEFT, 0.914, _KEY, fontsize=_SMALL, color="0.2")
        lines = [(f"{chr(ord('A') + k % 26)} = {cut(name, 150)}", False) for k, name in enumerate(self.letters)]
        used = 0
        for number, finding in self.findings:
            wrapped = _wrapped(number, finding, 3 if len(self.findings) <= 2 else 2)
            if len(lines) + len(wrapped) >= _LINES:
                break
            lines += [(text, finding.severity == "violation") for text in wrapped]
            used += 1
        if used < len(self.findings):
            lines.append((f"… and {len(self.findings) - used} more findings in the report", False))
        if not self.findings:
            lines.append(("No finding speaks of this run.", False))
        for k, (text, bold) in enumerate(lines[:_LINES]):
            weight = "bold" if bold else "normal"
            figure.text(_LEFT, 0.152 - 0.0168 * k, text, fontsize=_SMALL - 0.3, fontweight=weight)
        for k, text in enumerate(textwrap.wrap(self.review.caution, 190)[:2]):
            figure.text(_LEFT, 0.018 - 0.014 * k, text, fontsize=5.8)

    def _metres(self, points: float) -> float:
        return points / 72.0 / self.inches * self.span


_KEY = (
    "■ strap, secures   ○ hanger, supports only   grey upright: framing   ◆ bend: angle, inner radius ÷ required   "
    "hatched span: exempt   black span with ✘: fails"
)


def _middle(numbered: tuple[int, Finding]) -> tuple[tuple[float, float], float]:
    """Return the stretch of a finding that has one, and its middle."""
    _, finding = numbered
    assert finding.at_m is not None
    return finding.at_m, (finding.at_m[0] + finding.at_m[1]) / 2.0


def _wrapped(number: int, finding: Finding, most: int) -> list[str]:
    """Return a finding in at most ``most`` lines."""
    mark = {"violation": "✘", "caution": "!", "note": "·"}[finding.severity]
    text = cut(f"{mark}{number} {finding.check} ({finding.rule}): {finding.message} → {finding.remedy}", 155 * most)
    return textwrap.wrap(text, 165, subsequent_indent="      ")[:most]


def _ticks(count: int) -> MaxNLocator:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(count, steps=[1, 2, 5, 10])


def _feet(metres: Any) -> Any:
    return metres / METRES_PER_UNIT["ft"]


def _metres(feet: Any) -> Any:
    return feet * METRES_PER_UNIT["ft"]
