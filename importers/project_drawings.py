"""The drawings that a project file names, each read once, and what is to be said of them."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import importers
from importers.endless import refuse_endless
from importers.ifc_frame import CommonFrame, moved_model, moved_routes
from importers.model_cache import ModelCache
from importers.project_file import ModelTable, ProjectTable, RoutesTable
from importers.project_file import nearest as did_you_mean
from importers.project_tables import known_cable
from importers.roles import ModelRoles, RoleMap, layer_matches, role_map
from route3d.errors import InputError, ProjectKeyError
from route3d.files import why
from route3d.kernel.openings import capped
from route3d.model.building import Drawing, DrawnRoute, InputFile, Unread
from route3d.model.cable import Cable
from route3d.model.element import SHEET_ROLES, Element
from route3d.model.job import Settings
from route3d.model.run import BENT, ENDS, Run


class ProjectDrawings:
    """Reads the drawings of one project, each once, and keeps the notes."""

    def __init__(
        self,
        path: Path,
        table: ProjectTable,
        unit_m: float,
        settings: Settings,
        say: Callable[..., None],
        kept: ModelCache,
    ) -> None:
        self.folder = path.parent
        self.project = path.name
        self.table = table
        self.unit_m = unit_m
        self.settings = settings
        self.say = say
        self.kept = kept
        self.notes: list[str] = []
        self.beside: list[tuple[str, str]] = []
        self.frame = CommonFrame(table.frame)
        self._ends_closed: dict[str, int] = {}
        files = [*(entry.file for entry in table.model), *(entry.file for entry in table.routes)]
        self._bytes = [_size(self.folder / file) for file in files]
        self._begun = 0

    def model(self, entry: ModelTable) -> Drawing:
        """Read one ``[[model]]``."""
        by_role = role_map(entry.roles)
        zone_patterns = [zone.layer for zone in self.table.zone if zone.layer is not None]
        route_patterns = [p for routes in self.table.routes if routes.file == entry.file for p in routes.cables]

        role_of = ModelRoles(by_role, zone_patterns, route_patterns)
        self._say_reading(entry.file)
        path = self._file(entry.file, "model")
        asked: dict[str, Any] = {
            "name": entry.file,
            "units": entry.units,
            "move_m": self._move(entry.move),
            "chord_tolerance_m": self.settings.chord_tolerance_m,
            "up": entry.up,
            "point_radius": entry.point_radius,
        }
        drawing = self.kept.model(
            path, asked, role_of, lambda ask: importers.read_model(path, role_of=ask, say=self.say, **asked)
        )
        self._note_roles(entry.file, by_role)
        self._depend(path, drawing.depends)
        return moved_model(drawing, self.frame.move_of(entry.file, drawing.map_place), asked["move_m"])

    def _say_reading(self, file: str) -> None:
        """Tell the progress display which file comes next, and the share of all bytes that is done."""
        self.say(f"reading {file}", sum(self._bytes[: self._begun]) / max(sum(self._bytes), 1))
        self._begun += 1

    def finished(self, element: Element) -> Element:
        """Return an element with its open ends closed, and with what the project says framing is made of."""
        material = self._material(element)
        return self.with_ends_closed(element if material == element.material else replace(element, material=material))

    def _material(self, element: Element) -> str | None:
        if element.role != "framing":
            return None
        return next((m for p, m in self.table.framing.items() if layer_matches(element.layer, p)), None)

    def note_materials(self, drawings: Iterable[Drawing]) -> None:
        """Say which patterns of [framing] match nothing, so that a misspelt one is not taken for an answer."""
        layers = {e.layer for drawing in drawings for e in drawing.elements if e.role == "framing"}
        unused = [p for p in self.table.framing if not any(layer_matches(layer, p) for layer in layers)]
        if unused:
            self.notes.append(f"{self.project}: [framing] patterns that match no layer of framing: {', '.join(unused)}")

    def with_ends_closed(self, element: Element) -> Element:
        """Return a duct, pipe or the like that is drawn without ends as the solid that it is."""
        if element.closed or element.thickness_m or element.role in SHEET_ROLES or len(element.triangles_m) < 4:
            return element
        solid = capped(element.triangles_m)
        if solid is None:
            return element
        self._ends_closed[element.file] = self._ends_closed.get(element.file, 0) + 1
        return replace(element, triangles_m=solid, closed=True)

    def note_closed_ends(self) -> None:
        """Say how many open ends were closed."""
        for file, count in self._ends_closed.items():
            self.notes.append(
                f"{file}: {count} thing(s) drawn without ends were closed flat, so that they have an inside"
            )

    def _note_roles(self, file: str, by_role: RoleMap) -> None:
        if by_role.unmatched_layers:
            layers = by_role.unmatched_layers
            self.notes.append(
                f"{file}: no role is given for {len(layers)} layer(s), so they count as obstacles: "
                f"{', '.join(layers[:8])}{' …' if len(layers) > 8 else ''}"
            )
        unused = [pattern for pattern in by_role.unused_patterns if pattern != "*"]
        if unused:
            self.notes.append(f"{file}: these role patterns match no layer: {', '.join(unused)}")

    def all_routes(self, cables: Mapping[str, Cable]) -> tuple[list[Run], list[InputFile], list[Unread]]:
        """Read every ``[[routes]]``."""
        runs: list[Run] = []
        sources: list[InputFile] = []
        unread: list[Unread] = []
        for entry in self.table.routes:
            for cable_id in entry.cables.values():
                known_cable(cable_id, cables, self.project, f"routes {entry.file!r} cables")
            self._say_reading(entry.file)
            path = self._file(entry.file, "routes")
            asked: dict[str, Any] = {
                "name": entry.file,
                "units": entry.units,
                "move_m": self._move(entry.move),
                "chord_tolerance_m": self.settings.chord_tolerance_m,
            }
            drawing = self.kept.routes(
                path,
                asked,
                lambda layer, entry=entry: _cable_on(layer, entry) is not None,  # type: ignore[misc]
                lambda ask, path=path, asked=asked: importers.read_routes(  # type: ignore[misc]
                    path, wanted=ask, say=self.say, **asked
                ),
            )
            self._depend(path, drawing.depends)
            drawing = moved_routes(drawing, self.frame.move_of(entry.file, drawing.map_place), asked["move_m"])
            runs.extend(self._drawn_run(route, entry) for route in drawing.routes)
            sources.append(drawing.source)
            unread.extend(drawing.unread)
            if not drawing.routes:
                self.notes.append(
                    f"{entry.file}: no route found on the layers {', '.join(entry.cables)}; check the patterns"
                )
        return runs, sources, unread

    def _drawn_run(self, route: DrawnRoute, entry: RoutesTable) -> Run:
        cable_id = _cable_on(route.layer, entry)
        assert cable_id is not None
        said = dict(route.attributes)
        bent = tuple(word.strip() for word in said.get("bent", "").split(",") if word.strip())
        for key, words, known in (
            *((end, (said[end],), ENDS) for end in ("start", "end") if end in said),
            ("bent", bent, BENT),
        ):
            for word in words:
                if word not in known:
                    raise InputError(
                        route.file,
                        f"extended data says {key}={word}, which is not one of {', '.join(known)}."
                        f"{did_you_mean(word, known)}",
                        f"handle {route.handle}",
                    )
        return Run(
            run_id=route.route_id,
            cable_id=cable_id,
            corners_m=route.corners_m,
            drawn_radius_m=route.drawn_radius_m,
            start=said.get("start"),
            end=said.get("end"),
            bent=bent,
            file=route.file,
            where=f"handle {route.handle}",
            layer=route.layer,
        )

    def _file(self, name: str, key: str) -> Path:
        path = self.folder / name
        try:
            there = path.is_file()
        except OSError as error:  # a name that is too long, a folder that may not be looked into
            raise ProjectKeyError(
                self.project, f"{name!r} cannot be looked at ({why(error)})", f"{key}.file"
            ) from error
        if not there:
            raise ProjectKeyError(
                self.project, f"the file {name!r} is not there; it is looked up beside {self.project}", f"{key}.file"
            )
        refuse_endless(path, name)
        return path

    def _depend(self, path: Path, depends: Iterable[tuple[str, str]]) -> None:
        """Note the files that one of the drawings brought in, by their paths in the project's folder."""
        self.beside += [(named_in(path.parent / name, self.folder), digest) for name, digest in depends]

    def _move(self, move: list[float]) -> tuple[float, ...]:
        return tuple(step * self.unit_m for step in move)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0  # it is asked for, and missed, when its turn comes


def named_in(path: Path, folder: Path) -> str:
    """Return how a file is called in the project: its path from the project's folder, where there is one."""
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:  # on another drive
        return str(path)


def _cable_on(layer: str, entry: RoutesTable) -> str | None:
    return next((cable for pattern, cable in entry.cables.items() if layer_matches(layer, pattern)), None)
