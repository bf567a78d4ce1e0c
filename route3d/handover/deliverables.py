"""What can be handed over, one function per deliverable: each makes one file and says in words what is in it."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from route3d.errors import MissingExtraError
from route3d.examine import Examined
from route3d.handover.bcf import Pictures, chosen, export
from route3d.model.decision import Kept, Matter
from route3d.model.finding import Finding, Review
from route3d.model.job import Job
from route3d.reports.html import page
from route3d.reports.markup_dxf import write_markup
from route3d.reports.results_json import results
from route3d.reports.review_junit import junit
from route3d.reports.review_pdf import write_review_pdf
from route3d.reports.review_rows import finding_rows, review_notes, review_tables, trend_rows
from route3d.reports.review_sarif import sarif
from route3d.reports.scene_glb import scene_glb
from route3d.reports.takeoff_csv import csv_text
from route3d.reports.takeoff_rows import Rows
from route3d.reports.takeoff_xlsx import workbook_of
from route3d.reports.writing import write_whole
from route3d.rules.rulebook import RuleBook
from route3d.store.opening import store_path
from route3d.store.recording import kept
from route3d.viewer.discreet import Discreet
from route3d.viewer.page_file import page_file
from route3d.viewer.picture import draw_picture


@dataclass(frozen=True, slots=True)
class Wishes:
    """How the files are wanted, where there is a choice."""

    paper: str = "letter"  # of a PDF: letter, a4
    unit: str = "mm"  # of a drawing: one of METRES_PER_UNIT
    plot_scale: int = 50  # the 50 of 1:50, at which text of a drawing can be read
    bcf_version: str | None = None  # None: 2.1, or that of ``onto``
    onto: Path | None = None  # a BCF file of others, of which all is kept
    findings: tuple[str, ...] = ()  # ids, for BCF and PDF; empty: violations and cautions
    pictures: int = 50  # how many findings get a picture of their own


@dataclass(frozen=True, eq=False)
class Given:
    """What every deliverable is made from: the checked project, and how the files are wanted."""

    project_file: Path
    rules: RuleBook
    examined: Examined
    review: Review
    wishes: Wishes = Wishes()

    @property
    def job(self) -> Job:
        """The job that was checked."""
        return self.examined.scene.job

    @cached_property
    def kept(self) -> Kept:
        """All that is kept from check to check."""
        return kept(store_path(self.project_file))

    @property
    def known(self) -> tuple[Matter, ...]:
        """What was decided, where decisions are kept."""
        return self.kept.matters

    @property
    def trend(self) -> Rows:
        """The counts of each recorded check."""
        return trend_rows(self.kept.trend)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings that were asked for; where none were named, violations and cautions."""
        return chosen(self.review, self.wishes.findings, self.project_file)


def _dxf(path: Path, given: Given) -> str:
    unit, scale = given.wishes.unit, given.wishes.plot_scale
    done = write_markup(path, given.examined, given.review, unit=unit, plot_scale=scale)
    said = [f"{done.runs} runs", f"{done.straps} marks of what holds them", f"{done.callouts} findings called out"]
    if done.unplaced:
        said.append(f"{done.unplaced} findings in the list only")
    if done.left_out:
        said.append(f"{done.left_out} dimensions without room left out")
    return ", ".join(said)


def _bcf(path: Path, given: Given) -> str:
    return export(
        path,
        given.job,
        given.review,
        given.findings,
        version=given.wishes.bcf_version,
        pictures=given.wishes.pictures,
        store=store_path(given.project_file),
        onto=given.wishes.onto,
    )


def _html(path: Path, given: Given) -> str:
    shown = Discreet(given.project_file.parent)
    shown.learn(source.file for source in given.job.inputs)
    text = page_file(
        given.job, given.review, given.rules, results, project_file=given.project_file.name, shown=shown,
        kept=given.kept,
    )  # fmt: skip
    write_whole(path, text)
    return f"{len(given.review.findings)} findings and the building, {len(text.encode()) / 1e6:.1f} MB, opens anywhere"


def _plain_html(path: Path, given: Given) -> str:
    drawn: list[tuple[str, bytes]] = []
    missing = None
    try:
        with tempfile.TemporaryDirectory() as scratch:
            for view, title in (("overview", "Overview"), ("plan", "Plan")):
                file = Path(scratch) / f"{view}.png"
                draw_picture(given.job, given.review, file, view=view)
                drawn.append((title, file.read_bytes()))
    except MissingExtraError as error:
        missing = str(error)
    write_whole(path, page(given.review, drawn, missing, given.kept))
    return f"{len(given.review.findings)} findings, {len(drawn)} pictures, no script"


def _pdf(path: Path, given: Given) -> str:
    drawing = Pictures(given.job, given.review, given.wishes.pictures)
    findings = given.findings
    drawn = write_review_pdf(path, given.review, findings, given.known, drawing.of, given.wishes.paper, given.trend)
    why = f"; no picture: {drawing.missing}" if drawing.missing else ""
    return f"{len(findings)} findings, {drawn} with a picture, {len(findings) - drawn} without{why}"


def _xlsx(path: Path, given: Given) -> str:
    review, known = given.review, given.known
    tables = (*review_tables(review, review.findings, known), given.trend)
    write_whole(path, workbook_of(tables, f"Review: {review.project}", review_notes(review)))
    return ", ".join(f"{len(table.rows)} rows of {table.name}" for table in tables)


def _csv(path: Path, given: Given) -> str:
    write_whole(path, csv_text(finding_rows(given.review.findings, given.known)))
    return f"{len(given.review.findings)} findings"


def _junit(path: Path, given: Given) -> str:
    write_whole(path, junit(given.review, given.job.checks))
    return f"{len(given.review.runs)} runs, each with {len(given.job.checks)} checks"


def _sarif(path: Path, given: Given) -> str:
    elements = {element.element_id: element for element in given.job.elements}
    write_whole(path, sarif(given.review, given.job.checks, elements, given.project_file.name))
    return f"{len(given.review.findings)} findings"


def _glb(path: Path, given: Given) -> str:
    data = scene_glb(given.job, given.review)
    write_whole(path, data)
    return (
        f"{len(given.review.runs)} runs and the building, {len(data) / 1e6:.1f} MB; what to add to coordinates: extras"
    )


# option -> what writes it; a new deliverable is a line here and an option of the command
WRITERS: Mapping[str, Callable[[Path, Given], str]] = {
    "html": _html,
    "plain_html": _plain_html,
    "pdf": _pdf,
    "xlsx": _xlsx,
    "csv": _csv,
    "dxf": _dxf,
    "bcf": _bcf,
    "glb": _glb,
    "junit": _junit,
    "sarif": _sarif,
}
