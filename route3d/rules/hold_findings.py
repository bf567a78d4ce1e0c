"""What securing and supporting find wanting, in words, with the numbers that would mend it."""

from __future__ import annotations

import math
from collections.abc import Iterable

from route3d.kernel.path import point_at
from route3d.model.finding import Finding
from route3d.model.span import Span
from route3d.rules.first_strap import FirstStrap
from route3d.rules.held import HeldRun
from route3d.rules.records import HoldRule
from route3d.rules.securing import Holding
from route3d.units import TOLERANCE_M, both_units

_SAME_M = 1e-6


def securing_findings(run_id: str, run: HeldRun, holding: Holding) -> tuple[Finding, ...]:
    """Return what keeps a run from being called secured; where it is not supported either, that is said here too."""
    missed = [span for span in holding.securing if not span.ok]
    findings = [_span_finding(run_id, run, holding, span, _also_unsupported(span, holding)) for span in missed]
    unstrapped = [first for first in holding.first_straps if first.ok is not True]
    if holding.has_strap:
        findings += [_first_finding(run_id, run, (first,)) for first in unstrapped]
    else:
        # no strap at all is one thing to mend, not one per end; a missed span that reaches an end speaks for it
        silent = [first for first in unstrapped if not any(_reaches(span, run, first.at_end) for span in missed)]
        worst = [first for first in silent if first.ok is False and not first.disputed]
        if silent:
            findings.append(_first_finding(run_id, run, tuple(worst or silent)))
    findings += [_confirm_fishing(run_id, run, holding, rule, "securing") for rule in holding.fished]
    findings += _not_judged(run_id, run, holding.securing_rule, holding.securing)
    return tuple(findings)


def supporting_findings(run_id: str, run: HeldRun, holding: Holding, also_securing: bool) -> tuple[Finding, ...]:
    """Return what keeps a run from being called supported.

    ``also_securing``: the securing check is run too, and already reports what both have in common.
    """
    findings = []
    for span in holding.supporting:
        if not span.ok and not (also_securing and any(_same(span, other) for other in holding.securing)):
            findings.append(_span_finding(run_id, run, holding, span, False))
    if not also_securing:
        findings += [_confirm_fishing(run_id, run, holding, rule, "supporting") for rule in holding.fished]
    findings += _not_judged(run_id, run, holding.supporting_rule, holding.supporting)
    return tuple(findings)


def _reaches(span: Span, run: HeldRun, at_end: bool) -> bool:
    return span.to_m >= run.length_m - _SAME_M if at_end else span.from_m <= _SAME_M


def _same(a: Span, b: Span) -> bool:
    """Return whether two missed spans are between the same two supports, under limits that say the same."""
    return (
        not a.ok
        and not b.ok
        and abs(a.from_m - b.from_m) <= _SAME_M
        and abs(a.to_m - b.to_m) <= _SAME_M
        and a.limit_m == b.limit_m
    )


def _also_unsupported(span: Span, holding: Holding) -> bool:
    return any(_same(span, other) for other in holding.supporting)


def _span_finding(run_id: str, run: HeldRun, holding: Holding, span: Span, both: bool) -> Finding:
    rule = holding.securing_rule if span.check == "securing" else holding.supporting_rule
    assert rule is not None and span.limit_m is not None
    held = "neither secured nor supported" if both else "not secured" if span.check == "securing" else "not supported"
    begins, ends = _place(run, span.from_m, span.check, rule), _place(run, span.to_m, span.check, rule)
    return Finding(
        check=span.check,
        severity=rule.severity,
        run=run_id,
        rule=span.rule,
        at_m=(span.from_m, span.to_m),
        point_m=_point(run, (span.from_m + span.to_m) / 2.0),
        measured=span.length_m,
        required=span.limit_m,
        unit="m",
        message=f"The cable is {held} for {both_units(span.length_m)}, from {begins} to {ends}; "
        f"{both_units(span.limit_m)} at most are allowed. {_reasons(span)}".strip(),
        remedy=_add_straps(run, holding, span),
    )


