"""``route3d schema``: the formats of the JSON files, and the published schema of each."""

from __future__ import annotations

from pathlib import Path

import click

from route3d.reports.formats import FORMATS, schema_text
from route3d.reports.writing import write_whole


@click.command(short_help="Describe the JSON files: their versions, and a schema of each.")
@click.argument("name", required=False, type=click.Choice(list(FORMATS)))
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Write the schema there.")
def schema(name: str | None, out: Path | None) -> int:
    """List the JSON formats with their versions, or print the JSON Schema (draft 2020-12) of NAME."""
    if name is None:
        if out is not None:
            raise click.UsageError("--out is for one schema; name it, for example `route3d schema results --out FILE`.")
        for known, (major, minor, command) in FORMATS.items():
            click.echo(f"{known:<12} {major}.{minor}  written by {command}")
        click.echo("Next: `route3d schema results` prints the schema of one format.")
        return 0
    if out is None:
        click.echo(schema_text(name), nl=False)
    else:
        write_whole(out, schema_text(name))
        click.echo(f"wrote {out}")
    return 0
