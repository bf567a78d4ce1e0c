"""The closed form of the radii against a linear program solver."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog

from route3d.fit import fit_run
from route3d.kernel.fillet import fill_radii, half_tangents
from route3d.model.run import Run


def worst_by_program(half, leg, largest, fixed):
    """The largest smallest radius of the corners that are not ``fixed`` (nan: not fixed), by a linear program."""
    count = len(half)
    rows = np.zeros((count + 1, count + 1))
    for i in range(count):
        rows[i, i] = rows[i + 1, i] = half[i]
    free = np.flatnonzero(np.isnan(fixed))
    level = np.zeros((len(free), count + 1))
    level[np.arange(len(free)), free] = -1.0
    level[:, count] = 1.0
    bounds = [(0.0, largest) if np.isnan(value) else (value, value) for value in fixed]
    cost = np.zeros(count + 1)
    cost[count] = -1.0
    solved = linprog(
        cost,
        A_ub=np.vstack([rows, level]),
        b_ub=np.concatenate([leg + 1e-12, np.zeros(len(free))]),
        bounds=[*bounds, (0.0, largest)],
        method="highs",
    )
    assert solved.status == 0
    return -solved.fun


def can_exceed(half, leg, largest, fixed, level, i):
    """The largest radius of corner ``i`` while every other free corner keeps ``level``."""
    bounds = [(level, largest) if np.isnan(value) else (value, value) for value in fixed]
    count = len(half)
    rows = np.zeros((count + 1, count))
    for k in range(count):
        rows[k, k] = rows[k + 1, k] = half[k]
    cost = np.zeros(count)
    cost[i] = -1.0
    low = [(max(low - 1e-10, 0.0), high) for low, high in bounds]
    solved = linprog(cost, A_ub=rows, b_ub=leg + 1e-10, bounds=low, method="highs")
    assert solved.status == 0
    return -solved.fun


def lexicographic_by_programs(half, leg, largest):
    """Raise the smallest, fix those that cannot exceed it, raise the next: the textbook way, one program a step."""
    fixed = np.full(len(half), np.nan)
    while np.isnan(fixed).any():
        level = worst_by_program(half, leg, largest, fixed)
        stuck = [
            i
            for i in np.flatnonzero(np.isnan(fixed))
            if can_exceed(half, leg, largest, fixed, level, i) <= level + 1e-7
        ]
        assert stuck
        fixed[stuck] = level
    return fixed


def random_case(seed, count):
    rng = np.random.default_rng(seed)
    return np.tan(rng.uniform(0.2, 2.4, count) / 2.0), rng.uniform(0.1, 1.5, count + 1)


@pytest.mark.parametrize("count", [1, 2, 3, 8, 20, 50])
def test_worst_radius_equals_that_of_the_linear_program(count):
    for seed in range(20):
        half, leg = random_case(seed, count)
        radius = fill_radii(half, leg, 0.5)
        worst = worst_by_program(half, leg, 0.5, np.full(count, np.nan))
        assert radius.min() == pytest.approx(worst, rel=1e-9)


@pytest.mark.parametrize("count", [2, 3, 4, 5, 6])
def test_all_radii_equal_those_of_successive_linear_programs(count):
    for seed in range(12):
        half, leg = random_case(100 * count + seed, count)
        expected = lexicographic_by_programs(half, leg, 0.5)
        np.testing.assert_allclose(fill_radii(half, leg, 0.5), expected, rtol=0.0, atol=1e-8)


@pytest.mark.parametrize("seed", range(15))
def test_fitted_run_has_the_radii_of_successive_linear_programs(seed):
    rng = np.random.default_rng(seed)
    points = np.cumsum(rng.normal(size=(7, 3)) * 0.3, axis=0)
    fitted = fit_run(Run("r", "c", points), 0.15, 1.5, 0.0)
    half = half_tangents(points)
    leg = np.linalg.norm(np.diff(points, axis=0), axis=1)
    expected = lexicographic_by_programs(half, leg, 0.225)
    np.testing.assert_allclose([b.centre_radius_m for b in fitted.bends], expected, rtol=0.0, atol=1e-8)
