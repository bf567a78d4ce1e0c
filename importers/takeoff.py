"""``[takeoff]`` and ``[[coil]]`` tables -> allowances and stock in metres."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from importers.project_file import CoilTable, TakeOffRunTable, TakeOffTable, nearest
from route3d.errors import ProjectKeyError
from route3d.model.allowance import CoilStock, RunAllowance, TakeOffSettings

_LENGTHS = ("free_conductor", "feeder_extra", "round_up", "reusable")
_SHARES = ("sag", "waste", "feeder_waste")
_BY_END = ("conductors", "sheath", "slack")
SHORTEST_STEP_M = 0.001  # cuts are whole multiples of ``round_up``; finer steps measure nothing


def resolve_takeoff(
    table: TakeOffTable,
    coils: Sequence[CoilTable],
    run_ids: Collection[str],
    cable_ids: Collection[str],
    unit_m: float,
    file: str,
) -> TakeOffSettings:
    """Return the settings of a take-off.

    Raises
    ------
    ProjectKeyError
        A run or a cable that is named is not there, or the coils of a cable have a cost only in part.
    """
    said: dict[str, Any] = {}
    stated = set()
    for key in (*_LENGTHS, *_SHARES):
        value = getattr(table, key)
        if value is not None:
            said[f"{key}_m" if key in _LENGTHS else key] = value * unit_m if key in _LENGTHS else value
            stated.add(key)
    if said.get("round_up_m", 1.0) < SHORTEST_STEP_M:
        raise ProjectKeyError(file, "is less than 1 mm; cuts are not measured finer than that", "takeoff.round_up")
    defaults = TakeOffSettings()
    for key in _BY_END:
        by_end = {kind: length * unit_m for kind, length in getattr(table, key).items()}
        said[f"{key}_m"] = {**getattr(defaults, f"{key}_m"), **by_end}
        stated.update(f"{key}.{kind}" for kind in by_end)
    for run_id in table.run:
        if run_id not in run_ids:
            raise ProjectKeyError(file, f"there is no run {run_id!r}.{nearest(run_id, run_ids)}", "takeoff.run")
    return TakeOffSettings(
        **said,
        storeys=tuple(sorted(((n, floor * unit_m) for n, floor in table.storeys.items()), key=lambda s: (s[1], s[0]))),
        runs={run_id: _run(entry, unit_m) for run_id, entry in table.run.items()},
        coils=_coils(coils, cable_ids, unit_m, file),
        stated=frozenset(stated),
    )


def _run(entry: TakeOffRunTable, unit_m: float) -> RunAllowance:
    def length(value: float | None) -> float | None:
        return None if value is None else value * unit_m

    return RunAllowance(
        start_m=length(entry.start),
        end_m=length(entry.end),
        slack_m=length(entry.slack),
        sag=entry.sag,
        waste=entry.waste,
        feeder=entry.feeder,
        pull_from=entry.pull_from,
        storey=entry.storey,
        group=entry.group,
    )


def _coils(coils: Sequence[CoilTable], cable_ids: Collection[str], unit_m: float, file: str) -> tuple[CoilStock, ...]:
    names: set[tuple[str, str]] = set()
    for number, entry in enumerate(coils, start=1):
        where = f"coil[{number}]"
        if entry.cable not in cable_ids:
            problem = f"cable {entry.cable!r} is not defined; add [cable.{entry.cable}]."
            raise ProjectKeyError(file, f"{problem}{nearest(entry.cable, cable_ids)}", f"{where} cable")
        if entry.offcut is not None and (entry.cable, entry.offcut) in names:
            raise ProjectKeyError(
                file, f"the name {entry.offcut!r} is used twice; give each offcut its own, or a 'count'", where
            )
        names.add((entry.cable, entry.offcut or ""))
        new = [other for other in coils if other.cable == entry.cable and other.offcut is None]
        if entry.offcut is None and entry.cost is None and any(other.cost is not None for other in new):
            raise ProjectKeyError(
                file, f"has no 'cost', but another coil of {entry.cable} has; state it of all or of none", where
            )
    return tuple(
        CoilStock(
            cable_id=entry.cable,
            length_m=entry.length * unit_m,
            count=entry.count if entry.offcut is None or entry.count is not None else 1,
            cost=entry.cost,
            offcut=entry.offcut or "",
        )
        for entry in coils
    )
