"""Nearest places of paths and what lies in a box, against slow plain code and a geometry library."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from kernel_truth import path_points, random_paths

from route3d.kernel.clip import clipped
from route3d.kernel.feet import feet_on, points_on


def test_feet_are_the_nearest_of_many_samples_also_within_a_window() -> None:
    rng = np.random.default_rng(4)
    pieces, starts = random_paths(rng, 12, 4.0)
    path = np.repeat(np.arange(12), 20)
    points = rng.uniform(-1, 5, (len(path), 3))
    lengths = np.array([pieces[starts[i + 1] - 1, 1] + pieces[starts[i + 1] - 1, 2] for i in range(12)])
    low, high = np.sort(rng.uniform(0, 1, (2, len(path))) * lengths[path], axis=0)
    distance, at = feet_on(pieces, starts, path, points, low, high)
    on_path = points_on(pieces, starts, path, at)
    np.testing.assert_allclose(np.linalg.norm(on_path - points, axis=1), distance, atol=1e-9)
    assert ((at >= low - 1e-9) & (at <= high + 1e-9)).all()
    for k in range(len(path)):
        samples = path_points(pieces[starts[path[k]] : starts[path[k] + 1]], np.linspace(low[k], high[k], 3000))
        nearest = np.linalg.norm(samples - points[k], axis=1).min()
        assert distance[k] <= nearest + 1e-9
        assert nearest - distance[k] <= (high[k] - low[k]) / 3000


def test_what_a_box_cuts_out_of_flat_triangles_has_the_area_that_a_library_finds() -> None:
    rng = np.random.default_rng(7)
    seen = 0
    for _ in range(200):
        triangle = np.column_stack([rng.uniform(-1, 2, (3, 2)), np.full(3, 0.5)])
        expected = shapely.Polygon(triangle[:, :2]).intersection(shapely.box(0, 0, 1, 1)).area
        polygons = clipped(triangle[None], np.zeros(3), np.ones(3))
        area = sum(shapely.Polygon(p[:, :2]).area for p in polygons)
        assert area == pytest.approx(expected, abs=1e-12)
        seen += expected > 0
    assert seen > 100


def test_what_only_touches_a_box_is_not_in_it() -> None:
    face = np.array([[[1.0, 0, 0], [1, 1, 0], [1, 1, 1]]])
    assert clipped(face, np.zeros(3), np.ones(3)) == []
    assert len(clipped(face - [1e-6, 0, 0], np.zeros(3), np.ones(3))) == 1
