"""``route3d view``: the building, the runs and what was found, in 3D."""

from __future__ import annotations

from pathlib import Path

import click

from route3d.cli.common import cache_option, project_argument, read_and_check
from route3d.errors import InputError
from route3d.viewer.picture import draw_picture


@click.command(short_help="Show runs and findings in 3D.")
@project_argument
@click.option(
    "--picture", type=click.Path(path_type=Path, dir_okay=False), help="Draw a PNG instead; needs no display."
)
@click.option("--of", "view", default="overview", metavar="VIEW", help="overview, plan, or the id of a finding.")
@cache_option
def view(project: Path, picture: Path | None, view: str, cached: bool) -> int:
    """Show PROJECT in a window, or draw it to a PNG with --picture, which needs no display."""
    read, review = read_and_check(project, cached=cached)
    if view not in ("overview", "plan") and view not in {f.finding_id for f in review.findings}:
        raise InputError(read.path, f"there is no finding {view!r}; `route3d check` prints the ids", "--of")
    if picture is None:
        from route3d.viewer.window import open_window  # needs a display library that --picture does not

        open_window(read.job, review)
        return 0
    draw_picture(read.job, review, picture, view=view)
    click.echo(f"Next: open {picture}; `--of FINDING` draws one finding close up.")
    return 0
