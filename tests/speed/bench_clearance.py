"""Measure the clearance kernel by hand: ``python tests/speed/bench_clearance.py [triangles] [runs]``.

A seeded ceiling (deck, joists, ducts, pipes, hangers, boxes) grows in area with the number of triangles, so that its
density stays. Each row of the table is measured in a process of its own, so that peak memory is its own. The last row
asks a general collision library, used from Python, for the same distances of a sample of the pairs that the kernel
found: its compiled narrow phase and a call per piece, without the search for pairs.
"""

from __future__ import annotations

import json
import math
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

DECK_M, CEILING_M = 3.6, 2.7
BAY_M = 3.0
CLEARANCE_M = 0.05


def slab(centre, size):
    """Twelve triangles of a box."""
    corner = np.array([[i, j, k] for i in (-0.5, 0.5) for j in (-0.5, 0.5) for k in (-0.5, 0.5)]) * size + centre
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return np.array([corner[[a, b, c]] for a, b, c, d in quads] + [corner[[a, c, d]] for a, b, c, d in quads])


def rod(start, stop, radius, sides):
    """A closed prism with ``sides`` sides around a line."""
    start, stop = np.asarray(start, float), np.asarray(stop, float)
    axis = (stop - start) / np.linalg.norm(stop - start)
    side = np.cross(axis, [0.0, 0.0, 1.0] if abs(axis[2]) < 0.9 else [1.0, 0.0, 0.0])
    side /= np.linalg.norm(side)
    turn = 2 * np.pi * np.arange(sides) / sides
    ring = radius * (np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * np.cross(axis, side))
    a, b = start + ring, stop + ring
    a2, b2 = np.roll(a, -1, 0), np.roll(b, -1, 0)
    caps = [np.stack([np.broadcast_to(p, a.shape), q, r], 1) for p, q, r in ((start, a2, a), (stop, b, b2))]
    return np.concatenate([np.stack([a, a2, b2], 1), np.stack([a, b2, b], 1), *caps])


