"""How a run is held: the stretches between what secures it, between what supports it, and its first straps.

How the rules are read here:

- Stretches are measured along the cable, from the centre of one support to the centre of the next; the fitting at a
  termination is one of them, an open end is none: the tail to it is a stretch of its own.
- Where a whip or a flexible connection begins at a hanger, what lies before it is judged up to that hanger.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from route3d.model.span import Span
from route3d.model.support import Support
from route3d.rules.exemption import Tail, TailJudgement, fished_parts, judge_tail
from route3d.rules.first_strap import FirstStrap, first_strap, unless_fished
from route3d.rules.held import HeldRun, gaps_between, is_fitting, is_vertical, secures
from route3d.rules.records import HoldRule
from route3d.rules.rulebook import RuleBook
from route3d.units import TOLERANCE_M, both_units


@dataclass(frozen=True, slots=True)
class Holding:
    """How one run is held. A check without an interval in the rule set has a rule of None or of no interval."""

    securing_rule: HoldRule | None
    supporting_rule: HoldRule | None
    securing: tuple[Span, ...]
    supporting: tuple[Span, ...]
    first_straps: tuple[FirstStrap, ...]  # of terminations where the rule set asks for one
    has_strap: bool  # something secures it between its fittings
    fished: tuple[str, ...]  # rules that excused a stretch by fishing: each needs confirming


@dataclass(frozen=True, slots=True)
class _Tails:
    """The exempt stretches chosen at both ends; one that spans the run stands at both."""

    start: Tail | None
    end: Tail | None


def judge_holding(run: HeldRun, book: RuleBook) -> Holding:
    """Judge every stretch and both ends of one run."""
    rules = (book.hold("securing", run.cable.method), book.hold("supporting", run.cable.method))
    first_rule = book.first_strap(run.cable.method)
    asked = {at_end: first_strap(run, at_end, first_rule, rules[0]) for at_end in (False, True)}
    offered = {at_end: _offered(run, at_end, asked[at_end], rules, book) for at_end in (False, True)}
    judged = [_judged(run, tails, rules, asked, offered, book) for tails in _choices(run, offered)]
    if any(_misses(min(judged, key=_misses))):
        # a strap beside an end must not cost the run an exemption that it has without that strap
        strapped = {at_end: _offered(run, at_end, None, rules, book) for at_end in (False, True)}
        if any(strapped[at_end].tails and not offered[at_end].tails for at_end in (False, True)):
            judged += [_judged(run, tails, rules, asked, strapped, book) for tails in _choices(run, strapped)]
    return min(judged, key=_misses)


def _misses(holding: Holding) -> tuple[int, int]:
    """Count what a choice of exemptions leaves wrong, then untold; `min` keeps the first, shortest choice of equals."""
    spans = sum(not span.ok for span in (*holding.securing, *holding.supporting))
    firsts = [first.ok for first in holding.first_straps]
    return spans + firsts.count(False), firsts.count(None)


def _choices(run: HeldRun, offered: dict[bool, TailJudgement]) -> Iterable[_Tails]:
    starts: Sequence[Tail | None] = offered[False].tails or (None,)
    ends: Sequence[Tail | None] = offered[True].tails or (None,)
    for start in starts:
        for end in ends:
            spans_run = next((t for t in (start, end) if t and t.length_m >= run.length_m - TOLERANCE_M), None)
            if spans_run is not None:
                yield _Tails(spans_run, spans_run)
            elif start is None or end is None or start.length_m + end.length_m <= run.length_m + TOLERANCE_M:
                yield _Tails(start, end)
    if starts[0] is not None and ends[0] is not None:
        # two tails that overlap: one of them, then
        yield from (_Tails(start, None) for start in starts)
        yield from (_Tails(None, end) for end in ends)


def _offered(
    run: HeldRun,
    at_end: bool,
    asked: FirstStrap | None,
    rules: tuple[HoldRule | None, HoldRule | None],
    book: RuleBook,
) -> TailJudgement:
    """Look for an exemption at one end, unless the cable is strapped beside it or has nothing to be exempt from."""
    if asked is not None and asked.strap_m is not None and asked.measured_m <= asked.limit_m + TOLERANCE_M:
        # strapped, whether or not the rule on the first strap concerns this cable
        return TailJudgement()
    if asked is None and all(rule is None or rule.interval_m is None for rule in rules):
        return TailJudgement()
    return judge_tail(run, at_end, book)


def _judged(
    run: HeldRun,
    tails: _Tails,
    rules: tuple[HoldRule | None, HoldRule | None],
    asked: dict[bool, FirstStrap | None],
    offered: dict[bool, TailJudgement],
    book: RuleBook,
) -> Holding:
    fished: list[str] = []
    securing = _spans("securing", run, tails, rules[0], offered, book, fished)
    supporting = _spans("supporting", run, tails, rules[1], offered, book, fished)
    firsts = []
    for at_end, tail in ((False, tails.start), (True, tails.end)):
        first = asked[at_end]
        if first is not None and tail is None:
            firsts.append(unless_fished(run, first, offered[at_end], book, fished))
    securing = _with_first_straps(securing, asked, tails, run)
    return Holding(
        rules[0],
        rules[1],
        securing,
        supporting,
        tuple(firsts),
        any(secures(s, rules[0]) and not is_fitting(s) for s in run.supports),
        tuple(dict.fromkeys(fished)),
    )


def _holds(check: str, support: Support, rule: HoldRule) -> bool:
    return secures(support, rule) if check == "securing" else support.kind != "framing" or rule.framing


def _spans(
    check: str,
    run: HeldRun,
    tails: _Tails,
    rule: HoldRule | None,
    offered: dict[bool, TailJudgement],
    book: RuleBook,
    fished: list[str],
) -> tuple[Span, ...]:
    if run.length_m <= TOLERANCE_M:
        return ()
    if rule is None or rule.interval_m is None:
        cite = book.code if rule is None else rule.cite
        why = f"{book.code} states no interval for {run.cable.method}"
        return (Span(0.0, run.length_m, None, None, cite, True, why, check),)
    first = 0.0 if tails.start is None else tails.start.length_m
    last = run.length_m if tails.end is None else run.length_m - tails.end.length_m
    if tails.start is not None and tails.start is tails.end:
        return (_exempt(0.0, run.length_m, tails.start, check),)
    spans = [] if tails.start is None else [_exempt(0.0, first, tails.start, check)]
    inner = (first + TOLERANCE_M, last - TOLERANCE_M)  # what is nearer to an end than that is at it
    marks = [s.at_m for s in run.supports if _holds(check, s, rule) and inner[0] < s.at_m < inner[1]]
    for from_m, to_m in pairwise([first, *marks, last]):
        if to_m - from_m > TOLERANCE_M:
            spans.extend(_judge_stretch(check, run, from_m, to_m, rule, offered, book, fished))
    if tails.end is not None:
        spans.append(_exempt(last, run.length_m, tails.end, check))
    return tuple(spans)


def _exempt(from_m: float, to_m: float, tail: Tail, check: str) -> Span:
    return Span(from_m, to_m, tail.limit_m, tail.kind, tail.rule, True, tail.why, check)


def _judge_stretch(
    check: str,
    run: HeldRun,
    from_m: float,
    to_m: float,
    rule: HoldRule,
    offered: dict[bool, TailJudgement],
    book: RuleBook,
    fished: list[str],
) -> list[Span]:
    """Judge what lies between two holds; fishing splits it into what is excused and what is not."""
    whole, reasons = _plain(check, run, from_m, to_m, rule)
    tail_notes = [
        judged.refused
        for at_end, judged in offered.items()
        if judged.refused and (to_m >= run.length_m - TOLERANCE_M if at_end else from_m <= TOLERANCE_M)
    ]
    if whole.ok:
        return [_because(whole, [*reasons, *tail_notes])]
    excused, fishing, refused = fished_parts(run, (from_m, to_m), book)
    reasons += [note for note in (refused, *tail_notes) if note]
    if fishing is None:
        return [_because(whole, reasons)]
    fished.append(fishing.cite)
    spans = [
        Span(
            low,
            high,
            None,
            "fished",
            fishing.cite,
            True,
            f"{fishing.title}: inside a finished, closed zone; confirm that support is impracticable there",
            check,
        )
        for low, high in excused
    ]
    for low, high in gaps_between(excused, (from_m, to_m)):
        part, part_reasons = _plain(check, run, low, high, rule)
        note = "measured from where the cable leaves the finished zone"
        spans.append(
            _because(part, [note, *part_reasons, *([] if part.ok else [n for n in (refused, *tail_notes) if n])])
        )
    return sorted(spans, key=lambda span: span.from_m)


def _plain(check: str, run: HeldRun, from_m: float, to_m: float, rule: HoldRule) -> tuple[Span, list[str]]:
    """Compare one stretch with the interval, or with the longer one for heavy cable that runs vertically."""
    limit = rule.interval_m
    assert limit is not None
    reasons = []
    length = to_m - from_m
    longer = rule.vertical_interval_m
    if length > limit + TOLERANCE_M and longer is not None and is_vertical(run.pieces, from_m, to_m):
        least, size = rule.vertical_size_min, run.cable.size
        if least is None or (size is not None and size >= least):
            limit = longer
            reasons.append(
                f"vertical, {size.text if size else 'any size'}: listed for it, {both_units(longer)} are allowed"
            )
            reasons += [rule.note] if rule.note else []
        elif size is None:
            reasons.append(
                f"vertical, but cable.{run.cable.cable_id}.size is missing: {both_units(longer)} are for {least.text} "
                "and larger"
            )
        else:
            reasons.append(f"vertical, but {size.text} is smaller than the {least.text} of the longer interval")
    ok = length <= limit + TOLERANCE_M
    metric = rule.interval_metric_m
    if not ok and metric is not None and length <= metric + TOLERANCE_M:
        reasons.append(
            f"within the {both_units(metric)} of the code's rounded metric value, but the value in feet decides"
        )
    words = f"{both_units(length)}, {'within' if ok else 'more than'} {both_units(limit)}"
    return Span(from_m, to_m, limit, None, rule.cite, ok, words, check), reasons


def _because(span: Span, reasons: Sequence[str]) -> Span:
    if not reasons:
        return span
    why = "; ".join((span.why, *reasons))
    # `dataclasses.replace` takes five times as long
    return Span(span.from_m, span.to_m, span.limit_m, span.exempt, span.rule, span.ok, why, span.check)


def _with_first_straps(
    spans: tuple[Span, ...], asked: dict[bool, FirstStrap | None], tails: _Tails, run: HeldRun
) -> tuple[Span, ...]:
    """Say at the stretch beside each termination how its first strap stands."""
    said = list(spans)
    for at_end, tail in ((False, tails.start), (True, tails.end)):
        first = asked[at_end]
        if first is None or tail is not None or not said:
            continue
        index = -1 if at_end else 0
        if said[index].exempt is None:
            said[index] = _because(said[index], [first.why])
    return tuple(said)
