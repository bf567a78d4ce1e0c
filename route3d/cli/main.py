"""The group of commands, and the exit status: 0 clear, 1 violated, 2 unusable input, 3 not everything checked."""

from __future__ import annotations

import contextlib
import io
import logging
import os
import sys

import click

from route3d import __version__
from route3d.cli.check import check
from route3d.cli.compare import compare_command
from route3d.cli.decide import decide_command
from route3d.cli.demo import demo
from route3d.cli.doctor import doctor
from route3d.cli.explain import explain
from route3d.cli.init import init
from route3d.cli.mend import mend
from route3d.cli.propose import propose
from route3d.cli.report import report
from route3d.cli.rules import rules
from route3d.cli.straps import straps
from route3d.cli.takeoff import takeoff
from route3d.cli.view import view
from route3d.cli.watch import watch
from route3d.errors import Route3DError
from route3d.files import why
from route3d.model.finding import CAUTION
from route3d.reports.console import harmless

_LONGEST = 2_000  # letters of a message: a name out of a file can be of any length


@click.group(context_settings={"help_option_names": ["-h", "--help"]}, epilog=CAUTION)
@click.version_option(__version__, prog_name="route3d")
@click.option("-v", "--verbose", is_flag=True, help="Say what is read and how long it takes.")
def route3d(verbose: bool) -> None:
    """Check drawn 3D cable routes before the pull: bends, clearances, straps, zones and decks.

    Start with `route3d demo`, or with `route3d init DIR` on a folder of your own drawings.
    """
    logging.basicConfig(
        level=logging.INFO if verbose else logging.ERROR,
        format="%(levelname)s %(name)s: %(message)s",
        stream=sys.stderr,
    )


for command in (
    demo,
    init,
    check,
    compare_command,
    decide_command,
    view,
    rules,
    explain,
    straps,
    mend,
    propose,
    takeoff,
    report,
    doctor,
    watch,
):
    route3d.add_command(command)


def run() -> None:
    """Run the command line; turns every expected failure into one sentence and exit status 2."""
    for stream in (sys.stdout, sys.stderr):
        # a terminal that cannot show a character shows a question mark instead of failing
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        status = route3d.main(standalone_mode=False)
        if sys.stdout is not None:
            sys.stdout.flush()  # what cannot be written any more must not be found out when nobody can say it
    except click.exceptions.Abort:
        sys.exit(130)
    except click.ClickException as error:
        _show(error)
        sys.exit(error.exit_code)
    except Route3DError as error:
        _say(str(error))
        sys.exit(2)
    except BrokenPipeError:
        _forget_output()
        sys.exit(1)
    except MemoryError:
        _say("this machine has not enough memory for it; nothing was decided. Split the job, or use a larger machine.")
        sys.exit(2)
    except OSError as error:
        _forget_output()
        _say(f"{_places(error)}the system refuses: {why(error)}; nothing was decided. Mend that and run it again.")
        sys.exit(2)
    except Exception as error:
        if logging.getLogger().isEnabledFor(logging.INFO):
            raise
        _say(
            f"a fault in route3d itself ({error.__class__.__name__}: {error}); nothing was decided. "
            "Run again with `route3d -v …` for the details to report."
        )
        sys.exit(2)
    sys.exit(status if isinstance(status, int) else 0)


def _show(error: click.ClickException) -> None:
    text = io.StringIO()
    error.show(text)
    with contextlib.suppress(OSError, ValueError):
        click.echo(harmless(text.getvalue()), err=True, nl=False)


def _say(words: str) -> None:
    with contextlib.suppress(OSError, ValueError):  # standard error may be closed, or on a full disk
        line = " ".join(harmless(words).splitlines())
        click.echo(f"route3d: {line if len(line) <= _LONGEST else line[: _LONGEST - 2] + ' …'}", err=True)


def _places(error: OSError) -> str:
    return "".join(f"{os.fsdecode(p)}: " for p in (error.filename, error.filename2) if isinstance(p, str | bytes))


def _forget_output() -> None:
    """Let what standard output still holds go nowhere: it cannot be written, and Python would try again at its end."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
