"""``route3d straps``: where each run is to be strapped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import click

from importers.project_edit import RunEdit, fingerprint
from importers.project_file import nearest, project_path
from importers.routes_edit import Saved, save_edits
from route3d.cli.common import (
    CLEAR,
    NOT_ALL_CHECKED,
    VIOLATED,
    cache_option,
    paper_option,
    progress,
    project_argument,
    refuse_not_routed,
)
from route3d.clock import now
from route3d.errors import ProjectKeyError
from route3d.examine import Examined, examine
from route3d.model.plan import StrapPlan
from route3d.plans.strap_places import has_structure
from route3d.plans.straps import MARGIN, plan_straps
from route3d.project import Project, read_project
from route3d.reports.console import Console
from route3d.reports.strap_layout import write_strap_layout
from route3d.reports.straps_files import straps_csv, straps_text
from route3d.reports.straps_terminal import print_straps
from route3d.reports.writing import write_whole
from route3d.review import check_job, judge, only_runs

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@project_argument
@click.option("--run", "runs", multiple=True, metavar="ID", help="Plan this run only, strap by strap; may be repeated.")
@click.option(
    "--margin",
    type=click.FloatRange(min=0.0, max=50.0),
    default=100.0 * MARGIN,
    show_default=True,
    metavar="PERCENT",
    help="Keep this share of every interval free (practice); 0 uses the rules in full.",
)
@click.option("--json", "json_file", type=_FILE, help="Write the plans there.")
@click.option("--csv", "csv_file", type=_FILE, help="Write a table of all straps there.")
@click.option("--layout", type=_FILE, help="Write plans and tables of all straps there, as PDF.")
@paper_option
@click.option(
    "--write",
    is_flag=True,
    help="Put the straps into the project: into [[run]], and for runs drawn in CAD into a new drawing beside it.",
)
@click.option("--partial", is_flag=True, help="With --write: also the straps of runs that cannot be held all along.")
@click.option("--all", "everything", is_flag=True, help="Show every run, however many.")
@cache_option
def straps(
    project: Path,
    runs: tuple[str, ...],
    margin: float,
    json_file: Path | None,
    csv_file: Path | None,
    layout: Path | None,
    paper: str,
    write: bool,
    partial: bool,
    everything: bool,
    cached: bool,
) -> int:
    """Propose straps for the runs of PROJECT, a route3d.toml or the folder that holds one.

    For each run the fewest straps that satisfy every rule on securing and supporting, only where structure that may
    carry them is within settings.strap_reach, off bends, walls and closed construction. Existing straps stay. Where no
    place exists, it says which stretch makes it impossible and what would help.

    Exit status: 0 every run can be held; 1 at least one cannot; 2 the input could not be used; 3 all can, as far as the
    model goes, but something was not read, or no structure is modelled.
    """
    if partial and not write:
        raise click.UsageError("--partial belongs to --write")
    path = project_path(project)
    before = fingerprint(path)
    with progress() as say:
        read = read_project(path, say, cached=cached)
        _known(read, runs)
        examined = examine(read.job, read.rules, say)
        plans = plan_straps(examined, margin / 100.0, runs or None, say)
    console = Console(highlight=False)
    print_straps(
        plans,
        read.job.name,
        read.rules.name,
        console,
        everything=everything,
        strap_by_strap=bool(runs),
        not_routed=[run.run_id for run in read.job.unrouted],
    )
    made = now()
    if json_file is not None:
        write_whole(json_file, straps_text(plans, read.job, read.rules.name, made))
    if csv_file is not None:
        write_whole(csv_file, straps_csv(plans, read.job))
    if layout is not None:
        with progress() as say:
            review = judge(examined, made)
            write_strap_layout(
                layout, examined, only_runs(review, runs) if runs else review, plans, paper=paper, say=say
            )
    for file in (json_file, csv_file, layout):
        if file is not None:
            console.print(f"wrote {file}", markup=False, soft_wrap=True)
    status = _status(examined, plans)
    if not write:
        console.print(_next(plans, status), markup=False, soft_wrap=True)
        return status
    edits = _edits(read, plans, partial=partial)
    if not edits:
        console.print("Nothing to write. Next: `route3d check` judges the whole job.", markup=False, soft_wrap=True)
        return status
    pieces = {run.run.run_id: run.pieces for run in examined.scene.fitted}
    saved = save_edits(path, read.job.runs, edits, before, read.job.inputs, pieces)
    return _proven(path, saved, edits, plans, status, console)


def _known(read: Project, runs: Sequence[str]) -> None:
    refuse_not_routed(read.job.unrouted, runs, read.path)
    ids = [run.run_id for run in read.job.runs]
    for run_id in runs:
        if run_id not in ids:
            raise ProjectKeyError(read.path, f"has no run {run_id!r}.{nearest(run_id, ids)}", "--run")


def _status(examined: Examined, plans: Sequence[StrapPlan]) -> int:
    if any(plan.stuck for plan in plans):
        return VIOLATED
    job = examined.scene.job
    added = any(plan.added for plan in plans)
    unsure = (added and not has_structure(examined.scene)) or any(
        job.cables[run.cable_id].radius_m is None for run in job.runs
    )
    unread = bool(job.unread) or any(f.unchecked for f in (*job.input_findings, *examined.findings))
    return NOT_ALL_CHECKED if unsure or unread else CLEAR


def _edits(read: Project, plans: Sequence[StrapPlan], *, partial: bool) -> list[RunEdit]:
    """Return what is to be written: straps to add, less those that may not stay."""
    runs = {run.run_id: run for run in read.job.runs}
    edits = []
    for plan in plans:
        if (plan.stuck and not partial) or not (plan.added or plan.refused_at_m or plan.refused_supports_at_m):
            continue
        declared = [at_m for at_m in runs[plan.run_id].straps_at_m if at_m not in plan.refused_at_m]
        added = [strap.at_m for strap in plan.straps if not strap.existing]
        supports = tuple(at_m for at_m in runs[plan.run_id].supports_at_m if at_m not in plan.refused_supports_at_m)
        edits.append(
            RunEdit(
                plan.run_id,
                straps_at_m=tuple(sorted((*declared, *added))),
                supports_at_m=supports if plan.refused_supports_at_m else None,
            )
        )
    return edits


def _proven(
    path: Path, saved: Saved, edits: Sequence[RunEdit], plans: Sequence[StrapPlan], status: int, console: Console
) -> int:
    """Read and check what was written, and say what became of it."""
    with progress() as say:
        read = read_project(path, say)
        job = replace(read.job, checks=("securing", "supporting"))
        review = check_job(job, read.rules, "", say)
    stuck = {plan.run_id for plan in plans if plan.stuck}
    written = {edit.run_id for edit in edits}
    missed = sorted(
        {f.run for f in review.findings if f.run in written - stuck and f.severity == "violation" and f.run is not None}
    )
    console.print(f"wrote {', '.join(saved.files)}", markup=False, soft_wrap=True)
    for note in saved.notes:
        console.print(f"· {note}", markup=False, soft_wrap=True)
    held = len(written - stuck) - len(missed)
    console.print(
        f"Read again and checked: {held} of {len(written)} runs that were written are secured and supported."
        + (f" Not so: {', '.join(missed)}." if missed else ""),
        markup=False,
        soft_wrap=True,
    )
    if missed:
        console.print("Next: `route3d check` says what these runs still lack.", markup=False, soft_wrap=True)
        return VIOLATED
    console.print(
        "Next: plan a strut where no place was found, and run this again."
        if stuck
        else "Next: `route3d check` judges the whole job.",
        markup=False,
        soft_wrap=True,
    )
    return status


def _next(plans: Sequence[StrapPlan], status: int) -> str:
    if status == VIOLATED:
        return "Next: plan a strut where no place was found, or move the run; `route3d straps --run ID` shows one run."
    if any(plan.added or plan.refused_at_m for plan in plans):
        return "Next: `route3d straps --write` puts them into the project; `route3d takeoff --with-straps` counts them."
    return "Next: nothing to add; `route3d check` judges the whole job."
