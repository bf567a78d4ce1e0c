"""What the shipped editions say differently about one rule."""

from __future__ import annotations

from functools import cache

from route3d.rules.describe import differences
from route3d.rules.records import Entry
from route3d.rules.rulebook import SHIPPED, RuleBook, load_rulebook


@cache
def shipped(name: str) -> RuleBook:
    """Return a shipped rule set, read once."""
    return load_rulebook(name, None)


def edition_differences(group: str, entry: Entry) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return for each shipped edition that differs from ``entry`` its name and what it states instead.

    Editions that say the same are left out, and so are all of them where none states such an entry: a rule of the
    project's own.
    """
    found = []
    for name in SHIPPED:
        other = next((e for g, e in shipped(name).entries if g == group and e.key == entry.key), None)
        said = ("not stated",) if other is None else differences(entry, other)
        if said:
            found.append((name, said))
    if all(said == ("not stated",) for _, said in found) and len(found) == len(SHIPPED):
        return ()
    return tuple(found)
