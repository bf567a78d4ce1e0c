"""``route3d.toml`` and the drawings it names -> a ``Job`` in metres, with everything that could not be read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

import importers
from importers.dxf_routes import read_routes
from importers.project_file import (
    CableTable,
    ModelTable,
    ProjectTable,
    RoutesTable,
    RunTable,
    SettingsTable,
    ZoneTable,
    project_path,
    read_project_file,
)
from importers.project_file import nearest as did_you_mean
from importers.roles import RoleMap, layer_matches, role_map
from route3d.errors import InputError, ProjectKeyError
from route3d.kernel.openings import capped
from route3d.model.building import Drawing, DrawnRoute, InputFile, Outline, Unread
from route3d.model.cable import Cable, ConductorSize
from route3d.model.element import ROLES, Element
from route3d.model.finding import CHECKS, Finding
from route3d.model.job import Job, Settings
from route3d.model.run import ENDS, Run
from route3d.model.zone import Zone
from route3d.rules.rulebook import RuleBook, load_rulebook
from route3d.units import METRES_PER_UNIT

# Drawn as a sleeve without ends, these are still full: a run inside one must be found.
HOLLOW_ROLES = frozenset({*ROLES} - {"wall", "fire-wall", "ceiling", "deck", "tray", "strap", "hanger", "access-panel"})

ZONE_ROLE = "zone"  # how importers mark what stands on a zone's layer; no role a user can give


@dataclass(frozen=True, slots=True, eq=False)
class Project:
    """A project file with all it names read: the job, the rules it goes by, and the folder it lives in."""

    path: Path
    job: Job
    rules: RuleBook


def read_project(given: Path, say: Callable[[str], None] = lambda _: None) -> Project:
    """Read a project file (or the one in a folder) and every drawing that it names.

    ``say`` is told what is being read, for a progress display.

    Raises
    ------
    InputError
        The project cannot be used; the message names file, key or handle and says how to mend it.
    RuleBookError
        The rule set is not known or its file is wrong.
    """
    path = project_path(given)
    table = read_project_file(path)
    return resolve_project(table, path, say)


def resolve_project(table: ProjectTable, path: Path, say: Callable[[str], None] = lambda _: None) -> Project:
    """Return the project that ``table`` describes; files are looked up beside ``path``. Errors as ``read_project``."""
    unit_m = METRES_PER_UNIT[table.units]
    rules = load_rulebook(table.rules, path.parent)
    cables = {cable_id: _cable(cable_id, entry, unit_m) for cable_id, entry in table.cable.items()}
    settings = _settings(table.settings, unit_m)
    reader = _Reader(path, table, unit_m, settings, say)

    drawings = [reader.model(entry) for entry in table.model]
    drawn_runs, route_sources, route_unread = reader.all_routes(cables)
    typed_runs = [_typed_run(entry, unit_m, cables, path.name) for entry in table.run]
    runs = _distinct([*typed_runs, *drawn_runs], path.name)
    if not runs and not route_unread:
        raise ProjectKeyError(path.name, "no run to check; add a [[run]] with its points, or [[routes]] with a drawing")

    elements = tuple(reader.with_ends_closed(e) for d in drawings for e in d.elements if e.role != ZONE_ROLE)
    reader.note_closed_ends()
    zones, zone_findings = _zones(table.zone, drawings, unit_m, path.name)
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
        inputs=tuple([drawing.source for drawing in drawings] + route_sources),
        unread=tuple(unread),
        notes=tuple(reader.notes),
        input_findings=tuple(zone_findings),
    )
    return Project(path=path, job=job, rules=rules)


class _Reader:
    """Reads the drawings of one project, each once, and keeps the notes."""

    def __init__(
        self, path: Path, table: ProjectTable, unit_m: float, settings: Settings, say: Callable[[str], None]
    ) -> None:
        self.folder = path.parent
        self.project = path.name
        self.table = table
        self.unit_m = unit_m
        self.settings = settings
        self.say = say
        self.notes: list[str] = []
        self._ends_closed: dict[str, int] = {}

    def model(self, entry: ModelTable) -> Drawing:
        """Read one ``[[model]]``."""
        by_role = role_map(entry.roles)
        zone_patterns = [zone.layer for zone in self.table.zone if zone.layer is not None]
        route_patterns = [p for routes in self.table.routes if routes.file == entry.file for p in routes.cables]

        def role_of(layer: str) -> str:
            if any(layer_matches(layer, pattern) for pattern in zone_patterns):
                return ZONE_ROLE
            if any(layer_matches(layer, pattern) for pattern in route_patterns):
                return "ignore"  # the same file is read again for its routes
            return by_role(layer)

        self.say(f"reading {entry.file}")
        drawing = importers.read_model(
            self._file(entry.file, "model"),
            name=entry.file,
            role_of=role_of,
            units=entry.units,
            move_m=self._move(entry.move),
            chord_tolerance_m=self.settings.chord_tolerance_m,
        )
        self._note_roles(entry.file, by_role)
        return drawing

    def with_ends_closed(self, element: Element) -> Element:
        """Return a duct, pipe or the like that is drawn without ends as the solid that it is."""
        if element.closed or element.role not in HOLLOW_ROLES or len(element.triangles_m) < 4:
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
            self.say(f"reading {entry.file}")
            drawing = read_routes(
                self._file(entry.file, "routes"),
                name=entry.file,
                wanted=lambda layer, entry=entry: _cable_on(layer, entry) is not None,  # type: ignore[misc]
                units=entry.units,
                move_m=self._move(entry.move),
                chord_tolerance_m=self.settings.chord_tolerance_m,
            )
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
        ends: dict[str, str | None] = {}
        for key in ("start", "end"):
            ends[key] = said.get(key)
            if ends[key] is not None and ends[key] not in ENDS:
                raise InputError(
                    route.file,
                    f"extended data says {key}={ends[key]}, which is not one of {', '.join(ENDS)}."
                    f"{did_you_mean(str(ends[key]), ENDS)}",
                    f"handle {route.handle}",
                )
        return Run(
            run_id=route.route_id,
            cable_id=cable_id,
            corners_m=route.corners_m,
            drawn_radius_m=route.drawn_radius_m,
            start=ends["start"],
            end=ends["end"],
            file=route.file,
            where=f"handle {route.handle}",
            layer=route.layer,
        )

    def _file(self, name: str, key: str) -> Path:
        path = self.folder / name
        if not path.is_file():
            raise ProjectKeyError(
                self.project, f"the file {name!r} is not there; it is looked up beside {self.project}", f"{key}.file"
            )
        return path

    def _move(self, move: list[float]) -> tuple[float, ...]:
        return tuple(step * self.unit_m for step in move)


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
        shielded=entry.shielded,
        jacketed=entry.jacketed,
        wet_rated=entry.wet_rated,
        plenum_rated=entry.plenum_rated,
        bend_multiplier=entry.bend_multiplier,
    )


def _settings(entry: SettingsTable, unit_m: float) -> Settings:
    settings = Settings()
    for key in ("attach", "strap_reach", "chord_tolerance", "bore_length"):
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
    corners = np.array(entry.path) * unit_m
    if np.linalg.norm(np.diff(corners, axis=0), axis=1).max() <= 1e-6:
        raise ProjectKeyError(file, "all points of the path are the same point", f"run {entry.id!r} path")
    return Run(
        run_id=entry.id,
        cable_id=entry.cable,
        corners_m=corners,
        start=entry.start,
        end=entry.end,
        straps_at_m=tuple(at * unit_m for at in sorted(entry.straps)),
        supports_at_m=tuple(at * unit_m for at in sorted(entry.supports)),
        file=file,
        where=f"run {entry.id!r}",
    )


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


def _zones(
    entries: Iterable[ZoneTable], drawings: list[Drawing], unit_m: float, project: str
) -> tuple[tuple[Zone, ...], list[Finding]]:
    zones: list[Zone] = []
    findings: list[Finding] = []
    for entry in entries:
        solids: list[NDArray[np.float64]] = []
        unclosed: list[str] = []
        boxes: list[NDArray[np.float64]] = []
        bottom = None if entry.bottom is None else entry.bottom * unit_m
        top = None if entry.top is None else entry.top * unit_m
        if entry.outline is not None:
            assert bottom is not None and top is not None
            outlines = [(np.array(entry.outline) * unit_m, f"{project}: zone {entry.name!r} outline")]
        else:
            outlines = []
            for element in _on_layer(drawings, entry.layer):
                if isinstance(element, Outline):
                    where = f"{element.file}: outline {element.handle} on layer {element.layer}"
                    if bottom is None:
                        raise ProjectKeyError(
                            project, f"'bottom' and 'top' are missing for the {where}", f"zone {entry.name!r}"
                        )
                    outlines.append((element.points_m[:, :2], where))
                elif element.closed:
                    solids.append(element.triangles_m)
                else:
                    unclosed.append(f"{element.element_id} on layer {element.layer}")
                    boxes.append(element.box_m)
        for points, where in outlines:
            assert bottom is not None and top is not None
            solid = _prism(points, bottom, top)
            if solid is None:
                unclosed.append(f"{where} (it crosses itself or has no area)")
                boxes.append(np.array([[*points.min(axis=0), bottom], [*points.max(axis=0), top]]))
            else:
                solids.append(solid)
        zone = Zone(
            name=entry.name,
            kind=entry.kind,
            solids_m=tuple(solids),
            finished=True if entry.finished is None else entry.finished,
            unclosed=tuple(unclosed),
            unclosed_m=tuple(boxes),
        )
        zones.append(zone)
        findings.extend(_zone_findings(zone, entry.layer))
    return tuple(zones), findings


def _zone_findings(zone: Zone, layer: str | None) -> Iterable[Finding]:
    def finding(message: str, remedy: str) -> Finding:
        return Finding(
            check="input",
            severity="caution",
            run=None,
            other=None,
            rule=f"zone {zone.name!r}",
            at_m=None,
            point_m=None,
            measured=None,
            required=None,
            unit="",
            message=message,
            remedy=remedy,
            unchecked=True,
        )

    for where in zone.unclosed:
        yield finding(
            f"Zone {zone.name!r} ({zone.kind}) has no inside at {where}: it grants no exemption and nothing near it "
            "can be called passed.",
            "Close the solid: every edge shared by two faces, no face missing.",
        )
    if not zone.solids_m and not zone.unclosed:
        yield finding(
            f"Zone {zone.name!r} ({zone.kind}) is empty: nothing is drawn on layer {layer!r}.",
            "Correct the layer pattern, or remove the zone.",
        )


def _on_layer(drawings: list[Drawing], layer: str | None) -> Iterable[Element | Outline]:
    assert layer is not None
    for drawing in drawings:
        for element in drawing.elements:
            if element.role == ZONE_ROLE and layer_matches(element.layer, layer):
                yield element
        for outline in drawing.outlines:
            if layer_matches(outline.layer, layer):
                yield outline


def _prism(points: NDArray[np.float64], bottom: float, top: float) -> NDArray[np.float64] | None:
    """Return the closed prism (n, 3, 3) over an outline (k, 2); None where the outline crosses itself."""
    origin = points.mean(axis=0)
    polygon = shapely.Polygon(points - origin)
    if not polygon.is_valid or polygon.area < 1e-9:
        return None
    mesh = trimesh.creation.extrude_polygon(polygon, height=top - bottom)
    triangles = np.asarray(mesh.triangles, dtype=np.float64)
    return np.asarray(triangles + np.array([origin[0], origin[1], bottom]))
