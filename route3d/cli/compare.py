"""``route3d compare``: what is new, gone, worse or better since an earlier revision."""

from __future__ import annotations

import io
import subprocess
import tarfile
import tempfile
from pathlib import Path

import click

from route3d.cli.common import CLEAR, NOT_ALL_CHECKED, VIOLATED, read_and_check
from route3d.compare import Comparison, compare
from route3d.errors import InputError
from route3d.model.element import Element
from route3d.model.revision import Revision, revision_of
from route3d.reports.comparison import comparison_text, print_comparison
from route3d.reports.comparison_picture import comparison_png
from route3d.reports.console import Console
from route3d.reports.results_read import read_results
from route3d.reports.writing import write_whole
from route3d.review import nothing_unchecked

_GIT_SECONDS = 120


@click.command("compare")
@click.argument("old")
@click.argument("new", default=".")
@click.option(
    "--json", "json_file", type=click.Path(path_type=Path, dir_okay=False), help="Write the comparison there."
)
@click.option("--picture", type=click.Path(path_type=Path, dir_okay=False), help="Draw a plan of the changes (PNG).")
@click.option("--all", "everything", is_flag=True, help="Show what stayed as well, however many.")
def compare_command(old: str, new: str, json_file: Path | None, picture: Path | None, everything: bool) -> int:
    """Compare two revisions, OLD and NEW (default: this folder).

    Each is a project (folder or route3d.toml), a results file that `route3d check --json` wrote, or REVISION:FOLDER, a
    project as it was in a git revision, for example HEAD~1:. for this folder.

    Exit status: 0 no violation is new or worse; 1 one is; 2 an input could not be used; 3 none is, but something in NEW
    could not be checked.
    """
    (before, elements_before, _), (after, elements_after, unchecked) = _revision(old), _revision(new)
    both = None
    if elements_before is not None and elements_after is not None:
        both = (elements_before, elements_after)
    comparison = compare(before, after, both)
    console = Console(highlight=False, soft_wrap=False)
    print_comparison(comparison, console, everything=everything)
    for path, content in ((json_file, comparison_text), (picture, comparison_png)):
        if path is not None:
            write_whole(path, content(comparison))
            console.print(f"wrote {path}", markup=False)
    console.print(_next(comparison), markup=False)
    return _status(comparison, unchecked)


def _status(comparison: Comparison, unchecked: bool) -> int:
    if any(c.change in ("new", "worse") and c.finding.severity == "violation" for c in comparison.findings):
        return VIOLATED
    return NOT_ALL_CHECKED if unchecked else CLEAR


def _next(comparison: Comparison) -> str:
    if comparison.counts["new"] or comparison.counts["worse"]:
        return "Next: look at what is new or worse first; `route3d explain FINDING` tells why it stands."
    return "Next: keep the results of today with `route3d check --json FILE`, to compare with them next week."


def _revision(given: str) -> tuple[Revision, tuple[Element, ...] | None, bool]:
    """Return a revision, its elements where it is a project, and whether something in it could not be checked."""
    path = Path(given)
    if path.is_file() and path.suffix.lower() == ".json":
        revision = read_results(path)
        return revision, None, revision.unread > 0 or any(f.unchecked for f in revision.findings)
    if path.exists():
        return _checked(path)
    name, colon, folder = given.partition(":")
    if not colon or name.startswith("-"):
        raise InputError(given, "is not there; give a project, a results file, or REVISION:FOLDER of a git project")
    with tempfile.TemporaryDirectory() as scratch:
        return _checked(_from_git(name, Path(folder or "."), Path(scratch), given))


def _checked(path: Path) -> tuple[Revision, tuple[Element, ...], bool]:
    project, review = read_and_check(path)
    return revision_of(review), project.job.elements, not nothing_unchecked(review)


def _from_git(name: str, folder: Path, scratch: Path, given: str) -> Path:
    """Unpack the folder of a project as it was in a git revision; nothing of the working tree is touched."""
    inside = folder if folder.is_dir() else folder.parent
    try:
        done = subprocess.run(
            ["git", "-C", str(inside), "archive", "--format=tar", f"{name}^{{commit}}", "."],
            capture_output=True, timeout=_GIT_SECONDS, check=False,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired) as error:
        raise InputError(given, f"git could not be asked ({error}); install git, or give two folders") from error
    if done.returncode:
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        raise InputError(given, f"git has no such revision ({said[0] if said else 'no reason given'}); check the name")
    with tarfile.open(fileobj=io.BytesIO(done.stdout)) as archive:
        for member in archive:
            target = (scratch / member.name).resolve()
            content = archive.extractfile(member) if member.isfile() else None  # a link could lead anywhere
            if content is not None and target.is_relative_to(scratch.resolve()):
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(content.read())
    return scratch if folder.is_dir() else scratch / folder.name
