"""Paths against paths: slow plain code, dense sampling and closed forms."""

import numpy as np
import pytest
from kernel_truth import golden, path_points, piece_points, point_segment, random_paths

from route3d.kernel.between import SLACK_M, nearest_paths, stretches_between
from route3d.kernel.compiled import thread_limit


def point_piece(points, piece):
    """Distance from points (..., 3) to one piece; for an arc, to the circle or to the ends."""
    if piece[0] == 0:
        a = piece[3:6]
        return point_segment(points, a, a + piece[2] * piece[9:12])
    d = points - piece[3:6]
    u, v = d @ piece[6:9], d @ piece[9:12]
    angle = np.mod(np.arctan2(v, u), 2 * np.pi)
    foot = piece_points(piece, piece[12] * np.minimum(angle, piece[13]))
    ends = [np.linalg.norm(points - piece_points(piece, s), axis=-1) for s in (0.0, piece[2])]
    best = np.minimum(*ends)
    on = angle <= piece[13]
    return np.where(on, np.minimum(best, np.linalg.norm(points - foot, axis=-1)), best)


def piece_piece(one, other, samples=301):
    grid = np.linspace(0, one[2], samples)
    values = point_piece(piece_points(one, grid), other)
    k = np.flatnonzero(values <= values.min() + one[2] / samples)
    return golden(
        lambda s: point_piece(piece_points(one, s), other),
        grid[np.maximum(k - 1, 0)],
        grid[np.minimum(k + 1, samples - 1)],
        40,
    ).min()


@pytest.mark.parametrize(("seed", "shift"), [(0, 0.0), (1, 5e5)])
def test_every_pair_of_paths_is_found_at_its_distance(seed, shift):
    rng = np.random.default_rng(seed)
    pieces, starts = random_paths(rng, 12, 2.0, pieces=3)
    radius = rng.uniform(0, 0.1, 12)
    moved = pieces.copy()
    moved[:, 3:6] += shift
    found = nearest_paths(moved, starts, radius, 0.3)
    mine = dict(zip(zip(found.first.tolist(), found.second.tolist(), strict=True), found.distance_m, strict=True))
    assert (found.first < found.second).all()
    pairs = 0
    for i in range(12):
        for j in range(i + 1, 12):
            truth = min(
                piece_piece(a, b) for a in pieces[starts[i] : starts[i + 1]] for b in pieces[starts[j] : starts[j + 1]]
            )
            limit = radius[i] + radius[j] + 0.3
            if truth <= limit:
                assert mine[i, j] <= truth + 1e-6
                pairs += 1
            if (i, j) in mine:
                assert mine[i, j] <= limit + SLACK_M
    assert pairs > 10
    for i, j, distance, at, other_at in zip(*found, strict=True):
        p = path_points(pieces[starts[i] : starts[i + 1]], [at])
        q = path_points(pieces[starts[j] : starts[j + 1]], [other_at])
        assert abs(np.linalg.norm(p - q) - distance) < 1e-8


def test_stretches_between_paths_agree_with_dense_sampling():
    rng = np.random.default_rng(3)
    pieces, starts = random_paths(rng, 14, 4.0)
    found = nearest_paths(pieces, starts, np.zeros(14), 0.6)
    first = np.concatenate([found.first, found.second])
    second = np.concatenate([found.second, found.first])
    limit = rng.uniform(0.05, 0.6, len(first))
    stretches = stretches_between(pieces, starts, first, second, limit)
    ends_seen = 0
    for pair in range(len(first)):
        rows = pieces[starts[first[pair]] : starts[first[pair] + 1]]
        others = pieces[starts[second[pair]] : starts[second[pair] + 1]]
        mine = stretches.pair == pair
        begin, end = stretches.from_m[mine], stretches.to_m[mine]
        assert (begin[1:] > end[:-1]).all()
        at = np.concatenate([row[1] + np.linspace(0, row[2], 200) for row in rows])
        points = np.concatenate([piece_points(row, np.linspace(0, row[2], 200)) for row in rows])
        distance = np.min([point_piece(points, other) for other in others], axis=0)
        inside = ((at[:, None] >= begin - 1e-9) & (at[:, None] <= end + 1e-9)).any(1)
        clear = np.abs(distance - limit[pair]) > 1e-5
        assert (inside == (distance <= limit[pair]))[clear].all()
        total = rows[-1][1] + rows[-1][2]
        ends = np.concatenate([begin, end])
        ends = ends[(ends > 1e-6) & (ends < total - 1e-6)]
        if len(ends):
            away = np.min([point_piece(path_points(rows, ends), other) for other in others], axis=0)
            assert np.abs(away - limit[pair]).max() < 1e-5
            ends_seen += len(ends)
    assert ends_seen > 20


