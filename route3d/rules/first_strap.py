"""The first strap beside a termination.

How the rules are read here:

- It is a strap, or framing that secures; the fitting itself is not.
- Along the cable, where the rule does not say how to measure; where it has a straight limit too, both bind.
- Fishing excuses it at a box, cabinet or fitting where the cable beside it is all inside the zone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from route3d.rules.exemption import WHIP_ENDS, TailJudgement, fished_parts
from route3d.rules.held import HeldRun, gaps_between, is_fitting, secures
from route3d.rules.records import FirstStrapRule, HoldRule
from route3d.rules.rulebook import RuleBook
from route3d.units import TOLERANCE_M, both_units


@dataclass(frozen=True, slots=True)
class FirstStrap:
    """The first strap beside one termination; ``ok`` is None where it cannot be told."""

    at_end: bool
    termination: str
    ok: bool | None
    strap_m: float | None  # where along the run the nearest strap is
    measured_m: float  # from the termination; the whole run where there is no strap
    limit_m: float
    rule: FirstStrapRule
    why: str
    disputed: str = ""


def first_strap(run: HeldRun, at_end: bool, rule: FirstStrapRule | None, hold: HoldRule | None) -> FirstStrap | None:
    """Judge the first strap beside one end, before any exemption; None where nothing is asked."""
    termination = run.end if at_end else run.start
    if rule is None or termination.kind == "open":
        return None
    limits = _limits(rule, hold)
    if not limits:
        return None
    end_m = run.length_m if at_end else 0.0
    beside = f"the {termination.kind} at the {'end' if at_end else 'start'}"
    straps = sorted((abs(end_m - s.at_m), s.at_m) for s in run.supports if secures(s, hold) and not is_fitting(s))
    # one beyond the limit along the cable cannot be within; the nearest is measured all the same, to be told
    farthest = limits.get("along", np.inf) + TOLERANCE_M
    near = [at_m for n, (along, at_m) in enumerate(straps) if n == 0 or along <= farthest]
    measured = [(_distances(run, end_m, at_m, limits), at_m) for at_m in near]
    within = [(pairs, at_m) for pairs, at_m in measured if all(d <= limit + TOLERANCE_M for d, limit in pairs)]
    if within:
        (distance, limit), at_m = within[0][0][0], within[0][1]
        why = f"first strap {both_units(distance)} from {beside}, within {both_units(limit)} ({rule.cite})"
        return FirstStrap(at_end, termination.kind, True, at_m, distance, limit, rule, why)
    if measured:
        missed = [pair for pair in measured[0][0] if pair[0] > pair[1] + TOLERANCE_M]
        (distance, limit), strap_m = missed[0], measured[0][1]
        how = f"the first strap is {both_units(distance)} from {beside}"
    else:
        distance, limit, strap_m = run.length_m, min(limits.values()), None
        how = f"no strap holds the cable beside {beside}"
    applies, reason = _applies(run, rule)
    why = f"{how}; {rule.cite} asks for one within {both_units(limit)}{reason}"
    ok = None if applies is None else not applies
    return FirstStrap(at_end, termination.kind, ok, strap_m, distance, limit, rule, why)


def _limits(rule: FirstStrapRule, hold: HoldRule | None) -> dict[str, float]:
    """Return the limits by how they are measured, along the cable first."""
    limits = {}
    if rule.along_max_m is not None:
        limits["along"] = rule.along_max_m
    elif rule.straight_max_m is not None and hold is not None and hold.interval_m is not None:
        # a strap further along than the interval is not the first one, however near the cable comes back
        limits["along"] = hold.interval_m
    if rule.straight_max_m is not None:
        limits["straight"] = rule.straight_max_m
    return limits


def _distances(run: HeldRun, end_m: float, at_m: float, limits: dict[str, float]) -> list[tuple[float, float]]:
    """Return each distance of a strap from the end with its limit."""
    measured = {"along": abs(end_m - at_m)}
    if "straight" in limits:
        measured["straight"] = float(np.linalg.norm(run.point(end_m) - run.point(at_m)))
    return [(measured[how], limit) for how, limit in limits.items()]


def _applies(run: HeldRun, rule: FirstStrapRule) -> tuple[bool | None, str]:
    """Return whether the rule on the first strap concerns the cable (None: cannot be told), and why as a clause."""
    cable, missing = run.cable, []
    if rule.conductors_max is not None:
        if cable.conductors is None:
            missing.append(f"cable.{cable.cable_id}.conductors")
        elif cable.conductors > rule.conductors_max:
            return False, f" of cables of {rule.conductors_max} or fewer conductors, this one has {cable.conductors}"
    if rule.size_max is not None:
        if cable.size is None:
            missing.append(f"cable.{cable.cable_id}.size")
        elif cable.size > rule.size_max:
            return False, f" of cables no larger than {rule.size_max.text}, this one is {cable.size.text}"
    if missing:
        return None, f", if it concerns this cable: {' and '.join(missing)} missing"
    return True, ""


def unless_fished(
    run: HeldRun, first: FirstStrap, offered: TailJudgement, book: RuleBook, fished: list[str]
) -> FirstStrap:
    """Excuse a first strap where all of the cable that could take it is inside finished, closed construction.

    Not at a luminaire or equipment: for these the whip is the exemption, and it is for accessible ceilings only.
    """
    why = "; ".join(text for text in (first.why, offered.refused) if text)
    ok = first.ok
    if ok is not True and first.termination not in WHIP_ENDS:
        end_m = run.length_m if first.at_end else 0.0
        reach = min(first.limit_m, run.length_m)
        window = (end_m - reach, end_m) if first.at_end else (end_m, end_m + reach)
        excused, rule, refused = fished_parts(run, window, book)
        if rule is not None and not gaps_between(excused, window):
            fished.append(rule.cite)
            ok, why = True, f"{first.why}; excused by {rule.cite}: all of that is inside a finished, closed zone"
        elif refused:
            why = f"{why}; {refused}"
    return replace(first, ok=ok, why=why, disputed=offered.disputed)
