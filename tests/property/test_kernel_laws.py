"""What always holds of distances, stretches and depths, whatever the model."""

import sys
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "reference"))
from kernel_truth import box, path_points, random_paths

from route3d.kernel.between import nearest_paths, stretches_between
from route3d.kernel.clearance import distance_at, nearest_elements, stretches_within
from route3d.kernel.mesh_index import build_index
from route3d.kernel.solid import deepest, inside_points, inside_stretches

seeds = st.integers(0, 2**32 - 1)
modest = settings(deadline=None, max_examples=25)


def scene(seed, paths=6, elements=12):
    rng = np.random.default_rng(seed)
    low = rng.uniform(0, 2, (elements, 3))
    size = 10.0 ** rng.uniform(-3, 0.3, (elements, 3))
    triangles = np.concatenate([box(a, a + s) for a, s in zip(low, size, strict=True)])
    pieces, starts = random_paths(rng, paths, 2.0, radii=(0.02, 0.5), pieces=3)
    return rng, triangles, np.arange(elements + 1) * 12, pieces, starts


def rotation(rng):
    q, r = np.linalg.qr(rng.normal(size=(3, 3)))
    q = q * np.sign(np.diag(r))
    return q if np.linalg.det(q) > 0 else q[:, ::-1]


@modest
@given(seeds)
def test_moving_and_turning_the_building_changes_no_distance(seed):
    rng, triangles, starts, pieces, path_starts = scene(seed)
    turn, shift = rotation(rng), rng.uniform(-1e5, 1e5, 3)
    moved = pieces.copy()
    for part in (slice(3, 6), slice(6, 9), slice(9, 12)):
        moved[:, part] = pieces[:, part] @ turn.T
    moved[:, 3:6] += shift
    reach = np.full(12, 0.3)
    one = nearest_elements(build_index(triangles, starts), pieces, path_starts, np.zeros(6), reach)
    other = nearest_elements(build_index(triangles @ turn.T + shift, starts), moved, path_starts, np.zeros(6), reach)
    far = np.full((2, 6, 12), 0.3)
    for k, found in enumerate((one, other)):
        far[k, found.path, found.element] = np.minimum(found.distance_m, 0.3)
    assert np.abs(far[0] - far[1]).max() < 1e-6


@modest
@given(seeds)
def test_the_reported_place_is_at_the_reported_distance_and_no_place_is_nearer(seed):
    rng, triangles, starts, pieces, path_starts = scene(seed)
    index = build_index(triangles, starts)
    found = nearest_elements(index, pieces, path_starts, np.zeros(6), np.full(12, 9.0))
    assert len(found.path) == 6 * 12
    for path, element, distance, at in zip(found.path, found.element, found.distance_m, found.at_m, strict=True):
        rows = pieces[path_starts[path] : path_starts[path + 1]]
        tried = np.append(rng.uniform(0, rows[-1, 1] + rows[-1, 2], 20), at)
        away = distance_at(index, np.full(21, element), path_points(rows, tried))
        assert (
            distance - 1e-6 <= away[-1] <= distance + 1e-9
        )  # another triangle may be nearer there, within what is certified
        assert away.min() >= distance - 1e-6


@modest
@given(seeds, st.floats(0.0, 0.4))
def test_a_wider_limit_never_makes_a_stretch_shorter(seed, limit):
    _, triangles, starts, pieces, path_starts = scene(seed)
    index = build_index(triangles, starts)
    path, element = (grid.ravel() for grid in np.meshgrid(np.arange(6), np.arange(12)))
    narrow = stretches_within(index, pieces, path_starts, path, element, np.full(72, limit))
    wide = stretches_within(index, pieces, path_starts, path, element, np.full(72, limit + 0.05))
    for pair, begin, end in zip(*narrow, strict=True):
        mine = wide.pair == pair
        assert ((wide.from_m[mine] <= begin + 1e-6) & (wide.to_m[mine] >= end - 1e-6)).any()


@modest
@given(seeds)
def test_a_pair_has_a_stretch_just_when_it_is_within_the_limit(seed):
    rng, triangles, starts, pieces, path_starts = scene(seed)
    index = build_index(triangles, starts)
    found = nearest_elements(index, pieces, path_starts, np.zeros(6), np.full(12, 9.0))
    limit = rng.uniform(0, 1.0, len(found.path))
    stretches = stretches_within(index, pieces, path_starts, found.path, found.element, limit)
    has = np.isin(np.arange(len(found.path)), stretches.pair)
    assert has[found.distance_m < limit - 1e-6].all()
    assert not has[found.distance_m > limit + 1e-6].any()


@modest
@given(seeds)
def test_a_path_is_deep_just_when_it_has_a_stretch_inside(seed):
    _, triangles, starts, pieces, path_starts = scene(seed)
    index = build_index(triangles, starts)
    path, element = (grid.ravel() for grid in np.meshgrid(np.arange(6), np.arange(12)))
    depth = deepest(index, pieces, path_starts, path, element)
    stretches = inside_stretches(index, pieces, path_starts, path, element)
    longest = np.zeros(72)
    np.maximum.at(longest, stretches.pair, stretches.to_m - stretches.from_m)
    assert ((depth.depth_m > 0) <= (longest > 0)).all()
    for pair in np.flatnonzero(depth.depth_m > 1e-6):
        rows = pieces[path_starts[path[pair]] : path_starts[path[pair] + 1]]
        place = path_points(rows, [depth.at_m[pair]])
        assert inside_points(index, element[pair : pair + 1], place)[0]
        assert abs(distance_at(index, element[pair : pair + 1], place)[0] - depth.depth_m[pair]) < 1e-9


@modest
@given(seeds)
def test_paths_are_as_far_from_each_other_either_way_round(seed):
    _, _, _, pieces, starts = scene(seed)
    found = nearest_paths(pieces, starts, np.zeros(6), 9.0)
    assert len(found.first) == 15
    backwards = np.concatenate([pieces[starts[k] : starts[k + 1]] for k in range(5, -1, -1)])
    other = nearest_paths(backwards, starts, np.zeros(6), 9.0)
    swapped = dict(zip(zip(5 - other.second, 5 - other.first, strict=True), other.distance_m, strict=True))
    for i, j, distance in zip(found.first, found.second, found.distance_m, strict=True):
        assert abs(swapped[i, j] - distance) < 1e-6
    limit = found.distance_m + 1e-3
    assert set(stretches_between(pieces, starts, found.first, found.second, limit).pair) == set(range(15))
    closer = np.maximum(found.distance_m - 1e-4, 0.0)
    nothing = stretches_between(pieces, starts, found.first, found.second, closer)
    assert set(nothing.pair) <= set(np.flatnonzero(found.distance_m < 1e-4))
