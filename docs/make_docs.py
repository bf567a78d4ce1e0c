"""Writes what is made by the program in these documents: the rule table, the tables of JSON keys, and all pictures.

``python docs/make_docs.py`` writes ``docs/rules.md`` and the tables of ``docs/results.md`` again;
``python docs/make_docs.py --pictures`` draws ``docs/pictures`` as well, with what the tests need installed
(``pip install -e '.[test]'``, and a browser for the picture of the page). ``tests/test_docs.py`` says when texts are
stale.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from route3d.reports.formats import FORMATS, schema_text
from route3d.rules.describe import WHOLE, conditions, numbers
from route3d.rules.editions import edition_differences
from route3d.rules.records import Entry
from route3d.rules.rulebook import EXAMPLES, SHIPPED, load_rulebook

HERE = Path(__file__).parent
BASE = "nec-2023"
BEGIN, END = "<!-- tables: made by docs/make_docs.py -->", "<!-- end of tables -->"

HEAD = """# The rules, and where each number comes from

Made from the program's own rule files by `docs/make_docs.py`; do not edit it. On the terminal: `route3d rules`,
`route3d rules 330.30` for one section with a figure, `route3d rules --set nec-2026` for another edition.

> **Compare every number with the edition adopted where you build.** Rules are stated in our own words. Local
> amendments, the listing and the maker's data come first; state them in
> [a rule file of your own](../README.md#the-rule-book-and-why-a-finding-stands).

The column "source" says how a number came here. **seen**: a page that states the value for this section was read.
**memory**: written down without such a page. **practice**: a habit of the trade, never code. The key is what a rule
file of your own overrides. The main table is {title}; "elsewhere" says what the files of other editions state
instead. What the file of 2026 does not state is taken over from 2023 unconfirmed.

"""

GROUPS = {
    "bend": "Bends of cables",
    "raceway_bend": "Bends of raceways",
    "raceway_radius": "Radii of raceways, by trade size",
    "bend_total": "Sum of bends between pull points",
    "securing": "Securing: longest distance between fasteners",
    "supporting": "Supporting: longest distance between places that carry the weight",
    "first_strap": "First strap beside a termination",
    "exemption": "Exemptions from securing and supporting",
    "deck": "Below roof decks",
    "environment": "Cable and place",
    "burial": "Cover over buried runs",
    "limit": "Single limits and demands",
    "bundle": "Cables laid together",
    "working_space": "Space at panels",
}


def rules_text() -> str:
    """Return ``docs/rules.md``."""
    book = load_rulebook(BASE, None)
    said = [HEAD.format(title=book.title)]
    tally = {source: sum(e.source == source for _, e in book.entries) for source in ("seen", "memory", "practice")}
    said.append(
        f"{book.title}: {len(book.entries)} entries, "
        + ", ".join(f"{n} {source}" for source, n in tally.items())
        + ".\n"
    )
    for group, title in GROUPS.items():
        entries = [entry for g, entry in book.entries if g == group]
        if entries:
            said.append(f"\n## {title}\n\n")
            said.extend(_table(group, entries, elsewhere=True))
    known = {(group, entry.key) for group, entry in book.entries}
    for name in SHIPPED:
        other = load_rulebook(name, None)
        new = [(g, e) for g, e in other.entries if (g, e.key) not in known]
        if new:
            said.append(f"\n## Only in {other.title}\n\n")
            for group in dict.fromkeys(g for g, _ in new):
                said.extend(_table(group, [e for g, e in new if g == group], elsewhere=False))
    for name in EXAMPLES:
        other = load_rulebook(name, None)
        said.append(
            f'\n## {other.title}\n\nAll from memory, to be copied and compared before use: `rules = "{name}"`.\n\n'
        )
        for group in dict.fromkeys(g for g, _ in other.entries):
            said.extend(_table(group, [e for g, e in other.entries if g == group], elsewhere=False))
    return "".join(said)


def _table(group: str, entries: Iterable[Entry], *, elsewhere: bool) -> Iterable[str]:
    yield f"| section | rule | numbers | concerns | source | key{' | elsewhere' if elsewhere else ''} |\n"
    yield f"| --- | --- | --- | --- | --- | ---{' | ---' if elsewhere else ''} |\n"
    for entry in entries:
        note = getattr(entry, "note", "")
        cells = [
            entry.section,
            entry.title + (f" ({note})" if note else ""),
            _pairs(numbers(entry, WHOLE)),
            _pairs(conditions(entry, WHOLE)),
            entry.source,
            f"`{group}.{entry.key}`",
        ]
        if elsewhere:
            differing = [(name, said) for name, said in edition_differences(group, entry) if name != BASE]
            cells.append("<br>".join(f"{name}: {'; '.join(said)}" for name, said in differing))
        yield f"| {' | '.join(cell.replace('|', '/') for cell in cells)} |\n"


def _pairs(rows: Iterable[tuple[str, str]]) -> str:
    return "; ".join(f"{label} {value}" for label, value in rows)


def keys_text() -> str:
    """Return the tables of ``docs/results.md``: every key of every format."""
    said = []
    for name, (major, minor, command) in FORMATS.items():
        schema = json.loads(schema_text(name))
        said.append(f"\n### {name}, version {major}.{minor}\n\n{schema['title']}, written by {_code(command)}.\n\n")
        said.append("| key | type | meaning |\n| --- | --- | --- |\n")
        said.extend(_rows(schema, schema["$defs"], "", ()))
    return "".join(said)


def _code(commands: str) -> str:
    return " and ".join(f"`{command}`" for command in commands.split(", "))


def _rows(node: Mapping[str, Any], defs: Mapping[str, Any], path: str, seen: tuple[str, ...]) -> Iterable[str]:
    for key, value in node.get("properties", {}).items():
        inner, names = value, seen
        array = ""
        while True:
            if "items" in inner and _type(inner) != "numbers":
                inner, array = inner["items"], "[]"
            elif "$ref" in inner:
                name = inner["$ref"].rsplit("/", 1)[1]
                inner, names = defs[name], (*names, name)
            else:
                break
        yield f"| `{path}{key}{array}` | {_type(value)} | {_meaning(value, inner)} |\n"
        choices = [part for part in inner.get("anyOf", []) if "$ref" in part]
        for choice in choices:
            yield from _rows(defs[choice["$ref"].rsplit("/", 1)[1]], defs, f"{path}{key}{array}.", names)
        if not choices and "properties" in inner:
            yield from _rows(inner, defs, f"{path}{key}{array}.", names)


def _type(value: Mapping[str, Any]) -> str:
    if "$ref" in value:
        return "object"
    if "anyOf" in value:
        return "object or null"
    kinds = value["type"] if isinstance(value["type"], list) else [value["type"]]
    if kinds[0] == "array" and value["items"].get("type") == "number":
        return "numbers" + (" or null" if "null" in kinds else "")
    return " or ".join("list" if kind == "array" else kind for kind in kinds)


def _meaning(value: Mapping[str, Any], inner: Mapping[str, Any]) -> str:
    text = value.get("description") or inner.get("description", "")
    words = value.get("enum") or value.get("examples") if "string" in value.get("type", ()) else None
    if words:
        text += f" {'One of' if 'enum' in value else 'For example'}: {', '.join(f'`{w}`' for w in words if w)}."
    if "const" in value:
        text += f" `{value['const']}`."
    return str(text).replace("|", "/")


def results_text(now: str) -> str:
    """Return ``docs/results.md`` as it is now with its tables made anew."""
    before, rest = now.split(BEGIN)
    return f"{before}{BEGIN}\n{keys_text()}\n{END}{rest.split(END)[1]}"


def main(arguments: list[str]) -> None:
    """Write the texts, and the pictures if they are asked for."""
    (HERE / "rules.md").write_text(rules_text(), encoding="utf-8")
    results = HERE / "results.md"
    results.write_text(results_text(results.read_text(encoding="utf-8")), encoding="utf-8")
    if "--pictures" in arguments:
        from make_pictures import draw_all  # beside this file; it needs more than the texts do

        draw_all(HERE / "pictures")


if __name__ == "__main__":
    main(sys.argv[1:])