def test_two_cables_side_by_side_round_a_bend_are_within_reach_all_along():
    pieces = np.zeros((4, 14))
    for k, radius in enumerate((0.3, 0.32)):
        straight, bend = pieces[2 * k], pieces[2 * k + 1]
        straight[2], straight[3:6], straight[9:12] = 3.0, (0, -radius, 0), (1, 0, 0)
        bend[0], bend[1], bend[2], bend[12], bend[13] = 1.0, 3.0, 0.5 * np.pi * radius, radius, 0.5 * np.pi
        bend[3:6], bend[6:9], bend[9:12] = (3, 0, 0), (0, -1, 0), (1, 0, 0)
    found = nearest_paths(pieces, [0, 2, 4], [0.01, 0.01], 0.0)
    assert found.distance_m[0] == pytest.approx(0.02, abs=1e-9)
    for limit, expected in ((0.02, [[0.0, 3.0 + 0.15 * np.pi]]), (0.0199, []), (0.0201, [[0.0, 3.0 + 0.15 * np.pi]])):
        stretches = stretches_between(pieces, [0, 2, 4], [0], [1], [limit])
        np.testing.assert_allclose(
            np.stack([stretches.from_m, stretches.to_m], 1), np.reshape(expected, (-1, 2)), atol=1e-5
        )


def test_path_answers_do_not_depend_on_the_number_of_threads():
    rng = np.random.default_rng(5)
    pieces, starts = random_paths(rng, 120, 6.0)
    answers = []
    for threads in (1, 2, 4):
        with thread_limit(threads):
            found = nearest_paths(pieces, starts, np.full(120, 0.02), 0.2)
            limit = np.full(len(found.first), 0.2)
            answers.append((*found, *stretches_between(pieces, starts, found.first, found.second, limit)))
    for other in answers[1:]:
        for got, want in zip(other, answers[0], strict=True):
            np.testing.assert_array_equal(got, want)


def test_no_path_and_one_path_have_no_pair():
    assert len(nearest_paths(np.empty((0, 14)), [0], [], 1.0).first) == 0
    pieces, starts = random_paths(np.random.default_rng(1), 1, 2.0)
    assert len(nearest_paths(pieces, starts, [0.1], 1.0).first) == 0


@pytest.mark.parametrize("over_m", [2e-6, 1e-4])
def test_bends_side_by_side_just_beyond_the_limit_have_no_stretch(over_m):
    pieces = np.zeros((2, 14))
    for row, radius in zip(pieces, (0.3, 0.32), strict=True):
        row[0], row[2], row[12], row[13] = 1.0, 1.5 * np.pi * radius, radius, 1.5 * np.pi
        row[6:9], row[9:12] = (1, 0, 0), (0, 1, 0)
    assert len(stretches_between(pieces, [0, 1, 2], [0], [1], [0.02 - over_m]).pair) == 0
    whole = stretches_between(pieces, [0, 1, 2], [0], [1], [0.02 + over_m])
    np.testing.assert_allclose([whole.from_m, whole.to_m], [[0.0], [0.45 * np.pi]], atol=1e-9)
