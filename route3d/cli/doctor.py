"""``route3d doctor``: what is installed, what is missing for which command, and how to get it."""

from __future__ import annotations

import importlib.metadata
import platform

import click

from route3d import __version__
from route3d.errors import MissingExtraError
from route3d.viewer.probe import off_screen_window

# library -> the commands that need it
NEEDED = {
    "ezdxf": "check (DXF)",
    "ifcopenshell": "check (IFC)",
    "laspy": "check (LAS, LAZ)",
    "numba": "check",
    "numpy": "check",
    "pye57": "check (E57)",
    "scipy": "check",
    "shapely": "check (zones)",
    "trimesh": "check",
    "pyvista": "view, demo",
    "vtk": "view, demo",
}


@click.command()
def doctor() -> int:
    """Say what is installed, what is missing for which command, and how to get it."""
    click.echo(f"route3d {__version__}, Python {platform.python_version()}, {platform.system()}")
    missing = 0
    for library, commands in NEEDED.items():
        try:
            click.echo(f"  ok       {library} {importlib.metadata.version(library)}")
        except importlib.metadata.PackageNotFoundError:
            missing += 1
            click.echo(f"  missing  {library}, needed for {commands}: pip install {library}")
    try:
        off_screen_window()
        click.echo("  ok       pictures can be drawn without a display")
    except MissingExtraError as error:
        missing += 1
        click.echo(f"  missing  {error}")
    click.echo("Next: `route3d demo` tries everything." if not missing else "Next: install what is missing above.")
    return 0
