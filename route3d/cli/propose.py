"""``route3d propose``: routes for runs of which only the ends are given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import click

from importers.project_edit import RunEdit, fingerprint
from importers.project_file import nearest, project_path
from route3d.cli.common import CLEAR, NOT_ALL_CHECKED, VIOLATED, cache_option, progress, project_argument
from route3d.cli.writing_back import write_and_check
from route3d.clock import now
from route3d.errors import ProjectKeyError
from route3d.mending.propose import Proposed, propose_all
from route3d.model.run import Run
from route3d.project import Project, read_project
from route3d.recheck import Checked
from route3d.reports.console import Console
from route3d.reports.proposals_json import proposed_text
from route3d.reports.proposals_terminal import print_proposed
from route3d.reports.writing import write_whole


@click.command("propose")
@project_argument
@click.option(
    "--run", "runs", multiple=True, metavar="ID", help="This run; may be repeated. Not said: all without a route."
)
@click.option("--write", is_flag=True, help="Put the chosen route of each run into the project, and check it again.")
@click.option("--route", type=click.IntRange(min=1), default=1, show_default=True, help="Which one --write takes.")
@click.option("--json", "json_file", type=click.Path(path_type=Path, dir_okay=False), help="Write the routes there.")
@cache_option
def propose(project: Path, runs: tuple[str, ...], write: bool, route: int, json_file: Path | None, cached: bool) -> int:
    """Find routes for runs of PROJECT that have from_point and to_point in place of a path.

    Several routes that differ are shown with length, bends, straps and the holes that they need; each passes every
    check beside all other runs. [routing] in the project file holds what bends, holes, stretches without structure and
    zones cost, in metres of cable. Runs with a common end share a corridor, apart from each other by
    settings.bundle_spacing where there is room; each goes beside the first route of those before it.

    Exit status: 0 each run has a route; 1 at least one has none; 2 the input could not be used; 3 each has one, but
    something about it could not be checked.
    """
    path = project_path(project)
    before = fingerprint(path)
    with progress() as say:
        read = read_project(path, say, cached=cached)
        chosen = _chosen(read, runs)
        say("checking what is there")
        state = Checked.open(replace(read.job, unrouted=()), read.rules, now(), say)
        say("looking for routes")
        after, answers = propose_all(state, chosen)
    console = Console(highlight=False)
    print_proposed(answers, console)
    if json_file is not None:
        write_whole(json_file, proposed_text(answers, read.job, read.rules.name, state.review.made))
        console.print(f"wrote {json_file}", markup=False, soft_wrap=True)
    status = _status(answers, read)
    routed = [answer for answer in answers if answer.alternatives]
    if write and routed:
        return _written(path, read, routed, route, after, before, status, console)
    console.print(
        "Next: --write puts the first route of each into the project; --route N another one."
        if routed
        else "Next: move an end, or what is in the way, or give [routing] more room.",
        markup=False,
        soft_wrap=True,
    )
    return status


def _chosen(read: Project, wanted: Sequence[str]) -> list[Run]:
    """Return the runs to find routes for.

    Raises
    ------
    ProjectKeyError
        One is not there or has a path already, or there is none.
    """
    unrouted = {run.run_id: run for run in read.job.unrouted}
    if not unrouted and not wanted:
        raise ProjectKeyError(
            read.path, "has no run without a route; give one from_point and to_point in place of a path"
        )
    for run_id in wanted:
        if any(run.run_id == run_id for run in read.job.runs):
            raise ProjectKeyError(
                read.path, f"the run {run_id!r} has a path; `route3d mend` changes it, or give from_point and to_point"
            )
        if run_id not in unrouted:
            raise ProjectKeyError(read.path, f"has no run {run_id!r}.{nearest(run_id, unrouted)}", "--run")
    return [unrouted[run_id] for run_id in (dict.fromkeys(wanted) if wanted else unrouted)]


def _status(answers: Sequence[Proposed], read: Project) -> int:
    if any(not answer.alternatives for answer in answers):
        return VIOLATED
    unsure = any(not answer.alternatives[0].trial.passes for answer in answers)
    return NOT_ALL_CHECKED if unsure or read.job.unread else CLEAR


def _written(
    path: Path,
    read: Project,
    routed: Sequence[Proposed],
    route: int,
    after: Checked,
    before: str,
    status: int,
    console: Console,
) -> int:
    """Write a route of each run, read and check the project again, and say what became of them."""
    edits, pieces = [], {}
    for answer in routed:
        if route > len(answer.alternatives):
            raise ProjectKeyError(
                path, f"only {len(answer.alternatives)} routes were found for {answer.run_id!r}", "--route"
            )
        trial = answer.alternatives[route - 1].trial
        edits.append(RunEdit(answer.run_id, corners_m=trial.corners_m, straps_at_m=trial.run.straps_at_m))
        pieces[answer.run_id] = trial.review.fitted.pieces
    failing = write_and_check(path, read, edits, pieces, before, console, "Failing")
    return VIOLATED if failing else status
