"""How much of their ampacity cables that lie together keep."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from route3d.model.cable import Cable
from route3d.rules.records import BundleRule


@dataclass(frozen=True, slots=True)
class Adjustment:
    """What the rule says about some cables together; ``percent`` rests on the conductors that are known."""

    count: int  # current-carrying conductors that are known
    unknown: tuple[str, ...]  # cables whose conductors are not
    percent: float
    relieved: bool  # more conductors than the table lets be, and still no adjustment
    arithmetic: str  # "3 × mc-10-3 with 3 = 9"
    why: str
    rule: str


def current_carrying(cable: Cable, rule: BundleRule) -> int | None:
    """Return how many conductors of a cable carry current; None where the project says neither that nor how many.

    Where only ``conductors`` is said, one of them is taken as the grounding conductor, except in cables and raceways
    whose sheath is that. A neutral that carries no more than the unbalanced current is counted: to be said by the
    project if it should not be.
    """
    if cable.current_carrying is not None:
        return cable.current_carrying
    if cable.conductors is None:
        return None
    if cable.method in rule.ground_in_sheath or cable.conductors == 1:
        return cable.conductors
    return cable.conductors - 1


def counted_how(cable: Cable, rule: BundleRule) -> str:
    """Return in words how ``current_carrying`` came to its number."""
    if cable.current_carrying is not None:
        return f"{cable.current_carrying} as cable.{cable.cable_id}.current_carrying says"
    if cable.conductors is None:
        return "unknown"
    count = current_carrying(cable, rule)
    if count == cable.conductors:
        return f"all {cable.conductors} conductor(s)"
    return f"{count} of {cable.conductors} conductors, one taken as grounding"


def adjust(cables: Sequence[Cable], rule: BundleRule) -> Adjustment:
    """Judge cables that lie together for longer than the rule lets them."""
    groups = Counter(cable.cable_id for cable in cables)
    kinds = {cable.cable_id: cable for cable in cables}
    counts = {name: current_carrying(kinds[name], rule) for name in groups}
    known = {name: count for name, count in counts.items() if count is not None}
    unknown = tuple(name for name in groups if counts[name] is None)
    total = sum(groups[name] * count for name, count in known.items())
    parts = [f"{groups[name]} × {name} ({counted_how(kinds[name], rule)})" for name in groups]
    arithmetic = f"{' + '.join(parts)}: {'at least ' if unknown else ''}{total} current-carrying"

    percent, step = 100.0, ""
    for (first, value), after in zip(rule.percent_by_count, [*rule.percent_by_count[1:], None], strict=True):
        if total >= first:
            percent, step = value, f"{first} and more" if after is None else f"{first} to {after[0] - 1}"
    if percent >= 100.0:
        return Adjustment(total, unknown, 100.0, False, arithmetic, "no adjustment for so few", rule.cite)
    refused = _refusals(kinds, known, rule)
    relief_cite = rule.cite.replace(rule.section, rule.relief_section) if rule.relief_section else rule.cite
    if refused:
        why = f"{percent:g} % for {step}; no relief, since {' and '.join(refused)}"
        return Adjustment(total, unknown, percent, False, arithmetic, why, rule.cite)
    asked = (
        f"metal-clad or armored cable without jacket, {rule.relief_size.text} (taken as copper), no more than "
        f"{rule.relief_per_cable_max} current-carrying conductors in each"
    )
    if total > rule.relief_count_max:
        why = f"{rule.relief_percent_above:g} % for {asked}, but more than {rule.relief_count_max} in all"
        return Adjustment(total, unknown, rule.relief_percent_above, False, arithmetic, why, relief_cite)
    why = f"no adjustment for {asked}, and no more than {rule.relief_count_max} in all (else {percent:g} % for {step})"
    return Adjustment(total, unknown, 100.0, True, arithmetic, why, relief_cite)


def _refusals(kinds: dict[str, Cable], known: dict[str, int], rule: BundleRule) -> list[str]:
    """Return why the relief for metal-clad and armored cable is not given, one reason per cable at most."""
    reasons = []
    for name, cable in kinds.items():
        if cable.method not in rule.relief_methods:
            reasons.append(f"{name} is {cable.method}")
        elif cable.jacketed:
            reasons.append(f"{name} has an outer jacket")
        elif cable.size is None:
            reasons.append(f"the size of {name} is not given")
        elif cable.size != rule.relief_size:
            reasons.append(f"{name} is {cable.size.text}, not {rule.relief_size.text}")
        elif name in known and known[name] > rule.relief_per_cable_max:
            reasons.append(f"{name} has more than {rule.relief_per_cable_max}")
    return reasons
