"""``route3d demo``: the shipped sample project, copied and checked."""

from __future__ import annotations

import shutil
from pathlib import Path

import click

from importers.model_cache import FOLDER as CACHE_FOLDER
from route3d.cli.common import read_and_check
from route3d.cli.deliver import deliver
from route3d.errors import InputError, UnreadableFileError
from route3d.reports.console import Console
from route3d.reports.terminal import print_review
from route3d.version import PACKAGE
from route3d.viewer.journal import FOLDER as DRAFTS_FOLDER

SAMPLE = "workshop"


def sample_folder() -> Path:
    """Return where the shipped sample project is: inside an installed package, or beside it in a checkout."""
    for folder in (PACKAGE / "sample_models" / SAMPLE, PACKAGE.parent / "sample_models" / SAMPLE):
        if folder.is_dir():
            return folder
    raise UnreadableFileError(PACKAGE, "the sample project is not installed; install route3d again")


@click.command()
@click.argument(
    "folder", metavar="[DIR]", type=click.Path(path_type=Path, file_okay=False), default=Path("route3d-demo")
)
def demo(folder: Path) -> int:
    """Copy the sample project into DIR (default: route3d-demo), check it, and write report, pictures and JSON.

    The sample is invented, and has at least one of each violation on purpose; the exit status is 0 all the same.
    """
    try:
        shutil.copytree(
            sample_folder(), folder, dirs_exist_ok=True, ignore=shutil.ignore_patterns(CACHE_FOLDER, DRAFTS_FOLDER)
        )
    except OSError as error:
        raise InputError(folder, f"cannot be written ({error.strerror}); name another folder") from error
    project, review = read_and_check(folder)
    console = Console(highlight=False)
    print_review(review, console)
    deliver(project, review, folder / "results", console)
    console.print(
        f"Next: open {folder / 'results' / 'report.html'}, change a point in {folder / 'route3d.toml'}, "
        f"and run `route3d check {folder}`.",
        markup=False,
    )
    return 0
