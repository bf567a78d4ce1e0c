"""The group of commands, and the exit status: 0 clear, 1 violated, 2 unusable input, 3 not everything checked."""

from __future__ import annotations

import contextlib
import gc
import importlib
import io
import logging
import os
import sys

import click

from route3d.errors import Route3DError
from route3d.files import why
from route3d.harmless import harmless
from route3d.model.caution import CAUTION
from route3d.version import VERSION

_LONGEST = 2_000  # letters of a message: a name out of a file can be of any length

# command -> where it is written (module of route3d.cli, name in it), and what the list of commands says of it
COMMANDS = {
    "demo": ("demo:demo", "Copy the sample project, check it, and show what comes out."),
    "init": ("init:init", "Look through a folder and write a starter project file."),
    "check": ("check:check", "Import, fit and check; the main job."),
    "compare": ("compare:compare_command", "What is new, gone, worse or better since an earlier revision."),
    "decide": ("decide:decide_command", "Keep what was decided about findings, from week to week."),
    "view": ("view:view", "Show runs and findings in 3D, and mend them."),
    "rules": ("rules:rules", "List the rule book, or explain a section of it."),
    "explain": ("explain:explain", "Why a finding stands, or a stretch is exempt."),
    "straps": ("straps:straps", "Propose the fewest straps that satisfy the rules."),
    "mend": ("mend:mend", "Propose the smallest change that makes a run pass."),
    "propose": ("propose:propose", "Find routes for runs that are given by their ends."),
    "takeoff": ("takeoff:takeoff", "Cut lengths, coil plan and material."),
    "report": ("report:report", "Deliverables: HTML, PDF, XLSX, CSV, DXF, BCF, GLB, JUnit, SARIF."),
    "schema": ("schema:schema", "Describe the JSON files: their versions, and a schema of each."),
    "doctor": ("doctor:doctor", "Say what is installed and what is missing."),
    "watch": ("watch:watch", "Check again whenever an input file is saved."),
}


class Commands(click.Group):
    """Commands that are imported when they are asked for: each needs libraries that the others need not wait for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands, in alphabetical order as ever."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command; None where there is none of this name."""
        if cmd_name not in COMMANDS:
            return None
        module, name = COMMANDS[cmd_name][0].split(":")
        command: click.Command = getattr(importlib.import_module(f"route3d.cli.{module}"), name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands, for which none of them is imported."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name][1]) for name in self.list_commands(ctx)])


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]}, epilog=CAUTION)
@click.version_option(VERSION, prog_name="route3d")
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


def run() -> None:
    """Run the command line; turns every expected failure into one sentence and exit status 2."""
    for stream in (sys.stdout, sys.stderr):
        # a terminal that cannot show a character shows a question mark instead of failing
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    # a large check makes a million records that stay; looking through them for cycles took an eighth of its time
    gc.set_threshold(200_000, 10, 10)
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
