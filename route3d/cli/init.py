"""``route3d init``: what is in a folder of drawings, and a first project file for it."""

from __future__ import annotations

from pathlib import Path

import click
from rich.markup import escape
from rich.table import Table

from importers.project_file import PROJECT_FILE
from importers.starter import lines_to_fill_in, starter_project
from importers.survey import survey_folder
from importers.survey_oddities import Box, FileSurvey
from route3d.cli.common import progress
from route3d.errors import InputError
from route3d.reports.console import Console
from route3d.reports.writing import write_whole


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
def init(folder: Path) -> int:
    """Look through the drawings in DIR, print what is in them and what looks odd, and write a commented route3d.toml.

    An existing route3d.toml is never overwritten.
    """
    with progress() as say:
        surveys = survey_folder(folder, say)
    console = Console(highlight=False)
    for survey in surveys:
        _print(survey, console)
    path = folder / PROJECT_FILE
    if path.exists():
        raise InputError(path, "exists already and is left as it is; move it away to have a new one written")
    text = starter_project(surveys)
    write_whole(path, text)
    console.print(f"wrote {path}", markup=False, soft_wrap=True)
    open_lines = lines_to_fill_in(text)
    for number, line in open_lines:
        console.print(f"  line {number}: {line}", markup=False, soft_wrap=True, style="yellow")
    first = f"complete line {open_lines[0][0]} and correct" if open_lines else "correct"
    console.print(f"Next: {first} the guesses in it, then `route3d check {folder}`.", markup=False, soft_wrap=True)
    return 0


def _print(survey: FileSurvey, console: Console) -> None:
    if survey.problem is not None:
        console.print(f"{survey.file}: {survey.problem}", style="bold", markup=False, soft_wrap=True)
        return
    unit = f"unit {survey.unit}" if survey.unit is not None else "states no unit"
    size = f", {_size(survey.box, survey.unit)}" if survey.box is not None else ""
    head = f"{survey.file}: {unit}, {survey.entities} entities, {survey.triangles} triangles{size}"
    console.print(head, style="bold", markup=False, soft_wrap=True)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("layer", "kinds", "triangles", "from x y z", "to x y z", "guessed role", "because"):
        table.add_column(heading, overflow="fold", justify="right" if heading == "triangles" else "left")
    for guess in survey.layers:
        box = guess.summary.box_m
        low, high = ("", "") if box is None else (" ".join(f"{v:.2f}" for v in corner) for corner in box)
        kinds = ", ".join(f"{count} {kind}" for kind, count in guess.summary.kinds)
        cells = (guess.pattern, kinds, str(guess.summary.triangles), low, high, guess.role, guess.reason)
        table.add_row(*(escape(cell) for cell in cells))
    console.print(table)
    for oddity in survey.oddities:
        console.print(f"  look: {oddity}", markup=False, style="yellow", soft_wrap=True)
    for note in survey.notes:
        console.print(f"  {note}", markup=False, style="dim", soft_wrap=True)
    if survey.unread:
        console.print(f"  {survey.unread} not read; the check lists them", style="yellow")


def _size(box: Box, unit: str | None) -> str:
    sides = " x ".join(f"{b - a:.4g}" for a, b in zip(*box, strict=True))
    return f"{sides} {'m' if unit is not None else 'units'}"
