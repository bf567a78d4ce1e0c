"""``route3d watch``: checks again whenever an input file is saved, and tells the difference."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from pathlib import Path

import click
from watchfiles import watch as changes_in

from importers.project_file import project_path, read_project_file
from route3d.cli.common import exit_status, project_argument
from route3d.clock import now
from route3d.compare import Comparison
from route3d.errors import InputError, Route3DError
from route3d.following import Followed
from route3d.model.finding import CAUTION
from route3d.project import Project, read_project
from route3d.reports.comparison import print_comparison
from route3d.reports.console import Console
from route3d.reports.results_json import results_text
from route3d.reports.writing import write_whole
from route3d.viewer.inputs import digest_of

_SETTLE_MS = 300  # programs write a file in several steps
_PATIENCE_S = 10.0  # a file that stays unreadable for longer is told
_RETRY_S = 0.3
_LOOK_MS = 3_000  # also looked at that often, since some drives announce nothing


@click.command("watch")
@project_argument
@click.option(
    "--json", "json_file", type=click.Path(path_type=Path, dir_okay=False), help="Write the results each time."
)
@click.option("--poll", is_flag=True, help="Look at the files by the clock: for network drives that announce nothing.")
@click.option("--times", type=click.IntRange(min=1), hidden=True, help="End after so many changes.")
def watch(project: Path, json_file: Path | None, poll: bool, times: int | None) -> int:
    """Check PROJECT, then again whenever its project file or a drawing is saved; Ctrl-C ends it.

    Only what has changed is read and checked again, and what is new, worse, better or gone is printed. An open
    `route3d view` notices saved files by itself.
    """
    console = Console(highlight=False, soft_wrap=False)
    read = read_project(project)
    followed = Followed.begin(read.job, read.rules, now())
    _print_state(console, followed, json_file)
    console.print(CAUTION, style="dim", markup=False)
    console.print(f"watching {len(inputs := _inputs(read))} files; Ctrl-C ends it", markup=False)
    seen = _digests(inputs)
    for _ in _announcements(sorted({path.parent for path in inputs}), poll):
        before = _digests(_inputs(read))
        if before == seen:
            continue
        began = time.perf_counter()
        again = _read_when_whole(project, console)
        # what was saved while it was being read is to be noticed next time
        seen = before if again is None else {**_digests(_inputs(again)), **before}
        if again is None:
            continue
        read = again
        try:
            followed, comparison = followed.read_again(read.job, read.rules, now())
        except Route3DError as error:
            console.print(f"not checked: {error}", markup=False, style="yellow")
            continue
        _print_change(console, comparison, followed, time.perf_counter() - began)
        _print_state(console, followed, json_file)
        times = None if times is None else times - 1
        if times == 0:
            break
    return exit_status(followed.review)


def _inputs(read: Project) -> tuple[Path, ...]:
    """Return the project file, every file that it or a drawing names, there or not, and drawings beside them."""
    named = {read.path.resolve()}
    named.update((read.path.parent / source.file).resolve() for source in read.job.inputs)
    named.update((read.path.parent / name).resolve() for name, _ in read.job.beside)
    try:
        table = read_project_file(read.path)
    except InputError:
        table = None
    if table is not None:
        named.update((read.path.parent / entry.file).resolve() for entry in table.model)
        named.update((read.path.parent / entry.file).resolve() for entry in table.routes)
    suffixes = {path.suffix.lower() for path in named}
    for folder in {path.parent for path in named}:
        try:
            named.update(path for path in folder.iterdir() if path.suffix.lower() in suffixes and path.is_file())
        except OSError:
            continue  # a drive that is away for a moment
    return tuple(sorted(named))


def _digests(paths: Iterable[Path]) -> dict[Path, str]:
    return {path: digest_of(path) for path in paths}


def _announcements(folders: Iterable[Path], poll: bool) -> Iterator[None]:
    """Yield whenever something changed in the folders, and every few seconds; programs replace files when they save.

    Ends with Ctrl-C. A folder that goes away for a while, as network drives do, is looked for again.
    """
    wanted = list(folders)
    while True:
        there = [str(folder) for folder in wanted if folder.is_dir()]
        if not there:
            time.sleep(1.0)
            continue
        for _ in changes_in(
            *there,
            debounce=_SETTLE_MS,
            step=50,
            recursive=False,
            force_polling=poll or None,
            watch_filter=None,
            yield_on_timeout=True,
            rust_timeout=_LOOK_MS,
            raise_interrupt=False,
        ):
            yield
            if [str(folder) for folder in wanted if folder.is_dir()] != there:
                break
        else:
            return


def _read_when_whole(project: Path, console: Console) -> Project | None:
    """Read the project; one that cannot be read is tried again for a while, since it may be half-written."""
    until = time.monotonic() + _PATIENCE_S
    last = None
    while True:
        before = _digests([project_path(project)]) if project.exists() else {}
        try:
            return read_project(project)
        except Route3DError as error:
            if time.monotonic() > until or (last is not None and (str(error), before) == last and _is_at_rest(project)):
                console.print(f"not checked: {error}", markup=False, style="yellow")
                console.print("the findings above still speak of the earlier state", markup=False, style="yellow")
                return None
            last = (str(error), before)
        time.sleep(_RETRY_S)


def _is_at_rest(project: Path) -> bool:
    """Tell whether nothing near the project was written within the last two seconds."""
    folder = project if project.is_dir() else project.parent
    try:
        newest = max((path.stat().st_mtime for path in folder.iterdir() if path.is_file()), default=0.0)
    except OSError:
        return False
    return time.time() - newest > 2.0


def _print_change(console: Console, comparison: Comparison, followed: Followed, seconds: float) -> None:
    print_comparison(comparison, console)
    part = "checked as a whole" if followed.whole else "only what changed was checked"
    console.print(f"{followed.review.made}: read and checked in {seconds:.2f} s ({part})", markup=False)


def _print_state(console: Console, followed: Followed, json_file: Path | None) -> None:
    summary = followed.review.summary
    counts = [f"{summary[key]} {words}" for key, words in _COUNTS.items()]
    unread = len(followed.review.unread)
    console.print(" · ".join(counts) + (f" · {unread} not read" if unread else ""), style="bold", markup=False)
    if json_file is None:
        return
    try:
        write_whole(json_file, results_text(followed.review))
    except InputError as error:
        console.print(f"results not written: {error}", markup=False, style="yellow")


_COUNTS = {
    "runs_passed": "runs pass",
    "runs_failed": "fail",
    "runs_unchecked": "not fully checked",
    "violations": "violations",
    "cautions": "cautions",
}
