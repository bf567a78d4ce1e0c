"""Where the parts of the sheet are."""

from __future__ import annotations

from dataclasses import dataclass

TITLE_PX, PANEL_PX, CAUTION_PX, LEGEND_PX = 74, 472, 50, 176


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the parts of the sheet are, in pixels."""

    width: int
    height: int
    scale: float
    scene_top: int
    scene_width: int
    scene_height: int

    @classmethod
    def of(cls, size: tuple[int, int]) -> Layout:
        """Return the layout of a sheet of (width, height) pixels; 1920 × 1080 has scale 1."""
        width, height = size
        scale = min(width / 1920.0, height / 1080.0)
        top = round(TITLE_PX * scale)
        below = round((CAUTION_PX + LEGEND_PX) * scale)
        return cls(width, height, scale, top, width - round(PANEL_PX * scale), height - top - below)
