"""``route3d rules``: the numbers that checks compare with, and where they stand."""

from __future__ import annotations

from pathlib import Path

import click
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from route3d.errors import RuleBookError
from route3d.model.finding import CAUTION
from route3d.rules.rulebook import SHIPPED, load_rulebook


@click.command(short_help="List the rule book.")
@click.argument("section", required=False)
@click.option("--set", "name", default="nec-2023", help=f"Rule set: {', '.join(SHIPPED)}, or the path of a rule file.")
def rules(section: str | None, name: str) -> int:
    """List the rules of a rule set, or those of one SECTION such as 330.30.

    The source says how a number came here: "seen" on a page that states it, from "memory", "practice" (a habit of the
    trade, never code), or "project" (a rule file of one's own). Compare with the adopted edition before relying on it.
    """
    book = load_rulebook(name, Path.cwd())
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("section", "about", "what it asks", "source"):
        table.add_column(heading, overflow="fold")
    shown = 0
    for group, entry in book.entries:
        if section is None or entry.section.lower().startswith(section.lower()):
            table.add_row(*(escape(cell) for cell in (entry.section, group, entry.title, entry.source)))
            shown += 1
    if not shown:
        raise RuleBookError(f"{name}: no rule of section {section!r}; `route3d rules` lists all of them")
    console = Console(highlight=False)
    console.print(f"{book.title}: {shown} rules", style="bold", markup=False)
    console.print(table)
    console.print(CAUTION, style="dim", markup=False)
    console.print("Next: `route3d rules 330.30` narrows the list; a project names its rule set with `rules = …`.")
    return 0
