"""The space that panels need, by voltage and by what is opposite."""

from __future__ import annotations

from dataclasses import dataclass

from route3d.rules.rulebook import RuleBook


@dataclass(frozen=True, slots=True)
class Depth:
    """The depth of a working space: ``sure_m`` in any case, ``possible_m`` at most, from what is known."""

    sure_m: float
    possible_m: float
    rule: str


# Above this, what is not said about a panel is not assumed: shipped rows end at 1000 V to ground.
COMMON_VOLTS_MAX = 600.0


def working_depth(volts_to_ground: float | None, condition: int | None, book: RuleBook) -> Depth | None:
    """Return how deep the space in front of a panel is; None where the rule set has no row for that voltage.

    Where voltage or condition is not said, the depth lies between the least and the greatest that could be meant, with
    no more than ``COMMON_VOLTS_MAX`` to ground.

    >>> from route3d.rules.rulebook import load_rulebook
    >>> round(working_depth(277, 2, load_rulebook("nec-2023", None)).sure_m, 6)
    1.0668
    """
    rows = sorted(book.working_spaces, key=lambda rule: rule.volts_max)
    if volts_to_ground is None:
        rows = [rule for rule in rows if rule.volts_max <= COMMON_VOLTS_MAX] or rows[:1]
    else:
        rows = [rule for rule in rows if volts_to_ground <= rule.volts_max][:1]
    if not rows:
        return None
    depths = [d for rule in rows for n, d in enumerate(rule.depths_m, start=1) if condition in (None, n)]
    return Depth(min(depths), max(depths), rows[-1].cite)
