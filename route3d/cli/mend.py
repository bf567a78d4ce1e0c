"""``route3d mend``: the smallest change of drawn points that makes a run pass."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from importers.project_edit import RunEdit, fingerprint
from importers.project_file import project_path, read_project_file
from route3d.cli.common import (
    CLEAR,
    NOT_ALL_CHECKED,
    VIOLATED,
    cache_option,
    known_runs,
    progress,
    project_argument,
    refuse_not_routed,
)
from route3d.cli.writing_back import write_and_check
from route3d.clock import now
from route3d.mending.mend import Mended, mend_all
from route3d.project import Project, read_project
from route3d.recheck import Checked
from route3d.reports.console import Console
from route3d.reports.proposals_json import mended_text
from route3d.reports.proposals_terminal import print_mended
from route3d.reports.writing import write_whole
from route3d.review import nothing_unchecked


@click.command("mend")
@project_argument
@click.option("--run", "runs", multiple=True, metavar="ID", help="Mend this run; may be repeated.")
@click.option("--all", "everything", is_flag=True, help="Mend every run that fails.")
@click.option("--write", is_flag=True, help="Put the proposals into the project, then read and check it again.")
@click.option("--json", "json_file", type=click.Path(path_type=Path, dir_okay=False), help="Write the proposals there.")
@cache_option
def mend(
    project: Path, runs: tuple[str, ...], everything: bool, write: bool, json_file: Path | None, cached: bool
) -> int:
    """Propose for runs of PROJECT that fail the smallest change of their drawn points that passes every check.

    Legs are lengthened for a bend, shifted past something or led around it, lowered below a deck; straps are moved or
    added where they are needed. Ends stay. A proposal is shown only if the whole check passes it, and if no other run
    is worse off. Several runs are mended one after the other, those with the widest bends first, each beside the
    proposals before it; the order is that of the table. Nothing is written without --write; runs drawn in CAD then go
    into a new drawing beside the old one.

    Exit status: 0 all of them pass now; 1 at least one could not be mended; 2 the input could not be used; 3 none is
    violated, but something about them could not be checked.
    """
    if bool(runs) == everything:
        raise click.UsageError("name runs with --run ID, or all that fail with --all")
    path = project_path(project)
    before = fingerprint(path)
    with progress() as say:
        read = read_project(path, say, cached=cached)
        refuse_not_routed(read.job.unrouted, runs, read.path)
        state = Checked.open(read.job, read.rules, now(), say)
        known_runs(state.review, runs, project)
        mended_state, answers = mend_all(state, runs or None, say)
    console = Console(highlight=False)
    fine = [run for run in dict.fromkeys(runs) if run not in {answer.run_id for answer in answers}]
    for run_id in fine:
        console.print(f"{run_id}: nothing is violated, so nothing is to be mended.", markup=False)
    if answers:
        print_mended(answers, console, read_project_file(path).units, points=bool(runs))
    elif everything:
        console.print("No run fails, so nothing is to be mended.", markup=False)
    if json_file is not None:
        write_whole(json_file, mended_text(answers, read.job, read.rules.name, state.review.made))
        console.print(f"wrote {json_file}", markup=False, soft_wrap=True)
    status = _status(mended_state, answers, fine)
    proposals = [answer for answer in answers if answer.after is not None]
    if write and proposals:
        return _written(path, read, proposals, mended_state, before, status, console)
    console.print(_next(answers, proposals), markup=False, soft_wrap=True)
    return status


def _status(state: Checked, answers: Sequence[Mended], fine: Sequence[str]) -> int:
    if any(answer.after is None for answer in answers):
        return VIOLATED
    asked = {*(answer.run_id for answer in answers), *fine}
    verdicts = [run.verdict for run in state.review.runs if run.fitted.run.run_id in asked]
    if "fail" in verdicts:
        return VIOLATED
    return NOT_ALL_CHECKED if "unchecked" in verdicts or not nothing_unchecked(state.review) else CLEAR


def _next(answers: Sequence[Mended], proposals: Sequence[Mended]) -> str:
    left = len(answers) - len(proposals)
    if proposals and left:
        return f"Next: --write puts {len(proposals)} proposals into the project; {left} runs need a hand of yours."
    if proposals:
        return "Next: --write puts this into the project."
    if left:
        return "Next: move what is in the way or an end, then run this again; `route3d view` shows it in 3D."
    return "Next: `route3d check` judges the whole job."


def _written(
    path: Path,
    read: Project,
    proposals: Sequence[Mended],
    state: Checked,
    before: str,
    status: int,
    console: Console,
) -> int:
    """Write proposals, read and check the project again, and say what became of them."""
    drawn = {run.run_id: run for run in read.job.runs}
    edits = []
    for answer in proposals:
        run, old = answer.run, drawn[answer.run_id]
        assert run is not None
        edits.append(
            RunEdit(
                run.run_id,
                corners_m=None if answer.change is None else run.corners_m,
                straps_at_m=None if run.straps_at_m == old.straps_at_m else run.straps_at_m,
                supports_at_m=None if run.supports_at_m == old.supports_at_m else run.supports_at_m,
                plates_m=None if run.plates_m == old.plates_m else run.plates_m,
                guards_m=None if run.guards_m == old.guards_m else run.guards_m,
            )
        )
    pieces = {one.fitted.run.run_id: one.fitted.pieces for one in state.review.runs}
    failing = write_and_check(path, read, edits, pieces, before, console, "Still failing")
    return VIOLATED if failing else status
