"""The gap below a sheet is to its lowest surface, corrugated or flat, level or sloping."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPoint, Polygon, box

from route3d.kernel.underside import _clipped, gap_below


def corrugated(
    length: float, width: float, bottom: float, *, slope: float = 0.0, pitch: float = 0.15, rib: float = 0.0381
):
    """Roof deck with ribs along y; ``slope`` raises it along x."""
    stations, height, x = [], [], 0.0
    while x < length:
        for step, z in ((0.0, 0.0), (0.045, 0.0), (0.0575, rib), (0.1375, rib)):
            stations.append(x + step)
            height.append(bottom + z)
        x += pitch
    points = np.array([[s, h + slope * s] for s, h in zip(stations, height, strict=True)])
    faces = []
    for (x0, z0), (x1, z1) in pairwise(points):
        a, b, c, d = (x0, 0.0, z0), (x1, 0.0, z1), (x1, width, z1), (x0, width, z0)
        faces += [[a, b, c], [a, c, d]]
    return np.array(faces)


def line(*points):
    points = np.array(points, dtype=float)
    return points, np.append(0.0, np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1)))


@pytest.mark.parametrize("y", [1.0, 1.02, 1.05, 1.11])
def test_a_line_under_a_level_deck_is_measured_to_the_ribs_wherever_it_runs(y: float) -> None:
    deck = corrugated(6.0, 4.0, 3.0)
    found = gap_below(*line((0.5, y, 2.95), (5.0, y, 2.95)), deck, 0.0381)
    assert found.gap_m == pytest.approx(0.05, abs=1e-9)
    assert found.below_m == ()


@pytest.mark.parametrize("x", [1.0, 1.03, 1.06, 1.1])
def test_a_line_in_a_valley_along_the_ribs_is_measured_to_the_ribs_beside_it(x: float) -> None:
    deck = corrugated(6.0, 4.0, 3.0)
    found = gap_below(*line((x, 0.5, 2.98), (x, 3.5, 2.98)), deck, 0.0381)
    assert found.gap_m == pytest.approx(0.02, abs=1e-9)
    assert found.below_m == (pytest.approx((0.0, 3.0)),)


def test_a_line_inside_a_flute_is_above_the_lowest_surface() -> None:
    found = gap_below(*line((1.1, 0.5, 3.02), (1.1, 3.5, 3.02)), corrugated(6.0, 4.0, 3.0), 0.0381)
    assert found.gap_m == pytest.approx(-0.02, abs=1e-9)


@pytest.mark.parametrize("slope", [0.02, 0.25])
def test_a_line_parallel_to_a_sloping_deck_keeps_its_gap(slope: float) -> None:
    deck = corrugated(6.0, 4.0, 3.0, slope=slope)
    drop = 0.06 * np.sqrt(1.0 + slope**2)  # measured at right angles to the deck
    found = gap_below(*line((0.5, 1.0, 3.0 + slope * 0.5 - drop), (5.0, 1.0, 3.0 + slope * 5.0 - drop)), deck, 0.0381)
    assert found.gap_m == pytest.approx(0.06, abs=1e-9)


def test_a_rising_line_is_too_near_from_where_it_crosses_the_limit() -> None:
    flat = np.array([[[0, 0, 3.0], [6, 0, 3.0], [6, 4, 3.0]], [[0, 0, 3.0], [6, 4, 3.0], [0, 4, 3.0]]])
    found = gap_below(*line((1.0, 1.0, 2.9), (5.0, 1.0, 2.98)), flat, 0.05)
    length = np.hypot(4.0, 0.08)
    assert found.gap_m == pytest.approx(0.02)
    assert found.at_m == pytest.approx(length)
    assert found.below_m == (pytest.approx((length * 0.625, length), abs=1e-6),)


def test_only_what_is_under_the_sheet_counts() -> None:
    flat = np.array([[[0, 0, 3.0], [2, 0, 3.0], [2, 4, 3.0]], [[0, 0, 3.0], [2, 4, 3.0], [0, 4, 3.0]]])
    found = gap_below(*line((-3.0, 1.0, 2.99), (6.0, 1.0, 2.99)), flat, 0.05)
    assert found.below_m == (pytest.approx((3.0, 5.0), abs=1e-6),)


def test_a_line_on_top_of_the_roof_is_not_under_it() -> None:
    found = gap_below(*line((0.5, 1.0, 3.2), (5.0, 1.0, 3.2)), corrugated(6.0, 4.0, 3.0), 0.0381)
    assert found.gap_m == np.inf


def test_the_gap_agrees_with_dense_sampling_of_the_ribs_plane() -> None:
    rng = np.random.default_rng(4)
    deck = corrugated(6.0, 4.0, 3.0)
    for _ in range(20):
        a, b = rng.uniform([0.5, 0.5, 2.8], [5.5, 3.5, 2.99], (2, 3))
        found = gap_below(*line(a, b), deck, 0.0381)
        samples = a + np.linspace(0.0, 1.0, 2001)[:, None] * (b - a)
        assert found.gap_m == pytest.approx((3.0 - samples[:, 2]).min(), abs=1e-6)


@given(st.integers(0, 10_000))
@settings(max_examples=30, deadline=None)
def test_triangles_cut_off_at_a_rectangle_are_what_a_geometry_library_cuts(seed: int) -> None:
    rng = np.random.default_rng(seed)
    triangle = rng.uniform(-1.0, 1.0, (1, 3, 3))
    low, high = np.sort(rng.uniform(-1.0, 1.0, (2, 2)), axis=0)
    corners = _clipped(triangle, low, high)
    cut = Polygon(triangle[0, :, :2]).intersection(box(*low, *high))
    assert (len(corners) > 0) == (cut.area > 0.0)
    if len(corners):
        assert MultiPoint(corners[:, :2]).convex_hull.symmetric_difference(cut).area < 1e-12
        # and each corner is in the plane of its triangle
        normal = np.cross(triangle[0, 1] - triangle[0, 0], triangle[0, 2] - triangle[0, 0])
        assert np.abs((corners - triangle[0, 0]) @ normal).max() < 1e-9
