"""The terminal, made safe: text of files cannot move its cursor, change its title, or turn the reading direction."""

from __future__ import annotations

import re
from collections.abc import Iterable

from rich import console
from rich.console import ConsoleOptions, RenderableType
from rich.segment import Segment

# control characters but tab and line feed, those of eight bits too; marks that turn or isolate the reading direction;
# separators that some terminals take for line ends
_UNSAFE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ufff9-\ufffb]")


def harmless(text: str) -> str:
    r"""Return text in which everything that a terminal would obey instead of showing it is shown.

    >>> harmless("E-CABL\x1b[2J")
    'E-CABL␛[2J'
    """
    return _UNSAFE.sub(lambda found: _shown(ord(found.group())), text)


def _shown(code: int) -> str:
    if code < 0x20:
        return chr(0x2400 + code)  # the picture of it: one cell wide, so that tables stay straight
    return "\u2421" if code == 0x7F else "\ufffd"


class Console(console.Console):
    """A terminal of the library whose text is harmless; its own colours and cursor moves stay."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Give the pieces of text that the library makes of something, harmless."""
        for segment in super().render(renderable, options):
            if segment.control or not _UNSAFE.search(segment.text):
                yield segment
            else:
                yield Segment(harmless(segment.text), segment.style)
