"""``route3d doctor``: what is installed, what is missing for which command, and how to get it."""

from __future__ import annotations

import os
import platform
from collections.abc import Iterator

import click

from route3d.errors import MissingExtraError, Route3DError
from route3d.parts import OPTIONAL, Library, libraries
from route3d.version import PACKAGE, VERSION

OK, MISSING, OPTION = "ok", "missing", "optional"


@click.command()
def doctor() -> int:
    """Say what is installed, what is missing for which command, and how to get it."""
    cores = f"{len(os.sched_getaffinity(0)) if hasattr(os, 'sched_getaffinity') else os.cpu_count()} core(s)"
    click.echo(f"route3d {VERSION}, Python {platform.python_version()}, {platform.platform(terse=True)}, {cores}")
    missing = False
    for said, text in _answers():
        click.echo(f"  {said:<8}  {text}")
        missing = missing or said == MISSING
    click.echo("Next: install what is missing above." if missing else "Next: `route3d demo` tries everything.")
    return 0


def _answers() -> Iterator[tuple[str, str]]:
    known = libraries()
    if not known:
        yield MISSING, "route3d is not installed, only lies here: pip install . in the folder of its README"
    for library in known:
        if not library.extra:
            yield _needed(library)
    for extra, purpose in OPTIONAL.items():
        yield _optional(extra, purpose, [library for library in known if library.extra == extra])
    for about, ask in (
        ("rule sets", _rules),
        ("pictures without a display", _pictures),
        ("the page of `route3d view`", _page),
        ("compiled loops", _loops),
    ):
        try:
            yield OK, f"{about}: {ask()}"
        except Route3DError as error:
            yield MISSING, f"{about}: {error}"
        except ImportError as error:  # told above with its name; said again, since it is why this does not work
            yield MISSING, f"{about}: {error}"


def _needed(library: Library) -> tuple[str, str]:
    if library.fits:
        return OK, f"{library.name} {library.version}"
    there = "is not installed" if library.version is None else f"{library.version} is too old"
    return (
        MISSING,
        f"{library.name} {there}, needed for {library.commands}: pip install '{library.name}{library.asked}'",
    )


def _optional(extra: str, purpose: str, needs: list[Library]) -> tuple[str, str]:
    lacking = [library.name for library in needs if not library.fits]
    if lacking or not needs:
        return OPTION, f"{purpose}: pip install 'route3d[{extra}]' (adds {', '.join(lacking)})"
    return OK, f"{purpose}: {', '.join(f'{library.name} {library.version}' for library in needs)}"


def _rules() -> str:
    from route3d.rules.editions import shipped
    from route3d.rules.rulebook import SHIPPED

    return ", ".join(shipped(name).name for name in SHIPPED)


def _pictures() -> str:
    from route3d.viewer.probe import off_screen_window

    off_screen_window()
    return "can be drawn"


def _page() -> str:
    built = PACKAGE / "viewer" / "page" / "built" / "app.js"
    if not built.is_file():
        raise MissingExtraError("its files are not there; install route3d again")
    return "there"


def _loops() -> str:
    from route3d.kernel.compiled import kept_on_disk

    if not kept_on_disk():
        raise MissingExtraError("no folder for them can be written, so every start compiles anew; set XDG_CACHE_HOME")
    return "kept for the next time"
