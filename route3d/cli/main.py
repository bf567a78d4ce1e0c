"""The group of commands, and the exit status: 0 clear, 1 violated, 2 unusable input, 3 not everything checked."""

from __future__ import annotations

import gc
import importlib
import logging
import sys

import click

from route3d.errors import Route3DError
from route3d.model.caution import CAUTION
from route3d.version import VERSION

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
    except click.exceptions.Abort:
        sys.exit(130)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except Route3DError as error:
        click.echo(f"route3d: {error}", err=True)
        sys.exit(2)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(1)
    except Exception as error:
        if logging.getLogger().isEnabledFor(logging.INFO):
            raise
        click.echo(
            f"route3d: a fault in route3d itself ({error.__class__.__name__}: {error}); nothing was decided. "
            "Run again with `route3d -v …` for the details to report.",
            err=True,
        )
        sys.exit(2)
    sys.exit(status if isinstance(status, int) else 0)
