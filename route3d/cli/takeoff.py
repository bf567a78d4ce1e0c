"""``route3d takeoff``: cut lengths, coil plan and material."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import click

from route3d.cli.common import (
    NOT_ALL_CHECKED,
    VIOLATED,
    cache_option,
    exit_status,
    known_runs,
    paper_option,
    progress,
    project_argument,
)
from route3d.clock import now
from route3d.examine import Examined, examine
from route3d.model.finding import Review
from route3d.model.plan import StrapPlan, TakeOff
from route3d.plans.straps import plan_straps
from route3d.plans.takeoff import take_off, unsure_of
from route3d.project import Project, read_project
from route3d.reports.console import Console
from route3d.reports.pull_sheet import write_pull_sheets
from route3d.reports.takeoff_csv import csv_files, csv_lengths
from route3d.reports.takeoff_json import takeoff_text
from route3d.reports.takeoff_terminal import print_takeoff
from route3d.reports.takeoff_xlsx import workbook
from route3d.reports.writing import write_whole
from route3d.review import judge, only_runs

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@project_argument
@click.option("--xlsx", type=_FILE, help="Write a workbook there, one sheet per table.")
@click.option(
    "--csv",
    "csv_place",
    type=click.Path(path_type=Path),
    help="Write one CSV file per table into this folder; a name that ends with .csv takes the cut list alone.",
)
@click.option("--json", "json_file", type=_FILE, help="Write the take-off there.")
@click.option("--sheets", type=_FILE, help="Write a pull sheet for each run there, as PDF.")
@paper_option
@click.option("--with-straps", is_flag=True, help="Count straps as `route3d straps` would place them.")
@click.option("--run", "runs", multiple=True, metavar="ID", help="Take off this run only; may be repeated.")
@click.option("--all", "everything", is_flag=True, help="Show every run, however many.")
@click.option(
    "--seconds",
    type=click.FloatRange(min=0.0),
    default=20.0,
    show_default=True,
    help="The coil plan of one cable takes no longer than about this; what is not proven by then is said.",
)
@cache_option
def takeoff(
    project: Path,
    xlsx: Path | None,
    csv_place: Path | None,
    json_file: Path | None,
    sheets: Path | None,
    paper: str,
    with_straps: bool,
    runs: tuple[str, ...],
    everything: bool,
    seconds: float,
    cached: bool,
) -> int:
    """Take off the runs of PROJECT: what to cut for each, from which coils, and what else to buy.

    The cut length is the fitted line with its bends, and what [takeoff] adds at each end, for sag, slack and waste. The
    coil plan buys the least that can be bought, and says whether that is proven. Every assumption is listed.

    Exit status: 0 all of it is known; 1 the job violates a rule, or a run is longer than every coil; 2 the input could
    not be used; 3 nothing violated, but something was not read, not checked, assumed or not proven.
    """
    read, review, taken, examined, plans = _taken(project, with_straps, runs, seconds, cached=cached)
    console = Console(highlight=False)
    print_takeoff(taken, read.job.name, console, everything=everything)
    written = _write(taken, read, review, xlsx, csv_place, json_file)
    if sheets is not None:
        with progress() as say:
            write_pull_sheets(sheets, examined, review, plans, taken, paper=paper, say=say)
        written.append(sheets)
    for place in written:
        console.print(f"wrote {place}", markup=False, soft_wrap=True)
    status = _status(review, taken)
    console.print(_next(taken, status, written, project), markup=False, soft_wrap=True)
    return status


def _taken(
    given: Path, with_straps: bool, runs: tuple[str, ...], seconds: float, *, cached: bool
) -> tuple[Project, Review, TakeOff, Examined, tuple[StrapPlan, ...] | None]:
    with progress() as say:
        read = read_project(given, say, cached=cached)
        examined = examine(read.job, read.rules, say)
        say("judging")
        review = judge(examined, now())
        known_runs(review, runs, read.path)
        plans: tuple[StrapPlan, ...] = ()
        if with_straps:
            say("planning straps")
            plans = plan_straps(examined, only=runs or None, say=say)

        def left(cable_id: str) -> Callable[[], float]:
            say(f"planning coils of {cable_id}")
            until = time.monotonic() + seconds
            return lambda: until - time.monotonic()

        taken = take_off(examined, review, plans, runs or None, left)
    chosen = only_runs(review, runs) if runs else review
    return read, chosen, taken, examined, plans if with_straps else None


def _write(
    taken: TakeOff, read: Project, review: Review, xlsx: Path | None, csv_place: Path | None, json_file: Path | None
) -> list[Path]:
    written = []
    if xlsx is not None:
        write_whole(xlsx, workbook(taken, read.job.name))
        written.append(xlsx)
    if csv_place is not None and csv_place.suffix.lower() == ".csv":
        write_whole(csv_place, csv_lengths(taken))
        written.append(csv_place)
    elif csv_place is not None:
        for name, text in csv_files(taken).items():
            write_whole(csv_place / name, text)
        written.append(csv_place)
    if json_file is not None:
        write_whole(json_file, takeoff_text(taken, read.job.name, review.made, unsure_of(taken)))
        written.append(json_file)
    return written


def _status(review: Review, taken: TakeOff) -> int:
    status = exit_status(review)
    if status == VIOLATED or any(cut.too_long for cut in taken.cables):
        return VIOLATED
    return NOT_ALL_CHECKED if unsure_of(taken) else status


def _next(taken: TakeOff, status: int, written: list[Path], project: Path) -> str:
    if any(cut.too_long for cut in taken.cables):
        return "Next: give each run that is too long a box or a longer coil ([[coil]]), and take off again."
    if status == VIOLATED:
        return f"Next: `route3d check {project}` shows what is violated; mend it before anything is cut."
    if not written:
        return f"Next: `route3d takeoff {project} --xlsx FILE` writes cut list, coils and material down."
    if status == NOT_ALL_CHECKED:
        return "Next: settle what is listed above, or confirm it, before anything is cut."
    return "Next: check the allowances with the crew, then buy."
