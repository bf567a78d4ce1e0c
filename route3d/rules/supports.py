"""What may hold a cable: structure may; ceilings, the things of other trades, raceways and other cables may not.

Cable trays are made to hold cables and count as structure; that a tray is of the electrical installation is for the
reader to confirm.
"""

from __future__ import annotations

from route3d.rules.records import LimitRule
from route3d.rules.rulebook import RuleBook

HOLDING_ROLES = frozenset({"structure", "framing", "deck", "wall", "fire-wall", "tray"})

# Role, or kind of another run, and the limit that refuses it.
_REFUSED = {
    "ceiling": "independent-support",
    "luminaire": "independent-support",
    "duct": "fastened-in-place",
    "pipe": "fastened-in-place",
    "hot-pipe": "fastened-in-place",
    "sprinkler": "fastened-in-place",
    "equipment": "fastened-in-place",
    "raceway": "raceway-as-support",
    "cable": "cable-as-support",
}
REFUSED_ROLES = frozenset(_REFUSED) - {"raceway", "cable"}

RACEWAYS = frozenset({"emt", "rmc", "imc", "pvc", "fmc", "lfmc"})


def refusal(book: RuleBook, what: str) -> LimitRule | None:
    """Return the rule by which ``what`` (a role, or "raceway" or "cable") may not hold a cable; None without one.

    >>> from route3d.rules.rulebook import load_rulebook
    >>> refusal(load_rulebook("nec-2023", None), "duct").section
    '300.11(A)'
    """
    key = _REFUSED.get(what)
    return None if key is None else book.limit(key)
