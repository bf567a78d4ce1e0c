"""``route3d demo``: the shipped sample project, copied and checked."""

from __future__ import annotations

import filecmp
from pathlib import Path

import click

from route3d.cli.common import read_and_check
from route3d.cli.deliver import deliver
from route3d.errors import InputError, UnreadableFileError
from route3d.files import why, write_whole
from route3d.reports.console import Console
from route3d.reports.terminal import print_review
from route3d.version import PACKAGE

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
    _copy(sample_folder(), folder)
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


def _copy(sample: Path, folder: Path) -> None:
    """Copy the sample; files of the same name that say something else are somebody's work, and stay."""
    files = [path for path in sorted(sample.iterdir()) if path.is_file()]
    try:
        for path in files:
            there = folder / path.name
            if there.exists() and not filecmp.cmp(path, there, shallow=False):
                raise InputError(there, "is there already and is not that of the sample; name another folder")
        folder.mkdir(parents=True, exist_ok=True)
        for path in files:
            write_whole(folder / path.name, path.read_bytes())
    except OSError as error:
        raise InputError(folder, f"cannot be written ({why(error)}); name another folder") from error
