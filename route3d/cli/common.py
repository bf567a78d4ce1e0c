"""What several commands share: the clock, the progress line, reading and checking a project."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import click
from rich.console import Console

from importers.project_file import nearest
from route3d.errors import ProjectKeyError
from route3d.model.finding import Review
from route3d.project import Project, read_project
from route3d.review import check_job, nothing_unchecked

project_argument = click.argument("project", type=click.Path(path_type=Path), default=Path("."))

CLEAR, VIOLATED, NOT_ALL_CHECKED = 0, 1, 3


@contextmanager
def progress() -> Iterator[Callable[[str], None]]:
    """Give a function that shows what is being done, on a terminal; elsewhere it shows nothing."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda _: None
        return
    with console.status("starting") as status:
        yield lambda doing: status.update(doing)


def read_and_check(given: Path, only: Sequence[str] = ()) -> tuple[Project, Review]:
    """Read a project and check it; ``only`` narrows the checks."""
    with progress() as say:
        project = read_project(given, say)
        job = project.job if not only else replace(project.job, checks=tuple(only))
        review = check_job(job, project.rules, datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"), say)
    return replace(project, job=job), review


def exit_status(review: Review) -> int:
    """Return 1 where something is violated, 3 where something could not be checked, else 0."""
    if review.summary["violations"]:
        return VIOLATED
    return CLEAR if nothing_unchecked(review) else NOT_ALL_CHECKED


def known_runs(review: Review, wanted: Sequence[str], project: Path) -> None:
    """Refuse run ids that the project does not have.

    Raises
    ------
    ProjectKeyError
        One is not there; the message names the nearest.
    """
    ids = [run.fitted.run.run_id for run in review.runs]
    for run_id in wanted:
        if run_id not in ids:
            raise ProjectKeyError(project, f"has no run {run_id!r}.{nearest(run_id, ids)}", "--run")
