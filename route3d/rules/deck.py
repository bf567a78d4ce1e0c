"""How far below a deck a cable must stay."""

from __future__ import annotations

from dataclasses import dataclass

from route3d.rules.rulebook import RuleBook
from route3d.units import TOLERANCE_M, both_units


@dataclass(frozen=True, slots=True)
class DeckLimit:
    """The smallest gap from the deck's lowest surface to the top of the cable; None where no rule asks for one."""

    gap_m: float | None
    rule: str
    why: str


def deck_gap(book: RuleBook, deck_kind: str, method: str, slab_m: float = 0.0) -> DeckLimit:
    """Return the gap that ``book`` asks below a deck of one kind: metal-roof, other-roof or floor.

    ``slab_m`` is the thickness of concrete over it.

    >>> from route3d.rules.rulebook import load_rulebook
    >>> round(deck_gap(load_rulebook("nec-2023", None), "metal-roof", "mc-interlocked").gap_m, 6)
    0.0381
    """
    rule = next((rule for rule in reversed(book.decks) if deck_kind in rule.kinds), None)
    if rule is None:
        return DeckLimit(None, book.code, f"{book.code} asks for no gap below a deck of kind {deck_kind}")
    if method in rule.relieved_methods:
        return DeckLimit(None, rule.cite, f"{rule.title}; {method} is relieved of it")
    if rule.slab_min_m is not None and slab_m >= rule.slab_min_m - TOLERANCE_M:
        return DeckLimit(None, rule.cite, f"{rule.title}; {both_units(slab_m)} of concrete over it relieve of it")
    return DeckLimit(rule.gap_min_m, rule.cite, rule.title)
