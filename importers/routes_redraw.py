"""A drawing of routes, loaded to be changed and written under another name, with everything else of it kept."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from ezdxf.document import Drawing as DxfDocument
from ezdxf.lldxf.const import DXF12, DXF2000

from importers.drawing_units import metres_per_unit
from importers.dxf_open import LIBRARY_ERRORS, open_dxf
from importers.dxf_routes import APPLICATION, read_routes, route_members
from importers.project_edit import RunEdit
from importers.project_file import RoutesTable
from importers.roles import layer_matches
from route3d.errors import InputError
from route3d.model.building import RouteDrawing
from route3d.model.run import Run

_SAME_M = 1e-6
_LOOKS = ("color", "true_color", "linetype", "lineweight", "ltscale")  # of an entity that is replaced


class EditedRoutes:
    """One drawing of routes, loaded to be changed and written under another name."""

    def __init__(self, path: Path, file: str, entry: RoutesTable, project_unit_m: float, sha256: str | None) -> None:
        self.path, self.file, self.entry = path, file, entry
        self.move_m = np.array(entry.move) * project_unit_m
        self.notes: list[str] = []
        opened = open_dxf(path)
        if sha256 is not None and opened.sha256 != sha256:
            raise InputError(file, "was changed on disk since it was read; read it again, then edit")
        if opened.recovered or opened.truncated or opened.lost is not None:
            raise InputError(file, "is damaged, and saving it would lose what is unread; repair it in CAD first")
        self.doc: DxfDocument = opened.doc
        self.scale, _ = metres_per_unit(self.doc, entry.units, file)
        self.before = self._read(path)
        self.members = route_members(self.doc, name=file, wanted=self._wanted, scale=self.scale, move_m=self.move_m)
        self.changed: set[str] = set()

    def change(self, run: Run, edit: RunEdit) -> None:
        """Change one run of the drawing."""
        handle = run.where.removeprefix("handle ")
        handles = self.members.get(handle)
        if handles is None:
            raise InputError(self.file, "its run is not in the drawing any more; read it again", run.where)
        if any(">" in h for h in handles):
            raise InputError(self.file, "the run stands in a block; explode the block in CAD to edit it", run.where)
        entities = [self.doc.entitydb.get(h) for h in handles]
        if any(e is None for e in entities):
            raise InputError(self.file, "its run has no handle by which it could be found; save it in CAD", run.where)
        self.changed.add(run.run_id)
        first: Any = self.doc.entitydb.get(handle)
        space = self.doc.modelspace()
        if edit.deleted:
            for entity in entities:
                space.delete_entity(entity)  # type: ignore[arg-type]
            return
        layer = run.layer if edit.cable_id is None else self._layer_of(edit.cable_id, run)
        tags = self._tags(entities)
        tags["id"] = run.run_id
        tags |= {key: kind for key, kind in (("start", edit.start), ("end", edit.end)) if kind is not None}
        if edit.corners_m is None:
            for entity in entities:
                entity.dxf.layer = layer  # type: ignore[union-attr]
                if entity is not first:
                    entity.discard_xdata(APPLICATION)  # type: ignore[union-attr]
            self._tag(first, tags)
            return
        corners = (np.asarray(edit.corners_m, dtype=np.float64) - self.move_m) / self.scale
        looks = {key: first.dxf.get(key) for key in _LOOKS if first.dxf.hasattr(key)}
        line = space.add_polyline3d(corners.tolist(), dxfattribs={"layer": layer, **looks})
        if float(run.drawn_radius_m.max(initial=0.0)) > 0.0:
            self.notes.append(f"{run.run_id}: its drawn arcs became corners, whose bends are fitted")
        for entity in entities:
            space.delete_entity(entity)  # type: ignore[arg-type]
        self._tag(line, tags)

    def content(self) -> bytes:
        """Return the changed drawing as a file."""
        if self.doc.dxfversion == DXF12 and self.entry.units is None:
            # the library writes no unit into the oldest version, where the file had one all the same
            self.doc.dxfversion = DXF2000
            self.notes.append(f"{self.file}: its edited copy is DXF R2000, since R12 has no place for the unit")
        return text_of(self.doc)

    def compare(self, path: Path, edits: Sequence[RunEdit]) -> None:
        """Read the new drawing, and refuse it unless edited runs are as asked and all others as before."""
        after = self._read(path)
        old = {r.route_id: r for r in self.before.routes if r.route_id not in self.changed}
        new = {r.route_id: r for r in after.routes}
        asked = {e.run_id: e for e in edits}
        good = len(after.unread) <= len(self.before.unread) and new.keys() == {
            *old, *(run_id for run_id, edit in asked.items() if not edit.deleted)
        }  # fmt: skip
        for run_id, route in new.items() if good else ():
            same = old.get(run_id)
            wanted = asked[run_id].corners_m if same is None else same.corners_m
            if wanted is not None:
                good = good and route.corners_m.shape == np.shape(wanted)
                good = good and bool(np.abs(route.corners_m - np.asarray(wanted)).max() <= _SAME_M)
            if same is not None:
                good = good and (route.layer, route.attributes) == (same.layer, same.attributes)
        if not good:
            raise InputError(
                self.file, "cannot be written back with only these runs changed; edit it in CAD and read it again"
            )

    def _read(self, path: Path) -> RouteDrawing:
        return read_routes(path, name=self.file, wanted=self._wanted, units=self.entry.units, move_m=self.move_m)

    def _wanted(self, layer: str) -> bool:
        return any(layer_matches(layer, pattern) for pattern in self.entry.cables)

    def _layer_of(self, cable_id: str, run: Run) -> str:
        """Return a layer that means a cable in this drawing: one that is there, or one named like its pattern."""

        def means(layer: str) -> bool:
            first = next((c for p, c in self.entry.cables.items() if layer_matches(layer, p)), None)
            return first == cable_id

        names = [str(layer.dxf.name) for layer in self.doc.layers]
        names += [plain_name(pattern) for pattern, cable in self.entry.cables.items() if cable == cable_id]
        for name in names:
            if name and means(name):
                return name
        raise InputError(self.file, f"no layer of its [routes.cables] means cable {cable_id!r}; add one", run.where)

    def _tags(self, entities: Sequence[Any]) -> dict[str, str]:
        tags: dict[str, str] = {}
        for entity in entities:
            if entity.has_xdata(APPLICATION):
                for tag in entity.get_xdata(APPLICATION):
                    key, equals, value = (part.strip() for part in str(tag.value).partition("="))
                    if tag.code == 1000 and equals and value:
                        tags.setdefault(key.lower(), value)
        return tags

    def _tag(self, entity: Any, tags: Mapping[str, str]) -> None:
        if APPLICATION not in self.doc.appids:
            self.doc.appids.new(APPLICATION)
        entity.set_xdata(APPLICATION, [(1000, f"{key}={value}") for key, value in tags.items()])


def plain_name(pattern: str) -> str:
    """Return a layer name that a pattern matches, without characters that no layer name may have.

    >>> plain_name("E-STRP*"), plain_name("*")
    ('E-STRP', '')
    """
    name = re.sub(r"[<>/\\\":;?*|=`\x00-\x1f]", "", pattern.replace("*", "").replace("?", "X"))[:255].strip()
    return name if name and layer_matches(name, pattern) else ""


def text_of(doc: DxfDocument) -> bytes:
    """Return a document as the bytes of a text DXF file."""
    stream = io.StringIO()
    try:
        doc.write(stream)
    except LIBRARY_ERRORS as error:
        raise InputError(doc.filename or "drawing", f"cannot be written as DXF ({type(error).__name__})") from error
    content: bytes = doc.encode(stream.getvalue())
    return content
