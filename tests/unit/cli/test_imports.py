"""Commands import what they use: nobody waits for libraries that the work at hand does not need."""

import subprocess
import sys

import click
import pytest

from route3d.cli.main import COMMANDS, route3d

HEAVY = {"ezdxf", "jinja2", "lxml", "matplotlib", "networkx", "pyvista", "reportlab", "scipy.optimize", "scipy.sparse",
         "scipy.spatial", "starlette", "trimesh", "vtk"}  # fmt: skip


def imported_by(statement: str) -> set[str]:
    code = f"{statement}\nimport sys\nprint(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_the_list_of_commands_needs_no_arrays():
    assert not imported_by("import route3d.cli.main") & {*HEAVY, "numpy", "numba", "pydantic", "rich"}


def test_a_check_does_not_wait_for_readers_pictures_and_optimisers():
    assert not imported_by("import route3d.cli.check, route3d.review, route3d.reports.terminal") & HEAVY


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_where_the_list_says(name):
    command = route3d.get_command(click.Context(route3d), name)
    assert command is not None and command.name == name


def test_an_unknown_command_is_none():
    assert route3d.get_command(click.Context(route3d), "chekc") is None
