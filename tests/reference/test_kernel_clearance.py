"""The clearance kernel against slow plain code, a general collision library and closed forms."""

import coal
import numpy as np
import pytest
from kernel_truth import (
    nearest_pairs,
    path_points,
    piece_points,
    piece_triangles,
    point_triangles,
    random_paths,
)

from route3d.kernel.clearance import SLACK_M, closest_points, distance_at, nearest_elements, stretches_within
from route3d.kernel.compiled import thread_limit
from route3d.kernel.mesh_index import build_index

CERTIFIED_M = 1e-6


def random_model(rng, size=5.0):
    """Elements of six triangles: fat ones, slivers, points, segments, coplanar fans, and sizes 1000 times apart."""
    groups = []
    for _ in range(60):
        centre = rng.uniform(0.15 * size, 0.85 * size, 3)
        kind = rng.integers(6)
        t = centre + rng.normal(0, 0.3, (6, 3, 3))
        if kind == 1:  # slivers, down to a height of 1e-9
            direction = rng.normal(size=3)
            t = (
                centre
                + rng.uniform(-1, 1, (6, 3, 1)) * direction
                + rng.normal(0, 10.0 ** -rng.uniform(2, 9), (6, 3, 3))
            )
        elif kind == 2:  # points and segments
            t[:3, 1:] = t[:3, :1]
            t[3:, 2] = 0.5 * (t[3:, 0] + t[3:, 1])
        elif kind == 3:  # all in one level plane
            t[:, :, 2] = centre[2]
        elif kind == 4:  # from millimetres to metres
            t = centre + (t - centre) * 10.0 ** rng.uniform(-3, 0.5, (6, 1, 1))
        groups.append(t)
    groups.insert(7, np.empty((0, 3, 3)))
    triangles = np.concatenate(groups)
    starts = np.concatenate([[0], np.cumsum([len(g) for g in groups])])
    return triangles, starts


def owners(starts):
    return np.repeat(np.arange(len(starts) - 1), np.diff(starts))


def check_against_truth(triangles, starts, pieces, path_starts, radius, clearance, shift):
    index = build_index(triangles + shift, starts)
    moved = pieces.copy()
    moved[:, 3:6] += shift
    found = nearest_elements(index, moved, path_starts, radius, clearance)
    limit = radius[:, None] + clearance[None, :]
    truth = nearest_pairs(triangles, owners(starts), pieces, path_starts, limit)
    mine = dict(zip(zip(found.path.tolist(), found.element.tolist(), strict=True), found.distance_m, strict=True))
    assert not truth.keys() - mine.keys()
    assert (found.distance_m <= limit[found.path, found.element] + SLACK_M).all()
    assert max(mine[key] - truth[key] for key in truth) <= CERTIFIED_M
    # the place is on the path, and the named triangle is at the reported distance from it: nothing nearer was claimed
    for path, distance, at, triangle in zip(found.path, found.distance_m, found.at_m, found.triangle, strict=True):
        place = path_points(pieces[path_starts[path] : path_starts[path + 1]], [at])
        assert abs(float(point_triangles(place, triangles[triangle][None])[0]) - distance) <= CERTIFIED_M
    owner = owners(starts)
    assert (owner[found.triangle] == found.element).all()
    return len(truth)


@pytest.mark.parametrize(("seed", "shift"), [(0, 0.0), (1, 0.0), (2, 5e5), (3, 5e5)])
def test_every_pair_is_found_at_its_distance(seed, shift):
    rng = np.random.default_rng(seed)
    triangles, starts = random_model(rng)
    pieces, path_starts = random_paths(rng, 12, 5.0, arcs=[(0.017, 0.3), (1.5, 1.6), (4.6, 4.8), (0.02, 3)][seed])
    radius = rng.uniform(0.0, 0.05, 12)
    clearance = rng.uniform(0.0, 0.4, len(starts) - 1)
    # far from 0, coordinates themselves are rounded to 6e-11 m
    assert check_against_truth(triangles, starts, pieces, path_starts, radius, clearance, np.full(3, shift)) > 20


def test_paths_that_touch_edges_corners_and_faces_are_at_no_distance():
    triangle = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]])
    index = build_index(triangle, [0, 1])
    starts = np.arange(5)
    pieces = np.zeros((4, 14))
    pieces[:, 2] = 2.0
    pieces[0, 3:6], pieces[0, 9:12] = (-0.5, 0, 0), (1, 0, 0)  # along an edge
    pieces[1, 3:6], pieces[1, 9:12] = (1, -1, 0), (0, 1, 0)  # past a corner
    pieces[2, 3:6], pieces[2, 9:12] = (-0.5, 0.2, 0), (1, 0, 0)  # in the plane
    pieces[3, 3:6], pieces[3, 9:12] = (0.3, 0.3, 0), (0, 0, 1)  # ends on the face
    found = nearest_elements(index, pieces, starts, np.zeros(4), np.zeros(1))
    assert found.path.tolist() == [0, 1, 2, 3]
    assert np.abs(found.distance_m).max() < 1e-15


