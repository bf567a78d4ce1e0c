"""``route3d check``: the main job."""

from __future__ import annotations

from pathlib import Path

import click

from importers.project_file import nearest
from route3d.checks import CHECKS
from route3d.cli.clusters import checking_on
from route3d.cli.common import cache_option, exit_status, known_runs, project_argument, read_and_check
from route3d.cli.keeping import keep_if_kept
from route3d.reports.console import Console
from route3d.reports.results_json import results_text
from route3d.reports.terminal import print_review
from route3d.reports.writing import write_whole
from route3d.review import only_runs


def _checks(_: click.Context, __: click.Parameter, value: str | None) -> tuple[str, ...]:
    names = tuple(name.strip() for name in value.split(",")) if value else ()
    for name in names:
        if name not in CHECKS:
            raise click.BadParameter(f"{name!r} is not one of {', '.join(CHECKS)}.{nearest(name, CHECKS)}")
    return names


@click.command()
@project_argument
@click.option("--json", "json_file", type=click.Path(path_type=Path, dir_okay=False), help="Write the results there.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Write all results into this folder.")
@click.option("--run", "runs", multiple=True, metavar="ID", help="Show this run only; may be repeated.")
@click.option("--only", callback=_checks, metavar="CHECKS", help="Only these checks, for example bend,clash.")
@click.option("--all", "everything", is_flag=True, help="Show every run and finding, however many.")
@click.option("--cluster", metavar="ADDRESS", help="Check on a running Dask cluster, for example tcp://host:8786.")
@cache_option
def check(
    project: Path,
    json_file: Path | None,
    out: Path | None,
    runs: tuple[str, ...],
    only: tuple[str, ...],
    everything: bool,
    cluster: str | None,
    cached: bool,
) -> int:
    """Check the runs of PROJECT, a route3d.toml or the folder that holds one.

    Exit status: 0 nothing violated; 1 at least one violation; 2 the input could not be used; 3 nothing violated, but
    something could not be checked.

    With --cluster the results are the same; its machines need the same version of route3d, and whoever may reach them
    may run anything on them: address only clusters that you trust.
    """
    with checking_on(cluster) as checking:
        read, whole = read_and_check(project, only, cached=cached, checking=checking)
    review = whole
    if runs:
        known_runs(review, runs, read.path)
        review = only_runs(review, runs)
    console = Console(highlight=False, soft_wrap=False)
    print_review(review, console, everything=everything)
    if json_file is not None:
        write_whole(json_file, results_text(review))
    keep_if_kept(read, whole, console)
    if out is not None:
        from route3d.cli.deliver import deliver  # pictures and pages need libraries that a check does not

        deliver(read, review, out, console)
    console.print(_next(review.summary["violations"], json_file, out), markup=False)
    return exit_status(review)


def _next(violations: int, json_file: Path | None, out: Path | None) -> str:
    written = [str(place) for place in (json_file, out) if place is not None]
    where = f"Results are in {' and '.join(written)}. " if written else ""
    if violations:
        return f"{where}Next: mend the first finding and check again, or look at all of them with `route3d view`."
    return f"{where}Next: `route3d view` shows the runs; send the results with `route3d check --out DIR`."
