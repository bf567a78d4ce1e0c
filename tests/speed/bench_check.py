"""Time the whole check on a synthetic ceiling held in memory: python tests/speed/bench_check.py [triangles] [runs].

Prints seconds for each stage, then milliseconds to check it again after one run was moved, strapped otherwise, taken
away or added, after one element was moved, and after one clearance was changed; and peak memory. Run it alone on the
machine: beside each time stands the processor time, which other work on the machine lengthens less.
"""

from __future__ import annotations

import resource
import sys
import time
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import trimesh

from route3d.model.cable import Cable, ConductorSize
from route3d.model.element import Element
from route3d.model.finding import CHECKS
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.model.zone import Zone
from route3d.recheck import Checked
from route3d.review import check_job
from route3d.rules.rulebook import load_rulebook

STOREY_M = 4.0
FACETS = 48
EDITS = 50


def ceiling(triangles: int, rng: np.random.Generator) -> tuple[list[Element], float]:
    """Return joists, ducts, pipes and boxes over a floor whose area grows with ``triangles``; and its side."""
    per_bay = 12 * 4 + FACETS * 4 * 3 + 12 * 3
    bays = max(1, round((triangles / per_bay) ** 0.5))
    elements: list[Element] = []

    def add(role: str, mesh: trimesh.Trimesh) -> None:
        name = f"m:{len(elements):x}"
        elements.append(Element(name, role, role.upper(), "MESH", mesh.triangles, True, "m", name))

    bay = 2.4
    for i in range(bays):
        for j in range(bays):
            x, y = i * bay, j * bay
            for k in range(4):
                add("framing", _box((x, y + k * 0.6, 3.45), (bay, 0.045, 0.25)))
            for k in range(3):
                pipe = trimesh.creation.cylinder(rng.uniform(0.02, 0.2), height=bay, sections=FACETS)
                pipe.apply_transform(trimesh.transformations.rotation_matrix(np.pi / 2, [0, 1, 0]))
                pipe.apply_translation((x + bay / 2, y + rng.uniform(0, bay), rng.uniform(2.9, 3.3)))
                add(("pipe", "duct", "hot-pipe")[k], pipe)
                add("equipment", _box((x + rng.uniform(0, 2), y + rng.uniform(0, 2), 2.75), (0.3, 0.3, 0.1)))
    return elements, bays * bay


def _box(low: tuple[float, float, float], size: tuple[float, float, float]) -> trimesh.Trimesh:
    return trimesh.creation.box(size, trimesh.transformations.translation_matrix(np.add(low, np.divide(size, 2))))


def routes(count: int, side: float, rng: np.random.Generator) -> list[Run]:
    """Return runs of some 30 m with eight corners, at random heights in the plenum."""
    runs = []
    for n in range(count):
        point = np.array([rng.uniform(0, side), rng.uniform(0, side), rng.uniform(2.85, 3.4)])
        corners = [point]
        for leg in range(9):
            point = point.copy()
            axis = 2 if leg % 4 == 3 else leg % 2
            step = rng.uniform(0.3, 0.5) if axis == 2 else rng.uniform(2.0, 6.0)
            up = point[axis] + step <= (3.4 if axis == 2 else side)
            point[axis] += step if up else -step
            corners.append(point)
        straps = tuple(np.arange(0.25, 12.0, 1.5).tolist())
        runs.append(Run(f"r{n}", "mc", np.array(corners), start="box", end="box", straps_at_m=straps))
    return runs


def made(triangles: int, count: int) -> Job:
    """Return the job: a seeded ceiling with runs in it."""
    rng = np.random.default_rng(7)
    elements, side = ceiling(triangles, rng)
    zone = Zone("lay-in", "accessible-ceiling", (_box((0, 0, 2.5), (side / 2, side, 1.5)).triangles,))
    cable = Cable("mc", "mc-interlocked", 0.0117, 0.0117, conductors=3, size=ConductorSize.parse("12 AWG"))
    return Job(
        name="bench",
        occupancy="other",
        checks=CHECKS,
        cables={"mc": cable},
        runs=tuple(routes(count, side, rng)),
        elements=tuple(elements),
        zones=(zone,),
        clearance_m={"hot-pipe": 0.15, "pipe": 0.025},
        settings=Settings(),
    )