def test_straight_pieces_agree_with_a_general_collision_library():
    rng = np.random.default_rng(3)
    count = 400
    triangles = rng.uniform(0, 1, (count, 3, 3))
    a, b = rng.uniform(-0.5, 1.5, (2, count, 3))
    pieces = np.zeros((count, 14))
    pieces[:, 2] = np.linalg.norm(b - a, axis=1)
    pieces[:, 3:6], pieces[:, 9:12] = a, (b - a) / pieces[:, 2, None]
    index = build_index(triangles, np.arange(count + 1))
    found = nearest_elements(index, pieces, np.arange(count + 1), np.zeros(count), np.full(count, 9.0))
    mine = np.full((count, count), np.nan)
    mine[found.path, found.element] = found.distance_m
    worst = 0.0
    radius = 1e-3
    for k in range(count):
        axis = (b[k] - a[k]) / pieces[k, 2]
        side = np.linalg.svd(axis[None])[2][1]
        turn = np.stack([side, np.cross(axis, side), axis], axis=1)
        pose = coal.Transform3s(turn, 0.5 * (a[k] + b[k]))
        other = (k * 7 + 1) % count
        shape = coal.BVHModelOBBRSS()
        shape.beginModel(1, 3)
        shape.addTriangle(*triangles[other])
        shape.endModel()
        result = coal.DistanceResult()
        gap = coal.distance(
            coal.Capsule(radius, pieces[k, 2]), pose, shape, coal.Transform3s(), coal.DistanceRequest(), result
        )
        if gap > 0.0:  # where they overlap it answers a depth, which is another question
            worst = max(worst, abs(gap + radius - mine[k, other]))
    assert worst < 2e-6  # its iteration stops at 1e-6


def test_skipped_elements_and_negative_clearances_are_left_out():
    triangle = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]])
    index = build_index(np.concatenate([triangle, triangle, triangle]), [0, 1, 2, 3])
    piece = np.zeros((1, 14))
    piece[0, 2], piece[0, 5], piece[0, 9] = 1.0, 0.1, 1.0
    found = nearest_elements(index, piece, [0, 1], [0.05], [0.06, -1.0, 0.06], skip=[False, False, True])
    assert found.element.tolist() == [0]


def test_distances_and_nearest_points_agree_with_plain_code():
    rng = np.random.default_rng(5)
    triangles, starts = random_model(rng)
    index = build_index(triangles, starts)
    element = rng.integers(0, len(starts) - 1, 300)
    points = rng.uniform(-1, 6, (300, 3))
    distance = distance_at(index, element, points)
    nearest = closest_points(index, element, points)
    for e, p, d, q in zip(element, points, distance, nearest, strict=True):
        own = triangles[starts[e] : starts[e + 1]]
        if len(own) == 0:
            assert np.isinf(d)
            assert np.isnan(q).all()
            continue
        assert abs(float(point_triangles(p[None], own).min()) - d) < 1e-9
        assert abs(np.linalg.norm(p - q) - d) < 1e-9
        assert float(point_triangles(q[None], own).min()) < 1e-9


@pytest.mark.parametrize("seed", range(3))
def test_stretches_within_a_limit_agree_with_dense_sampling(seed):
    rng = np.random.default_rng(100 + seed)
    triangles, starts = random_model(rng)
    pieces, path_starts = random_paths(rng, 10, 5.0)
    index = build_index(triangles, starts)
    found = nearest_elements(index, pieces, path_starts, np.zeros(10), np.full(len(starts) - 1, 0.3))
    limit = rng.uniform(0.0, 0.3, len(found.path))
    stretches = stretches_within(index, pieces, path_starts, found.path, found.element, limit)
    seen = 0
    for pair in range(0, len(found.path), 2):
        own = triangles[starts[found.element[pair]] : starts[found.element[pair] + 1]]
        mine = stretches.pair == pair
        begin, end = stretches.from_m[mine], stretches.to_m[mine]
        assert (begin <= end).all()
        assert (begin[1:] > end[:-1]).all()
        rows = pieces[path_starts[found.path[pair]] : path_starts[found.path[pair] + 1]]
        at = np.concatenate([row[1] + np.linspace(0, row[2], 150) for row in rows])
        points = np.concatenate([piece_points(row, np.linspace(0, row[2], 150)) for row in rows])
        distance = np.asarray(point_triangles(points[:, None], own[None]).min(1), float)
        inside = ((at[:, None] >= begin - 1e-7) & (at[:, None] <= end + 1e-7)).any(1)
        clear = np.abs(distance - limit[pair]) > 1e-6
        assert (inside == (distance <= limit[pair]))[clear].all()
        # every end is at the limit, or is an end of the path
        ends = np.concatenate([begin, end])
        total = rows[-1][1] + rows[-1][2]
        ends = ends[(ends > 1e-9) & (ends < total - 1e-9)]
        if len(ends):
            away = np.asarray(point_triangles(path_points(rows, ends)[:, None], own[None]).min(1), float)
            assert np.abs(away - limit[pair]).max() < 1e-6
            seen += len(ends)
    assert seen > 20


