"""Time mending in the synthetic ceiling: python -m tests.speed.bench_mend [triangles] [runs] [seconds at most] [room].

Runs are drawn without looking: legs through whatever is there, jogs too short for their bends; nothing is within
``room`` metres (0.25) of their ends. Whether each could pass at all is not known, but for ends that lie inside a duct,
which are counted apart: no cable gets out of there. Prints the share mended, how, the length that this adds against the
run as drawn and against the Manhattan distance of its ends (no level and upright line is shorter), and seconds per run,
of the clock and of the processor.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from itertools import pairwise

import numpy as np

from route3d.kernel.clearance import nearest_elements
from route3d.mending.change import polyline_length
from route3d.mending.mend import mend_run, mending_order
from route3d.model.cable import Cable, ConductorSize
from route3d.model.element import Element
from route3d.model.finding import CHECKS
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.recheck import Checked
from route3d.review import check_job
from route3d.rules.rulebook import load_rulebook
from route3d.surroundings import index_of
from tests.speed.ceiling import ceiling

ROLES = {1: "deck", 2: "framing", 3: "framing", 4: "duct"}
CABLES = {
    "mc-12-2": Cable("mc-12-2", "mc-interlocked", 0.0117, 0.0117, conductors=3, size=ConductorSize.parse("12 AWG")),
    "mc-6-3": Cable("mc-6-3", "mc-interlocked", 0.0225, 0.0225, conductors=4, size=ConductorSize.parse("6 AWG")),
}


def building(triangles: int) -> tuple[list[Element], float]:
    """Return the ceiling as elements: the largest meshes by place in their bay, pipes as pipes, the rest obstacles."""
    mesh, starts, size = ceiling(triangles)
    elements = []
    for n, (a, b) in enumerate(pairwise(starts)):
        part = mesh[a:b]
        low, high = part.reshape(-1, 3).min(axis=0), part.reshape(-1, 3).max(axis=0)
        if low[2] >= 3.55 and b - a > 20:
            role, closed = "deck", False
        elif b - a > 100 and high[2] > 3.5 and high[1] - low[1] > 2.5:
            role, closed = "framing", False
        elif b - a == 24:
            role, closed = "duct", False
        elif b - a >= 80:
            role, closed = "pipe", True
        elif high[2] < 2.75:
            role, closed = "ceiling", True
        else:
            role, closed = "obstacle", True
        name = f"m:{n:x}"
        elements.append(Element(name, role, role.upper(), "MESH", part, closed, "m", name))
    return elements, size


class Free:
    """Tells whether points have nothing within some room, such as a bend at them takes."""

    def __init__(self, elements: list[Element], room_m: float = 0.25) -> None:
        self.room_m = room_m
        self.index = index_of([element.triangles_m for element in elements])

    def __call__(self, points: np.ndarray) -> bool:
        rows = np.zeros((len(points), 14))
        rows[:, 3:6] = points
        room = np.full(self.index.element_count, self.room_m)
        near = nearest_elements(self.index, rows, np.arange(len(rows) + 1), np.zeros(len(rows)), room)
        return not len(near.path)


def failing_runs(count: int, size: float, free: Free, rng: np.random.Generator) -> list[Run]:
    """Return level runs with jogs and drops, drawn without looking, between ends that are free of everything.

    Each goes on in the directions that it began with, as runs to somewhere do.
    """
    runs: list[Run] = []
    while len(runs) < count:
        cable = list(CABLES)[len(runs) % 2]
        point = np.array([*rng.uniform(1.0, size - 1.0, 2), rng.uniform(2.8, 3.4)])
        signs = [1.0 if point[d] < middle else -1.0 for d, middle in enumerate((size / 2.0, size / 2.0, 3.1))]
        corners = [point]
        axis = int(rng.integers(2))
        for leg in range(int(rng.integers(3, 7))):
            jog = leg % 3 == 1
            d = 2 if jog and rng.random() < 0.4 else axis
            point = point.copy()
            point[d] += signs[d] * (rng.uniform(0.05, 0.3) if jog else rng.uniform(2.0, 6.0))
            corners.append(point)
            axis = 1 - axis
        ends = np.array([corners[0], corners[-1]])
        if (ends[:, :2] > 0.5).all() and (ends[:, :2] < size - 0.5).all() and free(ends):
            name = f"R{len(runs):04d}"
            runs.append(Run(name, cable, np.array(corners), start="box", end="box", file="m", where=f"run {name}"))
    return runs


def ends_in_ducts(runs: list[Run], elements: list[Element]) -> set[str]:
    """Return the runs of which an end is inside the box of a duct; ducts are boxes here."""
    boxes = np.array([element.box_m for element in elements if element.role == "duct"])
    inside = set()
    for run in runs:
        for tip in (run.corners_m[0], run.corners_m[-1]):
            if ((boxes[:, 0] < tip) & (boxes[:, 1] > tip)).all(axis=1).any():
                inside.add(run.run_id)
    return inside


def main(triangles: int, count: int, seconds: float, room_m: float) -> None:
    elements, size = building(triangles)
    checks = CHECKS
    runs = failing_runs(count, size, Free(elements, room_m), np.random.default_rng(5))
    job = Job(
        name="bench",
        occupancy="other",
        checks=checks,
        cables=CABLES,
        runs=tuple(runs),
        elements=tuple(elements),
        zones=(),
        clearance_m={"pipe": 0.025, "duct": 0.0},
        settings=Settings(strap_reach_m=0.8),  # hanger rods
    )
    total = sum(len(e.triangles_m) for e in elements)
    print(f"{total:,} triangles in {len(elements):,} elements, {len(runs)} runs, floor {size:.0f} m square; {checks}")
    begun = time.perf_counter()
    state = Checked.open(job, load_rulebook("nec-2023", None), "")
    print(f"checked in {time.perf_counter() - begun:.2f} s: {dict(state.summary)}")
    order = np.random.default_rng(1).permutation(mending_order(state)).tolist()  # a fair sample, where time ends first
    answers, used = [], []
    begun = time.perf_counter()
    for run_id in order:
        before = time.process_time()
        answers.append(mend_run(state, run_id))
        used.append(time.process_time() - before)
        state = answers[-1].state
        if time.perf_counter() - begun > seconds:
            break
    print(f"{len(answers)} of {len(order)} failing runs tried in {time.perf_counter() - begun:.1f} s")
    outcomes = Counter((a.outcome, a.how) for a in answers)
    for (outcome, how), number in outcomes.most_common():
        print(f"  {number:4d} {outcome} {how}")
    mended = [a for a in answers if a.after is not None]
    passing = sum(a.outcome != "blocked" for a in answers)
    print(f"  pass now: {passing / max(len(answers), 1):.1%}")
    hopeless = ends_in_ducts(runs, elements)
    hope = [a for a in answers if a.run_id not in hopeless]
    wrongly = [a.run_id for a in answers if a.run_id in hopeless and a.outcome != "blocked"]
    print(
        f"  of {len(hope)} with no end inside a duct: {sum(a.outcome != 'blocked' for a in hope) / len(hope):.1%}; "
        f"of {len(answers) - len(hope)} others: {len(wrongly)}"
    )
    if mended:
        lengths = np.array([[polyline_length(a.before.corners_m), polyline_length(a.after.corners_m)] for a in mended])
        least = np.array([np.abs(a.before.corners_m[-1] - a.before.corners_m[0]).sum() for a in mended])
        print(f"  length as drawn {lengths[:, 0].sum():.1f} m, mended {lengths[:, 1].sum():.1f} m, "
              f"Manhattan distance of the ends {least.sum():.1f} m")  # fmt: skip
        ratio = lengths[:, 1] / least
        print(f"  mended / Manhattan: median {np.median(ratio):.3f}, 90 % {np.quantile(ratio, 0.9):.3f}")
    again = {r.fitted.run.run_id: r.verdict for r in check_job(state.job, load_rulebook("nec-2023", None), "").runs}
    wrong = [a.run_id for a in mended if again[a.run_id] == "fail"]
    print(f"  checked again from nothing: {len(mended) - len(wrong)} of {len(mended)} mended runs violate nothing")
    took = np.array([a.seconds for a in answers])
    for how in ("straps", "nudge", "way round", ""):
        some = [a.seconds for a in answers if a.how == how]
        if some:
            print(f"  {how or 'blocked':10s} median {np.median(some):.2f} s, largest {max(some):.2f} s")
    print(f"  all: median {np.median(took):.2f} s, mean {took.mean():.2f} s, largest {took.max():.2f} s")
    print(f"  processor: median {np.median(used):.2f} s, mean {np.mean(used):.2f} s, largest {max(used):.2f} s")
    print("  what stays in the way:", Counter(f.check for a in answers for f in a.blocked).most_common())
    for a in answers:
        if a.blocked:
            print(
                "   ",
                a.run_id,
                a.why,
                [(f.check, f.other, f.measured) for f in a.blocked][:3],
                [s.why for s in a.stuck][:1],
            )


if __name__ == "__main__":
    said = sys.argv[1:]
    main(
        int(float(said[0])) if said else 2_000_000,
        int(said[1]) if len(said) > 1 else 200,
        float(said[2]) if len(said) > 2 else 55.0,
        float(said[3]) if len(said) > 3 else 0.25,
    )
