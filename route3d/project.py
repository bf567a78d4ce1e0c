"""``route3d.toml`` and the drawings it names -> a ``Job`` in metres, with everything that could not be read."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

import importers
from importers.endless import refuse_endless
from importers.ifc_frame import CommonFrame, moved_model, moved_routes
from importers.model_cache import FOLDER as CACHE_FOLDER
from importers.model_cache import ModelCache, digest_of
from importers.panels import resolve_panels
from importers.project_file import (
    CableTable,
    ModelTable,
    ProjectTable,
    RoutesTable,
    RoutingTable,
    RunTable,
    SettingsTable,
    project_path,
    read_project_file,
)
from importers.project_file import nearest as did_you_mean
from importers.roles import ZONE_ROLE, ModelRoles, RoleMap, layer_matches, role_map
from importers.takeoff import resolve_takeoff
from importers.zones import build_zones
from route3d.errors import InputError, ProjectKeyError
from route3d.files import why
from route3d.kernel.openings import capped
from route3d.model.building import Drawing, DrawnRoute, InputFile, Unread
from route3d.model.cable import Cable, ConductorSize
from route3d.model.element import SHEET_ROLES, Element
from route3d.model.finding import CHECKS, Finding, not_known
from route3d.model.job import WITHOUT_ROUTE, FireStop, Job, Settings
from route3d.model.routing import Routing
from route3d.model.run import BENT, ENDS, Run
from route3d.rules.rulebook import RuleBook, load_rulebook, rule_files
from route3d.units import METRES_PER_UNIT, parse_weight


@dataclass(frozen=True, slots=True, eq=False)
class Project:
    """A project file with all it names read: the job, the rules it goes by, and the folder it lives in."""

    path: Path
    job: Job
    rules: RuleBook


def silent(doing: str, share: float | None = None) -> None:
    """Show no progress."""


def read_project(given: Path, say: Callable[..., None] = silent, *, cached: bool = True) -> Project:
    """Read a project file (or the one in a folder) and every drawing that it names.

    ``say`` is told what is being read, for a progress display. Drawings that have not changed since they were last read
    come from the folder ``model_cache.FOLDER`` beside the project, unless ``cached`` is False.

    Raises
    ------
    InputError
        The project cannot be used; the message names file, key or handle and says how to mend it.
    RuleBookError
        The rule set is not known or its file is wrong.
    """
    path = project_path(given)
    table = read_project_file(path)
    return resolve_project(table, path, say, ModelCache(path.parent / CACHE_FOLDER if cached else None))


def resolve_project(
    table: ProjectTable, path: Path, say: Callable[..., None] = silent, kept: ModelCache | None = None
) -> Project:
    """Return the project that ``table`` describes; files are looked up beside ``path``. Errors as ``read_project``."""
    unit_m = METRES_PER_UNIT[table.units]
    rule_digests = [(_named(file, path.parent), digest_of(file)) for file in rule_files(table.rules, path.parent)]
    rules = load_rulebook(table.rules, path.parent)
    cables = {cable_id: _cable(cable_id, entry, unit_m) for cable_id, entry in table.cable.items()}
    settings = _settings(table.settings, unit_m)
    reader = _Reader(path, table, unit_m, settings, say, ModelCache(None) if kept is None else kept)

    drawings = [reader.model(entry) for entry in table.model]
    drawn_runs, route_sources, route_unread = reader.all_routes(cables)
    typed_runs = [_typed_run(entry, unit_m, cables, path.name) for entry in table.run]
    every = _distinct([*typed_runs, *drawn_runs], path.name)
    without_route = {entry.id for entry in table.run if entry.path is None}
    runs = tuple(run for run in every if run.run_id not in without_route)
    unrouted = tuple(run for run in every if run.run_id in without_route)
    if not every and not route_unread:
        raise ProjectKeyError(path.name, "no run to check; add a [[run]] with its points, or [[routes]] with a drawing")

    elements = tuple(reader.finished(e) for d in drawings for e in d.elements if e.role != ZONE_ROLE)
    reader.note_closed_ends()
    reader.note_materials(drawings)
    zones, zone_findings = build_zones(table.zone, drawings, unit_m, path.name)
    panels, panel_notes = resolve_panels(table.panel, elements, unit_m)
    unread = [u for drawing in drawings for u in drawing.unread] + route_unread
    checks = CHECKS if table.checks is None else tuple(name for name in CHECKS if name in table.checks)
    job = Job(
        name=table.name,
        occupancy=table.occupancy,
        checks=checks,
        cables=cables,
        runs=runs,
        elements=elements,
        zones=zones,
        clearance_m={role: gap * unit_m for role, gap in table.clearance.items()},
        settings=settings,
        firestops=_fire_stops(table, every, unit_m, path.name),
        panels=panels,
        takeoff=resolve_takeoff(table.takeoff, table.coil, [run.run_id for run in every], cables, unit_m, path.name),
        inputs=tuple([drawing.source for drawing in drawings] + route_sources),
        beside=tuple(dict([*reader.beside, *rule_digests]).items()),
        unread=tuple(unread),
        notes=(*reader.notes, *reader.frame.notes(), *panel_notes),
        input_findings=(*zone_findings, *(_not_routed(run) for run in unrouted)),
        unrouted=unrouted,
        routing=_routing(table.routing, unit_m),
    )
    return Project(path=path, job=job, rules=rules)


class _Reader:
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
                _known_cable(cable_id, cables, self.project, f"routes {entry.file!r} cables")
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
        self.beside += [(_named(path.parent / name, self.folder), digest) for name, digest in depends]

    def _move(self, move: list[float]) -> tuple[float, ...]:
        return tuple(step * self.unit_m for step in move)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0  # it is asked for, and missed, when its turn comes


def _named(path: Path, folder: Path) -> str:
    """Return how a file is called in the project: its path from the project's folder, where there is one."""
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:  # on another drive
        return str(path)


