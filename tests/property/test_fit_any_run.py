"""What holds for the fit of any run."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.fit import fit_run
from route3d.kernel.path import ARC, AT, KIND, LENGTH, RADIUS, TURN, points_at, tangents_at
from route3d.model.run import Run

REQUIRED_M = 0.2
TARGET = 1.5

# Corners on a coarse grid, a little off it: right angles, folds and repeated points occur, and near-ties too.
_COARSE = st.tuples(*[st.integers(-4, 4)] * 3)
_FINE = st.tuples(*[st.floats(-1.0, 1.0, allow_subnormal=False)] * 3)
_POINT = st.one_of(
    _COARSE.map(lambda p: np.array(p) * 0.25),
    st.tuples(_COARSE, _FINE).map(lambda p: np.array(p[0]) * 0.25 + np.array(p[1]) * 0.1),
)
_POINTS = st.lists(_POINT, min_size=2, max_size=12).map(np.array).filter(lambda p: np.abs(p - p[0]).max() > 1e-3)


@st.composite
def runs(draw, drawn=True):
    points = draw(_POINTS)
    radius = np.zeros(len(points))
    if drawn:
        sizes = st.one_of(st.just(0.0), st.floats(0.01, 0.6))
        radius = np.array(draw(st.lists(sizes, min_size=len(points), max_size=len(points))))
    return Run("r", "c", points, radius)


@st.composite
def generic_runs(draw):
    """Runs without near-ties to a tolerance: what is below is compared between two fits."""
    seed = draw(st.integers(0, 2**32 - 1))
    count = draw(st.integers(3, 14))
    rng = np.random.default_rng(seed)
    points = np.cumsum(rng.normal(size=(count, 3)) * draw(st.floats(0.1, 2.0)), axis=0)
    radius = np.where(rng.random(count) < 0.3, rng.uniform(0.02, 0.5, count), 0.0)
    return Run("r", "c", points, radius)


def fit(run, required=REQUIRED_M):
    return fit_run(run, required, TARGET, 0.006)


def local(piece):
    row = piece[None].copy()
    row[0, AT] = 0.0
    return row


def radii(fitted):
    return [bend.centre_radius_m for bend in fitted.bends]


@settings(deadline=None, max_examples=150)
@given(runs())
def test_line_is_continuous_and_smooth_except_at_bends_of_radius_zero(run):
    fitted = fit(run)
    pieces = fitted.pieces
    kinks = {bend.from_m for bend in fitted.bends if bend.centre_radius_m == 0.0}
    assert (pieces[:, LENGTH] > 0.0).all()
    for left, right in pairwise(pieces):
        end, begin = np.array([left[LENGTH]]), np.zeros(1)
        assert np.linalg.norm(points_at(local(left), end) - points_at(local(right), begin)) <= 1e-9
        assert abs(right[AT] - left[AT] - left[LENGTH]) <= 1e-12
        if right[AT] not in kinks:
            assert np.linalg.norm(tangents_at(local(left), end) - tangents_at(local(right), begin)) <= 1e-9


@settings(deadline=None, max_examples=150)
@given(runs())
def test_ends_stay_and_the_line_is_no_longer_than_drawn(run):
    fitted = fit(run)
    ends = points_at(fitted.pieces, np.array([0.0, np.inf]))
    assert np.abs(ends - run.corners_m[[0, -1]]).max() <= 1e-9
    drawn = np.linalg.norm(np.diff(run.corners_m, axis=0), axis=1).sum()
    assert fitted.length_m <= drawn + 1e-9


@settings(deadline=None, max_examples=150)
@given(runs())
def test_set_backs_fit_on_their_legs(run):
    bends = fit(run).bends
    if not bends:
        return
    # the half turn of a fold has an infinite tangent, and its radius is 0
    back = [b.centre_radius_m * np.tan(b.turn_rad / 2.0) if b.centre_radius_m > 0.0 else 0.0 for b in bends]
    legs = [bends[0].leg_before_m, *(bend.leg_after_m for bend in bends)]
    for leg, before, after in zip(legs, [0.0, *back], [*back, 0.0], strict=True):
        assert before + after <= leg + 1e-9


@settings(deadline=None, max_examples=150)
@given(runs())
def test_radius_is_the_drawn_one_or_within_the_cap(run):
    for bend in fit(run).bends:
        if bend.drawn_as == "corner":
            assert bend.centre_radius_m <= TARGET * REQUIRED_M * (1.0 + 1e-12)
        if bend.drawn_as == "arc":
            assert abs(bend.centre_radius_m - run.drawn_radius_m[bend.corner]) <= 1e-5


@settings(deadline=None, max_examples=150)
@given(runs(drawn=False))
def test_table_of_bends_tells_what_the_pieces_are(run):
    fitted = fit(run)
    arcs = [row for row in fitted.pieces if row[KIND] == ARC]
    bends = [bend for bend in fitted.bends if bend.centre_radius_m > 0.0]
    assert len(arcs) == len(bends)
    for row, bend in zip(arcs, bends, strict=True):
        assert (row[AT], row[RADIUS], row[TURN]) == (bend.from_m, bend.centre_radius_m, bend.turn_rad)
        assert abs(bend.to_m - bend.from_m - row[LENGTH]) <= 1e-12
        assert np.abs(points_at(fitted.pieces, np.array([bend.at_m]))[0] - bend.point_m).max() <= 1e-9


@settings(deadline=None, max_examples=150)
@given(generic_runs(), st.integers(0, 2**32 - 1))
def test_where_the_building_stands_does_not_matter(run, seed):
    rng = np.random.default_rng(seed)
    axes, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    moved = Run("r", "c", run.corners_m @ axes.T + rng.uniform(-50.0, 50.0, 3), run.drawn_radius_m)
    here, there = fit(run), fit(moved)
    np.testing.assert_allclose(radii(here), radii(there), rtol=0.0, atol=1e-10)
    assert abs(here.length_m - there.length_m) <= 1e-9


@settings(deadline=None, max_examples=150)
@given(generic_runs(), st.floats(0.5, 20.0))
def test_scale_does_not_matter(run, scale):
    larger = Run("r", "c", run.corners_m * scale, run.drawn_radius_m * scale)
    here, there = fit(run), fit(larger, REQUIRED_M * scale)
    np.testing.assert_allclose(np.array(radii(here)) * scale, radii(there), rtol=1e-10, atol=1e-10)


@settings(deadline=None, max_examples=150)
@given(generic_runs())
def test_direction_does_not_matter(run):
    back = Run("r", "c", run.corners_m[::-1], run.drawn_radius_m[::-1])
    here, there = fit(run), fit(back)
    np.testing.assert_allclose(radii(here), radii(there)[::-1], rtol=0.0, atol=1e-10)
    assert abs(here.length_m - there.length_m) <= 1e-9


@settings(deadline=None, max_examples=100)
@given(generic_runs(), st.integers(0, 2**32 - 1))
def test_points_added_on_legs_and_repeated_points_change_nothing(run, seed):
    rng = np.random.default_rng(seed)
    points, radius = [run.corners_m[0]], [0.0]
    for before, corner, size in zip(run.corners_m[:-1], run.corners_m[1:], run.drawn_radius_m[1:], strict=True):
        for share in np.sort(rng.random(rng.integers(0, 3))):
            points.append(before + share * (corner - before))
            radius.append(0.0)
        for _ in range(rng.integers(1, 3)):
            points.append(corner)
            radius.append(size)
    here, there = fit(run), fit(Run("r", "c", np.array(points), np.array(radius)))
    np.testing.assert_allclose(radii(here), radii(there), rtol=0.0, atol=1e-10)
    assert abs(here.length_m - there.length_m) <= 1e-9


@settings(deadline=None, max_examples=100)
@given(
    st.integers(0, 2**32 - 1),
    st.floats(0.05, 2.0),
    st.floats(0.3, 4.5),
    st.floats(0.05, 2.0),
    st.floats(0.05, 2.0),
)
def test_uneven_chords_of_any_bend_give_its_radius(seed, radius, turn, before, after):
    rng = np.random.default_rng(seed)
    count = max(4, int(np.ceil(turn / 0.35)))
    angle = np.concatenate([[0.0], np.cumsum(rng.uniform(0.5, 1.0, count))])
    angle *= turn / angle[-1]
    arc = np.column_stack([radius * np.sin(angle), radius * (1.0 - np.cos(angle)), 0.0 * angle])
    way = np.array([np.cos(turn), np.sin(turn), 0.0])
    points = np.vstack([[-before, 0.0, 0.0], arc, arc[-1] + after * way])
    axes, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    fitted = fit_run(Run("r", "c", points @ axes.T + rng.uniform(-9.0, 9.0, 3)), 0.05, TARGET, 1.0)
    np.testing.assert_allclose(radii(fitted), radius, rtol=1e-9)
    assert abs(fitted.length_m - (before + radius * turn + after)) <= 1e-9
