"""Time routes in the synthetic ceiling: python tests/speed/bench_propose.py [triangles] [runs] [seconds at most].

Prints how many of the runs, given by ends that are free of everything, get a route; its length against the Manhattan
distance of the ends; how many alternatives; and seconds per run.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from route3d.mending.propose import propose_routes
from route3d.model.finding import CHECKS
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.recheck import Checked
from route3d.rules.rulebook import load_rulebook
from tests.speed.bench_mend import CABLES, Free, building


def main(triangles: int, count: int, seconds: float) -> None:
    elements, size = building(triangles)
    rng = np.random.default_rng(11)
    free = Free(elements)
    runs: list[Run] = []
    while len(runs) < count + 1:
        start = np.array([*rng.uniform(1.0, size - 1.0, 2), rng.uniform(2.8, 3.4)])
        ends = np.array([start, start + rng.uniform([-15.0, -15.0, -0.3], [15.0, 15.0, 0.3])])
        inside = (ends[:, :2] > 0.5).all() and (ends[:, :2] < size - 0.5).all() and abs(ends[1, 2] - 3.1) < 0.35
        if inside and free(ends):
            cable = list(CABLES)[len(runs) % 2]
            runs.append(Run(f"P{len(runs)}", cable, ends, start="box", end="box", file="m"))
    job = Job(
        name="bench",
        occupancy="other",
        checks=CHECKS,
        cables=CABLES,
        runs=(runs.pop(),),
        elements=tuple(elements),
        zones=(),
        clearance_m={"pipe": 0.025},
        settings=Settings(strap_reach_m=0.8),
    )
    state = Checked.open(job, load_rulebook("nec-2023", None), "")
    print(f"{sum(len(e.triangles_m) for e in elements):,} triangles, floor {size:.0f} m square")
    answers = []
    begun = time.perf_counter()
    for run in runs:
        answers.append(propose_routes(state, run))
        if time.perf_counter() - begun > seconds:
            break
    found = [a for a in answers if a.alternatives]
    ratio = [a.alternatives[0].trial.review.fitted.length_m / a.least_m for a in found]
    took = [a.seconds for a in answers]
    print(f"{len(found)} of {len(answers)} runs routed, {sum(len(a.alternatives) for a in found)} alternatives")
    if found:
        print(f"  length / Manhattan: median {np.median(ratio):.3f}, 90 % {np.quantile(ratio, 0.9):.3f}")
    print(f"  seconds: median {np.median(took):.2f}, largest {max(took):.2f}")
    for a in answers:
        if not a.alternatives:
            print("   ", a.run_id, a.why, [(f.check, f.other) for f in a.blocked][:3])


if __name__ == "__main__":
    said = sys.argv[1:]
    main(
        int(float(said[0])) if said else 2_000_000,
        int(said[1]) if len(said) > 1 else 20,
        float(said[2]) if len(said) > 2 else 50.0,
    )
