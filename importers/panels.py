"""``[[panel]]`` tables -> what is known about each cabinet of the drawings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from importers.project_file import PanelTable
from importers.roles import layer_matches
from route3d.model.element import Element
from route3d.model.panel import Panel

PANEL_ROLES = ("cabinet", "equipment")


def resolve_panels(
    tables: Sequence[PanelTable], elements: Iterable[Element], unit_m: float
) -> tuple[tuple[Panel, ...], tuple[str, ...]]:
    """Return one panel per cabinet, and notes on tables that match none; the first table that matches decides.

    Every element of role cabinet is a panel, said or not; one of role equipment only where a table names it.
    """
    panels: list[Panel] = []
    used: set[int] = set()
    for element in elements:
        if element.role not in PANEL_ROLES:
            continue
        number = next((n for n, table in enumerate(tables) if _names(table, element)), None)
        if number is not None:
            used.add(number)
            panels.append(_panel(tables[number], element.element_id, unit_m))
        elif element.role == "cabinet":
            panels.append(Panel(element.element_id))
    notes = tuple(
        f"panel {n + 1} ({table.layer or table.handle}) matches no cabinet or equipment of the drawings"
        for n, table in enumerate(tables)
        if n not in used
    )
    return tuple(panels), notes


def _names(table: PanelTable, element: Element) -> bool:
    if table.layer is not None and not layer_matches(element.layer, table.layer):
        return False
    return table.handle is None or any(
        layer_matches(name, table.handle) for name in (element.handle, element.element_id)
    )


def _panel(table: PanelTable, element_id: str, unit_m: float) -> Panel:
    def length(value: float | None) -> float | None:
        return None if value is None else value * unit_m

    return Panel(
        element_id=element_id,
        front=table.front,
        volts_to_ground=table.volts_to_ground,
        condition=table.condition,
        width_m=length(table.width),
        height_m=length(table.height),
        floor_m=length(table.floor),
    )
