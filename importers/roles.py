"""From a layer's name to what its things are: the project's patterns, and a guess for a first look at a drawing.

The guess follows the layer names of the published drafting standards: a discipline letter, a dash, a major group of
four letters, then minor groups, as in M-DUCT-SUPP (groups and letters from memory of those standards, not quoted).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from fnmatch import translate
from functools import cache

from route3d.model.element import ROLES

NO_MATCH_ROLE = "obstacle"  # what no pattern matches is still in the way of a cable

# (discipline letters, or "" for any; a word that a group of the name starts with; role)
_GUESSES: tuple[tuple[str, str, str], ...] = (
    ("", "ANNO", "ignore"),
    ("", "DIMS", "ignore"),
    ("", "NOTE", "ignore"),
    ("", "TEXT", "ignore"),
    ("", "TTLB", "ignore"),
    ("", "SYMB", "ignore"),
    ("", "GRID", "ignore"),
    ("", "VPRT", "ignore"),
    ("", "NPLT", "ignore"),
    ("", "DEFPOINTS", "ignore"),
    ("", "LEGN", "ignore"),
    ("", "HANG", "hanger"),
    ("", "STRP", "strap"),
    ("", "STRAP", "strap"),
    ("", "CLMP", "strap"),
    ("", "DECK", "deck"),
    ("", "ROOF", "deck"),
    ("", "JOIS", "framing"),
    ("", "STUD", "framing"),
    ("", "RAFT", "framing"),
    ("", "TRUS", "framing"),
    ("", "FRAM", "framing"),
    ("", "BEAM", "structure"),
    ("", "COLS", "structure"),
    ("", "COLUMN", "structure"),
    ("", "BRAC", "structure"),
    ("", "SLAB", "structure"),
    ("", "FNDN", "structure"),
    ("", "FOOT", "structure"),
    ("", "FIRE", "fire-wall"),
    ("", "FRWL", "fire-wall"),
    ("", "WALL", "wall"),
    ("", "PRTN", "wall"),
    ("", "CLNG", "ceiling"),
    ("", "CEIL", "ceiling"),
    ("", "DUCT", "duct"),
    ("", "DIFF", "duct"),
    ("", "SPRN", "sprinkler"),
    ("", "SPKL", "sprinkler"),
    ("", "HPIP", "hot-pipe"),
    ("", "HOTW", "hot-pipe"),
    ("", "STEM", "hot-pipe"),
    ("", "STEAM", "hot-pipe"),
    ("", "CWTR", "pipe"),
    ("", "PIPE", "pipe"),
    ("", "PIPG", "pipe"),
    ("", "SANR", "pipe"),
    ("", "DOMW", "pipe"),
    ("", "STRM", "pipe"),
    ("", "CTRY", "tray"),
    ("", "TRAY", "tray"),
    ("", "CBLT", "tray"),
    ("", "LITE", "luminaire"),
    ("", "LUMI", "luminaire"),
    ("", "JBOX", "box"),
    ("", "BOXS", "box"),
    ("", "BOX", "box"),
    ("", "PANL", "cabinet"),
    ("", "PNLS", "cabinet"),
    ("", "SWBD", "cabinet"),
    ("E", "POWR", "box"),
    ("", "ACCS", "access-panel"),
    ("", "HTCH", "access-panel"),
    ("", "EQPM", "equipment"),
    ("", "EQUIP", "equipment"),
    ("", "ZONE", "zone"),
    ("Z", "", "zone"),
    ("F", "", "sprinkler"),
    ("P", "", "pipe"),
    ("S", "", "structure"),
)
_DISCIPLINE = re.compile(r"^([A-Z])[A-Z]?[-_]")


def guess_role(layer: str) -> tuple[str, str]:
    """Return a role for a layer and the reason; a guess, to be confirmed, and ``obstacle`` where nothing fits.

    ``zone`` comes back for layers that look like volumes of a zone.

    >>> guess_role("S-JOIS-PRIM")
    ('framing', 'JOIS in the name')
    >>> guess_role("0")[0]
    'obstacle'
    """
    name = layer.upper()
    discipline = _DISCIPLINE.match(name)
    letter = discipline.group(1) if discipline else ""
    words = [word for word in re.split(r"[^A-Z]+", name) if word]
    for letters, word, role in _GUESSES:
        if letters and letter != letters:
            continue
        if not word:
            return role, f"discipline {letter}, nothing else known"
        if any(part.startswith(word) for part in words):
            return role, f"{word} in the name"
    return NO_MATCH_ROLE, "no known name: give it a role"


class RoleMap:
    """The project's patterns in their order; call it with a layer, and ask afterwards what nothing matched."""

    def __init__(self, patterns: Mapping[str, str]) -> None:
        for pattern, role in patterns.items():
            if role not in ROLES:
                raise ValueError(f"{role!r} is not a role ({pattern!r})")
        self._patterns = [(_expression(p), p, role) for p, role in patterns.items()]
        self._unmatched: dict[str, None] = {}
        self._used: set[str] = set()

    def __call__(self, layer: str) -> str:
        """Return the role of the first pattern that matches the whole name, ``obstacle`` where none does."""
        for expression, pattern, role in self._patterns:
            if expression.match(layer):
                self._used.add(pattern)
                return role
        self._unmatched[layer] = None
        return NO_MATCH_ROLE

    @property
    def unmatched_layers(self) -> tuple[str, ...]:
        """Layers that were asked for and that no pattern matches, in that order."""
        return tuple(self._unmatched)

    @property
    def unused_patterns(self) -> tuple[str, ...]:
        """Patterns that matched no layer so far, in their order."""
        return tuple(pattern for _, pattern, _ in self._patterns if pattern not in self._used)


def role_map(patterns: Mapping[str, str]) -> RoleMap:
    """Return what gives each layer its role: case-insensitive patterns with * and ?, first match wins.

    Raises
    ------
    ValueError
        A role is not one of ``ROLES``.

    >>> roles = role_map({"S-JOIS*": "framing", "*": "ignore"})
    >>> roles("s-jois-01"), roles("A-WALL")
    ('framing', 'ignore')
    """
    return RoleMap(patterns)


def layer_matches(layer: str, pattern: str) -> bool:
    """Tell whether a pattern with * and ? is the whole name of a layer; case does not count.

    >>> layer_matches("m-duct-supp", "M-DUCT*")
    True
    """
    return _expression(pattern).match(layer) is not None


@cache
def _expression(pattern: str) -> re.Pattern[str]:
    """Return the pattern as a regular expression; square brackets stand for themselves, unlike in file names."""
    return re.compile(translate(pattern.replace("[", "[[]")), re.IGNORECASE)
