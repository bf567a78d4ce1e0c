"""The same distances from general libraries, each used from Python as its users would: see ``bench_clearance.py``.

A collision library knows no arcs: they become chords whose sagitta is the error that is allowed. Pairs are found by a
tree over boxes that answers all chords in one call (shapely), which favours the libraries. A closest-point query knows
no elements and no lines: it gives one minimum a run, by halving what may still hold a smaller one.
"""

from __future__ import annotations

import math
import time

import numpy as np

THIN_M = 1e-4  # a capsule needs a radius


def chords(pieces, starts, tolerance):
    """Chords (n, 2, 3) of all pieces and the run (n,) of each."""
    ends, owner = [], []
    for path in range(len(starts) - 1):
        for row in pieces[starts[path] : starts[path + 1]]:
            s = np.array([0.0, row[2]])
            if row[0] == 1.0:
                widest = 2.0 * math.acos(1.0 - tolerance / row[12])
                s = np.linspace(0.0, row[2], math.ceil(row[13] / widest) + 1)
                angle = s[:, None] / row[12]
                points = row[3:6] + row[12] * (np.cos(angle) * row[6:9] + np.sin(angle) * row[9:12])
            else:
                points = row[3:6] + s[:, None] * row[9:12]
            ends.append(np.stack([points[:-1], points[1:]], 1))
            owner.append(np.full(len(s) - 1, path))
    return np.concatenate(ends), np.concatenate(owner)


class Pairs:
    """Which chords come near which elements, by their boxes."""

    def __init__(self, triangles, starts):
        import shapely

        self._shapely = shapely
        self.low = np.minimum.reduceat(triangles.min(1), starts[:-1])
        self.high = np.maximum.reduceat(triangles.max(1), starts[:-1])
        self.tree = shapely.STRtree(shapely.box(self.low[:, 0], self.low[:, 1], self.high[:, 0], self.high[:, 1]))

    def near(self, ends, reach):
        """Rows of chord and element."""
        low, high = ends.min(1) - reach[:, None], ends.max(1) + reach[:, None]
        boxes = self._shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
        chord, element = self.tree.query(boxes)
        keep = (self.low[element, 2] <= high[chord, 2]) & (self.high[element, 2] >= low[chord, 2])
        return chord[keep], element[keep]


def poses(ends):
    """Lengths (n,), rotations (n, 3, 3) that turn z along each chord, and middles (n, 3)."""
    along = ends[:, 1] - ends[:, 0]
    length = np.linalg.norm(along, axis=1)
    axis = np.where(length[:, None] > 0.0, along / np.where(length > 0.0, length, 1.0)[:, None], [0.0, 0.0, 1.0])
    side = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis), axis=1)])
    side /= np.linalg.norm(side, axis=1)[:, None]
    return length, np.stack([side, np.cross(axis, side), axis], 2), ends.mean(1)


class Coal:
    """Capsules against bounding-volume meshes, one call a pair."""

    name = "coal"

    def __init__(self):
        import coal

        self.lib = coal
        self.request = coal.DistanceRequest()
        self.here = coal.Transform3s()

    def model(self, triangles):
        model = self.lib.BVHModelOBBRSS()
        model.beginModel(len(triangles), 3 * len(triangles))
        for triangle in triangles:
            model.addTriangle(*triangle)
        model.endModel()
        return model

    def tube(self, length, turn, middle):
        return self.lib.Capsule(THIN_M, length), self.lib.Transform3s(turn, middle)

    def distances(self, tubes, chord, models, element):
        """The narrow phase and nothing else."""
        distance, here, request, result = self.lib.distance, self.here, self.request, self.lib.DistanceResult
        return [distance(*tubes[c], models[e], here, request, result()) for c, e in zip(chord, element, strict=True)]


class Fcl(Coal):
    """The same scheme with another library."""

    name = "fcl"

    def __init__(self):
        import fcl

        self.lib = fcl
        self.request = fcl.DistanceRequest(enable_nearest_points=True)

    def model(self, triangles):
        model = self.lib.BVHModel()
        model.beginModel(3 * len(triangles), len(triangles))
        model.addSubModel(triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3))
        model.endModel()
        return self.lib.CollisionObject(model, self.lib.Transform())

    def tube(self, length, turn, middle):
        return self.lib.CollisionObject(self.lib.Capsule(THIN_M, length), self.lib.Transform(turn, middle))

    def distances(self, tubes, chord, models, element):
        distance, request, result = self.lib.distance, self.request, self.lib.DistanceResult
        return [distance(tubes[c], models[e], request, result()) for c, e in zip(chord, element, strict=True)]


