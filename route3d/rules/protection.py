"""Which numbers protect a cable in framing, in attics and in the ground, and whom they concern.

How the rules are read here:

- The rule on bored holes is for wood. Framing of which the project does not say what it is made of counts as wood.
- A notch is a hole that breaks through the edge of its member: it needs a plate whatever its depth.
- A run along framing is judged where nails or screws are likely: violation in closed construction (inside a wall, or
  in a zone of kind inaccessible), caution where it is exposed, nothing above lay-in ceilings, to whose joists nothing
  is nailed. What is fished in finished construction, held by nothing there, is exempt from it.
"""

from __future__ import annotations

from dataclasses import dataclass

from route3d.rules.records import BurialRule, LimitRule
from route3d.rules.rulebook import RuleBook


@dataclass(frozen=True, slots=True)
class Asked:
    """One limit as it stands for one method; ``limit_m`` is None where nothing is asked of it."""

    limit_m: float | None
    rule: str
    title: str
    relieved: bool = False


def asked_of(book: RuleBook, key: str, method: str) -> Asked | None:
    """Return what the limit ``key`` asks of a method; None where the rule set has none for it.

    >>> from route3d.rules.rulebook import load_rulebook
    >>> asked_of(load_rulebook("nec-2023", None), "bored-hole-edge", "emt").relieved
    True
    """
    rule = book.limit(key)
    if rule is None or (rule.methods and method not in rule.methods):
        return None
    relieved = method in rule.relieved_methods
    return Asked(None if relieved else rule.value_m, rule.cite, rule.title, relieved)


def of_family(book: RuleBook, family: str, method: str) -> LimitRule | None:
    """Return the last of the limits ``family-…`` that is for a method: each article states its own."""
    return next(
        (rule for rule in reversed(book.limits) if rule.key.startswith(f"{family}-") and method in rule.methods), None
    )


def burial_cover(book: RuleBook, location: str, method: str) -> BurialRule | None:
    """Return the row of the table of least cover; None where it has none for this method."""
    return next((r for r in reversed(book.burials) if location in r.locations and method in r.methods), None)
