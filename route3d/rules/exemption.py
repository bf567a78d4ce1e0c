"""Where a cable may be neither secured nor supported: whips, flexible connections, and fishing.

How the rules are read here:

- A whip is measured along the cable from a support (a strap, a hanger, or the fitting at the other end) to the
  connection; all of it, and the connection, must be inside accessible ceilings, and none of it in a closed one.
- A flexible connection is measured from a place where the cable is fastened.
- Of several supports within the allowed length, any may be where the stretch begins: one more strap is never worse.
- Fishing excuses what lies inside finished, closed construction, and no more: what is outside is judged from where
  the cable leaves it to the next support.
"""

from __future__ import annotations

from dataclasses import dataclass

from route3d.model.support import Support, Termination
from route3d.rules.held import HeldRun, Interval, gaps_between, is_fitting, overlaps
from route3d.rules.records import ExemptionRule
from route3d.rules.rulebook import RuleBook
from route3d.units import TOLERANCE_M, both_units

WHIP_ENDS = ("luminaire", "equipment", "flexible-equipment")


@dataclass(frozen=True, slots=True)
class Tail:
    """A stretch at one end of a run that is exempt: from its support to the connection."""

    kind: str  # whip, flexible
    length_m: float
    limit_m: float | None
    rule: str
    why: str


@dataclass(frozen=True, slots=True)
class TailJudgement:
    """What may be exempt at one end: ``tails`` with the shortest first, or why there is none."""

    tails: tuple[Tail, ...] = ()
    refused: str = ""
    disputed: str = ""  # the exemption may apply, but the reading is disputed


def judge_tail(run: HeldRun, at_end: bool, book: RuleBook) -> TailJudgement:
    """Judge the exemptions for equipment at the end (or, ``at_end`` False, the start) of a run."""
    termination = run.end if at_end else run.start
    if termination.kind not in WHIP_ENDS:
        return TailJudgement()
    refused = []
    disputed = ""
    if termination.kind == "flexible-equipment":
        flexible = _flexible(run, at_end, book)
        if flexible.tails:
            return flexible
        refused.append(flexible.refused)
        disputed = flexible.disputed
    whip = _whip(run, at_end, termination, book)
    if whip.tails:
        return whip
    return TailJudgement((), "; ".join((*refused, whip.refused)), disputed)


def _whip(run: HeldRun, at_end: bool, termination: Termination, book: RuleBook) -> TailJudgement:
    method = run.cable.method
    rules = _of_kind(book, "whip", method)
    if not rules:
        return TailJudgement((), f"no whip: {book.code} has no such exemption for {method}")
    rule = rules[0]
    if rule.occupancies and run.occupancy not in rule.occupancies:
        allowed = " and ".join(rule.occupancies)
        return TailJudgement(
            (), f"no whip: {rule.cite} is for {allowed} occupancy, and the project's is {run.occupancy}"
        )
    holds = _holds_from(run, at_end)
    if not holds:
        return TailJudgement((), f"no whip: nothing supports the cable before the {termination.kind}")
    tails: list[Tail] = []
    for length, support in holds:
        problem = _too_long("whip", length, support, rule) or _outside_ceiling(run, at_end, length, termination)
        if problem:
            # a longer stretch would only miss by more
            if not tails:
                return TailJudgement((), problem)
            break
        tails.append(
            Tail(
                "whip",
                length,
                rule.length_max_m,
                rule.cite,
                f"whip: {both_units(length)} from the {called(support)} to the {termination.kind}, "
                f"{_limit_words(rule)}, all inside an accessible ceiling",
            )
        )
    return TailJudgement(tuple(tails))


def _flexible(run: HeldRun, at_end: bool, book: RuleBook) -> TailJudgement:
    cable = run.cable
    holds = [(length, support) for length, support in _holds_from(run, at_end) if support.secures]
    rules = _of_kind(book, "flexible", cable.method)
    if not rules:
        return _disputed_flexible(book, cable.method, holds)
    if rules[0].trade_sizes:
        if cable.trade_size is None:
            return TailJudgement(
                (), f"no flexible connection: {rules[0].cite} goes by trade size, add cable.{cable.cable_id}.trade_size"
            )
        rules = [rule for rule in rules if cable.trade_size in rule.trade_sizes]
        if not rules:
            return TailJudgement((), f"no flexible connection: the rule set has none for trade size {cable.trade_size}")
    rule = rules[0]
    if not holds:
        return TailJudgement((), "no flexible connection: the cable is fastened nowhere before the equipment")
    tails: list[Tail] = []
    for length, support in holds:
        problem = _too_long("flexible connection", length, support, rule)
        if problem:
            if not tails:
                return TailJudgement((), problem)
            break
        why = (
            f"flexible connection: {both_units(length)} from the {called(support)} to the equipment, "
            f"{_limit_words(rule)}; the project says that it vibrates or moves"
        )
        tails.append(Tail("flexible", length, rule.length_max_m, rule.cite, why))
    return TailJudgement(tuple(tails))


