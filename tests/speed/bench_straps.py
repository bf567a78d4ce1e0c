"""Time the strap planner on a synthetic floor held in memory: python tests/speed/bench_straps.py [runs].

Runs of some 25 m hang under joists, in groups of five side by side, so that straps are shared. Prints seconds for
examining, planning, and for checking the planned straps; the number of straps; and peak memory.
"""

from __future__ import annotations

import resource
import sys
import time
from collections import Counter
from dataclasses import replace

import numpy as np

from route3d.examine import examine
from route3d.model.cable import Cable, ConductorSize
from route3d.model.element import Element
from route3d.model.finding import CHECKS
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.plans.straps import plan_straps
from route3d.review import check_job
from route3d.rules.rulebook import load_rulebook
from tests.builders import block

GROUP = 5  # runs side by side
SIDE_M = 0.06
UNDER_M = 3.0


def floor(side_m: float) -> list[Element]:
    """Return joists 0.6 m apart over a square floor, each in lengths of 6 m; every tenth bay has none."""
    elements = []
    for i in range(int(side_m / 0.6)):
        if i % 10 == 9:
            continue
        for j in range(int(side_m / 6.0) + 1):
            name = f"m:{len(elements):x}"
            mesh = block((i * 0.6, j * 6.0, UNDER_M), (0.045, 5.99, 0.25))
            elements.append(Element(name, "framing", "S-JOIS", "MESH", mesh, True, "m", name))
    return elements


def runs_under(count: int, side_m: float, rng: np.random.Generator) -> list[Run]:
    """Return runs with three to six corners, in groups side by side just below the joists."""
    runs = []
    while len(runs) < count:
        # legs along joists lie beside one
        x, y = 0.6 * np.round(rng.uniform(2.0, side_m - 16.0, 2) / 0.6)
        legs = 0.6 * np.round(rng.uniform(2.5, 7.0, int(rng.integers(3, 6))) / 0.6)
        for k in range(GROUP):
            points = [np.array([x, y + SIDE_M * k, UNDER_M - 0.02 - rng.uniform(0.0, 0.1)])]
            for n, leg in enumerate(legs):
                along = leg + (SIDE_M * k if n % 2 else -SIDE_M * k)
                points.append(points[-1] + np.array([along, 0, 0] if n % 2 == 0 else [0, along, 0]))
            runs.append(Run(f"R{len(runs):05d}", "c", np.array(points), start="box", end="box", file="m"))
    return runs[:count]


def main(count: int) -> None:
    rng = np.random.default_rng(3)
    side = max(40.0, 1.2 * count**0.5 * 2.0)
    cable = Cable("c", "mc-interlocked", 0.0117, 0.0117, conductors=3, size=ConductorSize.parse("12 AWG"))
    job = Job(
        name="bench",
        occupancy="other",
        checks=CHECKS,
        cables={"c": cable},
        runs=tuple(runs_under(count, side, rng)),
        elements=tuple(floor(side)),
        zones=(),
        clearance_m={},
        settings=Settings(strap_reach_m=0.35),  # rods and brackets from one joist to the next
    )
    rules = load_rulebook("nec-2023", None)
    print(f"{count} runs, {12 * len(job.elements):,} triangles, floor {side:.0f} m")
    examine(replace(job, runs=job.runs[:5]), rules)  # loads the compiled loops
    begun, cpu = time.perf_counter(), time.process_time()
    examined = examine(job, rules)
    print(f"  examine {time.perf_counter() - begun:.2f} s ({time.process_time() - cpu:.2f} s of processor)")
    begun, cpu = time.perf_counter(), time.process_time()
    plans = plan_straps(examined)
    print(f"  plan    {time.perf_counter() - begun:.2f} s ({time.process_time() - cpu:.2f} s of processor)")
    added = sum(p.added for p in plans)
    shared = sum(bool(s.shared_with) for p in plans for s in p.straps)
    print(f"  {added} straps, {shared} of them shared, {sum(bool(p.stuck) for p in plans)} runs stuck")
    print(f"  notes: {Counter(note for p in plans for note in p.notes)}")
    places = {p.run_id: tuple(s.at_m for s in p.straps) for p in plans}
    strapped = tuple(replace(run, straps_at_m=places[run.run_id]) for run in job.runs)
    begun, cpu = time.perf_counter(), time.process_time()
    review = check_job(replace(job, runs=strapped, checks=("securing", "supporting")), rules, "")
    stuck = {p.run_id for p in plans if p.stuck}
    wrong = {f.run for f in review.findings if f.severity == "violation"} - stuck
    print(f"  check   {time.perf_counter() - begun:.2f} s ({time.process_time() - cpu:.2f} s of processor)")
    print(f"  {len(wrong)} planned runs fail the check")
    print(f"  peak    {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5000)