def edits(job: Job, rng: np.random.Generator) -> dict[str, list[dict[str, Any]]]:
    """Return kinds of edits, each with arguments of ``Checked.changed``."""
    chosen = [job.runs[k] for k in rng.integers(0, len(job.runs), EDITS).tolist()]
    pipes = [e for e in job.elements if e.role == "pipe"]
    pipes = [pipes[k] for k in rng.integers(0, len(pipes), EDITS).tolist()]

    def moved(run: Run) -> Run:
        corners = run.corners_m.copy()
        corners[3:5] += (0.0, 0.0, 0.01)
        return replace(run, corners_m=corners)

    return {
        "one run moved": [{"runs": {run.run_id: moved(run)}} for run in chosen],
        "its straps changed": [{"runs": {run.run_id: replace(run, straps_at_m=(0.2, 1.5))}} for run in chosen],
        "one run taken away": [{"runs": {run.run_id: None}} for run in chosen],
        "one run more": [{"runs": {"new": replace(moved(run), run_id="new")}} for run in chosen],
        "one element moved": [
            {"elements": {e.element_id: replace(e, triangles_m=e.triangles_m + np.array([0.0, 0.0, 0.01]))}}
            for e in pipes
        ],
        "one clearance changed": [{"clearance_m": {**job.clearance_m, "pipe": 0.05}}],
    }


def again(job: Job) -> None:
    """Time checks after an edit, each from the same state."""
    state = Checked.open(job, load_rulebook("nec-2023", None), "now")
    for kind, arguments in edits(job, np.random.default_rng(3)).items():
        for warm in arguments[:3]:
            state.changed(**warm)
        walls, processor, touched = [], [], 0
        for given in arguments:
            begin, busy = time.perf_counter(), time.process_time()
            _, difference = state.changed(**given)
            walls.append(1000.0 * (time.perf_counter() - begin))
            processor.append(1000.0 * (time.process_time() - busy))
            touched += len(difference.runs)
        print(
            f"{kind:24s}median {np.median(walls):8.2f} ms, largest {max(walls):8.2f} ms; processor "
            f"{np.median(processor):8.2f} ms, largest {max(processor):8.2f} ms; "
            f"{touched / len(arguments):.1f} runs differ"
        )


def main() -> None:
    """Build, check, check again after edits, print."""
    triangles = int(float(sys.argv[1])) if len(sys.argv) > 1 else 1_000_000
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 500
    job = made(triangles, count)
    elements, side = job.elements, float(job.zones[0].solids_m[0][:, :, 1].max())
    total = sum(len(e.triangles_m) for e in elements)
    print(f"{total:,} triangles in {len(elements):,} elements, {count:,} runs, floor {side:.0f} m square")
    rules = load_rulebook("nec-2023", None)
    for attempt in ("first, with compiling", "second"):
        stages: list[tuple[str, float, float]] = []

        def say(stage: str, stages: list[tuple[str, float, float]] = stages) -> None:
            stages.append((stage, time.perf_counter(), time.process_time()))

        review = check_job(job, rules, "now", say)
        say("")
        (_, first, busy), (_, last, spent) = stages[0], stages[-1]
        print(f"{attempt}: {last - first:.2f} s, processor {spent - busy:.2f} s")
        for (stage, begin, busy), (_, end, spent) in pairwise(stages):
            print(f"  {stage:24s}{end - begin:8.2f} s, processor {spent - busy:8.2f} s")
    print(f"summary {dict(review.summary)}")
    again(job)
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
