"""The rule book on the terminal: as a list, and one rule in full."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.text import Text

from route3d.reports.console import Console
from route3d.reports.rule_figure import figure_text
from route3d.rules.describe import conditions, numbers
from route3d.rules.editions import edition_differences
from route3d.rules.records import Entry
from route3d.rules.rulebook import RuleBook

# What a source means to somebody who relies on the number.
SOURCES = {
    "seen": "seen: a page that states the value for this section was read; still compare it with the adopted edition",
    "memory": "memory: written down without such a page; compare it with the printed edition before relying on it",
    "practice": "practice: a habit of the trade, never code",
    "project": "project: a rule file of the project's own",
}

Grouped = tuple[str, Entry]


def matching(book: RuleBook, section: str | None) -> tuple[Grouped, ...]:
    """Return the entries of a section, or of a part of one; None: all.

    ``330.30`` matches 330.30(B) too, ``330.3`` does not match 330.30; a key such as ``bend.nm`` matches that entry.
    """
    if section is None:
        return book.entries
    wanted = section.lower().strip()
    return tuple(
        (group, entry)
        for group, entry in book.entries
        if _names(entry.section.lower(), wanted) or wanted in (group, f"{group}.{entry.key}".lower())
    )


def _names(section: str, wanted: str) -> bool:
    # "358.24 and Chapter 9 Table 2" is asked for by either of its parts, "Table 300.5" by its number
    parts = [section, *section.replace(", ", " and ").split(" and "), *section.split()]
    return any(p.startswith(wanted) and not p[len(wanted) :][:1].isdigit() for p in parts)


def print_list(book: RuleBook, entries: Sequence[Grouped], console: Console) -> None:
    """Print entries by group: section, title, numbers in both units, conditions, source, editions that differ."""
    last = ""
    for group, entry in entries:
        if group != last:
            console.print(Text(f"\n[{group}]", style="bold"))
            last = group
        line = Text(f"{entry.section}  ", style="bold")
        line.append(entry.title, style="not bold")
        console.print(line)
        console.print(Text(f"    {' · '.join(_short(group, entry))}", style="dim"))


def _short(group: str, entry: Entry) -> Iterable[str]:
    for label, value in (*numbers(entry), *conditions(entry)):
        yield f"{label} {value}"
    yield f"source {entry.source}"
    differing = edition_differences(group, entry)
    if differing:
        yield f"differs in {', '.join(name for name, _ in differing)}"


def print_entry(group: str, entry: Entry, console: Console) -> None:
    """Print one rule in full, with its figure in characters."""
    console.print(Text(f"\n{entry.cite}", style="bold"))
    console.print(Text(entry.title))
    sketch = figure_text(group, entry)
    if sketch:
        console.print(Text(f"\n{sketch}\n"), soft_wrap=True)
    for heading, rows in (("asks", numbers(entry)), ("concerns", conditions(entry))):
        for label, value in rows:
            line = Text(f"{heading:<10}", style="bold")
            line.append(f"{label}: {value}", style="not bold")
            console.print(line)
            heading = ""
    _row(console, "note", getattr(entry, "note", ""))
    _row(console, "source", SOURCES[entry.source])
    differing = edition_differences(group, entry)
    if not differing:
        _row(
            console,
            "editions",
            "the shipped editions say the same, as far as their files state it (2026: taken over, unconfirmed)",
        )
    for name, said in differing:
        _row(console, "editions" if name == differing[0][0] else "", f"{name}: {'; '.join(said)}")
    _row(console, "override", f"in a rule file of your own, under [{group}.{_key(entry.key)}]")


def _row(console: Console, heading: str, text: str) -> None:
    if text:
        line = Text(f"{heading:<10}", style="bold")
        line.append(text, style="not bold")
        console.print(line)


def _key(key: str) -> str:
    return key if key.replace("-", "").replace("_", "").isalnum() else f'"{key}"'
