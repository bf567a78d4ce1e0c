"""Measure the clearance kernel beside general libraries: ``python tests/speed/bench_clearance.py``.

A seeded ceiling grows in area with its number of triangles, so that its density stays; runs of about 30 m go through
it at random. Printed for every size: build time, memory, and the time of every (run, element) minimum with its place;
then, in the same process, the same work on a sample of the runs by collision libraries (whole, and their narrow phase
alone) and by an Embree closest-point query. Libraries that are not installed are left out with a sentence.

Repeats are interleaved, and a buffer larger than the cache is walked before each, so that all begin equally cold. Times
are processor seconds of one thread, medians; the load by other programs during each row is read from /proc/stat, and a
wall time or thread speed-up under more than 10 % of it is called void.

    --triangles 20e3,200e3,2e6  --runs 20,200,2000  --sample 200  --tolerance 1e-4 (m)  --chart FILE.png  --json FILE
"""

from __future__ import annotations

import argparse
import json
import math
import os
import resource
import statistics
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from route3d.kernel.clearance import nearest_elements
from route3d.kernel.compiled import thread_limit
from route3d.kernel.edited import with_element
from route3d.kernel.mesh_index import build_index
from tests.speed.ceiling import ceiling, runs
from tests.speed.peers import Coal, Fcl, Pairs, closest_point_row, collision_row

CLEARANCE_M = 0.05
QUIET = 0.1  # the share of the machine that others may use before wall times are void
REPEATS = 5
_COLD = np.zeros(64 * 1024 * 1024 // 8)


class Load:
    """The share of the machine's time that other programs used inside the ``with`` block; NaN where it is not told."""

    def __enter__(self):
        self._before = self._read()
        return self

    def __exit__(self, *error):
        busy, total, own = (b - a for a, b in zip(self._before, self._read(), strict=True))
        self.outside = max(busy - own, 0.0) / total if total > 0 else math.nan

    @staticmethod
    def _read():
        try:
            ticks = [int(word) for word in Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:9]]
        except OSError:
            return 0.0, 0.0, 0.0
        own = time.process_time() * os.sysconf("SC_CLK_TCK")
        return sum(ticks) - ticks[3] - ticks[4], sum(ticks), own


def cpu(task):
    """Processor seconds of one call that begins with a cold cache, wall seconds, and the answer."""
    _COLD[:] += 1.0
    processor, wall = time.process_time(), time.perf_counter()
    answer = task()
    return time.process_time() - processor, time.perf_counter() - wall, answer


def kernel_row(index, clearance, pieces, starts, radius):
    """Times of all minima on one thread and on two, interleaved, and of one run at a time."""

    def ask():
        return nearest_elements(index, pieces, starts, radius, clearance)

    one, two = [], []
    with Load() as load:
        for _ in range(REPEATS):
            with thread_limit(1):
                one.append(cpu(ask))
            with thread_limit(2):
                two.append(cpu(ask))
    for a, b in zip(one[0][2], two[0][2], strict=True):
        np.testing.assert_array_equal(a, b)
    single = []
    with thread_limit(1):
        for k in range(min(len(radius), 50)):
            own = pieces[starts[k] : starts[k + 1]]
            single.append(
                cpu(lambda: nearest_elements(index, own, [0, len(own)], radius[k : k + 1], clearance))[0]  # noqa: B023
            )
    return one[0][2], {
        "pieces": len(pieces),
        "pairs": len(one[0][2].path),
        "query_s": statistics.median(x[0] for x in one),
        "wall_1_s": statistics.median(x[1] for x in one),
        "wall_2_s": statistics.median(x[1] for x in two),
        "one_run_ms": 1e3 * statistics.median(single),
        "outside": load.outside,
    }


def build_row(triangles, starts):
    """The index, what building it costs, and what editing an element costs."""
    with thread_limit(1), Load() as load:
        times = [cpu(lambda: build_index(triangles, starts))[0] for _ in range(2)]
        index = build_index(triangles, starts)
        edits = []
        for k in np.linspace(0, index.element_count - 1, 20).astype(int):
            mesh = triangles[starts[k] : starts[k + 1]] + 0.01
            edits.append(cpu(lambda: with_element(index, k, mesh))[0])  # noqa: B023
    held = sum(getattr(index, name).nbytes for name in index.__slots__ if hasattr(getattr(index, name), "nbytes"))
    return index, {
        "build_s": min(times),
        "edit_ms": 1e3 * statistics.median(edits),
        "bytes_a_triangle": held / len(triangles),
        "build_outside": load.outside,
    }