def _place(run: HeldRun, at_m: float, check: str, rule: HoldRule) -> str:
    here = [s for s in run.supports if abs(s.at_m - at_m) <= _SAME_M]
    holding = [s for s in here if check == "supporting" or s.secures] or here
    if holding:
        return f"the {holding[0].kind} at {at_m:.3f} m"
    if at_m <= _SAME_M or at_m >= run.length_m - _SAME_M:
        return f"the open end at {at_m:.3f} m"
    return f"{at_m:.3f} m"


def _reasons(span: Span) -> str:
    """Return what the span says besides its two numbers, as a sentence."""
    rest = span.why.split("; ", 1)
    return f"{rest[1][0].upper()}{rest[1][1:]}." if len(rest) > 1 else ""


def _add_straps(run: HeldRun, holding: Holding, span: Span) -> str:
    """Return how many straps mend a span, and where; those that its ends ask for beside them are counted."""
    assert span.limit_m is not None
    thing = "strap" if span.check == "securing" else "strap or support"
    beside = {first.at_end: first.limit_m for first in holding.first_straps if first.ok is not True}
    at_start = beside.get(False) if _reaches(span, run, False) else None
    at_end = beside.get(True) if _reaches(span, run, True) else None
    if span.check == "securing" and not holding.has_strap and (at_start is not None or at_end is not None):
        return _strap_bare_run(holding, span, at_start, at_end)
    count = _pieces(span.length_m, span.limit_m) - 1
    if count == 1:
        return f"Add 1 {thing} {_between(span.to_m - span.limit_m, span.from_m + span.limit_m)}."
    apart = both_units(span.limit_m)
    return f"Add {count} {thing}s between {span.from_m:.3f} m and {span.to_m:.3f} m, at most {apart} apart."


def _between(low_m: float, high_m: float) -> str:
    """Return a stretch in which to put a strap, rounded inward to millimetres so that all of it is allowed."""
    low = math.ceil((low_m - TOLERANCE_M) * 1000.0) / 1000.0
    high = math.floor((high_m + TOLERANCE_M) * 1000.0) / 1000.0
    return f"between {low:.3f} m and {high:.3f} m" if low <= high else f"at {(low_m + high_m) / 2.0:.4f} m"


def _strap_bare_run(holding: Holding, span: Span, at_start: float | None, at_end: float | None) -> str:
    limit = span.limit_m
    assert limit is not None
    asked = {False: at_start, True: at_end}
    taken = [distance for distance in asked.values() if distance is not None]
    beside = [
        f"one within {both_units(first.limit_m)} of the {first.termination} at the {'end' if first.at_end else 'start'}"
        for first in holding.first_straps
        if first.ok is not True and asked[first.at_end] is not None
    ]
    between = span.length_m - sum(taken)
    count = len(beside) + max(_pieces(between, limit) - 1, 0)
    noun = "strap" if count == 1 else "straps"
    return f"Add {count} {noun}: {' and '.join(beside)}, and none more than {both_units(limit)} from the next."


def _pieces(length_m: float, limit_m: float) -> int:
    """Return into how many pieces of at most the limit a length must be cut."""
    return max(math.ceil((length_m - TOLERANCE_M) / limit_m), 1)


