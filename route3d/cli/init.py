"""``route3d init``: what is in a folder of drawings, and a first project file for it."""

from __future__ import annotations

from pathlib import Path

import click
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from importers.project_file import PROJECT_FILE
from importers.survey import FileSurvey, starter_project, survey_folder
from route3d.cli.common import progress
from route3d.errors import InputError
from route3d.reports.writing import write_whole


@click.command(short_help="Look through a folder and write a starter project file.")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
def init(folder: Path) -> int:
    """Look through the drawings in DIR, print what is in them, and write a commented route3d.toml.

    An existing route3d.toml is never overwritten.
    """
    with progress() as say:
        say(f"reading {folder}")
        surveys = survey_folder(folder)
    console = Console(highlight=False)
    for survey in surveys:
        _print(survey, console)
    path = folder / PROJECT_FILE
    if path.exists():
        raise InputError(path, "exists already and is left as it is; move it away to have a new one written")
    write_whole(path, starter_project(surveys))
    console.print(f"wrote {path}", markup=False, soft_wrap=True)
    console.print(f"Next: correct the guesses in it, then `route3d check {folder}`.", markup=False, soft_wrap=True)
    return 0


def _print(survey: FileSurvey, console: Console) -> None:
    unit = f"unit {survey.unit}" if survey.unit is not None else "states no unit"
    console.print(f"{survey.file}: {survey.problem or unit}", style="bold", markup=False, soft_wrap=True)
    if survey.problem is not None:
        return
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("layer", "kinds", "triangles", "from x y z", "to x y z", "guessed role", "because"):
        table.add_column(heading, overflow="fold", justify="right" if heading == "triangles" else "left")
    for guess in survey.layers:
        summary = guess.summary
        low, high = ("", "") if summary.box_m is None else (" ".join(f"{v:.2f}" for v in c) for c in summary.box_m)
        kinds = ", ".join(f"{count} {kind}" for kind, count in summary.kinds)
        cells = (summary.layer, kinds, str(summary.triangles), low, high, guess.role, guess.reason)
        table.add_row(*(escape(cell) for cell in cells))
    console.print(table)
    for note in survey.notes:
        console.print(f"  {note}", markup=False, style="dim")
    if survey.unread:
        console.print(f"  {survey.unread} not read; the check lists them", style="yellow")