@pytest.mark.parametrize("offset", [-1e-3, 0.0, 1e-3])
def test_a_run_along_a_face_at_the_limit_is_within_it_as_a_whole(offset):
    deck = np.array([[[0.0, 0, 1], [8, 0, 1], [8, 2, 1]], [[0, 0, 1], [8, 2, 1], [0, 2, 1]]])
    index = build_index(deck, [0, 2])
    straight = np.zeros(14)
    straight[2], straight[3:6], straight[9:12] = 6.0, (1, 1, 0.95), (1, 0, 0)
    bend = np.zeros(14)  # level, at the same height
    bend[0], bend[1], bend[2], bend[12], bend[13] = 1.0, 6.0, 0.25 * np.pi, 0.5, 0.5 * np.pi
    bend[3:6], bend[6:9], bend[9:12] = (7, 1.5, 0.95), (0, -1, 0), (1, 0, 0)
    stretches = stretches_within(index, np.array([straight, bend]), [0, 2], [0], [0], [0.05 + offset])
    if offset < 0:
        assert len(stretches.pair) == 0
    else:
        np.testing.assert_allclose([stretches.from_m, stretches.to_m], [[0.0], [6.0 + 0.25 * np.pi]], atol=1e-9)


def test_answers_do_not_depend_on_the_number_of_threads():
    rng = np.random.default_rng(11)
    triangles, starts = random_model(rng)
    pieces, path_starts = random_paths(rng, 150, 5.0)
    answers = []
    for threads in (1, 2, 5):
        with thread_limit(threads):
            index = build_index(triangles, starts)
            found = nearest_elements(index, pieces, path_starts, np.full(150, 0.02), np.full(len(starts) - 1, 0.2))
            limit = np.full(len(found.path), 0.2)
            answers.append((found, stretches_within(index, pieces, path_starts, found.path, found.element, limit)))
    for found, stretches in answers[1:]:
        for got, want in zip((*found, *stretches), (*answers[0][0], *answers[0][1]), strict=True):
            np.testing.assert_array_equal(got, want)


def test_more_than_a_thousand_elements_near_one_path_are_all_reported():
    small = np.array([[0.0, 0, 0], [1e-3, 0, 0], [0, 1e-3, 0]])
    triangles = small + np.linspace(0, 5, 6000)[:, None, None] * np.array([1.0, 0, 0])
    index = build_index(triangles, np.arange(6001))
    piece = np.zeros((1, 14))
    piece[0, 2], piece[0, 5], piece[0, 9] = 5.0, 0.01, 1.0
    found = nearest_elements(index, piece, [0, 1], [0.0], np.full(6000, 0.05))
    assert found.element.tolist() == list(range(6000))
    np.testing.assert_allclose(found.distance_m, 0.01, atol=1e-12)


def test_arcs_of_one_degree_and_of_270_degrees_are_certified():
    rng = np.random.default_rng(17)
    triangles = rng.uniform(-1, 1, (60, 3, 3))
    index = build_index(triangles, np.arange(61))
    for turn in np.radians([1.0, 270.0]):
        pieces, starts = random_paths(rng, 6, 1.0, arcs=(turn, turn), radii=(0.02, 0.9), pieces=2)
        found = nearest_elements(index, pieces, starts, np.zeros(6), np.full(60, 5.0))
        mine = np.full((6, 60), np.nan)
        mine[found.path, found.element] = found.distance_m
        for path in range(6):
            rows = pieces[starts[path] : starts[path + 1]]
            truth = np.min([piece_triangles(row, triangles) for row in rows], axis=0).astype(float)
            assert (mine[path] <= truth + CERTIFIED_M).all()
            assert (mine[path] >= truth - CERTIFIED_M).all()