def ribbed_deck(x, y, length, width):
    """A sheet with ribs every 150 mm: long thin strips."""
    across = np.arange(0.0, width + 1e-9, 0.0375)
    height = DECK_M + 0.038 * (np.arange(len(across)) // 2 % 2)
    near = np.stack([np.full_like(across, x), y + across, height], 1)
    far = near + np.array([length, 0, 0])
    return np.concatenate([np.stack([near[:-1], far[:-1], far[1:]], 1), np.stack([near[:-1], far[1:], near[1:]], 1)])


def joist(x, y, length):
    """Four chord angles as boxes and a zigzag of rods."""
    parts = [slab([x + side, y + length / 2, z], [0.04, length, 0.006]) for side in (-0.03, 0.03) for z in (3.25, 3.58)]
    step = length / 12
    for k in range(12):
        low, high = (3.25, 3.58) if k % 2 else (3.58, 3.25)
        parts.append(rod([x, y + k * step, low], [x, y + (k + 1) * step, high], 0.006, 8))
    return np.concatenate(parts)


def bay(rng, x, y):
    """The elements over one bay of ``BAY_M`` by ``BAY_M``."""
    yield ribbed_deck(x, y, BAY_M, 0.9 * BAY_M)
    yield joist(x + 0.3, y, BAY_M)
    yield joist(x + 1.8, y, BAY_M)
    z = rng.uniform(2.95, 3.1)
    yield np.concatenate(
        [slab([x + 1.5, y + 0.8, z], [BAY_M, 0.6, 0.3]), slab([x + 0.02, y + 0.8, z], [0.03, 0.66, 0.36])]
    )
    for side in (-0.35, 0.35):
        yield rod([x + 1.0, y + 0.8 + side, z - 0.17], [x + 1.0, y + 0.8 + side, DECK_M], 0.005, 8)
    for offset, radius in ((1.5, 0.055), (1.7, 0.03), (2.2, 0.0165)):
        height = rng.uniform(2.85, 3.4)
        yield rod([x, y + offset, height], [x + BAY_M, y + offset, height], radius, 20)
        yield rod([x + 0.5, y + offset, height], [x + 0.58, y + offset, height], radius + 0.008, 20)
        yield rod([x + 1.5, y + offset, height + radius], [x + 1.5, y + offset, DECK_M], 0.005, 8)
    drop = x + rng.uniform(0.3, 2.7)
    yield rod([drop, y + 2.2, 3.2], [drop, y + 2.2, CEILING_M], 0.0165, 20)
    yield rod([drop, y + 2.2, CEILING_M], [drop, y + 2.2, CEILING_M - 0.02], 0.03, 24)
    for _ in range(4):
        place = [x + rng.uniform(0.2, 2.8), y + rng.uniform(0.2, 2.8), rng.uniform(2.8, 3.5)]
        yield slab(place, rng.uniform(0.08, 0.3, 3))
    for k in range(5):
        yield slab([x + 0.3 + 0.6 * k, y + BAY_M / 2, CEILING_M], [0.024, BAY_M, 0.038])
        yield slab([x + 0.3 + 0.6 * k, y + 0.6, CEILING_M + 0.012], [0.57, 1.18, 0.018])


def ceiling(count, seed=0):
    """Triangles (n, 3, 3), starts, and the size of a square ceiling with about ``count`` triangles."""
    rng = np.random.default_rng(seed)
    per_bay = sum(len(part) for part in bay(rng, 0.0, 0.0))
    side = max(1, round(math.sqrt(count / per_bay)))
    elements = [part for i in range(side) for j in range(side) for part in bay(rng, i * BAY_M, j * BAY_M)]
    starts = np.concatenate([[0], np.cumsum([len(part) for part in elements])])
    return np.concatenate(elements), starts, side * BAY_M


def runs(count, size, seed=1):
    """Runs of about 30 m: level legs at right angles and drops, joined by tangent arcs."""
    rng = np.random.default_rng(seed)
    rows, starts = [], [0]
    radius = rng.choice([0.004, 0.006, 0.01, 0.0125], count)
    for _ in range(count):
        here = np.array([*rng.uniform(0.1 * size, 0.9 * size, 2), rng.uniform(2.8, 3.5)])
        axis, at = int(rng.integers(2)), 0.0
        tangent = np.eye(3)[axis] * rng.choice([-1, 1])
        bend = rng.uniform(0.08, 0.3)
        while at < 30.0:
            length = rng.uniform(0.7, 3.5) if abs(tangent[2]) < 0.5 else rng.uniform(0.02, 0.2)
            target = here + tangent * (length + 2 * bend)
            if abs(tangent[2]) < 0.5 and not (target.min() > 0 and target[:2].max() < size):
                length = 0.05
            row = np.zeros(14)
            row[1], row[2], row[3:6], row[9:12] = at, length, here, tangent
            rows.append(row)
            at += length
            here = here + length * tangent
            away = np.eye(3)[int(rng.integers(3))] * rng.choice([-1, 1])
            middle = np.array([size / 2, size / 2, 3.15])
            if abs(away @ tangent) > 0.5:
                away = np.roll(tangent, 1) if abs(tangent[2]) < 0.5 else np.eye(3)[0]
            if away @ (here - middle) > 0 and rng.random() < 0.7:
                away = -away
            arc = np.zeros(14)
            arc[0], arc[1], arc[2], arc[12], arc[13] = 1.0, at, bend * np.pi / 2, bend, np.pi / 2
            arc[3:6], arc[6:9], arc[9:12] = here + bend * away, -away, tangent
            rows.append(arc)
            at += arc[2]
            here, tangent = here + bend * (away + tangent), away
        starts.append(len(rows))
    return np.array(rows), np.array(starts), radius


def peak_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def timed(task, repeats):
    """Best wall and processor seconds of some calls, and the last answer."""
    best = (math.inf, math.inf)
    for _ in range(repeats):
        wall, processor = time.perf_counter(), time.process_time()
        answer = task()
        best = min(best, (time.perf_counter() - wall, time.process_time() - processor))
    return *best, answer


def measure(triangle_count, run_count, threads):
    """One row of the table."""
    from route3d.kernel.between import nearest_paths
    from route3d.kernel.clearance import nearest_elements, stretches_within
    from route3d.kernel.compiled import thread_limit
    from route3d.kernel.mesh_index import build_index
    from route3d.kernel.solid import deepest

    small, small_starts, small_size = ceiling(1000)
    warm, warm_starts, warm_radius = runs(2, small_size)
    triangles, starts, size = ceiling(triangle_count)
    pieces, path_starts, radius = runs(run_count, size)
    with thread_limit(threads):
        index = build_index(small, small_starts)  # compiled outside the measurement
        found = nearest_elements(index, warm, warm_starts, warm_radius + 9, np.zeros(len(small_starts) - 1))
        stretches_within(index, warm, warm_starts, found.path, found.element, np.ones(len(found.path)))
        deepest(index, warm, warm_starts, found.path, found.element)
        nearest_paths(warm, warm_starts, warm_radius, 9.0)
        before = peak_mb()
        build = timed(lambda: build_index(triangles, starts), 3)
        index = build[2]
        clearance = np.full(len(starts) - 1, CLEARANCE_M)
        cold = timed(lambda: nearest_elements(index, pieces, path_starts, radius, clearance), 1)
        query = timed(lambda: nearest_elements(index, pieces, path_starts, radius, clearance), 5)
        found = query[2]
        limit = radius[found.path] + CLEARANCE_M
        stretch = timed(lambda: stretches_within(index, pieces, path_starts, found.path, found.element, limit), 3)
        crossed = found.distance_m == 0.0
        deep = timed(lambda: deepest(index, pieces, path_starts, found.path[crossed], found.element[crossed]), 3)
        between = timed(lambda: nearest_paths(pieces, path_starts, radius, CLEARANCE_M), 3)
    row = {
        "triangles": len(triangles),
        "elements": len(starts) - 1,
        "runs": run_count,
        "pieces": len(pieces),
        "threads": threads,
        "build_s": build[0],
        "cold_s": cold[0],
        "query_s": query[0],
        "query_cpu_s": query[1],
        "pairs": len(found.path),
        "stretches_s": stretch[0],
        "crossings": int(crossed.sum()),
        "depth_s": deep[0],
        "run_pairs": len(between[2].first),
        "between_s": between[0],
        "peak_mb": peak_mb(),
        "model_mb": before,
    }
    if threads == 1:
        row |= library_row(triangles, starts, pieces, path_starts, found, radius)
    return row


def library_row(triangles, starts, pieces, path_starts, found, radius, sample=300):
    """The same distances for some pairs from a general collision library; straight pieces only, a call per piece."""
    import coal

    from route3d.kernel.clearance import nearest_elements
    from route3d.kernel.mesh_index import build_index

    chosen = np.random.default_rng(2).choice(len(found.path), min(sample, len(found.path)), replace=False)
    path, element = found.path[chosen], found.element[chosen]
    straight, owner = [], []
    for pair in range(len(chosen)):
        for row in pieces[path_starts[path[pair]] : path_starts[path[pair] + 1]]:
            if row[0] == 0.0 and row[2] > 0.0:
                straight.append(np.concatenate([[0.0, 0.0], row[2:]]))
                owner.append(pair)
    straight, owner = np.array(straight), np.array(owner)
    models = {}
    for j in np.unique(element).tolist():
        model = coal.BVHModelOBBRSS()
        own = triangles[starts[j] : starts[j + 1]]
        model.beginModel(len(own), 3 * len(own))
        for triangle in own:
            model.addTriangle(*triangle)
        model.endModel()
        models[j] = model
    request = coal.DistanceRequest()
    gaps = np.full(len(straight), np.inf)
    # only what is within reach by its box, as any caller would do first
    own_low = np.array([triangles[starts[j] : starts[j + 1]].min((0, 1)) for j in element])
    own_high = np.array([triangles[starts[j] : starts[j + 1]].max((0, 1)) for j in element])
    a, b = straight[:, 3:6], straight[:, 3:6] + straight[:, 2, None] * straight[:, 9:12]
    apart = np.maximum(np.maximum(own_low[owner] - np.maximum(a, b), np.minimum(a, b) - own_high[owner]), 0.0)
    near = np.flatnonzero(np.linalg.norm(apart, axis=1) <= CLEARANCE_M + radius[path[owner]])
    wall = time.perf_counter()
    for k in near:
        axis = straight[k, 9:12]
        side = np.eye(3)[int(np.argmin(np.abs(axis)))]
        side = np.cross(axis, side)
        side /= np.linalg.norm(side)
        pose = coal.Transform3s(np.stack([side, np.cross(axis, side), axis], 1), 0.5 * (a[k] + b[k]))
        shape = coal.Capsule(1e-4, straight[k, 2])
        gaps[k] = coal.distance(
            shape, pose, models[element[owner[k]]], coal.Transform3s(), request, coal.DistanceResult()
        )
    library = (time.perf_counter() - wall) / len(near)
    # the kernel on exactly these: every piece a path, every element alone
    each, count = np.unique(element[owner[near]], return_inverse=True)
    index = build_index(
        np.concatenate([triangles[starts[j] : starts[j + 1]] for j in each]),
        np.concatenate([[0], np.cumsum([starts[j + 1] - starts[j] for j in each])]),
    )
    rows = straight[near]
    clearance = np.full(len(each), CLEARANCE_M)
    starts_of = np.arange(len(near) + 1)
    wall, _, answer = timed(lambda: nearest_elements(index, rows, starts_of, radius[path[owner[near]]], clearance), 5)
    mine = np.full((len(near), len(each)), np.nan)
    mine[answer.path, answer.element] = answer.distance_m
    mine = mine[np.arange(len(near)), count.reshape(-1)]
    both = (gaps[near] > 0.0) & np.isfinite(mine)
    return {
        "library_us": library * 1e6,
        "kernel_us": wall / len(near) * 1e6,
        "ratio": library / (wall / len(near)),
        "differ_m": float(np.abs(gaps[near][both] + 1e-4 - mine[both]).max()),
    }


def main():
    triangle_count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    run_count = int(sys.argv[2]) if len(sys.argv) > 2 else 500
    for threads in (1, 2):
        text = subprocess.run(
            [sys.executable, __file__, "--row", str(triangle_count), str(run_count), str(threads)],
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        print(f"--- {threads} thread{'s' if threads > 1 else ''}")
        for key, value in json.loads(text).items():
            print(f"{key:>14}  {value:,.4g}" if isinstance(value, float) else f"{key:>14}  {value:,}")


if __name__ == "__main__":
    if len(sys.argv) > 1 and sys.argv[1] == "--row":
        print(json.dumps(measure(*map(int, sys.argv[2:5]))))
    else:
        main()
