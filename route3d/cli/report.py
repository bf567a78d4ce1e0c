"""``route3d report``: deliverables for other people, one option each."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

import click

from route3d.cli.common import cache_option, exit_status, paper_option, progress, project_argument
from route3d.cli.keeping import keep_if_kept
from route3d.clock import now
from route3d.examine import examine
from route3d.handover.deliverables import WRITERS, Given, Wishes
from route3d.project import read_project
from route3d.reports.bcf_topic import VERSIONS
from route3d.reports.console import Console
from route3d.review import judge
from route3d.units import METRES_PER_UNIT

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@project_argument
@click.option("--html", type=_FILE, help="Write the viewer's page with the whole review inside: one file, no network.")
@click.option("--plain-html", type=_FILE, help="Write a page without any script, with two pictures.")
@click.option("--pdf", type=_FILE, help="Write the review on paper: findings, pictures, runs, what was not read.")
@click.option("--xlsx", type=_FILE, help="Write a workbook: findings, runs, what was not read, decisions.")
@click.option("--csv", type=_FILE, help="Write the table of findings.")
@click.option("--glb", type=_FILE, help="Write the scene as glTF: runs, building and places of findings.")
@click.option("--junit", type=_FILE, help="Write JUnit XML: a suite per run, a case per check.")
@click.option("--sarif", type=_FILE, help="Write SARIF 2.1.0: a result per finding.")
@paper_option
@click.option("--dxf", type=_FILE, help="Write the mark-up drawing: runs, straps, dimensions and findings as DXF.")
@click.option(
    "--unit",
    type=click.Choice([unit for unit in METRES_PER_UNIT if unit != "cm"]),
    default="mm",
    show_default=True,
    help="Drawing unit of --dxf.",
)
@click.option(
    "--plot-scale",
    type=click.IntRange(1, 1000),
    default=50,
    show_default=True,
    help="The 50 of 1:50: text of --dxf can be read when it is plotted at that scale.",
)
@click.option("--bcf", type=_FILE, help="Write findings as BCF (.bcf, .bcfzip): topics with view, picture and rule.")
@click.option("--bcf-version", type=click.Choice(VERSIONS), help="Of --bcf; not said: 2.1, or that of --onto.")
@click.option(
    "--onto", type=_FILE, help="A BCF file of others: --bcf writes a copy of it that keeps all that is theirs."
)
@click.option(
    "--finding",
    "findings",
    multiple=True,
    metavar="ID",
    help="Only this finding, in --bcf and --pdf; may be repeated. Not said: violations and cautions.",
)
@click.option(
    "--pictures",
    type=click.IntRange(0, 10_000),
    default=50,
    show_default=True,
    help="How many findings get a picture of their own.",
)
@cache_option
def report(project: Path, cached: bool, **options: Any) -> int:
    """Check PROJECT and write what others need of it: each option names one file.

    Exit status: that of `route3d check`, so that nobody sends a report of a job that was not judged as a whole.
    """
    wanted = {name: options[name] for name in WRITERS if options[name] is not None}
    if not wanted:
        names = ", ".join("--" + name.replace("_", "-") + " FILE" for name in WRITERS)
        raise click.UsageError(f"name what to write: {names}")
    for name in ("onto", "bcf_version"):
        if options[name] is not None and "bcf" not in wanted:
            raise click.UsageError(f"--{name.replace('_', '-')} needs --bcf FILE")
    if options["findings"] and not wanted.keys() & {"bcf", "pdf"}:
        raise click.UsageError("--finding needs --bcf FILE or --pdf FILE; the other files always hold all findings")
    console = Console(highlight=False)
    with progress() as say:
        read = read_project(project, say, cached=cached)
        examined = examine(read.job, read.rules, say)
        say("judging")
        review = judge(examined, now())
    wishes = Wishes(**{field.name: options[field.name] for field in fields(Wishes)})
    given = Given(read.path, read.rules, examined, review, wishes)
    # before anything is written: what is handed over shows decisions and topics as this check leaves them
    keep_if_kept(read, review, console)
    with progress() as say:
        written = []
        for name, path in wanted.items():
            say(f"writing {path.name}")
            written.append((path, WRITERS[name](path, given)))
    for path, about in written:
        console.print(f"wrote {path}: {about}", markup=False, soft_wrap=True)
    status = exit_status(review)
    console.print(_next(status, project), markup=False, soft_wrap=True)
    return status


def _next(status: int, project: Path) -> str:
    if status:
        return f"Next: `route3d check {project}` lists what is violated or was not checked."
    return "Next: hand it over; a drawing can be attached to your own in CAD, since it is in the same axes."