def side_by_side(index, triangles, starts, pieces, path_starts, radius, sample, tolerance):
    """The kernel and the libraries on the same runs, interleaved; ratios of medians."""
    last = path_starts[sample]
    pieces, path_starts, radius = pieces[:last], path_starts[: sample + 1], radius[:sample]
    clearance = np.full(len(starts) - 1, CLEARANCE_M)
    libraries = []
    for kind in (Coal, Fcl):
        try:
            libraries.append(kind())
        except ImportError:
            print(f"{kind.name} is not installed, so it is left out.")
    pairs = Pairs(triangles, starts)
    answers, times = {}, {"kernel": []}
    with thread_limit(1), Load() as load:
        for _ in range(3):
            processor, _, found = cpu(lambda: nearest_elements(index, pieces, path_starts, radius, clearance))
            times["kernel"].append({"whole_s": processor})
            for library in libraries:
                _COLD[:] += 1.0
                answers[library.name], row = collision_row(
                    library, pairs, triangles, starts, pieces, path_starts, radius, CLEARANCE_M, tolerance
                )
                times.setdefault(library.name, []).append(row)
        embree = closest_point_row(triangles, pieces, path_starts, radius, CLEARANCE_M, tolerance)
    mine = dict(zip(zip(found.path.tolist(), found.element.tolist(), strict=True), found.distance_m, strict=True))
    kernel = statistics.median(row["whole_s"] for row in times["kernel"])
    result = {"runs": sample, "kernel_s": kernel, "outside": load.outside}
    for library in libraries:
        rows, answer = times[library.name], answers[library.name]
        gaps = [abs(gap - mine[key]) for key, gap in answer.items() if key in mine and gap > THIN_GAP_M]
        edge = [d for key, d in mine.items() if key not in answer and d < radius[key[0]] + CLEARANCE_M - tolerance]
        whole, narrow = (statistics.median(row[key] for row in rows) for key in ("whole_s", "narrow_s"))
        result[library.name] = {
            "whole_s": whole,
            "narrow_s": narrow,
            "model_s": rows[-1]["model_s"],
            "calls": rows[-1]["calls"],
            "chords": rows[-1]["chords"],
            "whole_ratio": whole / kernel,
            "narrow_ratio": narrow / kernel,
            "differ_m": max(gaps),
            "missed_by_kernel": sum(1 for key in answer if key not in mine),
            "missed_by_library": len(edge),
        }
    if embree is None:
        print("open3d is not installed, so the Embree closest-point query is left out.")
    else:
        best, row = embree
        smallest = radius + CLEARANCE_M
        np.minimum.at(smallest, found.path, found.distance_m)
        result["embree"] = row | {
            "whole_ratio": row["whole_s"] / kernel,
            "differ_m": float(np.abs(best - smallest).max()),
        }
    return result


THIN_GAP_M = 2e-4  # nearer than this, capsules overlap, and the libraries answer another question


def exponent(rows, key):
    """The power of ``key`` with which the query time grows, by least squares on logarithms."""
    x, y = (np.log([row[name] for row in rows]) for name in (key, "query_s"))
    return float(np.polyfit(x, y, 1)[0]) if len(set(x)) > 1 else math.nan


