"""Every exemption that could have excused a stretch, and why it did not: said one by one, for explanations."""

from __future__ import annotations

from route3d.rules.exemption import WHIP_ENDS, fished_parts, judge_tail
from route3d.rules.held import HeldRun, Interval, gaps_between
from route3d.rules.records import ExemptionRule
from route3d.rules.rulebook import RuleBook
from route3d.units import TOLERANCE_M


def exemptions_refused(run: HeldRun, stretch: Interval, book: RuleBook) -> tuple[str, ...]:
    """Return for whip, flexible connection and fishing why a stretch of a run is not excused by it."""
    ends = [
        at_end
        for at_end, touches in (
            (False, stretch[0] <= TOLERANCE_M),
            (True, stretch[1] >= run.length_m - TOLERANCE_M),
        )
        if touches
    ]
    return (*_tails(run, ends, book), _fishing(run, stretch, book))


def _tails(run: HeldRun, ends: list[bool], book: RuleBook) -> list[str]:
    both = "whip and flexible connection"
    if not ends:
        return [f"{both}: refused, the stretch reaches neither end of the run"]
    said = []
    for at_end in ends:
        termination = run.end if at_end else run.start
        where = f"at the {'end' if at_end else 'start'}"
        if termination.kind == "open":
            said.append(f"{both} {where}: refused, that end is open")
            continue
        if termination.kind not in WHIP_ENDS:
            cites = _cites(book, run.cable.method, "whip", "flexible")
            whom = ", ".join(WHIP_ENDS)
            said.append(f"{both} {where}: refused, they are for {whom}, not for a {termination.kind}{cites}")
            continue
        if termination.kind != "flexible-equipment":
            cites = _cites(book, run.cable.method, "flexible")
            said.append(
                f"flexible connection {where}: refused, the project does not say that the {termination.kind} vibrates "
                f"or moves{cites}"
            )
        judged = judge_tail(run, at_end, book)
        # two refusals are one text there
        refused = judged.refused.replace("; no whip:", "\nno whip:").split("\n") if judged.refused else []
        for text in refused:
            name, _, why = text.removeprefix("no ").partition(": ")
            said.append(f"{name} {where}: refused, {why}")
        if judged.disputed:
            said.append(f"{where}: {judged.disputed}")
        said += [f"{tail.kind} {where}: possible, but not enough ({tail.why})" for tail in judged.tails[:1]]
    return said


def _fishing(run: HeldRun, stretch: Interval, book: RuleBook) -> str:
    excused, rule, refused = fished_parts(run, stretch, book)
    if rule is not None and excused:
        left = ", ".join(f"{low:.3f}–{high:.3f} m" for low, high in gaps_between(excused, stretch))
        rest = f"; not for {left}, outside of it" if left else ""
        return f"fishing: {rule.cite} excuses what is inside a finished, closed zone{rest}"
    if refused:
        return f"fishing: refused, {refused.partition(': ')[2] or refused}"
    cites = _cites(book, run.cable.method, "fished")
    return f"fishing: refused, no part of the stretch is inside an inaccessible zone{cites}"


def _cites(book: RuleBook, method: str, *kinds: str) -> str:
    rules: list[ExemptionRule] = [r for r in book.exemptions if r.kind in kinds and method in r.methods]
    return f" ({', '.join(dict.fromkeys(rule.cite for rule in rules))})" if rules else ""
