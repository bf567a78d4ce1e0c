"""The chainage strip of a pull sheet: the run unrolled, drawn for a printer without colour.

Zones are hatched bands, exempt spans hatched bars, failing spans black ones with ✘; straps, hangers and bored framing
have a mark each, new straps a filled triangle. Distances run along the fitted cable from the start end.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from route3d.model.finding import Finding, RunReview
from route3d.model.span import Span
from route3d.reports.ink import BLACK, GREY, LIGHT, WHITE, Ink, fitted, wide
from route3d.reports.pull_sheet_facts import Place
from route3d.reports.strip_layout import rows_of, spread
from route3d.units import METRES_PER_UNIT, feet_inches

_LABELS = 48.0  # width of the names of the rows
_SMALL, _TINY = 6.2, 5.4
_ZONE_ROWS = 3
_ZONES_HIGH = 20.0
HEIGHT = 178.0

# kind of zone -> lean and step of its hatch
_HATCHES = {
    "accessible-ceiling": (1.0, 5.0),
    "inaccessible": (-1.0, 3.0),
    "wet": (0.0, 2.5),
    "damp": (0.0, 6.0),
    "corrosive": (2.0, 3.0),
    "damage": (-2.0, 5.0),
    "plenum": (1.0, 2.5),
    "duct": (-1.0, 2.0),
    "attic": (-1.0, 6.0),
    "buried": (1.0, 1.8),
}


def compact(length_m: float) -> str:
    """Return a length as the trade writes it on a drawing.

    >>> compact(3.9161)
    '12\\'-10 3/16"'
    >>> compact(1.543)
    '5\\'-0 3/4"'
    """
    feet, _, inches = feet_inches(length_m).rpartition(" ft ")
    inches = re.sub(r"(\d)-(\d)", r"\1 \2", inches).replace(" in", '"')
    return f"{feet}'-{inches}" if feet else inches


class Strip:
    """One strip, its upper left corner at ``x``, ``y``."""

    def __init__(self, ink: Ink, x: float, y: float, width: float, run: RunReview) -> None:
        self.ink, self.run = ink, run
        self.left, self.right, self.top = x + _LABELS, x + width - 6.0, y
        self.x = x
        self.length = max(run.fitted.length_m, 1e-6)
        self.per_m = (self.right - self.left) / self.length

    def at(self, metres: float) -> float:
        """Return where a distance along the run is on paper."""
        return self.left + metres * self.per_m

    def draw(self, places: Sequence[Place], findings: Sequence[tuple[int, Finding]]) -> None:
        """Draw all rows, from the zones at the top to the scale at the foot."""
        self._zones(self.top - 22.0)
        self._bends(self.top - 64.0, findings)
        self._held(self.top - 64.0, places)
        self._spans(self.top - 138.0, any(place.new for place in places))
        self._findings(self.top - 152.0, findings)
        self._axis(self.top - 166.0)

    def _name(self, y: float, text: str) -> None:
        self.ink.words(self.x + _LABELS - 5.0, y, text, _SMALL, anchor="end", colour=GREY)

    def _zones(self, y: float) -> None:
        self._name(y + 8.0, "zones")
        rows = rows_of([(z.from_m, z.to_m) for z in self.run.zones])
        if not rows:
            self.ink.words(self.left, y + 8.0, "no zone", _SMALL, colour=GREY)
            return
        shown = min(max(rows) + 1, _ZONE_ROWS)
        high = _ZONES_HIGH / shown
        for stretch, row in zip(self.run.zones, rows, strict=True):
            # more zones at one place than there are rows share the last one; their names are in the facts
            low = y + _ZONES_HIGH - high * (min(row, shown - 1) + 1)
            a, b = self.at(stretch.from_m), self.at(stretch.to_m)
            lean, step = _HATCHES.get(stretch.zone.kind, (1.0, 4.0))
            self.ink.hatch(a, low, b - a, high - 1.0, step, lean)
            self.ink.box(a, low, b - a, high - 1.0, edge=GREY, pen=0.4)
            name = fitted(f"{stretch.zone.kind}: {stretch.zone.name}", _SMALL, b - a - 4.0)
            if len(name) > 3:
                self.ink.words((a + b) / 2.0, low + high / 2.0 - 2.6, name, _SMALL, anchor="middle", halo=True)

    def _bends(self, y: float, findings: Sequence[tuple[int, Finding]]) -> None:
        self._name(y + 14.0, "bends")
        self._name(y - 2.0, "cable")
        self.ink.box(self.left, y - 2.0, self.right - self.left, 4.0, fill=WHITE, pen=0.8)
        bad = {f.at_m for _, f in findings if f.check == "bend" and f.severity == "violation"}
        bends = self.run.bends
        for judged in bends:
            a, b = self.at(judged.bend.from_m), self.at(judged.bend.to_m)
            self.ink.box(a, y - 2.0, max(b - a, 0.6), 4.0, fill=GREY, edge=None)
        room = (self.right - self.left) / 6.6
        labelled = bends if len(bends) <= room else [b for b in bends if (b.bend.from_m, b.bend.to_m) in bad]
        places = spread([self.at(b.bend.at_m) for b in labelled], 6.6, self.left, self.right)
        for judged, x in zip(labelled, places, strict=True):
            bend = judged.bend
            ratio = "?" if judged.ratio is None else f"{math.floor(judged.ratio * 100.0 + 1e-6) / 100.0:.2f}×"
            fails = (bend.from_m, bend.to_m) in bad
            text = f"{'✘' if fails else ''}{math.degrees(bend.turn_rad):.0f}° {ratio}"
            self.ink.line([(self.at(bend.at_m), y + 2.0), (x, y + 6.0)], 0.3)
            self.ink.words(x + 1.9, y + 7.0, text, _TINY, turn=90.0, bold=fails)
            if fails:
                self.ink.diamond(self.at(bend.at_m), y, 4.0, fill=BLACK)
        for x, end in ((self.left, self.run.attachment.start), (self.right, self.run.attachment.end)):
            self.ink.box(x - 2.5, y - 4.0, 5.0, 8.0, fill=WHITE if end.kind == "open" else BLACK)

    def _held(self, y: float, places: Sequence[Place]) -> None:
        self._name(y - 22.0, "held at")
        self._name(y - 29.0, "from start")
        for place in places:
            x = self.at(place.at_m)
            if place.mark.startswith("F"):
                self.ink.line([(x, y - 5.0), (x, y + 5.0)], 1.6, GREY)
            elif place.mark.startswith("H"):
                self.ink.line([(x, y - 5.0), (x, y + 2.0)], 0.6)
                self.ink.ring(x, y - 6.5, 1.9)
            elif place.mark.startswith("X"):
                self.ink.line([(x - 2.5, y - 8.5), (x + 2.5, y - 3.5)], 1.2)
                self.ink.line([(x - 2.5, y - 3.5), (x + 2.5, y - 8.5)], 1.2)
            else:
                self.ink.line([(x, y - 5.0), (x, y + 3.5)], 0.9)
                tip = [(x - 2.6, y - 8.5), (x + 2.6, y - 8.5), (x, y - 4.0)]
                if place.new:
                    self.ink.shape(tip, fill=BLACK, edge=BLACK)
                else:
                    self.ink.box(x - 2.0, y - 8.5, 4.0, 4.0, fill=BLACK)
        labelled = list(places)
        if len(labelled) > (self.right - self.left) / 6.4:
            labelled = []
            self.ink.words(self.left, y - 22.0, "too many for this strip: see the table", _SMALL)
        xs = spread([self.at(p.at_m) for p in labelled], 6.4, self.left, self.right)
        for place, x in zip(labelled, xs, strict=True):
            self.ink.line([(self.at(place.at_m), y - 9.0), (x, y - 12.5)], 0.3)
            text = f"{place.mark} {compact(place.at_m)}"
            self.ink.words(x + 1.9, y - 13.5 - wide(text, _TINY), text, _TINY, turn=90.0)
        if not places:
            self.ink.words(self.left, y - 22.0, "nothing on the way", _SMALL, colour=GREY)

    def _spans(self, y: float, planned: bool) -> None:
        for low, check in ((y + 5.0, "securing"), (y - 4.0, "supporting")):
            # spans are judged with the straps that are there, not with those that are planned
            self._name(low + 1.5, f"{check}{' now' if planned else ''}")
            for span in self.run.spans:
                if span.check == check:
                    self._span(span, low)

    def _span(self, span: Span, y: float) -> None:
        a, b = self.at(span.from_m), self.at(span.to_m)
        limit = "" if span.limit_m is None else f" of {compact(span.limit_m)}"
        text = f"{compact(span.length_m)}{limit}"
        if span.exempt is not None:
            self.ink.hatch(a, y, b - a, 7.5, 3.0)
            self.ink.box(a, y, b - a, 7.5, pen=0.4)
            text = f"exempt, {span.exempt}: {text}"
        elif span.ok:
            self.ink.box(a, y, b - a, 7.5, pen=0.4)
        else:
            self.ink.box(a, y, b - a, 7.5, fill=BLACK)
            text = f"✘ {text}"
        shown = fitted(text, _TINY, b - a - 3.0)
        if len(shown) > 4 or (not span.ok and shown):
            colour = WHITE if not span.ok and span.exempt is None else BLACK
            halo = span.exempt is not None
            self.ink.words((a + b) / 2.0, y + 1.8, shown, _TINY, anchor="middle", colour=colour, halo=halo)

    def _findings(self, y: float, findings: Sequence[tuple[int, Finding]]) -> None:
        self._name(y + 0.5, "findings")
        shown = [(n, f) for n, f in findings if f.at_m is not None and f.severity != "note"]
        shown = [(n, f) for n, f in shown if f.run == self.run.fitted.run.run_id]
        shown.sort(key=lambda found: found[1].at_m or (0.0, 0.0))
        middles = [self.at((f.at_m[0] + f.at_m[1]) / 2.0) for _, f in shown if f.at_m is not None]
        xs = spread(middles, 13.0, self.left, self.right) if len(shown) * 13.0 < self.right - self.left else middles
        for (number, finding), x in zip(shown, xs, strict=True):
            assert finding.at_m is not None
            bad = finding.severity == "violation"
            a, b = self.at(finding.at_m[0]), self.at(finding.at_m[1])
            self.ink.line([(a, y + 3.5), (max(b, a + 0.8), y + 3.5)], 1.8 if bad else 0.7)
            self.ink.words(x, y - 2.5, f"{'✘' if bad else '!'}{number}", _TINY, anchor="middle", bold=bad)

    def _axis(self, y: float) -> None:
        self._name(y + 3.0, "ft")
        self._name(y - 8.0, "m")
        self.ink.line([(self.left, y), (self.right, y)], 0.6)
        for unit, side in ((METRES_PER_UNIT["ft"], 1.0), (1.0, -1.0)):
            step = _step(self.length / unit, (self.right - self.left) / 26.0)
            for k in range(int(self.length / unit / step + 1e-9) + 1):
                x = self.at(k * step * unit)
                self.ink.line([(x, y), (x, y + 2.5 * side)], 0.4)
                self.ink.words(x, y + (3.5 if side > 0 else -8.0), f"{k * step:g}", _TINY, anchor="middle")
        self.ink.canvas.setStrokeColorRGB(*LIGHT)


def _step(length: float, most: float) -> float:
    """Return a step of 1, 2 or 5 times a power of ten that gives at most ``most`` marks."""
    least = length / max(most, 1.0)
    power = 10.0 ** math.floor(math.log10(least)) if least > 0.0 else 1.0
    return next((f * power for f in (1.0, 2.0, 5.0, 10.0) if f * power >= least * (1.0 - 1e-9)), 10.0 * power)
