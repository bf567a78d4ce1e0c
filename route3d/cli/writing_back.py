"""Proposals written into a project, which is then read and checked again from nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from importers.project_edit import RunEdit
from importers.routes_edit import save_edits
from route3d.cli.common import progress
from route3d.project import Project, read_project
from route3d.reports.console import Console
from route3d.review import check_job


def write_and_check(
    path: Path,
    read: Project,
    edits: Sequence[RunEdit],
    pieces: Mapping[str, NDArray[np.float64]],
    before: str,
    console: Console,
    still: str,
) -> bool:
    """Write edits, read and check the project again, print what became of them; tell whether a written run fails.

    ``before`` is the fingerprint of the project file when it was read, ``pieces`` the fitted lines of the runs,
    ``still`` the word before runs that fail. Errors as ``save_edits`` and ``read_project``.
    """
    saved = save_edits(path, read.job.runs, edits, before, read.job.inputs, pieces)
    console.print(f"wrote {', '.join(saved.files)}", markup=False, soft_wrap=True)
    for note in saved.notes:
        console.print(f"· {note}", markup=False, soft_wrap=True)
    with progress() as say:
        again = read_project(path, say)
        review = check_job(again.job, again.rules, "", say)
    written = {edit.run_id for edit in edits}
    failing = [
        run.fitted.run.run_id for run in review.runs if run.fitted.run.run_id in written and run.verdict == "fail"
    ]
    console.print(
        f"Read again and checked: nothing is violated on {len(written) - len(failing)} of {len(written)} runs that "
        "were written." + (f" {still}: {', '.join(failing)}." if failing else ""),
        markup=False,
        soft_wrap=True,
    )
    console.print("Next: `route3d view` shows the runs in 3D; `route3d check` judges the whole job.", markup=False)
    return bool(failing)
