"""From a layer's name to what its things are: the project's patterns, and a guess for a first look at a drawing.

The guess follows the layer names of the published drafting standards: a discipline letter, a dash, a major group of
four letters, then minor groups, as in M-DUCT-SUPP (groups and letters from memory of those standards, not quoted).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from fnmatch import translate
from functools import cache
from typing import Protocol, runtime_checkable

from route3d.model.element import ROLES

ZONE_ROLE = "zone"  # how importers mark what stands on a zone's layer; no role a user can give
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
    ("", "HNGR", "hanger"),
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


class RoleOf(Protocol):
    """From a thing's layer, and other names that it may have, to its role."""

    def __call__(self, layer: str, *also: str) -> str:
        """Return a role of the model, or ``"zone"``."""


@runtime_checkable
class StatesRoles(RoleOf, Protocol):
    """A ``RoleOf`` that can also say that nothing was stated."""

    def stated(self, layer: str, *also: str) -> str | None:
        """Return a role, or None where the project says nothing of these names."""


class RoleMap:
    """The project's patterns in their order; call it with a layer, and ask afterwards what nothing matched."""

    def __init__(self, patterns: Mapping[str, str]) -> None:
        for pattern, role in patterns.items():
            if role not in ROLES:
                raise ValueError(f"{role!r} is not a role ({pattern!r})")
        self._patterns = [(_expression(p), p, role) for p, role in patterns.items()]
        self._unmatched: dict[str, None] = {}
        self._used: set[str] = set()

    def __call__(self, layer: str, *also: str) -> str:
        """Return the role of the first pattern that matches a whole name, ``obstacle`` where none does.

        ``also`` are other names that count as well: of a mesh its path, of a face its material.
        """
        role = self.stated(layer, *also)
        if role is None:
            self._unmatched[layer] = None
            return NO_MATCH_ROLE
        return role

    def stated(self, layer: str, *also: str) -> str | None:
        """Return the role of the first pattern that matches a whole name, None where none does: a class has its own."""
        for expression, pattern, role in self._patterns:
            if expression.match(layer) or any(expression.match(name) for name in also):
                self._used.add(pattern)
                return role
        return None

    @property
    def unmatched_layers(self) -> tuple[str, ...]:
        """Layers that were asked for and that no pattern matches, in that order."""
        return tuple(self._unmatched)

    @property
    def unused_patterns(self) -> tuple[str, ...]:
        """Patterns that matched no layer so far, in their order."""
        return tuple(pattern for _, pattern, _ in self._patterns if pattern not in self._used)


class ModelRoles:
    """The roles of one model: volumes of zones first, then what is read as runs, then the model's own patterns."""

    def __init__(self, by_role: RoleMap, zones: Sequence[str], routes: Sequence[str]) -> None:
        self._by_role = by_role
        self._zones = zones
        self._routes = routes

    def __call__(self, layer: str, *also: str) -> str:
        """Return the role of a thing with these names."""
        return self._of_others(layer, *also) or self._by_role(layer, *also)

    def stated(self, layer: str, *also: str) -> str | None:
        """Return the role of a thing with these names, None where the project says nothing of it."""
        return self._of_others(layer, *also) or self._by_role.stated(layer, *also)

    def _of_others(self, *names: str) -> str | None:
        if any(layer_matches(name, pattern) for pattern in self._zones for name in names):
            return ZONE_ROLE
        if any(layer_matches(name, pattern) for pattern in self._routes for name in names):
            return "ignore"  # the same file is read again for its routes
        return None


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
