"""A drawing sheet: measured text, smooth lines and small icons over a picture. Knows nothing of cables."""

from __future__ import annotations

import importlib.util
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Colour = tuple[int, int, int]
Floats = NDArray[np.float64]

INK: Colour = (27, 31, 36)
GREY: Colour = (92, 100, 110)
RULE: Colour = (205, 208, 212)
PAPER: Colour = (255, 255, 255)

SMOOTH = 3  # lines are drawn this much larger, then averaged
ELLIPSIS = "…"


@cache
def font(size: int, bold: bool = False) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """Return a font with Latin, Greek and Cyrillic letters where one is installed beside PyVista, else Pillow's own."""
    found = importlib.util.find_spec("matplotlib")  # finds it without loading it
    for folder in found.submodule_search_locations or () if found else ():
        path = Path(folder) / "mpl-data/fonts/ttf" / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf")
        if path.is_file():
            return ImageFont.truetype(str(path), size)
    return ImageFont.load_default(size)


class Sheet:
    """A page in pixels; text sizes and widths are multiplied by ``scale``, places are not."""

    def __init__(self, width: int, height: int, scale: float) -> None:
        self.width, self.height, self.scale = width, height, scale
        self._image = Image.new("RGB", (width, height), PAPER)
        self._strokes = Image.new("RGBA", (width * SMOOTH, height * SMOOTH), (255, 255, 255, 0))
        self._pen = ImageDraw.Draw(self._strokes)
        self._texts: list[tuple[float, float, str, int, Colour, bool, str, Colour | None]] = []

    def paste(self, pixels: NDArray[np.uint8], left: int, top: int) -> None:
        """Put a picture (rows, columns, 3) below all strokes and text."""
        self._image.paste(Image.fromarray(pixels), (left, top))

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float,
        *,
        colour: Colour = INK,
        bold: bool = False,
        anchor: str = "la",
        halo: Colour | None = None,
    ) -> None:
        """Write one line; ``anchor`` is Pillow's: l m r across, a (top) m s (base line) down."""
        self._texts.append((x, y, words, self._points(size), colour, bold, anchor, halo))

    def text_width(self, words: str, size: float, *, bold: bool = False) -> float:
        """Return the width of one line in pixels."""
        return float(font(self._points(size), bold).getlength(words))

    def wrapped(self, words: str, size: float, width: float, most: int, *, bold: bool = False) -> list[str]:
        """Return up to ``most`` lines no wider than ``width``; what does not fit ends in an ellipsis."""
        lines: list[str] = []
        line = ""
        rest = words.split()
        while rest:
            longer = f"{line} {rest[0]}".strip()
            if self.text_width(longer, size, bold=bold) <= width:
                line = longer
                rest.pop(0)
            elif line:
                lines.append(line)
                line = ""
            else:
                # one word wider than the column: broken where the column ends
                head = rest[0]
                while len(head) > 1 and self.text_width(head, size, bold=bold) > width:
                    head = head[:-1]
                lines.append(head)
                rest[0] = rest[0][len(head) :]
            if len(lines) > most:
                break
        if line:
            lines.append(line)
        if len(lines) > most:
            lines = lines[:most]
            lines[-1] = self.shortened(lines[-1] + " " + ELLIPSIS, size, width, bold=bold)
        return lines

    def shortened(self, words: str, size: float, width: float, *, bold: bool = False) -> str:
        """Return the line cut to ``width``, with an ellipsis where something was cut."""
        if self.text_width(words, size, bold=bold) <= width:
            return words
        kept = words.removesuffix(ELLIPSIS).rstrip()
        while kept and self.text_width(kept + ELLIPSIS, size, bold=bold) > width:
            kept = kept[:-1].rstrip()
        return kept + ELLIPSIS

    def line(self, points: Sequence[Sequence[float]] | Floats, colour: Colour, width: float = 1.5) -> None:
        """Draw a polyline in pixels."""
        self._pen.line(self._zoomed(points), fill=(*colour, 255), width=self._stroke(width), joint="curve")

    def dashed(self, points: Sequence[Sequence[float]] | Floats, colour: Colour, width: float = 1.5) -> None:
        """Draw a polyline in dashes of about eight pixels."""
        line = np.asarray(points, dtype=np.float64)
        step = np.linalg.norm(np.diff(line, axis=0), axis=1)
        at = np.concatenate([[0.0], np.cumsum(step)])
        dash, gap = 8.0 * self.scale, 5.0 * self.scale
        for start in np.arange(0.0, at[-1], dash + gap):
            stops = np.unique(
                np.concatenate([[start, min(start + dash, at[-1])], at[(at > start) & (at < start + dash)]])
            )
            self.line(np.column_stack([np.interp(stops, at, line[:, k]) for k in (0, 1)]), colour, width)

    def polygon(
        self,
        points: Sequence[Sequence[float]] | Floats,
        fill: Colour,
        outline: Colour | None = None,
        width: float = 1.0,
        opacity: float = 1.0,
    ) -> None:
        """Draw a filled polygon in pixels."""
        corners = self._zoomed(points)
        self._pen.polygon(corners, fill=(*fill, round(255 * opacity)))
        if outline is not None:
            self._pen.line([*corners, corners[0]], fill=(*outline, 255), width=self._stroke(width), joint="curve")

    def box(
        self, left: float, top: float, right: float, bottom: float, fill: Colour, outline: Colour | None = None
    ) -> None:
        """Draw a filled rectangle in pixels."""
        self.polygon([(left, top), (right, top), (right, bottom), (left, bottom)], fill, outline)

    def disk(self, x: float, y: float, radius: float, fill: Colour, outline: Colour, width: float) -> None:
        """Draw a filled circle in pixels."""
        rim = [(v * SMOOTH) for v in (x - radius, y - radius, x + radius, y + radius)]
        self._pen.ellipse(rim, fill=(*fill, 255), outline=(*outline, 255), width=self._stroke(width))

    def solid(self, points: Floats, triangles: NDArray[np.int64], colour: Colour, x: float, y: float) -> None:
        """Draw a small solid, points (n, 3) in pixels with z towards the viewer, nearest faces last."""
        corners = points[triangles]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
        for face in np.argsort(corners[:, :, 2].mean(axis=1)):
            if normal[face, 2] > 0.0:
                shade = 0.42 + 0.58 * float(normal[face, 2])
                tone = (int(colour[0] * shade), int(colour[1] * shade), int(colour[2] * shade))
                flat = corners[face, :, :2] * (1.0, -1.0) + (x, y)
                self.polygon(flat, tone, tone, 0.34)

    def finished(self) -> Image.Image:
        """Return the sheet: picture, then strokes, then text."""
        strokes = self._strokes.reduce(SMOOTH)
        self._image.paste(strokes, (0, 0), strokes)
        pen = ImageDraw.Draw(self._image)
        for x, y, words, size, colour, bold, anchor, halo in self._texts:
            width = 0 if halo is None else max(2, round(3 * self.scale))
            pen.text(
                (x, y), words, font=font(size, bold), fill=colour, anchor=anchor, stroke_width=width, stroke_fill=halo
            )
        return self._image

    def _points(self, size: float) -> int:
        return max(6, round(size * self.scale))

    def _stroke(self, width: float) -> int:
        return max(1, round(width * SMOOTH * max(self.scale, 0.75)))

    def _zoomed(self, points: Sequence[Sequence[float]] | Floats) -> list[tuple[float, float]]:
        return [(float(x) * SMOOTH, float(y) * SMOOTH) for x, y in points]
