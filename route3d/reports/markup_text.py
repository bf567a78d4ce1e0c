"""Words for a DXF drawing: text from elsewhere must not act as a formatting code of the drawing."""

from __future__ import annotations

import re
import unicodedata

_TAG_BYTES = 250  # a string of extended data holds 255
_ESCAPE = re.compile(r"\\(?=[UuMm]\+)")  # \U+XXXX and \M+NXXXX stand for a sign in any text
_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def plain(text: str) -> str:
    """Return text of one line for TEXT and attributes, where ``%%`` and ``^`` are codes and nothing escapes them.

    >>> plain("50%%d ^J \\\\U+0041\\n#")
    '50% %d ^ J \\\\ U+0041 #'
    """
    text = _seen(text)
    text = _ESCAPE.sub(r"\\ ", text)
    while "%%" in text:
        text = text.replace("%%", "% %")
    return re.sub(r"\^(?! )", "^ ", text)


def formatted(text: str) -> str:
    """Return text of one line for MTEXT, with its braces, backslashes and carets as signs.

    >>> formatted("{\\\\C1;x}")
    '\\\\{\\\\\\\\C1;x\\\\}'
    """
    text = _seen(text)
    while "%%" in text:
        text = text.replace("%%", "% %")
    text = text.replace("\\", "\\\\").replace("{", "\\{").replace("}", "\\}")
    return re.sub(r"\^(?! )", "^ ", text)


def tag(text: str) -> str:
    """Return text for extended data: one line of at most 255 bytes as a file of any version writes it."""
    line = _ESCAPE.sub(r"\\ ", _seen(text))
    kept, size = [], 0
    for sign in line:
        size += 1 if ord(sign) < 128 else max(len(sign.encode("utf-8")), len(f"\\U+{ord(sign):04X}"))
        if size > _TAG_BYTES:
            break
        kept.append(sign)
    return "".join(kept)


def _seen(text: str) -> str:
    """Return one line, with signs that steer text instead of being seen written as their codes."""
    line = " ".join(text.split())
    return "".join(s if unicodedata.category(s) not in _HIDDEN else f"<U+{ord(s):04X}>" for s in line)
