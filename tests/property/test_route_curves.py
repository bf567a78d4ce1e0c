"""Dense corners of free curves stay within the tolerance of the curve, as another library evaluates it."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BSpline

from importers.route_curves import ellipse_points, spline_points


def off(line, points):
    """Return how far the farthest of points (k, 3) is from a polyline (n, 3)."""
    start, along = line[:-1], np.diff(line, axis=0)
    length = np.maximum((along**2).sum(axis=1), 1e-300)
    share = np.clip(((points[:, None] - start) * along).sum(axis=2) / length, 0.0, 1.0)
    return np.linalg.norm(points[:, None] - (start + share[..., None] * along), axis=2).min(axis=1).max()


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 5), st.sampled_from([1e-1, 1e-2, 1e-3]), st.booleans(), st.booleans())
def test_corners_of_a_spline_are_within_the_tolerance(seed, degree, tolerance, rational, clamped):
    rnd = np.random.default_rng(seed)
    count = degree + 1 + int(rnd.integers(0, 6))
    controls = rnd.normal(size=(count, 3)) * [2.0, 2.0, 0.5]
    inner = np.sort(np.round(rnd.uniform(0.6, 3.4, count - degree - 1), int(rnd.integers(0, 3))))
    if len(inner) and np.unique(inner, return_counts=True)[1].max() > degree:
        inner = np.linspace(1, 3, len(inner))  # so often repeated, a knot would tear the curve apart
    if clamped:
        knots = np.concatenate([np.zeros(degree + 1), inner, np.full(degree + 1, 4.0)])
    else:
        knots = np.arange(count + degree + 1, dtype=float)
    weights = np.exp(rnd.normal(size=count)) if rational else np.ones(count)
    at = np.linspace(knots[degree], knots[count], 400)
    above = BSpline(knots, np.column_stack([controls * weights[:, None], weights]), degree)(at)
    curve = above[:, :3] / above[:, 3:]
    line = spline_points(controls, knots, weights if rational else [], degree, tolerance)
    assert off(line, curve) <= tolerance * (1 + 1e-9)
    # and no corner is off the curve: it lies between two of the points tried
    step = np.linalg.norm(np.diff(curve, axis=0), axis=1).max()
    assert np.linalg.norm(line[:, None] - curve, axis=2).min(axis=1).max() <= step + 1e-9
    np.testing.assert_allclose(line[[0, -1]], curve[[0, -1]], atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.1, 50), st.floats(0.01, 1.0), st.floats(0, 6), st.floats(0.01, 6.28), st.sampled_from([1e-1, 1e-3]))
def test_corners_of_an_ellipse_are_within_the_tolerance(size, ratio, start, sweep, tolerance):
    major, minor = np.array([0.6, 0.0, 0.8]) * size, np.array([0.0, size * ratio, 0.0])
    line = ellipse_points((1, 2, 3), major, minor, start, sweep, tolerance)
    angle = start + sweep * np.linspace(0, 1, 700)
    curve = (1, 2, 3) + np.cos(angle)[:, None] * major + np.sin(angle)[:, None] * minor
    assert off(line, curve) <= tolerance * (1 + 1e-9)
    assert len(line) >= 2 + math.floor(sweep / 3.2)


def test_a_spline_with_a_gap_is_refused():
    with pytest.raises(ValueError, match="gap"):
        spline_points(np.eye(4, 3), [0, 0, 1, 1, 2, 2], [], 1, 1e-2)


def test_a_piece_that_swings_about_its_chord_is_not_taken_for_straight():
    # its middle is on the chord: looking at the middle alone would make it one straight leg
    line = spline_points([(0, 0, 0), (1, 3, 0), (2, -3, 0), (3, 0, 0)], [0, 0, 0, 0, 1, 1, 1, 1], [], 3, 1e-2)
    assert np.ptp(line[:, 1]) > 1.7