def draw(result, path):
    """A chart of query time against triangles, a line for each number of runs, beside the ratios."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    figure, (left, right) = plt.subplots(1, 2, figsize=(11, 4.2))
    for count in sorted({row["runs"] for row in result["kernel"]}):
        rows = [row for row in result["kernel"] if row["runs"] == count]
        left.loglog([r["triangles"] for r in rows], [r["query_s"] for r in rows], "o-", label=f"{count:,} runs")
    left.set(xlabel="triangles", ylabel="processor seconds, one thread", title="every (run, element) minimum")
    left.legend()
    left.grid(True, alpha=0.3)
    bars = [
        (f"{name}{part}\n{row['triangles']:,.0f}", row[name][f"{key}_ratio"])
        for row in result["side_by_side"]
        for name in ("coal", "fcl", "embree")
        for part, key in (("", "whole"), (" narrow", "narrow"))
        if name in row and f"{key}_ratio" in row[name]
    ]
    right.barh([b[0] for b in bars], [b[1] for b in bars])
    right.set(xscale="log", title="time of the library ÷ time of the kernel, same runs")
    right.tick_params(axis="y", labelsize=6)
    figure.tight_layout()
    figure.savefig(path, dpi=120)


def main():
    """Measure, print, keep."""
    parser = argparse.ArgumentParser(description="Measure the clearance kernel beside general libraries.")
    parser.add_argument("--triangles", default="20e3,200e3,2e6")
    parser.add_argument("--runs", default="20,200,2000")
    parser.add_argument("--sample", type=int, default=200, help="runs that the libraries are asked about; 0 for none")
    parser.add_argument("--tolerance", type=float, default=1e-4, help="error allowed to the libraries, metres")
    parser.add_argument("--chart", type=Path)
    parser.add_argument("--json", type=Path)
    given = parser.parse_args()
    sizes, counts = ([int(float(x)) for x in text.split(",")] for text in (given.triangles, given.runs))
    result = {"builds": [], "kernel": [], "side_by_side": []}
    for size in sizes:
        triangles, starts, side = ceiling(size)
        index, row = build_row(triangles, starts)
        row |= {"triangles": len(triangles), "elements": len(starts) - 1}
        row["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        result["builds"].append(row)
        print(
            f"\n{len(triangles):,} triangles, {len(starts) - 1:,} elements: built in {row['build_s']:.3f} s, "
            f"{row['bytes_a_triangle']:.0f} bytes a triangle, one element replaced in {row['edit_ms']:.2f} ms; "
            f"others used {row['build_outside']:.0%} of the machine",
            flush=True,
        )
        clearance = np.full(len(starts) - 1, CLEARANCE_M)
        for count in counts:
            pieces, path_starts, radius = runs(count, side)
            _, row = kernel_row(index, clearance, pieces, path_starts, radius)
            result["kernel"].append({"triangles": len(triangles), "runs": count} | row)
            void = "" if row["outside"] <= QUIET else " (void)"
            print(
                f"  {count:>6,} runs: {row['query_s'] * 1e3:8.2f} ms, {row['query_s'] / row['pieces'] * 1e6:.2f} us a "
                f"piece, {row['pairs']:,} pairs, one run {row['one_run_ms']:.2f} ms; two threads "
                f"{row['wall_1_s'] / row['wall_2_s']:.2f}x{void}; others {row['outside']:.0%}",
                flush=True,
            )
        if given.sample:
            sample = min(given.sample, len(radius))
            row = side_by_side(index, triangles, starts, pieces, path_starts, radius, sample, given.tolerance)
            row["triangles"] = len(triangles)
            result["side_by_side"].append(row)
            print(
                f"  on {sample} runs, error {given.tolerance * 1e3:g} mm: kernel {row['kernel_s'] * 1e3:.2f} ms", end=""
            )
            print(f"; others {row['outside']:.0%}")
            for name in ("coal", "fcl"):
                if name in row:
                    r = row[name]
                    print(
                        f"    {name}: whole {r['whole_s']:.2f} s = {r['whole_ratio']:.0f}x, narrow phase alone "
                        f"{r['narrow_s']:.2f} s = {r['narrow_ratio']:.0f}x ({r['calls']:,} calls), meshes "
                        f"{r['model_s']:.2f} s; distances differ by {r['differ_m'] * 1e3:.3f} mm; pairs missed: "
                        f"kernel {r['missed_by_kernel']}, library {r['missed_by_library']}"
                    )
            if "embree" in row:
                r = row["embree"]
                print(
                    f"    Embree closest point, one minimum a run: {r['whole_s']:.2f} s = {r['whole_ratio']:.0f}x "
                    f"({r['points']:,} points), tree {r['model_s']:.2f} s; differs by {r['differ_m'] * 1e3:.3f} mm",
                    flush=True,
                )
    for count in counts:
        rows = [row for row in result["kernel"] if row["runs"] == count]
        grows = exponent(rows, "triangles")
        print(f"{count:,} runs: time grows with triangles to the power {grows:.2f}, {100**grows:.2f}x for 100x")
    largest = [row for row in result["kernel"] if row["triangles"] == result["builds"][-1]["triangles"]]
    print(f"at most triangles, time grows with runs to the power {exponent(largest, 'runs'):.2f}")
    if given.json:
        given.json.write_text(json.dumps(result, indent=1))
    if given.chart:
        draw(result, given.chart)


if __name__ == "__main__":
    main()
