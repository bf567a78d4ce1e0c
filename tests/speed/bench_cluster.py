"""Measure what a check on a cluster costs: python tests/speed/bench_cluster.py [triangles] [runs].

First every step in this process, one after the other, in processor seconds of one thread and with all that is sent
pickled, as the engine does; then the same job on two local worker processes. Rates are then applied to 10^9 triangles
and 10^6 runs.
"""

from __future__ import annotations

import argparse
import pickle
import resource
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise
from typing import Any

import numpy as np
from bench_check import _box, ceiling, routes
from distributed import LocalCluster

from route3d.cluster import Sizes, check_with, connected
from route3d.kernel.compiled import thread_limit
from route3d.model.cable import Cable, ConductorSize
from route3d.model.finding import CHECKS
from route3d.model.job import Job, Settings
from route3d.model.zone import Zone
from route3d.reports.results_json import results_text
from route3d.review import check_job
from route3d.rules.rulebook import load_rulebook

CAMPUS_TRIANGLES, CAMPUS_RUNS = 1e9, 1e6
CORES, MEMORY_GB, WIRE_GB_S = 16, 64, 1.0  # of a machine; 10 Gbit/s


class Meter:
    """Works here, and keeps account of seconds, pieces and bytes by what was done."""

    cores = 2

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self.sent: dict[str, int] = defaultdict(int)
        self.answered: dict[str, int] = defaultdict(int)
        self.part_bytes, self.part_triangles, self.parts = 0, 0, 0
        self._known: set[int] = set()
        self._kept: list[Any] = []

    def submit(self, function: Callable[..., Any], *given: Any) -> Any:
        name = function.__name__
        # what another piece of work gave is there already, or is fetched from it
        self.sent[name] += sum(len(pickle.dumps(one, 5)) for one in given if id(one) not in self._known)
        begin = time.process_time()
        with thread_limit(1):
            answer = function(*given)
        self.seconds[name] += time.process_time() - begin
        self._known.add(id(answer))
        self._kept.append(answer)
        if name in ("examine_part", "judge_part"):
            self.answered[name] += len(pickle.dumps(answer, 5))
        if name == "lay_out":
            self.parts += 1
            self.part_bytes += answer.__sizeof__()
            self.part_triangles += sum(len(e.triangles_m) for e in answer.job.elements)
        return answer

    def answers(self, work: Mapping[int, Any]) -> Iterator[tuple[int, Any]]:
        yield from work.items()


def make_job(triangles: int, count: int) -> Job:
    """Return a seeded ceiling with runs through it, a thousand triangles to a run."""
    rng = np.random.default_rng(7)
    elements, side = ceiling(triangles, rng)
    zone = Zone("lay-in", "accessible-ceiling", (_box((0, 0, 2.5), (side / 2, side, 1.5)).triangles,))
    return Job(
        name="bench",
        occupancy="other",
        checks=CHECKS,
        cables={"mc": Cable("mc", "mc-interlocked", 0.0117, 0.0117, conductors=3, size=ConductorSize.parse("12 AWG"))},
        runs=tuple(routes(count, side, rng)),
        elements=tuple(elements),
        zones=(zone,),
        clearance_m={"hot-pipe": 0.15, "pipe": 0.025},
        settings=Settings(),
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("triangles", type=float, nargs="?", default=4e5)
    parser.add_argument("runs", type=int, nargs="?", default=400)
    parser.add_argument("--part-runs", type=int, default=100)
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    job, rules = make_job(int(asked.triangles), asked.runs), load_rulebook("nec-2023", None)
    sizes = Sizes(part_runs=asked.part_runs)
    triangles, runs = sum(len(e.triangles_m) for e in job.elements), len(job.runs)
    check_with(Meter(), make_job(20_000, 10), rules, "now")  # so that all loops are compiled

    here = results_text(check_job(job, rules, "now"))
    meter, begin = Meter(), time.process_time()
    # what is told between two steps is the driver's own work
    marks: list[tuple[str, float, float]] = []
    spent = lambda: sum(meter.seconds.values())  # noqa: E731
    with thread_limit(1):
        review = check_with(
            meter, job, rules, "now",
            lambda doing, share=None: marks.append((doing, time.process_time() - begin, spent())), sizes,
        )  # fmt: skip
        whole = time.process_time() - begin
    text = results_text(review)
    written = time.process_time() - begin - whole
    assert text == here
    relating = next(b[1] - a[1] for a, b in pairwise(marks) if a[0] == "comparing runs")
    relating -= meter.seconds["judge_part"]
    driving = whole - spent()

    def told(what: str, value: float, unit: str) -> None:
        print(f"{what:36s}{value:12,.2f} {unit}")

    print(f"{triangles:,} triangles, {runs:,} runs, {meter.parts} parts, {len(review.findings):,} findings")
    seconds, answered, sent = meter.seconds, meter.answered, meter.sent
    told("model as the driver holds it", sum(e.triangles_m.nbytes for e in job.elements) / triangles, "B a triangle")
    told("a part with its index", meter.part_bytes / meter.part_triangles, "B a triangle")
    told("triangles of all parts", meter.part_triangles / triangles, "times those of the model")
    told("blocks sent", sent["keep"] / triangles, "B a triangle")
    told("parts laid out", 1e6 * seconds["lay_out"] / meter.part_triangles, "s a million triangles")
    told("runs examined", runs / seconds["examine_part"], "a second and core")
    told("runs judged", runs / seconds["judge_part"], "a second and core")
    told("answers, examined", answered["examine_part"] / runs, "B a run")
    told("sent to be judged", sent["judge_part"] / runs, "B a run")
    told("answers, judged", answered["judge_part"] / runs, "B a run")
    told("driver, relating and cutting out", runs / relating, "runs a second (one thread)")
    told("driver, all of its own", runs / driving, "runs a second (one thread, with pickling)")
    told("results written as JSON", runs / written, "runs a second (one thread)")
    told("results as JSON", len(text) / runs, "B a run")
    told("peak memory of this process", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, "MB")

    with LocalCluster(n_workers=asked.workers, threads_per_worker=1, dashboard_address=":0", silence_logs=50) as made:
        for attempt in ("first", "second"):
            begin = time.perf_counter()
            with connected(made.scheduler_address) as (engine, _):
                there = check_with(engine, job, rules, "now", sizes=sizes)
            told(f"{asked.workers} local workers, {attempt} time", time.perf_counter() - begin, "s by the clock")
            assert results_text(there) == here

    grown, more = CAMPUS_TRIANGLES / triangles, CAMPUS_RUNS / runs
    core_s = seconds["lay_out"] * grown + (seconds["examine_part"] + seconds["judge_part"]) * more
    memory = meter.part_bytes * grown / 1e9
    machines = int(np.ceil(memory / (0.6 * MEMORY_GB)))
    wire = (sent["keep"] * grown + (sum(answered.values()) + sent["judge_part"]) * more) / 1e9
    print("10^9 triangles, 10^6 runs at these rates:")
    told("workers", core_s / 3600, "core hours")
    told("parts", memory, "GB")
    told(f"machines of {CORES} cores, {MEMORY_GB} GB", machines, "")
    told("work on these", core_s / 60 / machines / CORES, "min")
    told("over the wire", wire, "GB")
    told(f"that at {WIRE_GB_S:g} GB/s", wire / WIRE_GB_S / 60, "min")
    told("driver", driving * more / 60, "min")
    told("model in the driver, as in the scheduler", 72 * CAMPUS_TRIANGLES / 1e9, "GB")
    told("results as JSON", written * more / 60, "min")


if __name__ == "__main__":
    main()
