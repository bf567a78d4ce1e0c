"""All results of a check, into one folder."""

from __future__ import annotations

import tempfile
from pathlib import Path

from route3d.errors import MissingExtraError, StoreError
from route3d.model.decision import Kept
from route3d.model.finding import Review
from route3d.project import Project
from route3d.reports.console import Console
from route3d.reports.html import page
from route3d.reports.results_json import results_text
from route3d.reports.writing import write_whole
from route3d.store.opening import store_path
from route3d.store.recording import kept
from route3d.viewer.picture import draw_picture

RESULTS, REPORT, PICTURE, PLAN = "results.json", "report.html", "picture.png", "plan.png"


def deliver(project: Project, review: Review, folder: Path, console: Console) -> None:
    """Write results, report and pictures into ``folder``, and print where they are.

    Where no picture can be drawn, everything else is written and the reason is printed.
    """
    write_whole(folder / RESULTS, results_text(review))
    pictures: list[tuple[str, bytes]] = []
    missing = None
    try:
        with tempfile.TemporaryDirectory() as scratch:
            for name, view, title in ((PICTURE, "overview", "Overview"), (PLAN, "plan", "Plan")):
                drawn = Path(scratch) / name
                draw_picture(project.job, review, drawn, view=view)
                pictures.append((title, drawn.read_bytes()))
                write_whole(folder / name, pictures[-1][1])
    except MissingExtraError as error:
        missing = str(error)
    write_whole(folder / REPORT, page(review, pictures, missing, _kept(project, console)))
    written = [RESULTS, REPORT, *((PICTURE, PLAN) if missing is None else ())]
    for name in written:
        console.print(f"wrote {folder / name}", markup=False, highlight=False, soft_wrap=True)
    if missing is not None:
        console.print(f"no picture: {missing}", markup=False, highlight=False, style="yellow")


def _kept(project: Project, console: Console) -> Kept:
    """Return what is kept from check to check; that it cannot be read does not take away what the check has found."""
    try:
        return kept(store_path(project.path))
    except StoreError as error:
        console.print(f"{REPORT} shows no decisions: {error}", markup=False, highlight=False, style="yellow")
        return Kept()
