"""Polylines compared: against the plain definition, all matchings tried, and shapely."""

from itertools import combinations

import numpy as np
import pytest
import shapely

from route3d.kernel.polyline import distances_to_line, fewest_moves, without_idle_points


def brute_force(before, after, new_cost: float, gone_cost: float) -> float:
    """Return the smallest cost over all ways to match two lists of points in order."""
    new, gone = distances_to_line(after, before), distances_to_line(before, after)
    best = np.inf
    for k in range(min(len(before), len(after)) + 1):
        for mine in combinations(range(len(before)), k):
            for theirs in combinations(range(len(after)), k):
                cost = sum(np.linalg.norm(before[i] - after[j]) for i, j in zip(mine, theirs, strict=True))
                cost += sum(gone[i] + gone_cost for i in range(len(before)) if i not in mine)
                cost += sum(new[j] + new_cost for j in range(len(after)) if j not in theirs)
                best = min(best, cost)
    return best


@pytest.mark.parametrize("seed", range(10))
def test_the_matching_is_the_cheapest_of_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    before, after = rng.uniform(0.0, 1.0, (4, 3)), rng.uniform(0.0, 1.0, (5, 3))
    moved, _, new, gone = fewest_moves(before, after, 0.1, 0.02)
    assert moved + 0.1 * new + 0.02 * gone == pytest.approx(brute_force(before, after, 0.1, 0.02))


def test_distances_are_those_of_a_general_library() -> None:
    rng = np.random.default_rng(3)
    line, points = rng.uniform(0.0, 1.0, (6, 2)), rng.uniform(0.0, 1.0, (20, 2))
    expected = shapely.distance(shapely.LineString(line), shapely.points(points))
    flat = [np.column_stack([a, np.zeros(len(a))]) for a in (points, line)]
    assert distances_to_line(*flat) == pytest.approx(expected)


def test_idle_points_and_spikes_go_and_ends_stay() -> None:
    line = np.array([[0, 0, 0], [0, 0, 0], [1, 0, 0], [2, 0, 0], [1.5, 0, 0], [3, 0, 0], [3, 1, 0], [3, 1, 0]], float)
    assert without_idle_points(line).tolist() == [[0, 0, 0], [3, 0, 0], [3, 1, 0]]
