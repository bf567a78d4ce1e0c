"""The kinds of values in a project file: what a length, a name, a share may be, and the sentence for what may not."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field

from route3d.model.element import ROLES
from route3d.model.run import BENT, ENDS
from route3d.units import METRES_PER_UNIT

CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]")


def nearest(word: str, known: Iterable[str]) -> str:
    """Return ``" Did you mean …?"`` with the nearest known word, or nothing where none is near.

    >>> nearest("claerance", ["clearance", "cable"])
    " Did you mean 'clearance'?"
    """
    by_lower = {name.lower(): name for name in known}
    close = difflib.get_close_matches(str(word).lower(), list(by_lower), n=1, cutoff=0.5)
    return f" Did you mean {by_lower[close[0]]!r}?" if close else ""


def one_line(error: Exception) -> str:
    """Return the message of an error on one line."""
    return " ".join(str(error).split())[:800]


def short(value: object) -> str:
    """Return a value as a message shows it, at most 60 letters."""
    try:
        text = repr(value)
    except ValueError:  # the language does not write numbers of thousands of digits
        text = "a number of thousands of digits"
    return text if len(text) <= 60 else f"{text[:57]}..."


def one_of(known: tuple[str, ...]) -> AfterValidator:
    """Return a check that a text is one of the known ones; its sentence names the nearest."""

    def check(value: str) -> str:
        if value not in known:
            raise ValueError(f"{value!r} is not one of {', '.join(known)}.{nearest(value, known)}")
        return value

    return AfterValidator(check)


def _plain_number(value: object) -> object:
    # TOML's inf and nan are numbers, and true is one in Python; none of them is a length
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"a number is expected, not {short(value)}")
    if not abs(value) < 1e12:
        raise ValueError(f"{short(value)} is not a usable length")
    return float(value)


def _plain_text(value: object) -> object:
    if not isinstance(value, str) or not value.strip() or CONTROL.search(value):
        raise ValueError(f"a text of one line is expected, not {short(value)}")
    return value


def _share(value: float) -> float:
    if not 0.0 <= value < 1.0:
        raise ValueError(f"a share from 0 to 1 is expected, such as 0.05 for 5 %, not {value:g}")
    return value


Number = Annotated[float, BeforeValidator(_plain_number)]
Text = Annotated[str, BeforeValidator(_plain_text)]
Count = Annotated[int, Field(ge=0, le=1_000_000, strict=True)]
CountFromOne = Annotated[int, Field(ge=1, le=1_000_000, strict=True)]
Positive = Annotated[Number, Field(gt=0)]
NotNegative = Annotated[Number, Field(ge=0)]
Share = Annotated[Number, AfterValidator(_share)]
Unit = Annotated[Text, one_of(tuple(METRES_PER_UNIT))]
Role = Annotated[Text, one_of(ROLES)]
End = Annotated[Text, one_of(ENDS)]
Bent = Annotated[Text, one_of(BENT)]
Point2 = Annotated[list[Number], Field(min_length=2, max_length=2)]
Stretch = Annotated[list[NotNegative], Field(min_length=2, max_length=2)]
Flag = Annotated[bool, Field(strict=True)]
Point3 = Annotated[list[Number], Field(min_length=3, max_length=3)]
