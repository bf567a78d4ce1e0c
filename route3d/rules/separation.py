"""How far limited-energy cable stays from power conductors in the open."""

from __future__ import annotations

from dataclasses import dataclass

from route3d.model.cable import Cable
from route3d.rules.rulebook import RuleBook

SIGNAL_METHODS = ("data-pair", "fibre")


@dataclass(frozen=True, slots=True)
class Separation:
    """The gap that is asked, from surface to surface; ``sure`` is False where the cable's construction must tell."""

    gap_m: float
    rule: str
    sure: bool


def separation(signal: Cable, power: Cable, book: RuleBook) -> Separation | None:
    """Return the gap that ``book`` asks between two cables; None where it asks for none.

    Light carries no current, so fibre is concerned only where it has metal in it (``shielded``), and then to be
    confirmed; so is a power cable of method "other", of which nothing is known that could relieve it.
    """
    limit = book.limit("limited-energy-separation")
    if limit is None or limit.value_m is None or power.method in (*SIGNAL_METHODS, *limit.methods):
        return None
    if power.method in limit.relieved_methods:
        return None
    if signal.method in limit.methods:
        return Separation(limit.value_m, limit.cite, power.method != "other")
    if signal.method == "fibre" and signal.shielded:
        return Separation(limit.value_m, limit.cite, False)
    return None
