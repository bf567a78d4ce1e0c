"""``route3d view``: the building, the runs and what was found, in 3D."""

from __future__ import annotations

from pathlib import Path

import click

from route3d.cli.common import cache_option, known_view, project_argument, read_and_check
from route3d.viewer.picture import draw_picture


@click.command()
@project_argument
@click.option("--window", is_flag=True, help="A plain window of its own instead of the page; needs a display.")
@click.option(
    "--picture", type=click.Path(path_type=Path, dir_okay=False), help="Draw a PNG instead; needs no display."
)
@click.option("--of", "view", default="overview", metavar="VIEW", help="overview, plan, or the id of a finding.")
@click.option("--host", default="127.0.0.1", metavar="ADDRESS", help="Let others on the network look: 0.0.0.0 for all.")
@click.option("--edit", is_flag=True, help="With --host: let them edit and save, too.")
@click.option("--port", type=click.IntRange(0, 65535), help="Default: the first that is free, from 7410 on.")
@click.option("--no-browser", "browser", flag_value=False, default=True, help="Print the address, open nothing.")
@cache_option
def view(
    project: Path,
    window: bool,
    picture: Path | None,
    view: str,
    host: str,
    edit: bool,
    port: int | None,
    browser: bool,
    cached: bool,
) -> int:
    """Show PROJECT in the browser: see it, understand it, mend it.

    The page is served on this machine only, under an address with a key in it. What is drawn there is checked at once,
    and written into the project when it is saved; until then it is kept in .route3d-drafts beside the project, whatever
    happens to browser or server.
    """
    if picture is None and not window:
        from route3d.cli.viewing import serve_page  # what a server needs is not needed for a picture

        serve_page(project, view=view, host=host, port=port, edit=edit, browser=browser, cached=cached)
        return 0
    read, review = read_and_check(project, cached=cached)
    known_view(view, review, read.path)
    if picture is None:
        from route3d.viewer.window import open_window  # needs a display library that --picture does not

        open_window(read.job, review)
        return 0
    draw_picture(read.job, review, picture, view=view)
    click.echo(f"Next: open {picture}; `--of FINDING` draws one finding close up.")
    return 0
