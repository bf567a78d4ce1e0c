"""What an entry of a rule file says, in words: its numbers in both units, its conditions, and how a cable meets them.

This goes by the fields of the records, so that a new kind of rule is described without a word of code here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from typing import Any

from route3d.model.cable import Cable, ConductorSize
from route3d.rules.records import Entry
from route3d.units import both_units

_COMMON = frozenset(field.name for field in fields(Entry)) | {"note"}

# Fields that narrow down whom or what a rule concerns; all others are what it asks.
_CONDITIONS = (
    "methods", "review_methods", "occupancies", "zones", "kinds", "trade_sizes", "shielded", "jacketed", "wet_rated",
    "plenum_rated", "diameter_over_m", "diameter_max_m", "conductors_min", "conductors_max", "size_max",
    "relieved_methods", "relief_methods", "relief_size", "vertical_size_min",
)  # fmt: skip

_LABELS = {
    "methods": "wiring methods",
    "review_methods": "disputed for",
    "relieved_methods": "relieved",
    "kinds": "of kind",
    "of": "diameter",
    "along_max_m": "along the cable",
    "straight_max_m": "in a straight line",
    "interval_m": "interval",
    "interval_metric_m": "the code's rounded metric value",
    "value_m": "value",
    "size_max": "conductors no larger than",
    "vertical_size_min": "longer vertical interval for conductors from",
    "conductors_max": "conductors, at most",
    "conductors_min": "conductors, at least",
    "diameter_over_m": "diameter over",
    "diameter_max_m": "diameter up to",
    "percent_by_count": "percent, by count of conductors",
    "framing": "openings in framing count",
}

_GOES_WITHOUT_SAYING = (("framing", False), ("severity", "violation"), ("minor_axis", "never"))

_SOME = 10  # a list of wiring methods longer than this is shortened
WHOLE = 1000  # longer than any list


def numbers(entry: Entry, most: int = _SOME) -> tuple[tuple[str, str], ...]:
    """Return what an entry asks, each as label and value; lengths in both units, of lists the first ``most``."""
    return tuple((_label(name), text) for name, text in _stated(entry, most) if name not in _CONDITIONS)


def conditions(entry: Entry, most: int = _SOME) -> tuple[tuple[str, str], ...]:
    """Return whom or what an entry concerns, each as label and value; none: everything."""
    return tuple((_label(name), text) for name, text in _stated(entry, most) if name in _CONDITIONS)


def differences(entry: Entry, other: Entry) -> tuple[str, ...]:
    """Return what ``other`` states differently from ``entry``: label, its value, and that of ``entry``."""
    mine, theirs = dict(_stated(entry, WHOLE)), dict(_stated(other, WHOLE))
    names = [*mine, *(name for name in theirs if name not in mine)]
    changed = [n for n in names if mine.get(n) != theirs.get(n)]
    said = [f"{_label(name)}: {theirs.get(name, 'not stated')}" for name in changed]
    if entry.section != other.section:
        said.insert(0, f"section {other.section}")
    if entry.source != other.source:
        said.append(f"source: {other.source}")
    return tuple(said)


def how_met(entry: Entry, cable: Cable, occupancy: str) -> tuple[str, ...]:
    """Return each condition of an entry that a cable or the project answers, with the answer."""
    return tuple(text for name in _CONDITIONS if (text := _met(name, getattr(entry, name, None), cable, occupancy)))


def relief(entry: Entry, cable: Cable) -> str:
    """Return who is relieved of an entry, and whether the cable is; empty where nobody is."""
    relieved: tuple[str, ...] = getattr(entry, "relieved_methods", ())
    if not relieved:
        return ""
    return f"relief for {', '.join(relieved)}: {'applies to' if cable.method in relieved else 'not for'} {cable.method}"


def _met(name: str, value: Any, cable: Cable, occupancy: str) -> str:
    if value is None or value == ():
        return ""
    if name == "methods":
        return f"it concerns {_listed(value)}: the cable is {cable.method}"
    if name == "occupancies":
        return f"it is for {', '.join(value)} occupancy: the project's is {occupancy}"
    if name == "trade_sizes":
        return f"trade sizes {', '.join(value)}: the cable says {_known(cable.trade_size)}"
    if name in ("shielded", "jacketed", "wet_rated", "plenum_rated"):
        word = name.replace("_", " ")
        return f"for cable that is {'' if value else 'not '}{word}: it is {'' if getattr(cable, name) else 'not '}so"
    if name == "conductors_max":
        return f"of {value} conductors or fewer: it has {_known(cable.conductors)}"
    if name == "conductors_min":
        return f"of {value} conductors or more: it has {_known(cable.conductors)}"
    if name == "size_max":
        return f"none larger than {value.text}: its largest is {_known(cable.size.text if cable.size else None)}"
    return ""


def _known(value: object) -> str:
    return "nothing (not said)" if value is None else str(value)


def _stated(entry: Entry, most: int) -> Iterable[tuple[str, str]]:
    for field in fields(entry):
        value = getattr(entry, field.name)
        if field.name not in _COMMON and value is not None and value != () and value != "":
            if (field.name, value) in _GOES_WITHOUT_SAYING:
                continue
            yield field.name, _text(field.name, value, most)


def _label(name: str) -> str:
    return _LABELS.get(name, name.removesuffix("_m").replace("_max", ", at most").replace("_", " "))


def _text(name: str, value: Any, most: int) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, ConductorSize):
        return value.text
    if isinstance(value, float):
        return both_units(value) if name.endswith("_m") else f"{value:g}{'°' if name.startswith('degrees') else ''}"
    if isinstance(value, tuple):
        if all(isinstance(part, str) for part in value):
            return _listed(value, most)
        return ", ".join(_pair(part) for part in value)
    return str(value)


def _pair(part: Any) -> str:
    if isinstance(part, tuple) and len(part) == 2:
        return f"from {part[0]}: {part[1]:g}" if isinstance(part[1], float) else f"{part[0]}: {part[1]}"
    return str(part)


def _listed(names: tuple[str, ...], most: int = _SOME) -> str:
    shown = ", ".join(names[:most])
    return f"{shown} and {len(names) - most} more" if len(names) > most else shown