def collision_row(library, pairs, triangles, starts, pieces, path_starts, radius, clearance, tolerance):
    """Minima {(run, element): distance}, and processor seconds of search, set-up and narrow phase; models not counted.

    Two times of one work: ``narrow_s`` is the calls alone, with all shapes made and all pairs found beforehand.
    """
    began = time.process_time()
    ends, owner = chords(pieces, path_starts, tolerance)
    chord, element = pairs.near(ends, radius[owner] + clearance + tolerance)
    searched = time.process_time()
    models = {int(e): library.model(triangles[starts[e] : starts[e + 1]]) for e in np.unique(element)}
    built = time.process_time()
    wanted, of = np.unique(chord, return_inverse=True)
    tubes = [library.tube(*pose) for pose in zip(*poses(ends[wanted]), strict=True)]
    ready = time.process_time()
    gaps = library.distances(tubes, of.reshape(-1).tolist(), models, element.tolist())
    done = time.process_time()
    minima: dict[tuple[int, int], float] = {}
    for key, gap in zip(zip(owner[chord].tolist(), element.tolist(), strict=True), gaps, strict=True):
        if gap < minima.get(key, math.inf):
            minima[key] = gap
    kept = {key: gap + THIN_M for key, gap in minima.items() if gap + THIN_M <= radius[key[0]] + clearance}
    finished = time.process_time()
    return kept, {
        "whole_s": searched - began + finished - built,
        "narrow_s": done - ready,
        "model_s": built - searched,
        "calls": len(chord),
        "chords": len(ends),
    }


def closest_point_row(triangles, pieces, path_starts, radius, clearance, tolerance):
    """Smallest distance of each run within reach, by an Embree tree; and processor seconds. None if not installed."""
    try:
        import open3d
    except ImportError:
        return None
    scene = open3d.t.geometry.RaycastingScene(nthreads=1)
    built = time.process_time()
    corners = triangles.reshape(-1, 3).astype(np.float32)
    scene.add_triangles(corners, np.arange(len(corners), dtype=np.uint32).reshape(-1, 3))
    scene.compute_distance(np.zeros((1, 3), np.float32), nthreads=1)
    built = time.process_time() - built
    began = time.process_time()
    points_asked = 0

    def distance(row, s):
        nonlocal points_asked
        points_asked += len(s)
        arc = row[:, 0] == 1.0
        r = np.where(arc, row[:, 12], 1.0)
        u, v = np.where(arc, r * np.cos(s / r), 0.0), np.where(arc, r * np.sin(s / r), s)
        points = row[:, 3:6] + u[:, None] * row[:, 6:9] + v[:, None] * row[:, 9:12]
        return scene.compute_distance(points.astype(np.float32), nthreads=1).numpy().astype(float)

    owner = np.repeat(np.arange(len(radius)), np.diff(path_starts))
    piece = np.arange(len(pieces))
    low, high = np.zeros(len(pieces)), pieces[:, 2].copy()
    at_low, at_high = distance(pieces, low), distance(pieces, high)
    best = radius + clearance
    np.minimum.at(best, owner, np.minimum(at_low, at_high))
    while len(piece):
        # the distance changes no faster than the place does
        keep = 0.5 * (at_low + at_high - (high - low)) < best[owner[piece]] - tolerance
        piece, low, high, at_low, at_high = piece[keep], low[keep], high[keep], at_low[keep], at_high[keep]
        middle = 0.5 * (low + high)
        at = distance(pieces[piece], middle) if len(piece) else middle
        np.minimum.at(best, owner[piece], at)
        piece = np.concatenate([piece, piece])
        low, high = np.concatenate([low, middle]), np.concatenate([middle, high])
        at_low, at_high = np.concatenate([at_low, at]), np.concatenate([at, at_high])
    return best, {"whole_s": time.process_time() - began, "model_s": built, "points": points_asked}
