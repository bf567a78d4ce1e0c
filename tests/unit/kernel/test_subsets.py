"""What is told of a pair does not depend on what else is asked or there: subsets give the same bits."""

from __future__ import annotations

import numpy as np
import pytest

from route3d.fit import fit_run
from route3d.kernel.alongside import paths_beside
from route3d.kernel.between import nearest_paths
from route3d.kernel.clearance import nearest_elements
from route3d.kernel.edited import with_another
from route3d.kernel.meeting import boxes_met
from route3d.kernel.mesh_index import build_index
from route3d.kernel.path import concatenated, path_boxes, point_at, points_at
from route3d.model.run import Run

HERE = np.array([128.0, -256.0, 0.0])


def paths(count: int, seed: int = 5) -> list[np.ndarray]:
    """Return runs along the axes on a grid, so that many of them touch, cross and lie on each other."""
    rng = np.random.default_rng(seed)
    made = []
    for n in range(count):
        corners = [rng.integers(0, 4, 3) * 0.25]
        for leg in range(5):
            step = np.zeros(3)
            step[(n + leg) % 3] = rng.choice([-1.0, 1.0]) * rng.integers(1, 4) * 0.25
            corners.append(corners[-1] + step)
        made.append(fit_run(Run(f"r{n}", "c", np.array(corners)), 0.05, 1.5, 0.005).pieces)
    return made


def test_a_pair_of_paths_is_told_alike_whoever_else_is_there() -> None:
    lines = paths(24)
    rows, starts = concatenated(lines)
    radius = np.full(24, 0.006)
    whole = nearest_paths(rows, starts, radius, 0.05, origin_m=HERE)
    assert len(whole.first) > 40
    told = {(i, j): values for i, j, *values in zip(*(column.tolist() for column in whole), strict=True)}
    for i, j in list(told)[::3]:
        few, few_starts = concatenated([lines[i], lines[j]])
        pair = nearest_paths(few, few_starts, radius[:2], 0.05, origin_m=HERE)
        assert [pair.distance_m[0], pair.first_at_m[0], pair.second_at_m[0]] == told[i, j]
    only = nearest_paths(rows, starts, radius, 0.05, only=[3, 17], origin_m=HERE)
    mine = {(i, j): values for i, j, *values in zip(*(column.tolist() for column in only), strict=True)}
    assert mine == {pair: values for pair, values in told.items() if {3, 17} & set(pair)}


def test_of_two_gaps_of_a_pair_the_larger_counts() -> None:
    rows, starts = concatenated([np.array([[0, 0, 1, 0, y, 0, 0, 0, 0, 1, 0, 0, 0, 0.0]]) for y in (0.0, 0.1)])
    for gaps, found in (([0.2, 0.0], 1), ([0.0, 0.2], 1), ([0.05, 0.05], 0)):
        assert len(nearest_paths(rows, starts, [0.0, 0.0], gaps).first) == found
    with pytest.raises(ValueError, match="one radius per path"):
        nearest_paths(rows, starts, [0.0, 0.0], [0.1])


def test_company_is_told_alike_whoever_else_is_there() -> None:
    lines = paths(24)
    rows, starts = concatenated(lines)
    size = np.full(24, 0.006)
    whole = paths_beside(rows, starts, size, 4.0 * size, origin_m=HERE)
    one = int(whole.owner[0])
    only = paths_beside(rows, starts, size, 4.0 * size, origin_m=HERE, only=[one])
    keep = (whole.owner == one) | (whole.partner == one)
    for all_rows, some in zip(whole, only, strict=True):
        assert (all_rows[keep] == some).all()


def test_one_more_element_is_found_as_if_it_had_been_there_from_the_start() -> None:
    rng = np.random.default_rng(1)
    meshes = [rng.uniform(0.0, 1.0, (20, 3, 3)) + np.array([n, 0.0, 0.0]) for n in range(40)]
    starts = np.arange(41) * 20
    whole = build_index(np.concatenate(meshes), starts, HERE)
    grown = with_another(build_index(np.concatenate(meshes[:-1]), starts[:-1], HERE), meshes[-1])
    few = build_index(np.concatenate(meshes[30:]), starts[:11], HERE)
    lines, firsts = concatenated([line + np.array([0, 0, 0, 36.0, *np.zeros(10)]) for line in paths(30)])
    told = nearest_elements(whole, lines, firsts, np.zeros(30), np.full(40, 0.5))
    again = nearest_elements(grown, lines, firsts, np.zeros(30), np.full(40, 0.5))
    part = nearest_elements(few, lines, firsts, np.zeros(30), np.full(10, 0.5))
    one = nearest_elements(whole, *concatenated([lines[firsts[7] : firsts[8]]]), np.zeros(1), np.full(40, 0.5))
    assert all((a == b).all() for a, b in zip(told, again, strict=True))
    keep = told.element >= 30
    assert keep.any()
    assert (told.distance_m[keep] == part.distance_m).all() and (told.at_m[keep] == part.at_m).all()
    assert (told.distance_m[told.path == 7] == one.distance_m).all() and (told.at_m[told.path == 7] == one.at_m).all()


def test_boxes_are_met_as_a_plain_comparison_says() -> None:
    rng = np.random.default_rng(2)
    low = rng.uniform(0.0, 5.0, (200, 3))
    boxes = np.hstack([low, low + rng.uniform(0.0, 1.0, (200, 3))])
    boxes[7] = (np.inf,) * 3 + (-np.inf,) * 3
    few = path_boxes(paths(1)[0])
    for reach in (0.0, 0.3):
        near = (boxes[:, None, :3] <= few[None, :, 3:] + reach) & (boxes[:, None, 3:] >= few[None, :, :3] - reach)
        assert boxes_met(boxes, few, reach).tolist() == np.flatnonzero(near.all(axis=2).any(axis=1)).tolist()
    assert len(boxes_met(boxes, np.empty((0, 6)))) == len(boxes_met(np.empty((0, 6)), few)) == 0


def test_one_point_is_where_many_points_are() -> None:
    for line in paths(6):
        length = float(line[-1, 1] + line[-1, 2])
        places = np.linspace(-0.1, length + 0.1, 57)
        many = points_at(line, places)
        assert np.abs(np.array([point_at(line, float(at)) for at in places]) - many).max() < 1e-12
