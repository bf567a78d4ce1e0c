"""Edits of runs written back, wherever the runs come from: the project file, or a new drawing beside the one drawn.

A drawing is never overwritten. Drawings are written first, under new names; then the project file takes its new text
in one step, and only then does anything speak of them. If that fails, they are removed again.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit
from ezdxf.filemanagement import new
from numpy.typing import NDArray
from tomlkit.items import AoT

from importers.dxf_routes import APPLICATION
from importers.project_edit import RunEdit, edited_text, refuse_senseless, replace_whole, write_project
from importers.project_file import ProjectTable, RoutesTable, read_project_file
from importers.roles import layer_matches
from importers.routes_redraw import EditedRoutes, plain_name, text_of
from route3d.errors import InputError, ProjectKeyError
from route3d.kernel.path import points_at
from route3d.model.building import InputFile
from route3d.model.run import Run
from route3d.units import METRES_PER_INSUNITS, METRES_PER_UNIT

STRAPS_FILE = "straps-planned.dxf"
_TRIES = 10_000
_ID_MAX = 240  # a string of extended data holds 255 bytes
# role: the layer that its points are drawn on where no pattern of the project means that role
_POINT_LAYERS = {"strap": "E-STRP", "hanger": "E-HNGR"}


@dataclass(frozen=True, slots=True)
class Saved:
    """What was written."""

    files: tuple[str, ...]  # names relative to the project's folder
    notes: tuple[str, ...]
    project_sha256: str  # of the project file as it is now


def save_edits(
    path: Path,
    runs: Sequence[Run],
    edits: Sequence[RunEdit],
    project_sha256: str,
    inputs: Sequence[InputFile],
    pieces: Mapping[str, NDArray[np.float64]] | None = None,
) -> Saved:
    """Write edits back into the project at ``path``, all of them or none.

    Parameters
    ----------
    runs
        Of the job as it was read: they say where each run lives.
    project_sha256, inputs
        What was read: a file that has changed since is not edited.
    pieces
        Fitted paths by run id, as edited; needed for ``straps_at_m`` and ``supports_at_m`` of runs drawn in CAD.

    Raises
    ------
    InputError
        A file changed on disk, or an edit cannot be made; the message says which and why. Nothing is written then.
    """
    table = read_project_file(path)
    known = {run.run_id: run for run in runs}
    typed: list[RunEdit] = []
    drawn: dict[str, list[tuple[Run, RunEdit]]] = defaultdict(list)
    for edit in edits:
        run = known.get(edit.run_id)
        if edit.added and run is not None:
            raise ProjectKeyError(path.name, f"there is a run {edit.run_id!r} already; give the new one its own id")
        if edit.added or run is None or (run.file == path.name and run.where.startswith("run ")):
            typed.append(edit)
        else:
            refuse_senseless(edit, path.name, list(table.cable))
            drawn[run.file].append((run, edit))
    writer = _Writer(path, table, {source.file: source.sha256 for source in inputs})
    try:
        for file, some in drawn.items():
            writer.drawing(file, some)
        writer.points([pair for some in drawn.values() for pair in some], {} if pieces is None else pieces)
        fingerprint = write_project(path, project_sha256, lambda text: writer.project_text(text, typed))
    except BaseException:
        writer.undo()
        raise
    return Saved((*writer.files, path.name), tuple(writer.notes), fingerprint)


class _Writer:
    """Writes the drawings of one save, and remembers them for the project file, or for taking them back."""

    def __init__(self, path: Path, table: ProjectTable, sha256: Mapping[str, str]) -> None:
        self.project, self.table, self.sha256 = path.name, table, sha256
        self.folder = path.parent
        self.files: list[str] = []
        self.notes: list[str] = []
        self._renamed: dict[str, str] = {}
        self._models: list[tuple[str, dict[str, str]]] = []

    def undo(self) -> None:
        """Remove what was written."""
        for file in self.files:
            (self.folder / file).unlink(missing_ok=True)

    def drawing(self, file: str, edits: Sequence[tuple[Run, RunEdit]]) -> None:
        """Write a new drawing of routes with edited runs; nothing where only straps are edited."""
        shape = [
            (run, edit)
            for run, edit in edits
            if edit.deleted or any(v is not None for v in (edit.corners_m, edit.start, edit.end, edit.cable_id))
        ]
        if not shape:
            return
        entry = self._entry(shape[0][0])
        path = self._inside(file)
        if path.suffix.lower() != ".dxf":
            raise InputError(file, "only runs drawn in DXF can be edited here; edit this one where it was made")
        edited = EditedRoutes(path, file, entry, METRES_PER_UNIT[self.table.units], self.sha256.get(file))
        for run, edit in shape:
            edited.change(run, edit)
        name = self._free(f"{path.stem.removesuffix('-edited')}-edited{path.suffix}", Path(file).parent)
        content = edited.content()
        self._write(name, content)
        edited.compare(self.folder / name, [edit for _, edit in shape])
        self.notes += edited.notes
        self._renamed[file] = name

    def points(self, edits: Sequence[tuple[Run, RunEdit]], pieces: Mapping[str, NDArray[np.float64]]) -> None:
        """Write straps and supports of runs drawn in CAD as points in a drawing of their own."""
        wanted = [
            (run, role, places)
            for run, edit in edits
            for role, places in (("strap", edit.straps_at_m), ("hanger", edit.supports_at_m))
            if places and not edit.deleted
        ]
        if not wanted:
            return
        for run, _, _ in wanted:
            if run.run_id not in pieces:
                raise InputError(run.file, "its fitted path is needed to draw straps on it", f"run {run.run_id!r}")
        code, unit_m = next((code, m) for code, (name, m) in METRES_PER_INSUNITS.items() if name == self.table.units)
        doc = new("R2010", units=code)
        doc.appids.new(APPLICATION)
        doc.header["$PDMODE"] = 35  # a circle with a cross, so that points are seen
        doc.header["$PDSIZE"] = 0.05 / unit_m
        roles: dict[str, str] = {}
        for run, role, places in wanted:
            layer = self._layer_for(role)
            roles[layer] = role
            if layer not in doc.layers:
                doc.layers.add(layer, color=3 if role == "strap" else 4)
            for point in points_at(pieces[run.run_id], np.array(places)) / unit_m:
                entity = doc.modelspace().add_point(point.tolist(), dxfattribs={"layer": layer})
                if len(run.run_id) <= _ID_MAX:  # a longer one does not fit; its straps are for every run within reach
                    entity.set_xdata(APPLICATION, [(1000, f"run={run.run_id}")])
        name = self._free(STRAPS_FILE, Path("."))
        self._write(name, text_of(doc))
        self._models.append((name, {**roles, "*": "ignore"}))

    def project_text(self, text: str, typed: Sequence[RunEdit]) -> str:
        """Return the project file's text with edited runs and with the new drawings in it."""
        text = edited_text(text, self.project, typed)
        if not self._renamed and not self._models:
            return text
        document = tomlkit.parse(text)
        for key in ("routes", "model"):
            for entry in document.get(key, []):
                new = self._renamed.get(str(entry.get("file")))
                if new is not None:
                    entry["file"] = new
        for file, roles in self._models:
            entry = tomlkit.table()
            entry["file"] = file
            entry["roles"] = roles
            if "model" not in document:
                document["model"] = tomlkit.aot()
            models: Any = document["model"]
            if not isinstance(models, AoT):
                raise ProjectKeyError(self.project, "its models are one list; write each as [[model]]", "model")
            entry.trivia.indent = "\n"
            entry.add(tomlkit.nl())
            models.append(entry)
        return tomlkit.dumps(document)

    def _entry(self, run: Run) -> RoutesTable:
        for entry in self.table.routes:
            if entry.file == run.file and any(layer_matches(run.layer, pattern) for pattern in entry.cables):
                return entry
        raise InputError(run.file, "is no longer among the [[routes]] of the project; read it again", run.where)

    def _inside(self, file: str) -> Path:
        """Return the path of a drawing, which must be inside the project's folder."""
        path = self.folder / file
        if not path.resolve().is_relative_to(self.folder.resolve()):
            raise InputError(file, "is outside of the project's folder, where nothing is written; copy it in first")
        return path

    def _free(self, wanted: str, folder: Path) -> str:
        """Return a name that no file has: the wanted one, or with a number behind it."""
        base = re.sub(r"-edited-\d+-edited$", "-edited", Path(wanted).stem)
        for number in range(1, _TRIES):
            name = f"{base}{'' if number == 1 else f'-{number}'}{Path(wanted).suffix}"
            path = self.folder / folder / name
            if not path.exists() and not path.is_symlink():
                return (folder / name).as_posix()
        raise InputError(wanted, "has too many versions in the folder; remove old ones")

    def _write(self, name: str, content: bytes) -> None:
        self.files.append(name)
        replace_whole(self._inside(name), content)

    def _layer_for(self, role: str) -> str:
        """Return a layer for straps (hangers): as the project calls theirs, unless zones would claim it."""
        patterns = [pattern for model in self.table.model for pattern, r in model.roles.items() if r == role]
        zones = [zone.layer for zone in self.table.zone if zone.layer is not None]
        named = [plain_name(pattern) for pattern in patterns]
        for name in (*named, _POINT_LAYERS[role], f"{APPLICATION}-{role.upper()}"):
            if name and not any(layer_matches(name, zone) for zone in zones):
                return name
        raise ProjectKeyError(self.project, f"a zone claims every layer for a {role}; narrow it", "zone.layer")
