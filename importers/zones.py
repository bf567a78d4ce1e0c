"""``[[zone]]`` tables and what is drawn on their layers -> zones with closed solids."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import shapely
from numpy.typing import NDArray

from importers.polygons import CrossingPolygonError, prism, signed_area, without_repeats
from importers.project_file import ZoneTable
from importers.roles import ZONE_ROLE, layer_matches
from route3d.errors import ProjectKeyError
from route3d.model.building import Drawing, Outline
from route3d.model.element import Element
from route3d.model.finding import Finding, not_known
from route3d.model.zone import Zone


def build_zones(
    entries: Iterable[ZoneTable], drawings: list[Drawing], unit_m: float, project: str
) -> tuple[tuple[Zone, ...], list[Finding]]:
    """Return the zones of a project, and what is wanting in them.

    Raises
    ------
    ProjectKeyError
        An outline on a layer has no heights.
    """
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
            stairs=entry.stairs is True,
            moves_air=entry.moves_air,
            location="general" if entry.location is None else entry.location,
            unclosed=tuple(unclosed),
            unclosed_m=tuple(boxes),
        )
        zones.append(zone)
        findings.extend(_zone_findings(zone, entry.layer))
    return tuple(zones), findings


def _zone_findings(zone: Zone, layer: str | None) -> Iterable[Finding]:
    rule = f"zone {zone.name!r}"
    for where in zone.unclosed:
        yield not_known(
            None,
            None,
            rule,
            f"Zone {zone.name!r} ({zone.kind}) has no inside at {where}: it grants no exemption and nothing near it "
            "can be called passed.",
            "Close the solid: every edge shared by two faces, no face missing.",
        )
    if not zone.solids_m and not zone.unclosed:
        yield not_known(
            None,
            None,
            rule,
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
    ring = without_repeats(np.asarray(polygon.exterior.coords))
    floor = np.zeros((len(ring), 3))
    floor[:, :2] = ring if signed_area(ring) > 0.0 else ring[::-1]
    try:
        solid = prism([floor], np.array([0.0, 0.0, top - bottom]))
    except CrossingPolygonError:
        return None
    return np.asarray(solid + np.array([origin[0], origin[1], bottom]))
