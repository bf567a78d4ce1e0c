"""What joins the viewer to the project on disk: reading, checking, saving."""

from __future__ import annotations

import os
import webbrowser
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import click
import numpy as np
from numpy.typing import NDArray

from importers.project_edit import RunEdit, fingerprint
from importers.project_file import project_path, read_project_file
from importers.routes_edit import save_edits
from route3d.cli.common import VIEWS, known_view, progress
from route3d.cli.deciding import ProjectStore
from route3d.clock import now
from route3d.model.run import Run
from route3d.project import read_project
from route3d.recheck import Checked
from route3d.reports.results_json import results
from route3d.viewer.access import Access
from route3d.viewer.deciding import Ledger
from route3d.viewer.desk import Desk, Opened
from route3d.viewer.discreet import Discreet
from route3d.viewer.edits import Edit
from route3d.viewer.journal import Journal
from route3d.viewer.server import address_of, listen, serve, viewer_app


def serve_page(given: Path, *, view: str, host: str, port: int | None, edit: bool, browser: bool, cached: bool) -> None:
    """Read and check a project, and serve its page until Ctrl-C; ``view`` may be the id of a finding to begin with.

    Raises
    ------
    Route3DError
        The project cannot be used, or the address cannot be had.
    """
    path = project_path(given)
    # before the long work: somebody who asked for a port that is taken wants to know at once
    listening = listen(host, port)
    shown = Discreet(path.parent)
    writable = os.access(path.parent, os.W_OK)
    store = ProjectStore(path)

    def read(say: Callable[..., None]) -> Opened:
        store.reading()
        opened = open_project(path, say, cached=cached)
        shown.learn(source.file for source in opened.checked.job.inputs)
        return opened

    with listening:
        with progress() as say:
            opened = read(say)
        known_view(view, opened.checked.review, path)
        access = Access.of(host, listening.getsockname()[1], edit)
        why_not = None if writable else "nothing can be changed here, since the project's folder cannot be written to"
        desk = Desk(opened, read, results, Journal(path) if writable else None, shown, Ledger(store))
        app = viewer_app(desk, access, why_not_editable=why_not, shown=shown)
        address = address_of(listening, host, access.token) + ("" if view in VIEWS else f"#finding={view}")

        def ready() -> None:
            click.echo(address)
            if access.public:
                who = "may look and edit" if edit else "may look, not edit"
                click.echo(f"Everybody who can reach this machine and has this address {who}.")
            click.echo("Ctrl-C ends the viewer; what is not saved is kept and offered next time.")
            if browser:
                webbrowser.open(address)

        serve(app, listening, ready)


def open_project(path: Path, say: Callable[..., None], *, cached: bool) -> Opened:
    """Return a project, read and checked, with the way to save it."""
    # before it is read, so that a change in between is noticed
    digest = fingerprint(path)
    unit = read_project_file(path).units
    project = read_project(path, say, cached=cached)
    job = project.job
    made = now()
    checked = Checked.open(job, project.rules, made, say)
    watched = {path.name: (path, digest)}
    watched |= {source.file: (path.parent / source.file, source.sha256) for source in job.inputs}
    watched |= {name: (path.parent / name, digest) for name, digest in job.beside}

    def save(edits: Sequence[Edit], paths: Mapping[str, NDArray[np.float64]]) -> tuple[Sequence[str], Sequence[str]]:
        saved = save_edits(path, job.runs, [_run_edit(edit) for edit in edits], digest, job.inputs, paths)
        return saved.files, saved.notes

    return Opened(checked, project.rules, unit, path.name, watched, save, _editable)


def _editable(run: Run) -> bool:
    """Tell whether a run stands in a file that can be written: the project's own, or a drawing."""
    return Path(run.file).suffix.lower() in (".toml", ".dxf")


def _run_edit(edit: Edit) -> RunEdit:
    return RunEdit(
        run_id=edit.run,
        corners_m=None if edit.corners_m is None else np.array(edit.corners_m),
        straps_at_m=edit.straps_at_m,
        supports_at_m=edit.supports_at_m,
        start=edit.start,
        end=edit.end,
        cable_id=edit.cable,
        added=edit.added,
        deleted=edit.deleted,
    )
