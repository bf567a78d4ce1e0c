"""Slow, plain answers to the questions of the kernel; shares no code with it.

Points against triangles in extended precision, straight pieces by golden section (the distance to a triangle is convex
along a line), arcs by dense samples and golden section around each of the best.
"""

import numpy as np

LONG = np.longdouble


def point_segment(points, a, b):
    d = b - a
    dd = (d * d).sum(-1)
    t = np.where(dd > 0, ((points - a) * d).sum(-1) / np.where(dd > 0, dd, 1), 0)
    t = np.clip(t, 0, 1)
    return np.sqrt(((points - a - t[..., None] * d) ** 2).sum(-1))


def point_triangles(points, triangles):
    """Distances of points (..., 3) to triangles (..., 3, 3), pair by pair after broadcasting."""
    p = np.asarray(points, LONG)
    a, b, c = (np.asarray(triangles, LONG)[..., k, :] for k in range(3))
    best = np.minimum(np.minimum(point_segment(p, a, b), point_segment(p, b, c)), point_segment(p, c, a))
    n = np.cross(b - a, c - a)
    nn = (n * n).sum(-1)
    ok = nn > 1e-26
    safe = np.where(ok, nn, 1)
    w_c = (np.cross(b - a, p - a) * n).sum(-1) / safe
    w_a = (np.cross(c - b, p - b) * n).sum(-1) / safe
    w_b = (np.cross(a - c, p - c) * n).sum(-1) / safe
    over = ok & (w_a >= 0) & (w_b >= 0) & (w_c >= 0)
    height = np.abs(((p - a) * n).sum(-1)) / np.sqrt(safe)
    return np.where(over, np.minimum(height, best), best)


def piece_points(piece, s):
    """Points of one row of a path at lengths s (...,) from its start, from the description of the format."""
    s = np.asarray(s, float)[..., None]
    if piece[0] == 0:
        return piece[3:6] + s * piece[9:12]
    r = piece[12]
    return piece[3:6] + r * (np.cos(s / r) * piece[6:9] + np.sin(s / r) * piece[9:12])


def golden(function, low, high, rounds=70):
    """Least value of a function of arrays between low and high (k,), with one valley in each."""
    g = (np.sqrt(5) - 1) / 2
    low, high = np.array(low, float), np.array(high, float)
    c, d = high - g * (high - low), low + g * (high - low)
    fc, fd = function(c), function(d)
    best = np.minimum(np.minimum(fc, fd), np.minimum(function(low), function(high)))
    for _ in range(rounds):
        left = fc < fd
        high = np.where(left, d, high)
        low = np.where(left, low, c)
        new_c, new_d = high - g * (high - low), low + g * (high - low)
        fc, fd = function(new_c), function(new_d)
        c, d = new_c, new_d
        best = np.minimum(best, np.minimum(fc, fd))
    return best


def piece_triangles(piece, triangles, samples=181):
    """Least distances (n,) of one piece to triangles (n, 3, 3)."""
    n = len(triangles)
    if piece[2] == 0.0:
        return point_triangles(np.repeat(piece_points(piece, 0.0)[None], n, 0), triangles)
    if piece[0] == 0:
        return golden(
            lambda s: point_triangles(piece_points(piece, s), triangles), np.zeros(n), np.full(n, piece[2]), 45
        )
    grid = np.linspace(0, piece[2], samples)
    values = np.asarray(point_triangles(piece_points(piece, grid)[None], triangles[:, None]), float)
    best = values.min(1)
    padded = np.pad(values, ((0, 0), (1, 1)), constant_values=np.inf)
    valley = (padded[:, 1:-1] <= padded[:, :-2]) & (padded[:, 1:-1] <= padded[:, 2:])
    which, k = np.nonzero(valley & (values <= best[:, None] + piece[2] / samples))
    found = golden(
        lambda s: point_triangles(piece_points(piece, s), triangles[which]),
        grid[np.maximum(k - 1, 0)],
        grid[np.minimum(k + 1, samples - 1)],
        35,
    )
    np.minimum.at(best, which, np.asarray(found, float))
    return best


def nearest_pairs(triangles, owner, pieces, starts, reach):
    """Least distance of every (path, element) pair that is below reach (paths, elements)."""
    answer = {}
    for path in range(len(starts) - 1):
        for piece in pieces[starts[path] : starts[path + 1]]:
            rough = piece_points(piece, np.linspace(0, piece[2], 25))
            gap = np.maximum(np.maximum(triangles.min(1) - rough.max(0), rough.min(0) - triangles.max(1)), 0.0)
            spare = piece[2] / 48
            near = np.flatnonzero(np.linalg.norm(gap, axis=1) <= reach[path, owner] + spare)
            if len(near) == 0:
                continue
            distance = piece_triangles(piece, triangles[near])
            for k, d in zip(near.tolist(), distance.tolist(), strict=True):
                key = (path, int(owner[k]))
                if d <= reach[key] and d < answer.get(key, np.inf):
                    answer[key] = float(d)
    return answer


def random_paths(rng, count, size, arcs=(0.02, 4.71), radii=(0.05, 1.0), pieces=4):
    """Smooth paths of straight pieces and arcs in turn: rows (n, 14) and starts, after the format's description."""
    rows, starts = [], [0]
    for _ in range(count):
        here = rng.uniform(0.25 * size, 0.75 * size, 3)
        tangent = rng.normal(size=3)
        tangent /= np.linalg.norm(tangent)
        at = 0.0
        for k in range(pieces):
            row = np.zeros(14)
            row[1] = at
            if k % 2 == 0:
                length = 0.0 if rng.random() < 0.1 else rng.uniform(0.02, 0.3) * size
                row[2], row[3:6] = length, here
                row[9:12] = tangent if length > 0 else 0.0
                here = here + length * tangent
            else:
                to_centre = np.cross(tangent, rng.normal(size=3))
                to_centre /= np.linalg.norm(to_centre)
                radius, turn = rng.uniform(*radii), rng.uniform(*arcs)
                row[0], row[2], row[12], row[13] = 1.0, radius * turn, radius, turn
                row[3:6] = here + radius * to_centre
                row[6:9], row[9:12] = -to_centre, tangent
                here = piece_points(row, row[2])
                tangent = -np.sin(turn) * row[6:9] + np.cos(turn) * row[9:12]
            at += row[2]
            rows.append(row)
        starts.append(len(rows))
    return np.array(rows), np.array(starts)


def path_points(pieces, at):
    """Points (k, 3) of one path at distances (k,)."""
    points = np.empty((len(at), 3))
    for k, s in enumerate(at):
        held = [row for row in pieces if row[1] - 1e-9 <= s <= row[1] + row[2] + 1e-9]
        points[k] = piece_points(held[0], np.clip(s - held[0][1], 0, held[0][2]))
    return points


def box(low, high):
    """Twelve outward triangles of a box."""
    x, y, z = np.stack([low, high], 1)
    v = np.array([[a, b, c] for a in x for b in y for c in z])
    faces = [(0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1)]
    faces += [(2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3)]
    return v[np.array(faces)]


def box_depth(points, low, high):
    """How deep points are in a box; negative outside (not the distance there)."""
    return np.minimum(points - low, high - points).min(-1)
