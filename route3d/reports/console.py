"""The terminal, made safe against text out of files."""

from __future__ import annotations

from collections.abc import Iterable

from rich import console
from rich.console import ConsoleOptions, RenderableType
from rich.segment import Segment

from route3d.harmless import UNSAFE, harmless


class Console(console.Console):
    """A terminal of the library whose text is harmless; its own colours and cursor moves stay."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Give the pieces of text that the library makes of something, harmless."""
        for segment in super().render(renderable, options):
            if segment.control or not UNSAFE.search(segment.text):
                yield segment
            else:
                yield Segment(harmless(segment.text), segment.style)
