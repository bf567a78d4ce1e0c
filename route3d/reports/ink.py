"""Words and lines on paper: an open font that is embedded, text that is cut, wrapped and safe, hatches, scales.

Everything is in points (1/72 in), the origin at the lower left. Text comes from drawings and may hold anything: what
the font has no sign for, and what steers a line of text instead of being seen, is written as its code, ``‹U+6C34›``,
so that two names that differ never look the same.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

PAPERS = {"letter": (612.0, 792.0), "a4": (595.276, 841.89)}
MARGIN = 34.0

BLACK, GREY, LIGHT, WHITE = (0.0, 0.0, 0.0), (0.42, 0.42, 0.42), (0.90, 0.90, 0.90), (1.0, 1.0, 1.0)
RED = (0.78, 0.10, 0.05)

Colour = tuple[float, float, float]

_REGULAR, _BOLD = "route3d-text", "route3d-bold"
_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})  # categories of signs that are not seen as themselves


@lru_cache(maxsize=1)
def _fonts() -> dict[str, TTFont]:
    # the drawing library brings this font along; it may be embedded
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    fonts = {
        _REGULAR: TTFont(_REGULAR, str(folder / "DejaVuSans.ttf")),
        _BOLD: TTFont(_BOLD, str(folder / "DejaVuSans-Bold.ttf")),
    }
    for font in fonts.values():
        pdfmetrics.registerFont(font)
    return fonts


@lru_cache(maxsize=8192)
def clean(text: str) -> str:
    """Return text of one line in which every sign is seen.

    >>> clean("L1\\u202eGTL\\n 水")
    'L1‹U+202E›GTL ‹U+6C34›'
    """
    known = _fonts()[_REGULAR].face.charToGlyph
    line = " ".join(text.split())
    return "".join(
        sign if ord(sign) in known and unicodedata.category(sign) not in _HIDDEN else f"‹U+{ord(sign):04X}›"
        for sign in line
    )


@lru_cache(maxsize=65536)
def wide(text: str, size: float, bold: bool = False) -> float:
    """Return how wide cleaned text is."""
    _fonts()
    return float(pdfmetrics.stringWidth(text, _BOLD if bold else _REGULAR, size))


def fitted(text: str, size: float, width: float, bold: bool = False) -> str:
    """Return cleaned text, shortened with … to ``width``."""
    text = clean(text)
    if wide(text, size, bold) <= width:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if wide(f"{text[:middle]}…", size, bold) <= width else (low, middle - 1)
    return f"{text[:low]}…"


def wrapped(text: str, size: float, width: float, bold: bool = False) -> list[str]:
    """Return cleaned text in lines of at most ``width``; words longer than a line are broken."""
    lines: list[str] = []
    line = ""
    for word in clean(text).split(" "):
        trial = f"{line} {word}" if line else word
        if wide(trial, size, bold) <= width:
            line = trial
            continue
        if line:
            lines.append(line)
        while wide(word, size, bold) > width and len(word) > 1:
            most = max(1, len(fitted(word, size, width, bold)) - 1)
            lines.append(word[:most])
            word = word[most:]
        line = word
    return [*lines, line] if line or not lines else lines


class Ink:
    """A pen on one canvas."""

    def __init__(self, canvas: Canvas) -> None:
        _fonts()
        self.canvas = canvas

    def words(
        self,
        x: float,
        y: float,
        text: str,
        size: float = 8.0,
        *,
        bold: bool = False,
        colour: Colour = BLACK,
        anchor: str = "start",
        halo: bool = False,
        turn: float = 0.0,
    ) -> None:
        """Write cleaned text with its base line at ``y``; ``anchor`` is start, middle or end, ``turn`` in degrees."""
        text = clean(text)
        width = wide(text, size, bold)
        shift = {"start": 0.0, "middle": -width / 2.0, "end": -width}[anchor]
        canvas = self.canvas
        if turn:
            canvas.saveState()
            canvas.translate(x, y)
            canvas.rotate(turn)
            x, y = 0.0, 0.0
        if halo:
            canvas.setFillColorRGB(*WHITE)
            canvas.rect(x + shift - 0.8, y - 0.22 * size, width + 1.6, 1.1 * size, stroke=0, fill=1)
        canvas.setFillColorRGB(*colour)
        canvas.setFont(_BOLD if bold else _REGULAR, size)
        canvas.drawString(x + shift, y, text)
        if turn:
            canvas.restoreState()

    def line(
        self,
        points: Sequence[tuple[float, float]],
        width: float = 0.5,
        colour: Colour = BLACK,
        dash: Sequence[float] = (),
    ) -> None:
        """Draw an open line through points."""
        self._pen(width, colour, dash)
        path = self.canvas.beginPath()
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        self.canvas.drawPath(path, stroke=1, fill=0)

    def shape(
        self,
        points: Sequence[tuple[float, float]],
        *,
        fill: Colour | None = None,
        edge: Colour | None = BLACK,
        pen: float = 0.5,
        holes: Sequence[Sequence[tuple[float, float]]] = (),
        dash: Sequence[float] = (),
    ) -> None:
        """Draw a closed shape, with holes left out of its fill."""
        self._pen(pen, edge if edge is not None else BLACK, dash)
        if fill is not None:
            self.canvas.setFillColorRGB(*fill)
        path = self.canvas.beginPath()
        for ring in (points, *holes):
            path.moveTo(*ring[0])
            for point in ring[1:]:
                path.lineTo(*point)
            path.close()
        self.canvas.drawPath(path, stroke=int(edge is not None), fill=int(fill is not None), fillMode=0)

    def box(self, x: float, y: float, width: float, height: float, **look: Any) -> None:
        """Draw a rectangle; ``look`` as that of ``shape``."""
        self.shape([(x, y), (x + width, y), (x + width, y + height), (x, y + height)], **look)

    def hatch(self, x: float, y: float, width: float, height: float, step: float = 4.0, lean: float = 1.0) -> None:
        """Fill a rectangle with slanted lines; ``lean`` -1 slants them the other way, 0 makes them upright."""
        if width <= 0.0 or height <= 0.0:
            return
        canvas = self.canvas
        canvas.saveState()
        clip = canvas.beginPath()
        clip.rect(x, y, width, height)
        canvas.clipPath(clip, stroke=0, fill=0)
        self._pen(0.35, GREY, ())
        reach = height * abs(lean)
        path, at = canvas.beginPath(), x - reach
        while at < x + width + reach:
            path.moveTo(at, y)
            path.lineTo(at + height * lean, y + height)
            at += step
        canvas.drawPath(path, stroke=1, fill=0)
        canvas.restoreState()

    def diamond(self, x: float, y: float, half: float, *, fill: Colour = WHITE, edge: Colour = BLACK) -> None:
        """Draw the mark of a bend."""
        self.shape([(x - half, y), (x, y + half), (x + half, y), (x, y - half)], fill=fill, edge=edge, pen=0.7)

    def ring(self, x: float, y: float, radius: float, *, fill: Colour | None = WHITE, width: float = 0.8) -> None:
        """Draw the mark of a hanger: it supports, and secures nothing."""
        self._pen(width, BLACK, ())
        if fill is not None:
            self.canvas.setFillColorRGB(*fill)
        self.canvas.circle(x, y, radius, stroke=1, fill=int(fill is not None))

    def arrow(self, tail: tuple[float, float], tip: tuple[float, float], width: float = 0.5, head: float = 4.0) -> None:
        """Draw a line with a filled head at ``tip``."""
        self.line([tail, tip], width)
        dx, dy = tip[0] - tail[0], tip[1] - tail[1]
        size = (dx * dx + dy * dy) ** 0.5
        if size < 1e-6:
            return
        dx, dy = dx / size * head, dy / size * head
        left = (tip[0] - dx - 0.32 * dy, tip[1] - dy + 0.32 * dx)
        right = (tip[0] - dx + 0.32 * dy, tip[1] - dy - 0.32 * dx)
        self.shape([tip, left, right], fill=BLACK, edge=None)

    def _pen(self, width: float, colour: Colour, dash: Sequence[float]) -> None:
        self.canvas.setLineWidth(width)
        self.canvas.setStrokeColorRGB(*colour)
        self.canvas.setDash(list(dash))
