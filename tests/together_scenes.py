"""Scenes of several runs beside each other, and of panels in a room."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from route3d.approaches import approaches
from route3d.bundles import beside_each_other, sections_in
from route3d.kernel.shapes import box as solid_box
from route3d.model.cable import Cable
from route3d.model.company import Approach
from route3d.model.element import Element
from route3d.model.finding import CHECKS
from route3d.model.gap import Gaps
from route3d.model.job import Job, Settings
from route3d.model.panel import Panel
from route3d.model.run import FittedRun, Run
from route3d.model.support import Attachment, Termination
from route3d.rules.bend import required_bend
from route3d.scene import Scene
from tests.builders import book, cable, path_run


def run_along(*corners: Sequence[float], run_id: str, cable_id: str = "c") -> FittedRun:
    """Return a run of straight pieces with an id of its own."""
    drawn = path_run(*corners)
    return replace(drawn, run=Run(run_id, cable_id, drawn.run.corners_m))


def rack(
    count: int, length_m: float, pitch_m: float = 0.013, cable_id: str = "c", shared_m: float | None = None
) -> list[FittedRun]:
    """Return runs side by side along x; with ``shared_m`` all but the first share only that much with it."""
    runs = [run_along((0, 0, 3), (length_m, 0, 3), run_id="R0", cable_id=cable_id)]
    for k in range(1, count):
        begin = 0.0 if shared_m is None else (length_m - shared_m) / 2.0
        end = length_m if shared_m is None else begin + shared_m
        y = k * pitch_m
        runs.append(run_along((begin, y, 3), (end, y, 3), run_id=f"R{k}", cable_id=cable_id))
    return runs


def scene_of(
    fitted: Sequence[FittedRun],
    cables: Sequence[Cable] | None = None,
    *,
    elements: Sequence[Element] = (),
    panels: Sequence[Panel] = (),
    settings: Settings | None = None,
    ends: Mapping[str, str] | None = None,
    rules: str = "nec-2023",
) -> Scene:
    """Return a scene; ``ends`` names the element that the end of a run goes to."""
    kinds = {c.cable_id: c for c in (cables if cables is not None else [cable()])}
    goes_to = {} if ends is None else ends
    job = Job(
        name="test",
        occupancy="other",
        checks=CHECKS,
        cables=kinds,
        runs=tuple(run.run for run in fitted),
        elements=tuple(elements),
        zones=(),
        clearance_m={},
        settings=settings if settings is not None else Settings(),
        panels=tuple(panels),
    )
    numbers, here = range(len(fitted)), np.zeros(3)
    rule = book(rules).bundle
    beside = [] if rule is None else beside_each_other(job, numbers, fitted, rule.methods, here)
    near: dict[int, tuple[Approach, ...]] = {}
    for one in approaches(job, book(rules), numbers, fitted, here):
        near[one.run] = (*near.get(one.run, ()), one)
    return Scene(
        job=job,
        rules=book(rules),
        fitted=tuple(fitted),
        bend_required=tuple(required_bend(kinds[run.run.cable_id], book(rules)) for run in fitted),
        attached=tuple(
            Attachment(Termination("box", None), Termination("box", goes_to.get(run.run.run_id)), ()) for run in fitted
        ),
        zones=tuple(() for _ in fitted),
        gaps=Gaps((), np.full(len(fitted), np.inf)),
        sections=sections_in(beside, dict(enumerate(fitted)), here),
        approaches=near,
    )


def body(element_id: str, role: str, low: Sequence[float], high: Sequence[float], closed: bool = True) -> Element:
    """Return a box along the axes."""
    a, b = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    points, triangles = solid_box(((b - a) / 2.0).tolist(), ((a + b) / 2.0).tolist())
    return Element(element_id, role, f"L-{role}", "MESH", points[triangles], closed, handle=element_id)
