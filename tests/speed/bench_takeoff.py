"""Take off many runs, and say how long each step takes; see ``--help``."""

from __future__ import annotations

import argparse
import random
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from route3d.examine import examine
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.plans.takeoff import take_off
from route3d.reports.takeoff_xlsx import workbook
from route3d.review import judge
from tests.builders import book, cable


def job(runs: int, cables: int) -> Job:
    """Return a job of L-shaped runs of lengths as they are in buildings: many short ones, few long ones."""
    rng = random.Random(4)
    kinds = {f"c{k}": cable(cable_id=f"c{k}") for k in range(cables)}
    drawn = []
    for n in range(runs):
        x, y, along, across = rng.uniform(0, 300), rng.uniform(0, 300), rng.lognormvariate(2.0, 0.8), rng.uniform(1, 10)
        along = min(along, 45.0)
        corners = np.array([[x, y, 3], [x + along, y, 3], [x + along, y + across, 3]])
        drawn.append(Run(f"r{n}", f"c{rng.randrange(cables)}", corners, start="box", end="luminaire"))
    return Job("bench", "other", ("bend", "securing"), kinds, tuple(drawn), (), (), {}, Settings())


def main() -> None:
    """Measure once, wall time."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--runs", type=int, default=5000)
    asked.add_argument("--cables", type=int, default=3)
    given = asked.parse_args()
    times = [time.perf_counter()]
    examined = examine(job(given.runs, given.cables), book())
    times.append(time.perf_counter())
    review = judge(examined, "2026-01-01T00:00:00Z")
    times.append(time.perf_counter())
    taken = take_off(examined, review)
    times.append(time.perf_counter())
    size = len(workbook(taken, "bench"))
    times.append(time.perf_counter())
    steps = zip(("examine", "judge", "take off", "workbook"), np.diff(times).tolist(), strict=True)
    print(", ".join(f"{name} {seconds:.1f} s" for name, seconds in steps), f"({size / 1e6:.1f} MB)")
    for cut in taken.cables:
        print(f"{cut.cable_id}: {cut.bought_m:.1f} m, at least {cut.bought_bound_m:.1f} m, proven {cut.proven}")


if __name__ == "__main__":
    main()
