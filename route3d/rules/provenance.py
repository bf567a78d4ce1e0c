"""Where the value behind a citation comes from, so that nobody takes a remembered number for a printed one."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

from route3d.rules.records import Entry
from route3d.rules.rulebook import RuleBook

# Strongest first. The first four are the sources of a rule file; the others are of findings that cite no rule of it.
KINDS = ("seen", "project", "maker", "geometry", "input", "memory", "practice", "none")

# What a report says beside the rule; nothing where the value was read on a page.
REMARKS: Mapping[str, str] = {
    "seen": "",
    "project": "the project's own rule",
    "maker": "the maker's data, as the project gives them",
    "geometry": "",
    "input": "",
    "memory": "value from memory: compare with the printed edition",
    "practice": "common practice, not code",
    "none": "the rule set states nothing here",
}


def provenance(book: RuleBook, rule: str, words: str = "") -> str:
    """Return one of ``KINDS`` for the rule that a finding, a bend or a span names.

    Several entries may be cited alike: then those speak whose title stands in ``words``, and where their sources
    differ, the weakest: rather one remark too many.
    """
    behind = [entry for _, entry in entries_cited(book, rule)]
    if behind:
        quoted = [entry for entry in behind if entry.title in words]
        return max((entry.source for entry in quoted or behind), key=KINDS.index)
    for start, kind in _OTHERS:
        if rule.startswith(start):
            return kind
    return "none"


@lru_cache(maxsize=4096)  # thousands of findings name a few dozen rules
def entries_cited(book: RuleBook, rule: str) -> tuple[tuple[str, Entry], ...]:
    """Return the entries, each with its group, that a rule text names: those cited exactly so, else within it."""
    exact = tuple(pair for pair in book.entries if pair[1].cite == rule)
    if exact or rule.startswith("maker's data"):
        return exact
    return tuple(pair for pair in book.entries if pair[1].cite in rule)


_OTHERS = (
    ("project ", "project"),
    ("maker's data", "maker"),
    ("practice", "practice"),
    ("bodies must not overlap", "geometry"),
    ("route3d ", "input"),
    ("zone ", "input"),
    ("cable ", "input"),
)
