"""The text of a rule file into entries; every error names the file, the key and what was expected."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from route3d.errors import RuleBookError
from route3d.model.cable import METHODS, ConductorSize
from route3d.model.zone import KINDS as ZONE_KINDS
from route3d.model.zone import LOCATIONS
from route3d.rules import records
from route3d.units import parse_length

DECK_KINDS = ("metal-roof", "other-roof", "floor")
OCCUPANCIES = ("other", "dwelling")
FORMAT = "route3d-rules/1"

_HEAD = ("format", "title", "code", "extends")


@dataclass(frozen=True, slots=True)
class _Field:
    """How one key of an entry is read: ``convert`` raises ValueError with what was expected."""

    attribute: str
    convert: Callable[[object], Any]
    needed: bool = False


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise ValueError("text in quotes")
    return value


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError("true or false")
    return value


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e12:
        raise ValueError("a number above 0")
    return float(value)


def _count(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 1_000_000:
        raise ValueError("a whole number, 0 or more")
    return value


def _length(value: object) -> float:
    try:
        return parse_length(_text(value))
    except ValueError as error:
        raise ValueError("a length with its unit in quotes, such as '6 ft', '1-1/2 in' or '32 mm'") from error


def _length_or_none(value: object) -> float | None:
    return None if value == "none" else _length(value)


def _size(value: object) -> ConductorSize:
    try:
        return ConductorSize.parse(_text(value))
    except ValueError as error:
        raise ValueError("a conductor size such as '12 AWG', '1/0 AWG' or '250 kcmil'") from error


def _choice(*allowed: str) -> Callable[[object], str]:
    def convert(value: object) -> str:
        if value not in allowed:
            raise ValueError(f"one of {', '.join(allowed)}")
        return str(value)

    return convert


def _choices(*allowed: str) -> Callable[[object], tuple[str, ...]]:
    def convert(value: object) -> tuple[str, ...]:
        if value == "all":
            return allowed
        if not isinstance(value, list) or not value or any(name not in allowed for name in value):
            raise ValueError(f"'all', or a list of some of {', '.join(allowed)}")
        return tuple(value)

    return convert


def _methods_or_none(value: object) -> tuple[str, ...]:
    return () if value == "none" else _methods(value)


def _texts(value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(text, str) for text in value):
        raise ValueError("a list of texts in quotes")
    return tuple(value)


def _verdict(value: object) -> bool | None:
    try:
        return {"yes": True, "no": False, "confirm": None}[str(value)]
    except KeyError:
        raise ValueError("yes, no or confirm") from None


def _steps(value: object) -> tuple[tuple[int, float], ...]:
    wanted = "a list of [count, percent] pairs with rising counts"
    if not isinstance(value, list) or not value:
        raise ValueError(wanted)
    try:
        steps = tuple((_count(count), _number(percent)) for count, percent in value)
    except (TypeError, ValueError):
        raise ValueError(wanted) from None
    if any(a[0] >= b[0] for a, b in pairwise(steps)):
        raise ValueError(wanted)
    return steps


_methods = _choices(*METHODS)
_HOLD = {
    "methods": _Field("methods", _methods, needed=True),
    "interval": _Field("interval_m", _length_or_none, needed=True),
    "interval_metric": _Field("interval_metric_m", _length),
    "framing": _Field("framing", _flag),
    "vertical_interval": _Field("vertical_interval_m", _length),
    "vertical_size_min": _Field("vertical_size_min", _size),
    "severity": _Field("severity", _choice("violation", "caution")),
    "note": _Field("note", _text),
}

# group -> the record that an entry becomes, and how each of its keys is read
_GROUPS: dict[str, tuple[type[records.Entry], dict[str, _Field]]] = {
    "bend": (
        records.BendRule,
        {
            "methods": _Field("methods", _methods, needed=True),
            "multiplier": _Field("multiplier", _number, needed=True),
            "of": _Field("of", _choice("sheath", "overall", "major"), needed=True),
            "conductor_multiplier": _Field("conductor_multiplier", _number),
            "diameter_over": _Field("diameter_over_m", _length),
            "diameter_max": _Field("diameter_max_m", _length_or_none),
            "shielded": _Field("shielded", _flag),
            "conductors_min": _Field("conductors_min", _count),
            "pulling_multiplier": _Field("pulling_multiplier", _number),
            "minor_axis": _Field("minor_axis", _choice("never", "flat-side", "silent")),
            "note": _Field("note", _text),
        },
    ),
    "raceway_bend": (
        records.RacewayBendRule,
        {
            "methods": _Field("methods", _methods, needed=True),
            "column": _Field("column", _choice("one_shot", "other"), needed=True),
        },
    ),
    "raceway_radius": (
        records.RacewayRadius,
        {"one_shot": _Field("one_shot_m", _length, needed=True), "other": _Field("other_m", _length, needed=True)},
    ),
    "bend_total": (
        records.BendTotalRule,
        {
            "methods": _Field("methods", _methods, needed=True),
            "degrees_max": _Field("degrees_max", _number, needed=True),
        },
    ),
    "securing": (records.HoldRule, _HOLD),
    "supporting": (records.HoldRule, _HOLD),
    "first_strap": (
        records.FirstStrapRule,
        {
            "methods": _Field("methods", _methods, needed=True),
            "along_max": _Field("along_max_m", _length_or_none),
            "straight_max": _Field("straight_max_m", _length_or_none),
            "conductors_max": _Field("conductors_max", _count),
            "size_max": _Field("size_max", _size),
        },
    ),
    "exemption": (
        records.ExemptionRule,
        {
            "kind": _Field("kind", _choice("fished", "whip", "flexible"), needed=True),
            "methods": _Field("methods", _methods, needed=True),
            "review_methods": _Field("review_methods", _methods),
            "length_max": _Field("length_max_m", _length_or_none),
            "occupancies": _Field("occupancies", _choices(*OCCUPANCIES)),
            "trade_sizes": _Field("trade_sizes", _texts),
        },
    ),
    "deck": (
        records.DeckRule,
        {
            "kinds": _Field("kinds", _choices(*DECK_KINDS), needed=True),
            "gap_min": _Field("gap_min_m", _length, needed=True),
            "relieved_methods": _Field("relieved_methods", _methods_or_none),
            "slab_min": _Field("slab_min_m", _length_or_none),
        },
    ),
    "environment": (
        records.EnvironmentRule,
        {
            "zones": _Field("zones", _choices(*ZONE_KINDS), needed=True),
            "methods": _Field("methods", _methods, needed=True),
            "allowed": _Field("allowed", _verdict, needed=True),
            "occupancies": _Field("occupancies", _choices(*OCCUPANCIES)),
            "jacketed": _Field("jacketed", _flag),
            "wet_rated": _Field("wet_rated", _flag),
            "plenum_rated": _Field("plenum_rated", _flag),
            "burial_rated": _Field("burial_rated", _flag),
            "serves_duct": _Field("serves_duct", _flag),
        },
    ),
    "burial": (
        records.BurialRule,
        {
            "locations": _Field("locations", _choices(*LOCATIONS), needed=True),
            "methods": _Field("methods", _methods, needed=True),
            "cover": _Field("cover_m", _length, needed=True),
            "raceway_only": _Field("raceway_only", _flag),
        },
    ),
    "limit": (
        records.LimitRule,
        {
            "value": _Field("value_m", _length),
            "methods": _Field("methods", _methods),
            "relieved_methods": _Field("relieved_methods", _methods_or_none),
        },
    ),
    "bundle": (
        records.BundleRule,
        {
            "longer_than": _Field("longer_than_m", _length, needed=True),
            "percent_by_count": _Field("percent_by_count", _steps, needed=True),
            "relief_methods": _Field("relief_methods", _methods, needed=True),
            "relief_size": _Field("relief_size", _size, needed=True),
            "relief_per_cable_max": _Field("relief_per_cable_max", _count, needed=True),
            "relief_count_max": _Field("relief_count_max", _count, needed=True),
            "relief_percent_above": _Field("relief_percent_above", _number, needed=True),
            "methods": _Field("methods", _methods, needed=True),
            "alone_methods": _Field("alone_methods", _methods),
            "relief_section": _Field("relief_section", _text),
            "ground_in_sheath": _Field("ground_in_sheath", _methods),
        },
    ),
    "working_space": (
        records.WorkingSpaceRule,
        {
            "volts_max": _Field("volts_max", _number, needed=True),
            "condition_1": _Field("condition_1_m", _length, needed=True),
            "condition_2": _Field("condition_2_m", _length, needed=True),
            "condition_3": _Field("condition_3_m", _length, needed=True),
        },
    ),
}
_COMMON = ("section", "title", "source", "standard", "removed")

Table = dict[str, Any]


def parse_table(text: str, file: str) -> Table:
    """Return the tables of a rule file, with the shape of the whole checked but not yet its values.

    Raises
    ------
    RuleBookError
        The text is not TOML, or a group or key at its head is not known.
    """
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise RuleBookError(f"{file}: this is not readable TOML ({error}); mend the line that it names") from error
    for name, value in table.items():
        if name in _HEAD:
            if not isinstance(value, str):
                raise RuleBookError(f"{file}: {name}: text in quotes was expected")
        elif name not in _GROUPS:
            raise RuleBookError(f"{file}: {name} is not known; {_nearest(name, (*_HEAD, *_GROUPS))}")
        elif not isinstance(value, dict) or not all(isinstance(entry, dict) for entry in value.values()):
            raise RuleBookError(f"{file}: {name}: tables such as [{name}.my-rule] were expected")
    if table.get("format", FORMAT) != FORMAT:
        raise RuleBookError(f"{file}: format: {FORMAT!r} was expected")
    return table


def merge(base: Table, own: Table, source: str | None) -> Table:
    """Return ``base`` overridden by ``own``, key by key within each entry.

    ``source``, where given, becomes the source of every entry that ``own`` states; ``removed = true`` in an entry of
    ``own`` takes it out.
    """
    merged: Table = {name: value for name, value in base.items() if name not in _GROUPS}
    merged.update({name: value for name, value in own.items() if name in ("title", "code")})
    for group in _GROUPS:
        entries: Table = {key: dict(entry) for key, entry in base.get(group, {}).items()}
        for key, entry in own.get(group, {}).items():
            merged_entry = {**entries.get(key, {}), **entry}
            if source:
                # the project's own goes last, where it is found before the rule set's for the same method
                entries.pop(key, None)
                merged_entry["source"] = source
            entries[key] = merged_entry
            if entry.get("removed") is True:
                del entries[key]
        merged[group] = entries
    return merged


def build_entries(table: Table, file: str, code: str, name: str) -> Mapping[str, tuple[Any, ...]]:
    """Return the entries of a merged table by group.

    ``code`` names the standard in citations ("NEC 2023"), ``name`` the rule set in those of the project's own rules.

    Raises
    ------
    RuleBookError
        A key is unknown, missing, or its value is not what was expected.
    """
    return {
        group: tuple(_entry(group, key, entry, file, code, name) for key, entry in table.get(group, {}).items())
        for group in _GROUPS
    }


def _entry(group: str, key: str, entry: Table, file: str, code: str, name: str) -> records.Entry:
    record, fields = _GROUPS[group]
    place = f"{file}: [{group}.{key}]"
    for given in entry:
        if given not in fields and given not in _COMMON:
            raise RuleBookError(f"{place}: {given} is not known; {_nearest(given, (*fields, *_COMMON))}")
    common = {}
    for given in ("section", "title", "source"):
        if given not in entry:
            raise RuleBookError(f"{place}: {given} is missing; text in quotes was expected")
        common[given] = _read(place, given, entry[given], _text)
    if common["source"] not in records.SOURCES:
        raise RuleBookError(f"{place}: source: one of {', '.join(records.SOURCES)} was expected")
    standard = _read(place, "standard", entry.get("standard", code), _text)
    values = {}
    for given, how in fields.items():
        if given in entry:
            values[how.attribute] = _read(place, given, entry[given], how.convert)
        elif how.needed:
            raise RuleBookError(f"{place}: {given} is missing, and no rule set that this one extends states it")
    return record(key=key, cite=_cite(common["source"], standard, common["section"], name), **common, **values)


def _cite(source: str, standard: str, section: str, name: str) -> str:
    if source == "project":
        return f"project rule {name} ({standard} {section})"
    if source == "practice":
        return f"practice ({section})"
    return f"{standard} {section}"


def _read(place: str, key: str, value: object, convert: Callable[[object], Any]) -> Any:
    try:
        return convert(value)
    except ValueError as error:
        raise RuleBookError(f"{place}: {key} = {value!r}: {error} was expected") from error


def _nearest(name: str, known: tuple[str, ...]) -> str:
    close = difflib.get_close_matches(name, known, n=1)
    return f"did you mean {close[0]}?" if close else f"known are {', '.join(known)}"
