"""``route3d.toml`` and the drawings it names -> a ``Job`` in metres, with everything that could not be read."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from importers.model_cache import FOLDER as CACHE_FOLDER
from importers.model_cache import ModelCache, digest_of
from importers.panels import resolve_panels
from importers.project_drawings import ProjectDrawings, named_in
from importers.project_file import ProjectTable, project_path, read_project_file
from importers.project_tables import cable_of, fire_stops_of, routing_of, settings_of, typed_run
from importers.roles import ZONE_ROLE
from importers.takeoff import resolve_takeoff
from importers.zones import build_zones
from route3d.errors import InputError, ProjectKeyError
from route3d.model.finding import CHECKS, Finding, not_known
from route3d.model.job import WITHOUT_ROUTE, Job
from route3d.model.run import Run
from route3d.rules.rulebook import RuleBook, load_rulebook, rule_files
from route3d.units import METRES_PER_UNIT


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
    rule_digests = [(named_in(file, path.parent), digest_of(file)) for file in rule_files(table.rules, path.parent)]
    rules = load_rulebook(table.rules, path.parent)
    cables = {cable_id: cable_of(cable_id, entry, unit_m) for cable_id, entry in table.cable.items()}
    settings = settings_of(table.settings, unit_m)
    reader = ProjectDrawings(path, table, unit_m, settings, say, ModelCache(None) if kept is None else kept)

    drawings = [reader.model(entry) for entry in table.model]
    drawn_runs, route_sources, route_unread = reader.all_routes(cables)
    typed_runs = [typed_run(entry, unit_m, cables, path.name) for entry in table.run]
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
        firestops=fire_stops_of(table, every, unit_m, path.name),
        panels=panels,
        takeoff=resolve_takeoff(table.takeoff, table.coil, [run.run_id for run in every], cables, unit_m, path.name),
        inputs=tuple([drawing.source for drawing in drawings] + route_sources),
        beside=tuple(dict([*reader.beside, *rule_digests]).items()),
        unread=tuple(unread),
        notes=(*reader.notes, *reader.frame.notes(), *panel_notes),
        input_findings=(*zone_findings, *(_not_routed(run) for run in unrouted)),
        unrouted=unrouted,
        routing=routing_of(table.routing, unit_m),
    )
    return Project(path=path, job=job, rules=rules)


def _not_routed(run: Run) -> Finding:
    return not_known(
        None,
        run.run_id,
        WITHOUT_ROUTE,
        f"Run {run.run_id!r} is given by its ends only: it has no route yet, and nothing of it is checked.",
        f"Find routes with `route3d propose --run {run.run_id}`, or give its path.",
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
