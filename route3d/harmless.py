"""Text out of files, made harmless: it cannot move a cursor, change a title, or turn the reading direction."""

from __future__ import annotations

import re

# control characters but tab and line feed, those of eight bits too; marks that turn or isolate the reading direction;
# separators that some terminals take for line ends
UNSAFE = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ufff9-\ufffb]")


def harmless(text: str) -> str:
    r"""Return text in which everything that a terminal would obey instead of showing it is shown.

    >>> harmless("E-CABL\x1b[2J")
    'E-CABL␛[2J'
    """
    return UNSAFE.sub(lambda found: _shown(ord(found.group())), text)


def _shown(code: int) -> str:
    if code < 0x20:
        return chr(0x2400 + code)  # the picture of it: one cell wide, so that tables stay straight
    return "\u2421" if code == 0x7F else "\ufffd"
