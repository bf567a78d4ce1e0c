"""Whole jobs in a few lines: boxes of structure, runs under them, examined as the commands do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from route3d.examine import Examined, examine
from route3d.model.cable import Cable
from route3d.model.element import Element
from route3d.model.finding import CHECKS, Finding
from route3d.model.job import Job, Settings
from route3d.model.plan import StrapPlan
from route3d.model.run import Run
from route3d.model.zone import Zone
from route3d.review import check_job
from tests.builders import block, book, cable


def thing(role: str, low: Sequence[float], size: Sequence[float], name: str = "") -> Element:
    """Return a closed box of some role."""
    element_id = name if name else f"m:{role}-{'-'.join(f'{x:g}' for x in low)}"
    return Element(element_id, role, role.upper(), "MESH", block(low, size), True, "m.dxf", element_id)


def joists(count: int, pitch_m: float, z: float = 3.05) -> list[Element]:
    """Return joists along y, ``pitch_m`` apart along x, the first at x = 0; their lower side at ``z``."""
    return [thing("framing", (k * pitch_m - 0.02, -5.0, z), (0.04, 10.0, 0.2), f"J{k}") for k in range(count)]


def run_of(run_id: str, *corners: Sequence[float], start: str = "box", end: str = "box", **more: object) -> Run:
    """Return a run typed in a project file."""
    points = np.array(corners, dtype=float)
    return Run(run_id, "c", points, start=start, end=end, file="p", where=f"run {run_id!r}", **more)  # type: ignore[arg-type]


def job_of(
    runs: Sequence[Run],
    elements: Sequence[Element] = (),
    *,
    of: Cable | None = None,
    zones: Sequence[Zone] = (),
    settings: Settings | None = None,
    clearance_m: Mapping[str, float] | None = None,
) -> Job:
    """Return a job with one cable, ``c``."""
    return Job(
        name="test",
        occupancy="other",
        checks=CHECKS,
        cables={"c": cable() if of is None else of},
        runs=tuple(runs),
        elements=tuple(elements),
        zones=tuple(zones),
        clearance_m={} if clearance_m is None else clearance_m,
        settings=Settings() if settings is None else settings,
    )


def examined_of(job: Job, rules: str = "nec-2023") -> Examined:
    """Return what the planner looks at."""
    return examine(job, book(rules))


def straps_of(plan: StrapPlan) -> list[float]:
    """Return where all straps of a plan are."""
    return [strap.at_m for strap in plan.straps]


def checked_with(job: Job, plans: Sequence[StrapPlan], rules: str = "nec-2023") -> list[Finding]:
    """Return the violations of securing and supporting once the runs carry the straps of their plans."""
    places = {plan.run_id: tuple(straps_of(plan)) for plan in plans}
    out = {plan.run_id: plan.refused_supports_at_m for plan in plans}
    runs = tuple(
        replace(
            run,
            straps_at_m=places.get(run.run_id, run.straps_at_m),
            supports_at_m=tuple(at_m for at_m in run.supports_at_m if at_m not in out.get(run.run_id, ())),
        )
        for run in job.runs
    )
    review = check_job(replace(job, runs=runs, checks=("securing", "supporting")), book(rules), "")
    return [f for f in review.findings if f.severity == "violation"]
