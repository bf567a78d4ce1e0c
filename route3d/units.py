"""Lengths as people write them, and metres.

This is the only module that knows inches, feet and millimetres.
"""

from __future__ import annotations

import re
from fractions import Fraction

METRES_PER_UNIT: dict[str, float] = {"mm": 0.001, "cm": 0.01, "m": 1.0, "in": 0.0254, "ft": 0.3048}

# $INSUNITS codes of the DXF reference that name a length one would draw a building in.
METRES_PER_INSUNITS: dict[int, tuple[str, float]] = {
    1: ("in", 0.0254),
    2: ("ft", 0.3048),
    4: ("mm", 0.001),
    5: ("cm", 0.01),
    6: ("m", 1.0),
    10: ("yd", 0.9144),
    14: ("dm", 0.1),
    21: ("US survey ft", 1200.0 / 3937.0),
    22: ("US survey in", 100.0 / 3937.0),
    23: ("US survey yd", 3600.0 / 3937.0),
}

# Comparisons give the run a tenth of a millimetre, so that a value at its limit passes.
TOLERANCE_M = 1e-4

# The pound is 0.45359237 kg by definition.
KG_M_PER_WEIGHT: dict[str, float] = {
    "kg/m": 1.0,
    "kg/km": 0.001,
    "lb/ft": 0.45359237 / 0.3048,
    "lb/1000 ft": 0.45359237 / 304.8,
}

_WEIGHT = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(kg/m|kg/km|lb/ft|lb/1000\s+ft)\s*$")
_LENGTH = re.compile(r"^\s*(?:(\d+)[ -])?(\d+/\d+|\d+(?:\.\d+)?)\s*(mm|cm|m|in|ft)\s*$")


def parse_length(text: str) -> float:
    """Return the metres in a length such as ``"6 ft"``, ``"1-1/2 in"`` or ``"32 mm"``.

    Raises
    ------
    ValueError
        The text is not a number followed by mm, cm, m, in or ft.

    >>> parse_length("6 ft")
    1.8288
    >>> round(parse_length("1-1/2 in"), 6)
    0.0381
    """
    match = _LENGTH.match(text)
    if match is None:
        raise ValueError(f"{text!r} is not a length such as '6 ft', '1-1/2 in' or '32 mm'")
    whole, number, unit = match.groups()
    value = Fraction(number) + (Fraction(whole) if whole else 0)
    return float(value * Fraction(str(METRES_PER_UNIT[unit])))


def parse_weight(text: str) -> float:
    """Return the kg/m in a weight per length such as ``"0.16 kg/m"``, ``"105 lb/1000 ft"`` or ``"0.1 lb/ft"``.

    Raises
    ------
    ValueError
        The text is not a number followed by kg/m, kg/km, lb/ft or lb/1000 ft.

    >>> round(parse_weight("1000 lb/1000 ft"), 5)
    1.48816
    """
    match = _WEIGHT.match(text)
    if match is None:
        raise ValueError(f"{text!r} is not a weight per length such as '0.16 kg/m' or '105 lb/1000 ft'")
    return float(match.group(1)) * KG_M_PER_WEIGHT[" ".join(match.group(2).split())]


def millimetres(length_m: float) -> str:
    """Return a length for a report, in millimetres with one decimal.

    >>> millimetres(0.0805)
    '80.5 mm'
    """
    return f"{length_m * 1000.0:.1f} mm"


_SIXTEENTHS = ("", *(str(Fraction(part, 16)) for part in range(1, 16)))


def feet_inches(length_m: float) -> str:
    """Return a length in feet and inches to the nearest sixteenth, as a tape shows it.

    >>> feet_inches(1.8288)
    '6 ft 0 in'
    >>> feet_inches(0.0381)
    '1-1/2 in'
    >>> feet_inches(1.526)
    '5 ft 0-1/16 in'
    """
    sixteenths = round(abs(length_m) / 0.0254 * 16)
    feet, rest = divmod(sixteenths, 12 * 16)
    inches, part = divmod(rest, 16)
    fraction = _SIXTEENTHS[part]
    # behind feet the whole inches are always said: "5 ft 1/16 in" reads like a slip
    whole = str(inches) if inches or feet or not fraction else ""
    text = "-".join(part for part in (whole, fraction) if part) + " in"
    sign = "-" if length_m < 0 and sixteenths else ""
    return f"{sign}{feet} ft {text}" if feet else f"{sign}{text}"


def both_units(length_m: float) -> str:
    """Return a length in millimetres, and in inches as a tape shows it.

    >>> both_units(0.3048)
    '304.8 mm (1 ft 0 in)'
    """
    return f"{millimetres(length_m)} ({feet_inches(length_m)})"