def _cable_on(layer: str, entry: RoutesTable) -> str | None:
    return next((cable for pattern, cable in entry.cables.items() if layer_matches(layer, pattern)), None)


def _known_cable(cable_id: str, cables: Mapping[str, Cable], file: str, where: str) -> None:
    if cable_id not in cables:
        raise ProjectKeyError(
            file, f"cable {cable_id!r} is not defined; add [cable.{cable_id}].{did_you_mean(cable_id, cables)}", where
        )


def _cable(cable_id: str, entry: CableTable, unit_m: float) -> Cable:
    def length(value: float | None) -> float | None:
        return None if value is None else value * unit_m

    overall = entry.overall_diameter if entry.overall_diameter is not None else entry.sheath_diameter
    return Cable(
        cable_id=cable_id,
        method=entry.method,
        sheath_diameter_m=length(entry.sheath_diameter),
        overall_diameter_m=length(overall),
        minor_diameter_m=length(entry.minor_diameter),
        conductor_diameter_m=length(entry.conductor_diameter),
        conductors=entry.conductors,
        size=None if entry.size is None else ConductorSize.parse(entry.size),
        trade_size=entry.trade_size,
        bender=entry.bender,
        pulled=entry.pulled,
        shielded=entry.shielded,
        jacketed=entry.jacketed,
        wet_rated=entry.wet_rated,
        plenum_rated=entry.plenum_rated,
        burial_rated=entry.burial_rated,
        fitting=entry.fitting,
        bushings=entry.bushings,
        bend_multiplier=entry.bend_multiplier,
        weight_kg_m=None if entry.weight is None else parse_weight(entry.weight),
        current_carrying=entry.current_carrying,
    )


def _settings(entry: SettingsTable, unit_m: float) -> Settings:
    settings = Settings()
    lengths = ("attach", "strap_reach", "chord_tolerance", "bore_length", "deck_slab", "hole_allowance")
    for key in (*lengths, "bundle_spacing"):
        value = getattr(entry, key)
        if value is not None:
            settings = replace(settings, **{f"{key}_m": value * unit_m})
    if entry.bend_target is not None:
        settings = replace(settings, bend_target=entry.bend_target)
    if entry.deck is not None:
        settings = replace(settings, deck=entry.deck)
    return settings


def _typed_run(entry: RunTable, unit_m: float, cables: Mapping[str, Cable], file: str) -> Run:
    _known_cable(entry.cable, cables, file, f"run {entry.id!r} cable")
    corners = np.array([entry.from_point, entry.to_point] if entry.path is None else entry.path) * unit_m
    if np.linalg.norm(np.diff(corners, axis=0), axis=1).max() <= 1e-6:
        key = "from_point, to_point" if entry.path is None else "path"
        raise ProjectKeyError(file, "all points of the path are the same point", f"run {entry.id!r} {key}")
    return Run(
        run_id=entry.id,
        cable_id=entry.cable,
        corners_m=corners,
        start=entry.start,
        end=entry.end,
        straps_at_m=tuple(at * unit_m for at in sorted(entry.straps)),
        supports_at_m=tuple(at * unit_m for at in sorted(entry.supports)),
        plates_m=tuple((a * unit_m, b * unit_m) for a, b in sorted(entry.plates)),
        guards_m=tuple((a * unit_m, b * unit_m) for a, b in sorted(entry.guards)),
        grommets=entry.grommets,
        serves_duct=entry.serves_duct,
        file=file,
        where=f"run {entry.id!r}",
        bent=(entry.bent,) if isinstance(entry.bent, str) else tuple(entry.bent or ()),
    )


def _not_routed(run: Run) -> Finding:
    return not_known(
        None,
        run.run_id,
        WITHOUT_ROUTE,
        f"Run {run.run_id!r} is given by its ends only: it has no route yet, and nothing of it is checked.",
        f"Find routes with `route3d propose --run {run.run_id}`, or give its path.",
    )


def _routing(entry: RoutingTable, unit_m: float) -> Routing:
    given = {key: value for key, value in entry.model_dump().items() if value is not None}
    lengths = {f"{key}_m": given[key] * unit_m for key in ("turn", "hole", "rise", "drop", "aside") if key in given}
    return Routing(**lengths, **{key: given[key] for key in ("unheld", "zone", "alternatives") if key in given})


def _fire_stops(table: ProjectTable, runs: Iterable[Run], unit_m: float, file: str) -> tuple[FireStop, ...] | None:
    """Return the fire-stops that the project states; None where it states none, so that none is missed."""
    if table.firestop is None:
        return None
    known = {run.run_id for run in runs}
    for number, entry in enumerate(table.firestop, start=1):
        if entry.run not in known:
            raise ProjectKeyError(
                file, f"there is no run {entry.run!r}.{did_you_mean(entry.run, known)}", f"firestop[{number}] run"
            )
    return tuple(FireStop(e.run, e.system, None if e.at is None else e.at * unit_m) for e in table.firestop)


def _distinct(runs: Iterable[Run], project: str) -> tuple[Run, ...]:
    seen: dict[str, Run] = {}
    for run in runs:
        if run.run_id in seen:
            first = seen[run.run_id]
            raise InputError(
                run.file,
                f"the run id {run.run_id!r} is used twice (also by {first.file}: {first.where}); give each run its own",
                run.where,
            )
        seen[run.run_id] = run
    return tuple(seen.values())
