"""``route3d rules``: the numbers that checks compare with, and where they stand."""

from __future__ import annotations

from pathlib import Path

import click

from route3d.errors import RuleBookError
from route3d.model.finding import CAUTION
from route3d.reports.console import Console
from route3d.reports.rule_figure import figure_svg
from route3d.reports.rule_pages import matching, print_entry, print_list
from route3d.reports.writing import write_whole
from route3d.rules.rulebook import EXAMPLES, SHIPPED, load_rulebook

_FULL = 12  # a section of more rules than this is listed, not explained one by one


@click.command()
@click.argument("section", required=False)
@click.option(
    "--set",
    "name",
    default="nec-2023",
    help=f"Rule set: {', '.join((*SHIPPED, *EXAMPLES))}, or the path of a rule file. Default: nec-2023.",
)
@click.option(
    "--figure",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Draw the figure of the section's first rule into this .svg file.",
)
def rules(section: str | None, name: str, figure: Path | None) -> int:
    """List the rules of a rule set, or explain those of one SECTION, such as 330.30 or 330.30(B), or of a key, bend.nm.

    The source says how a number came here: "seen" on a page that states it, from "memory", "practice" (a habit of the
    trade, never code), or "project" (a rule file of one's own). Compare with the adopted edition before relying on it.
    """
    book = load_rulebook(name, Path.cwd())
    found = matching(book, section)
    if not found:
        raise RuleBookError(f"{name}: no rule of section {section!r}; `route3d rules` lists all of them")
    if figure is not None and section is None:
        raise RuleBookError(f"{name}: a figure is of one rule; name its section, such as `route3d rules 330.24`")
    console = Console(highlight=False)
    console.print(f"{book.title}: {len(found)} {'rule' if len(found) == 1 else 'rules'}", style="bold", markup=False)
    if section is None or len(found) > _FULL:
        print_list(book, found, console)
    else:
        for group, entry in found:
            print_entry(group, entry, console)
    if figure is not None:
        write_whole(figure, figure_svg(*found[0]))
        console.print(f"wrote {figure}, the figure of {found[0][1].cite}", markup=False, soft_wrap=True)
    console.print(f"\n{CAUTION}", style="dim", markup=False)
    console.print(
        "Next: `route3d rules 330.30` explains a section, `--figure FILE.svg` draws it; a project names its rule set "
        "with `rules = …`.",
        markup=False,
    )
    return 0
