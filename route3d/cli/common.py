"""What several commands share: the clock, the progress bar, reading and checking a project."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from threading import Timer

import click
from rich.markup import escape
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from importers.project_file import nearest
from route3d.clock import now
from route3d.errors import InputError, ProjectKeyError
from route3d.kernel.compiled import compile_notice
from route3d.model.finding import Review
from route3d.model.run import Run
from route3d.project import Project, read_project
from route3d.reports.console import Console
from route3d.review import check_job, nothing_unchecked

project_argument = click.argument("project", type=click.Path(path_type=Path), default=Path("."))
cache_option = click.option(
    "--no-cache",
    "cached",
    flag_value=False,
    default=True,
    help="Parse every drawing again; keep nothing for next time.",
)

paper_option = click.option(
    "--paper", type=click.Choice(["letter", "a4"]), default="letter", show_default=True, help="Paper of a PDF."
)

CLEAR, VIOLATED, NOT_ALL_CHECKED = 0, 1, 3

SHOWN_AFTER_S = 2.0

VIEWS = ("overview", "plan")


@contextmanager
def progress(console: Console | None = None) -> Iterator[Callable[..., None]]:
    """Give ``say(doing, share=None)``, which shows what is being done, as a bar where a share (0 … 1) is known.

    Work of less than ``SHOWN_AFTER_S``, and output that is no terminal, show nothing.
    """
    console = Console(stderr=True) if console is None else console
    if not console.is_terminal:
        yield lambda doing, share=None: None
        return
    bar = Progress(
        SpinnerColumn(), BarColumn(24), TextColumn("{task.description}"), TimeElapsedColumn(),
        console=console, transient=True,
    )  # fmt: skip
    task = bar.add_task("starting", total=None)

    shown = {"doing": "starting", "note": ""}

    def say(doing: str, share: float | None = None) -> None:
        shown["doing"] = escape(doing)
        if share is None:
            bar.update(task, description=shown["doing"] + shown["note"], total=None)
        else:
            part = min(max(share, 0.0), 1.0)
            bar.update(task, description=shown["doing"] + shown["note"], total=1.0, completed=part)

    def tell(compiling: bool) -> None:
        shown["note"] = "; compiling the geometry loops, once on this machine" if compiling else ""
        bar.update(task, description=shown["doing"] + shown["note"])

    waiting = Timer(SHOWN_AFTER_S, bar.start)
    waiting.daemon = True
    waiting.start()
    try:
        with compile_notice(tell):
            yield say
    finally:
        waiting.cancel()
        waiting.join()
        bar.stop()


def read_and_check(
    given: Path, only: Sequence[str] = (), *, cached: bool = True, checking: Callable[..., Review] = check_job
) -> tuple[Project, Review]:
    """Read a project and check it; ``only`` narrows the checks, ``checking`` does what ``check_job`` does."""
    with progress() as say:
        project = read_project(given, say, cached=cached)
        job = project.job if not only else replace(project.job, checks=tuple(only))
        review = checking(job, project.rules, now(), say)
    return replace(project, job=job), review


def exit_status(review: Review) -> int:
    """Return 1 where something is violated, 3 where something could not be checked, else 0."""
    if review.summary["violations"]:
        return VIOLATED
    return CLEAR if nothing_unchecked(review) else NOT_ALL_CHECKED


def known_view(view: str, review: Review, project: Path) -> None:
    """Refuse a view that is neither one of ``VIEWS`` nor the id of a finding.

    Raises
    ------
    InputError
        It is neither.
    """
    if view not in VIEWS and view not in {f.finding_id for f in review.findings}:
        raise InputError(project, f"there is no finding {view!r}; `route3d check` prints the ids", "--of")


def known_runs(review: Review, wanted: Sequence[str], project: Path) -> None:
    """Refuse run ids that the project does not have.

    Raises
    ------
    ProjectKeyError
        One is not there; the message names the nearest. Or it has no route yet.
    """
    ids = [run.fitted.run.run_id for run in review.runs]
    refuse_not_routed(review.not_routed, wanted, project)
    for run_id in wanted:
        if run_id not in ids:
            raise ProjectKeyError(project, f"has no run {run_id!r}.{nearest(run_id, ids)}", "--run")


def refuse_not_routed(runs: Sequence[Run], wanted: Sequence[str], project: Path) -> None:
    """Refuse wanted runs that are among ``runs``, which are given by their ends only.

    Raises
    ------
    ProjectKeyError
        One is.
    """
    for run in runs:
        if run.run_id in wanted:
            raise ProjectKeyError(
                project,
                f"the run {run.run_id!r} has no route yet; find one with `route3d propose --run {run.run_id}`",
                "--run",
            )