def _disputed_flexible(book: RuleBook, method: str, holds: list[tuple[float, Support]]) -> TailJudgement:
    disputed = next((r for r in book.exemptions if r.kind == "flexible" and method in r.review_methods), None)
    if disputed is None:
        return TailJudgement((), f"no flexible connection: {book.code} has no such exemption for {method}")
    refused = f"no flexible connection: {disputed.cite} is read as for {', '.join(disputed.methods)} only"
    if not holds or _too_long("flexible connection", *holds[0], disputed):
        return TailJudgement((), refused)
    return TailJudgement(
        (),
        refused,
        f"{disputed.cite} would excuse the {both_units(holds[0][0])} from the {called(holds[0][1])} for "
        f"{', '.join(disputed.methods)}; whether also for {method} is a disputed reading",
    )


def fished_parts(run: HeldRun, within: Interval, book: RuleBook) -> tuple[list[Interval], ExemptionRule | None, str]:
    """Return the parts of a stretch that fishing excuses, by which rule, and why not (more), as half a sentence."""
    closed = overlaps(run.inside("inaccessible"), within)
    if not closed:
        unclosed = run.unclosed("inaccessible")
        return [], None, f"not fished{unclosed}" if unclosed else ""
    rules = _of_kind(book, "fished", run.cable.method)
    if not rules:
        return [], None, f"not excused by fishing: {book.code} has no such exemption for {run.cable.method}"
    finished = overlaps(run.inside("inaccessible", finished=True), within)
    unfinished = overlaps(run.inside("inaccessible", finished=False), within)
    why = ""
    if unfinished:
        names = sorted(
            {repr(s.zone.name) for s in run.stretches if s.zone.kind == "inaccessible" and not s.zone.finished}
        )
        why = f"not excused by fishing in {', '.join(names)}: it is for finished buildings, the zone is not finished"
    # where a finished and an unfinished zone overlap, the unfinished one tells
    excused = [part for whole in finished for part in gaps_between(unfinished, whole)]
    return excused, rules[0] if excused else None, why


def called(support: Support) -> str:
    """Return what a sentence calls a support: ``strap at 1.830 m``."""
    return f"{support.kind} at {support.at_m:.3f} m"


def _of_kind(book: RuleBook, kind: str, method: str) -> list[ExemptionRule]:
    return [rule for rule in reversed(book.exemptions) if rule.kind == kind and method in rule.methods]


def _holds_from(run: HeldRun, at_end: bool) -> list[tuple[float, Support]]:
    """Return what holds the run, with its distance from one end, the nearest first; that end's own fitting left out."""
    holds = []
    for support in run.supports:
        distance = run.length_m - support.at_m if at_end else support.at_m
        if not (is_fitting(support) and distance <= TOLERANCE_M):
            holds.append((max(distance, 0.0), support))
    return sorted(holds, key=lambda hold: hold[0])


def _limit_words(rule: ExemptionRule) -> str:
    return "any length" if rule.length_max_m is None else f"up to {both_units(rule.length_max_m)}"


def _too_long(name: str, length: float, support: Support, rule: ExemptionRule) -> str:
    if rule.length_max_m is None or length <= rule.length_max_m + TOLERANCE_M:
        return ""
    return (
        f"no {name}: {both_units(length)} from the {called(support)} is more than the "
        f"{both_units(rule.length_max_m)} of {rule.cite}"
    )


def _outside_ceiling(run: HeldRun, at_end: bool, length: float, termination: Termination) -> str:
    """Return why a stretch at one end is not within accessible ceilings, or nothing where it is."""
    within = (run.length_m - length, run.length_m) if at_end else (0.0, length)
    ceilings = run.inside("accessible-ceiling")
    unclosed = run.unclosed("accessible-ceiling")
    if length > TOLERANCE_M and not overlaps(ceilings, within):
        return f"no whip: it is not within an accessible ceiling, no such zone holds any of it{unclosed}"
    outside = gaps_between(ceilings, within)
    if outside:
        low, high = outside[-1] if at_end else outside[0]
        reaches_end = high >= run.length_m - TOLERANCE_M if at_end else low <= TOLERANCE_M
        if reaches_end:
            return f"no whip: the connection at the {termination.kind} is outside the accessible ceiling{unclosed}"
        leaves = high if at_end else low
        return f"no whip: the cable leaves the accessible ceiling at {leaves:.3f} m{unclosed}"
    closed = overlaps(run.inside("inaccessible"), within)
    if closed:
        return f"no whip: it is inside an inaccessible zone from {closed[0][0]:.3f} m to {closed[0][1]:.3f} m as well"
    return ""
