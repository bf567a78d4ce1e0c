"""Buildings in memory: members, slabs and zones in a few words, and the whole check on them. Lengths in metres."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
import trimesh
from numpy.typing import NDArray

from route3d.model.cable import Cable
from route3d.model.element import Element
from route3d.model.finding import CHECKS, Finding, Review
from route3d.model.job import FireStop, Job, Settings
from route3d.model.run import Run
from route3d.model.zone import Zone
from route3d.review import check_job
from tests.builders import book, cable

Floats = NDArray[np.float64]
Point = Sequence[float]


def block(low: Point, high: Point) -> Floats:
    """Return the triangles of a box between two corners."""
    size = np.asarray(high, dtype=float) - np.asarray(low, dtype=float)
    mesh = trimesh.creation.box(size)
    return np.asarray(mesh.triangles) + (np.asarray(low, dtype=float) + size / 2.0)


def profile(section: Sequence[tuple[float, float]], length: float) -> Floats:
    """Return a member along +x from x = 0 whose section is an outline in (y, z)."""
    mesh = trimesh.creation.extrude_polygon(shapely.Polygon(section), length)
    return np.asarray(mesh.triangles)[:, :, [2, 0, 1]]


def turned(triangles: Floats, axis: Point, degrees: float, about: Point = (0.0, 0.0, 0.0)) -> Floats:
    """Return triangles or points turned about an axis through a point."""
    matrix = trimesh.transformations.rotation_matrix(np.radians(degrees), axis)[:3, :3]
    centre = np.asarray(about, dtype=float)
    return np.asarray((triangles - centre) @ matrix.T + centre)


def element(role: str, triangles: Floats, name: str = "", **more: Any) -> Element:
    """Return one element; ``closed`` unless said otherwise."""
    values: dict[str, Any] = {"layer": role.upper(), "kind": "MESH", "closed": True, **more}
    return Element(element_id=f"model:{name or role}", role=role, triangles_m=triangles, **values)


def volume(kind: str, low: Point, high: Point, name: str = "z", **more: Any) -> Zone:
    """Return a zone that is one box."""
    return Zone(name, kind, (block(low, high),), **more)


def run(*points: Point, run_id: str = "a", **more: Any) -> Run:
    """Return a run from box to box, strapped often enough unless ``straps_at_m`` says otherwise."""
    corners = np.asarray(points, dtype=float)
    values: dict[str, Any] = {"start": "box", "end": "box", **more}
    if "straps_at_m" not in values:
        length = float(np.linalg.norm(np.diff(corners, axis=0), axis=1).sum())
        values["straps_at_m"] = tuple(np.linspace(0.0, length * 0.98, max(int(length / 0.25), 2))[1:].tolist())
    return Run(run_id, "c", corners, file="test.toml", where=f"run {run_id!r}", **values)


def review(
    runs: Sequence[Run],
    elements: Sequence[Element] = (),
    zones: Sequence[Zone] = (),
    *,
    of: Cable | None = None,
    cables: Mapping[str, Cable] | None = None,
    rules: str = "nec-2023",
    occupancy: str = "other",
    checks: Sequence[str] = CHECKS,
    firestops: tuple[FireStop, ...] | None = None,
    **settings: Any,
) -> Review:
    """Check runs in a building with one rule set."""
    only = cable() if of is None else of
    job = Job(
        name="test",
        occupancy=occupancy,
        checks=tuple(checks),
        cables={only.cable_id: only} if cables is None else cables,
        runs=tuple(runs),
        elements=tuple(elements),
        zones=tuple(zones),
        clearance_m={},
        settings=Settings(**settings),
        firestops=firestops,
    )
    return check_job(job, book(rules), "2026-01-31T10:00:00Z")


def found(reviewed: Review, check: str, severity: str | None = None) -> list[Finding]:
    """Return the findings of one check."""
    return [f for f in reviewed.findings if f.check == check and severity in (None, f.severity)]
