"""The tables of a project file -> model objects in metres: cables, settings, runs, routing, fire-stops."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from importers.project_file import CableTable, ProjectTable, RoutingTable, RunTable, SettingsTable
from importers.project_file import nearest as did_you_mean
from route3d.errors import ProjectKeyError
from route3d.model.cable import Cable, ConductorSize
from route3d.model.job import FireStop, Settings
from route3d.model.routing import Routing
from route3d.model.run import Run
from route3d.units import parse_weight


def known_cable(cable_id: str, cables: Mapping[str, Cable], file: str, where: str) -> None:
    """Refuse a cable that the project does not define.

    Raises
    ------
    ProjectKeyError
        It is not there; the message names the nearest.
    """
    if cable_id not in cables:
        raise ProjectKeyError(
            file, f"cable {cable_id!r} is not defined; add [cable.{cable_id}].{did_you_mean(cable_id, cables)}", where
        )


def cable_of(cable_id: str, entry: CableTable, unit_m: float) -> Cable:
    """Return a ``[cable.ID]``; ``unit_m`` is the project's unit in metres."""

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


def settings_of(entry: SettingsTable, unit_m: float) -> Settings:
    """Return ``[settings]``; what it does not state keeps its default."""
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


def typed_run(entry: RunTable, unit_m: float, cables: Mapping[str, Cable], file: str) -> Run:
    """Return a ``[[run]]`` of a project file; one that is given by its ends only has these two as corners.

    Raises
    ------
    ProjectKeyError
        Its cable is not defined, or all its points are one.
    """
    known_cable(entry.cable, cables, file, f"run {entry.id!r} cable")
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


def routing_of(entry: RoutingTable, unit_m: float) -> Routing:
    """Return ``[routing]``; what it does not state keeps its default."""
    given = {key: value for key, value in entry.model_dump().items() if value is not None}
    lengths = {f"{key}_m": given[key] * unit_m for key in ("turn", "hole", "rise", "drop", "aside") if key in given}
    return Routing(**lengths, **{key: given[key] for key in ("unheld", "zone", "alternatives") if key in given})


def fire_stops_of(table: ProjectTable, runs: Iterable[Run], unit_m: float, file: str) -> tuple[FireStop, ...] | None:
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