def _first_finding(run_id: str, run: HeldRun, firsts: tuple[FirstStrap, ...]) -> Finding:
    first = firsts[0]
    unknown = first.ok is None
    disputed = all(f.disputed for f in firsts)
    if len(firsts) == 2:
        stretch = (0.0, run.length_m)
    else:
        end_m = run.length_m if first.at_end else 0.0
        strap_m = first.strap_m if first.strap_m is not None else run.length_m - end_m
        stretch = (min(end_m, strap_m), max(end_m, strap_m))
    straight = _straight_note(run, first)
    words = ". ".join(f.why[0].upper() + f.why[1:] for f in firsts)
    asides = [f.disputed for f in firsts if f.disputed] + ([straight] if straight else [])
    where = " and ".join(f"{_beside(run, f)}, within {both_units(f.limit_m)} of the {f.termination}" for f in firsts)
    noun = "a strap" if len(firsts) == 1 else "straps"
    start = f"Add cable.{run.cable.cable_id}.conductors and size, or {noun}" if unknown else f"Add {noun}"
    return Finding(
        check="securing",
        severity="caution" if unknown or disputed else "violation",
        run=run_id,
        rule=first.rule.cite,
        at_m=stretch,
        point_m=_point(run, sum(stretch) / 2.0),
        measured=first.measured_m,
        required=first.limit_m,
        unit="m",
        message=". ".join([words, *asides]) + ".",
        remedy=f"{start} {where}.",
        unchecked=unknown,
    )


def _beside(run: HeldRun, first: FirstStrap) -> str:
    # where both ways of measuring have a limit, the smaller one along the cable satisfies both
    limits = [limit for limit in (first.rule.along_max_m, first.rule.straight_max_m) if limit is not None]
    reach = min(*limits, run.length_m)
    return _between(run.length_m - reach, run.length_m) if first.at_end else _between(0.0, reach)


def _straight_note(run: HeldRun, first: FirstStrap) -> str:
    """Return a remark where the strap is within the limit as a tape is held, though not along the cable."""
    if first.strap_m is None or first.rule.straight_max_m is not None:
        return ""
    a, b = _point(run, run.length_m if first.at_end else 0.0), _point(run, first.strap_m)
    straight = math.dist(a, b)
    if straight > first.limit_m + TOLERANCE_M:
        return ""
    return f"In a straight line it is {both_units(straight)}; the text is silent, along the cable is the safe reading"


def _confirm_fishing(run_id: str, run: HeldRun, holding: Holding, rule: str, check: str) -> Finding:
    excused = [s for s in (*holding.securing, *holding.supporting) if s.exempt == "fished" and s.rule == rule]
    stretch = (min(s.from_m for s in excused), max(s.to_m for s in excused)) if excused else (0.0, run.length_m)
    return Finding(
        check=check,
        severity="caution",
        run=run_id,
        rule=rule,
        at_m=stretch,
        point_m=_point(run, sum(stretch) / 2.0),
        message=f"From {stretch[0]:.2f} m to {stretch[1]:.2f} m the cable counts as fished inside finished, closed "
        "construction, and is not asked to be secured or supported there.",
        remedy="Confirm that it is fished between access points in a finished building, and that support is "
        "impracticable; if not, set finished = false on the zone.",
    )


def _not_judged(run_id: str, run: HeldRun, rule: HoldRule | None, spans: tuple[Span, ...]) -> Iterable[Finding]:
    """Say where the rule set has no interval, so that nothing was judged."""
    if not spans or (rule is not None and rule.interval_m is not None):
        return
    span = spans[0]
    unknown = rule is None  # an entry that says "none" is an answer; no entry is none
    yield Finding(
        check=span.check,
        severity="caution" if unknown else "note",
        run=run_id,
        rule=span.rule,
        at_m=(span.from_m, span.to_m),
        point_m=_point(run, (span.from_m + span.to_m) / 2.0),
        measured=span.length_m,
        unit="m",
        message=f"No interval for {span.check} in the rule set: {span.why}, and none was judged"
        + (f" ({rule.title})." if rule is not None else "."),
        remedy=f"Say in cable.{run.cable.cable_id}.method what it is, or state an interval in a rule file of your own."
        if unknown
        else "Hold the cable as its listing and the specification ask; a rule file of your own can state an interval.",
        unchecked=unknown,
    )


def _point(run: HeldRun, at_m: float) -> tuple[float, float, float]:
    return point_at(run.pieces, at_m)
