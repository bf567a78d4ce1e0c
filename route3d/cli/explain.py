"""``route3d explain``: why a finding stands, why a stretch is exempt, and a run unrolled."""

from __future__ import annotations

from pathlib import Path

import click

from importers.project_file import nearest
from route3d.cli.common import project_argument, read_and_check
from route3d.errors import InputError
from route3d.model.finding import Finding, Review
from route3d.reports.console import Console
from route3d.reports.explanation import print_finding, print_run
from route3d.reports.strip import strip_png, strip_svg
from route3d.reports.writing import write_whole


@click.command()
@click.argument("what", metavar="FINDING|RUN")
@project_argument
@click.option(
    "--strip",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Draw the run unrolled, on one letter page, into this .svg or .png file.",
)
def explain(what: str, project: Path, strip: Path | None) -> int:
    """Explain a FINDING (its id, the beginning of it, or its number in the report) or everything judged of a RUN.

    A finding is told as fact, rule, conditions, exemptions tried and why they were refused, and verdict. A run is told
    with its bends and all its spans, exempt ones with the reason that was granted.
    """
    if strip is not None and strip.suffix.lower() not in (".svg", ".png"):
        raise InputError(strip, "a strip is drawn as .svg or .png; name such a file", "--strip")
    read, review = read_and_check(project)
    console = Console(highlight=False)
    run_id: str | None
    if any(run.fitted.run.run_id == what for run in review.runs):
        run_id = what
        print_run(review, what, console)
    else:
        finding = _finding(review, what, read.path)
        run_id = finding.run
        print_finding(review, finding, console)
    if strip is not None:
        _draw(review, run_id, strip, read.path)
        console.print(f"wrote {strip}", markup=False, soft_wrap=True)
    console.print(_next(run_id, strip, project), markup=False, soft_wrap=True)
    return 0


def _finding(review: Review, what: str, project: Path) -> Finding:
    ids = [finding.finding_id for finding in review.findings]
    if what.isdecimal() and 1 <= int(what) <= len(ids):
        return review.findings[int(what) - 1]
    matching = [finding for finding in review.findings if finding.finding_id.startswith(what)]
    if len(matching) == 1:
        return matching[0]
    if matching:
        some = ", ".join(finding.finding_id for finding in matching[:4])
        raise InputError(project, f"{what!r} is the beginning of {len(matching)} findings ({some} …); say more of it")
    known = [*ids, *(run.fitted.run.run_id for run in review.runs)]
    raise InputError(
        project, f"there is no finding and no run {what!r}; `route3d check` prints the ids.{nearest(what, known)}"
    )


def _draw(review: Review, run_id: str | None, strip: Path, project: Path) -> None:
    if run_id is None:
        raise InputError(project, "this finding is of no run, so there is nothing to unroll; name a run", "--strip")
    svg = strip.suffix.lower() == ".svg"
    write_whole(strip, strip_svg(review, run_id) if svg else strip_png(review, run_id))


def _next(run_id: str | None, strip: Path | None, project: Path) -> str:
    if strip is not None:
        return f"Next: print {strip} on a letter page, landscape."
    if run_id is None:
        return "Next: `route3d rules` lists the rule book."
    return f"Next: `route3d explain {run_id} {project} --strip FILE.svg` draws the run unrolled."
