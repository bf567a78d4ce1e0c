"""Chord lines stay within their tolerance, and the required arc is the one that a textbook draws."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.fit import fit_run
from route3d.kernel.path import closest_at, points_at
from route3d.model.finding import JudgedBend
from route3d.model.run import Run
from route3d.viewer.page_lines import LINE_TOLERANCE_M, chord_lines, required_arc


def fitted(corners, radius_m=0.1):
    return fit_run(Run("a", "mc", np.array(corners, dtype=float)), radius_m, 1.5, 0.005)


SQUARE = [[0, 0, 3], [1, 0, 3], [1, 1, 3], [1, 1, 2]]


@given(st.lists(st.tuples(*[st.integers(-8, 8)] * 3), min_size=2, max_size=7, unique=True), st.floats(0.02, 0.6))
@settings(max_examples=60, deadline=None)
def test_every_place_of_the_fitted_line_is_within_tolerance_of_its_chords(corners, radius_m) -> None:
    run = fitted(np.array(corners) * 0.3, radius_m)
    other = fitted(SQUARE)
    (_, _), (points, at) = chord_lines([other.pieces, run.pieces])
    assert at[0] == 0.0 and at[-1] == pytest.approx(run.length_m, abs=1e-9)
    assert (np.diff(at) >= 0.0).all()
    assert np.abs(points - points_at(run.pieces, at)).max() < 1e-9
    places = np.linspace(0.0, run.length_m, 500)
    truth = points_at(run.pieces, places)
    for place, point in zip(places, truth, strict=True):
        k = int(np.clip(np.searchsorted(at, place) - 1, 0, len(at) - 2))
        a, b = points[k], points[k + 1]
        along = np.clip((point - a) @ (b - a) / max((b - a) @ (b - a), 1e-30), 0.0, 1.0)
        assert np.linalg.norm(point - a - along * (b - a)) <= LINE_TOLERANCE_M + 1e-9


def test_paths_without_pieces_give_empty_lines() -> None:
    empty = np.empty((0, 14))
    lines = chord_lines([empty, fitted(SQUARE).pieces, empty])
    assert [len(points) for points, _ in lines][::2] == [0, 0] and len(lines[1][0]) > 4
    assert [len(points) for points, _ in chord_lines([empty])] == [0]


def judged(run, k: int, required_m: float | None, cable_m: float = 0.006) -> JudgedBend:
    bend = run.bends[k]
    inner = bend.centre_radius_m - cable_m
    return JudgedBend(bend, inner, required_m, None if required_m is None else inner / required_m, "rule")


@pytest.mark.parametrize("radius_m", [0.05, None])
def test_the_required_arc_is_tangent_to_both_legs_at_its_radius(radius_m) -> None:
    """Closed form: a right angle at (1, 0), radius R: centre (1 - R, R), tangent points (1 - R, 0) and (1, R)."""
    run = fit_run(Run("a", "mc", np.array([[0, 0, 3], [1, 0, 3], [1, 1, 3.0]])), radius_m, 1.0, 0.005)
    arc = required_arc(run.pieces, judged(run, 0, 0.294), 0.006)
    assert arc is not None
    assert np.allclose(arc[0], [0.7, 0.0, 3.0], atol=1e-6) and np.allclose(arc[-1], [1.0, 0.3, 3.0], atol=1e-6)
    assert np.allclose(np.linalg.norm(arc - [0.7, 0.3, 3.0], axis=1), 0.3, atol=1e-6)


def test_a_slanted_bend_gets_its_arc_too() -> None:
    corners = np.array([[0, 0, 3], [1, 0.3, 3.2], [1.4, 1.2, 2.7]])
    run = fit_run(Run("a", "mc", corners), 0.05, 1.0, 0.005)
    arc = required_arc(run.pieces, judged(run, 0, 0.2), 0.0)
    assert arc is not None
    ways = np.diff(corners, axis=0) / np.linalg.norm(np.diff(corners, axis=0), axis=1, keepdims=True)
    turn = np.arccos(ways[0] @ ways[1])
    for place, way, sign in ((arc[0], ways[0], -1.0), (arc[-1], ways[1], 1.0)):
        assert np.allclose(place, corners[1] + sign * way * 0.2 * np.tan(turn / 2), atol=1e-6)
    distance, _ = closest_at(run.pieces, arc[0])
    assert distance < 1e-6


def test_no_arc_where_the_bend_is_enough_or_unknown_or_folds() -> None:
    run = fitted(SQUARE, 0.1)
    assert required_arc(run.pieces, judged(run, 0, 0.05), 0.006) is None
    assert required_arc(run.pieces, judged(run, 0, None), 0.006) is None
    folded = fitted([[0, 0, 3], [1, 0, 3], [0, 0, 3.0]])
    assert required_arc(folded.pieces, judged(folded, 0, 0.2), 0.006) is None
