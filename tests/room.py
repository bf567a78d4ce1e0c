"""A room that gives every check something to say, for checking edits and parts of a job."""

from __future__ import annotations

from typing import Any

import numpy as np

from route3d.kernel.shapes import box as solid_box
from route3d.model.building import Unread
from route3d.model.cable import Cable, ConductorSize
from route3d.model.element import Element
from route3d.model.finding import CHECKS
from route3d.model.job import FireStop, Job, Settings
from route3d.model.panel import Panel
from route3d.model.run import Run
from route3d.model.zone import Zone

MADE = "2026-01-31T10:00:00Z"
TWELVE = ConductorSize.parse("12 AWG")
CABLES = {
    "mc": Cable("mc", "mc-interlocked", 0.012, 0.012, conductors=3, size=TWELVE),
    "ten": Cable("ten", "nm", 0.015, 0.015, minor_diameter_m=0.007, conductors=10, size=TWELVE),
    "data": Cable("data", "data-pair", 0.006, 0.006),
    "power": Cable("power", "other", 0.012, 0.012, conductors=4),
    "pipe": Cable("pipe", "emt", 0.0234, 0.0234, trade_size="3/4"),
    "bare": Cable("bare", "mc-smooth", None, None),
}


def solid(low: Any, size: Any) -> np.ndarray:
    half = np.asarray(size, dtype=float) / 2.0
    points, triangles = solid_box(half.tolist(), (np.asarray(low, dtype=float) + half).tolist())
    return points[triangles]


def thing(name: str, role: str, low: Any, size: Any, closed: bool = True, **given: Any) -> Element:
    triangles = solid(low, size) if closed else solid(low, size)[:10]
    return Element(name, role, role.upper(), "MESH", triangles, closed, "m", name, **given)


def building() -> tuple[Element, ...]:
    joists = [thing(f"joist{k}", "framing", (0.0, 0.5 + 0.6 * k, 2.7), (4.0, 0.045, 0.25)) for k in range(5)]
    return (
        *joists,
        thing("stud", "framing", (2.0, 0.0, 0.0), (0.045, 0.09, 2.7), material="wood"),
        thing("wall", "wall", (3.4, 0.0, 0.0), (0.1, 4.0, 2.7)),
        thing("fire", "fire-wall", (0.6, 0.0, 0.0), (0.15, 4.0, 2.7)),
        thing("slab", "structure", (0.0, 0.0, 3.2), (4.0, 4.0, 0.2)),
        thing("deck", "deck", (0.0, 0.0, 2.98), (4.0, 2.0, 0.02)),
        thing("duct", "duct", (1.0, 1.0, 2.3), (2.0, 0.4, 0.3)),
        thing("hot", "hot-pipe", (1.0, 2.5, 2.4), (2.5, 0.1, 0.1)),
        thing("trough", "equipment", (2.5, 3.0, 2.2), (0.6, 0.6, 0.5), closed=False),
        thing("box1", "box", (0.2, 0.2, 2.4), (0.1, 0.1, 0.06)),
        thing("box2", "box", (3.0, 0.2, 2.4), (0.1, 0.1, 0.06)),
        thing("lamp", "luminaire", (2.0, 2.0, 2.2), (0.6, 0.6, 0.1)),
        thing("panel", "cabinet", (3.2, 2.0, 1.0), (0.2, 0.5, 0.8)),
        thing("strap1", "strap", (1.2, 0.26, 2.43), (0.03, 0.03, 0.03)),
        thing("strap2", "strap", (1.2, 1.9, 2.44), (0.03, 0.03, 0.03)),
        thing("hanger", "hanger", (2.4, 0.25, 2.42), (0.03, 0.03, 0.03)),
        thing("plate", "plate", (1.0, 0.49, 2.69), (0.2, 0.002, 0.05)),
        thing("hatch", "access-panel", (1.0, 3.2, 2.6), (0.6, 0.6, 0.01)),
    )


ZONES = (
    Zone("lay-in", "accessible-ceiling", (solid((0.0, 0.0, 2.2), (2.2, 4.0, 1.0)),)),
    Zone("hard", "inaccessible", (solid((2.2, 0.0, 2.2), (1.8, 2.0, 1.0)),)),
    Zone("loft", "attic", (solid((0.0, 2.0, 2.6), (2.2, 2.0, 0.7)),)),
    Zone("wet", "wet", (solid((2.2, 2.0, 2.0), (1.8, 2.0, 0.5)),)),
)


def as_run(name: str, cable: str, points: Any, straps: Any, ends: Any) -> Run | None:
    corners = np.array(points, dtype=float)
    # legs along the axes, as runs are drawn
    legs = [corners[0]]
    for target in corners[1:]:
        for axis in range(3):
            step = legs[-1].copy()
            step[axis] = target[axis]
            if not np.array_equal(step, legs[-1]):
                legs.append(step)
    if len(legs) < 2:
        return None
    length = float(np.linalg.norm(np.diff(legs, axis=0), axis=1).sum())
    places = tuple(sorted({round(s * length * 0.6, 3) for s in straps}))
    return Run(name, cable, np.array(legs), start=ends[0], end=ends[1], straps_at_m=places, file="p", where=name)


def the_job(runs: list[Run]) -> Job:
    return Job(
        name="room",
        occupancy="other",
        checks=CHECKS,
        cables=CABLES,
        runs=tuple(runs),
        elements=building(),
        zones=ZONES,
        clearance_m={"hot-pipe": 0.15, "pipe": 0.025, "duct": 0.01},
        settings=Settings(),
        firestops=(FireStop("a", "W-L-0001"),),
        panels=(Panel("panel", front="-x"),),
        unread=(Unread("m", "1", "L", "X", "is of a kind that is not read", ((1.0, 3.0, 2.0), (1.5, 3.5, 2.6))),),
    )


def a_room() -> Job:
    """Return the room with runs of all kinds in it, some of them touching each other."""
    box = ("box", "box")
    drawn = [
        as_run("a", "mc", [(0.25, 0.25, 2.43), (3.05, 0.25, 2.43), (3.05, 2.3, 2.6)], [0.2], (None, "box")),
        as_run("b", "mc", [(0.25, 0.26, 2.445), (3.6, 0.26, 2.445), (3.6, 2.3, 2.445)], [0.5, 1.0], box),
        as_run("c", "ten", [(0.3, 1.9, 2.445), (2.3, 1.9, 2.445), (2.3, 3.4, 2.48)], [], (None, "open")),
        as_run("d", "data", [(0.3, 1.915, 2.445), (2.3, 1.915, 2.445), (2.3, 2.55, 2.445)], [0.77], ("open", None)),
        as_run("e", "power", [(0.3, 1.93, 2.445), (2.4, 1.93, 2.445), (2.4, 1.98, 2.5)], [0.2, 0.5], box),
        as_run("f", "bare", [(0.9, 0.3, 2.8), (0.9, 3.4, 2.8), (2.0, 3.4, 2.8)], [0.0], box),
        as_run("g", "ten", [(0.3, 0.9, 2.96), (2.3, 0.9, 2.96), (2.3, 3.05, 2.43)], [0.5], ("luminaire", "box")),
        as_run("h", "pipe", [(1.2, 0.5, 2.35), (1.2, 3.4, 2.35), (3.05, 3.4, 2.35)], [], box),
    ]
    return the_job([run for run in drawn if run is not None])
