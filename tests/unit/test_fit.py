"""What a drawn polyline means, and the line that is fitted to it."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from route3d.fit import fit_run, shortfall
from route3d.kernel.path import ARC, AT, KIND, LENGTH, points_at, tangents_at
from route3d.model.run import Run

MM = 1e-3


def run_of(points, radius=None) -> Run:
    return Run("r", "c", np.array(points, dtype=float), None if radius is None else np.array(radius, dtype=float))


def turned(points, seed=3):
    """The same points somewhere else in space, so that no test rests on axes."""
    rng = np.random.default_rng(seed)
    axes, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    return np.asarray(points) @ axes.T + np.array([12.0, -7.0, 3.0])


def on_circle(radius, angles):
    """Points of a circle that starts at the origin along x and turns left."""
    angles = np.asarray(angles)
    return np.column_stack([radius * np.sin(angles), radius * (1.0 - np.cos(angles)), np.zeros_like(angles)])


def with_legs(arc, turn, before=1.0, after=1.0):
    """Points of an arc that starts along x, with tangent legs."""
    start = [[-before, 0.0, 0.0]] if before else []
    stop = [arc[-1] + after * np.array([math.cos(turn), math.sin(turn), 0.0])] if after else []
    return np.vstack([*start, arc, *stop])


def chords(radius, turn, count, before=1.0, after=1.0):
    return with_legs(on_circle(radius, np.linspace(0.0, turn, count + 1)), turn, before, after)


def steps(pieces):
    """Gap and kink between consecutive pieces."""
    gaps, kinks = [0.0], [0.0]
    for left, right in pairwise(pieces):
        a, b = left[None].copy(), right[None].copy()
        a[0, AT] = b[0, AT] = 0.0
        end = np.array([left[LENGTH]])
        gaps.append(float(np.linalg.norm(points_at(a, end) - points_at(b, np.zeros(1)))))
        kinks.append(float(np.linalg.norm(tangents_at(a, end) - tangents_at(b, np.zeros(1)))))
    return max(gaps), max(kinks)


# Interlocked metal-clad cable 12.00 mm over the sheath: 7 × 12 = 84 mm to the inner edge (NEC 330.24(B), from memory),
# 84 + 12 / 2 = 90 mm at the centre.


def test_right_angle_of_12_mm_metal_clad_cable():
    fitted = fit_run(run_of([[0, 0, 0], [1, 0, 0], [1, 1, 0]]), 90 * MM, 1.0, 5 * MM)
    assert 1.0 - fitted.bends[0].from_m == pytest.approx(90.00 * MM, abs=1e-12)
    assert fitted.pieces[1, LENGTH] == pytest.approx(141.37 * MM, abs=0.005 * MM)  # 90·pi/2
    assert fitted.bends[0].centre_radius_m - 6.0 * MM == pytest.approx(84.00 * MM, abs=1e-12)


def test_45_degrees_of_12_mm_metal_clad_cable():
    h = math.sqrt(0.5)
    fitted = fit_run(run_of([[0, 0, 0], [1, 0, 0], [1 + h, h, 0]]), 90 * MM, 1.0, 5 * MM)
    assert 1.0 - fitted.bends[0].from_m == pytest.approx(37.28 * MM, abs=0.005 * MM)  # 90·tan 22.5°
    assert fitted.pieces[1, LENGTH] == pytest.approx(70.69 * MM, abs=0.005 * MM)  # 90·pi/4


def test_two_right_angles_180_mm_apart_just_reach_90_mm():
    fitted = fit_run(run_of([[0, 0, 0], [1, 0, 0], [1, 0.18, 0], [2, 0.18, 0]]), 90 * MM, 1.5, 5 * MM)
    assert [bend.centre_radius_m for bend in fitted.bends] == pytest.approx([90 * MM] * 2, abs=1e-12)
    assert fitted.pieces[:, KIND].tolist() == [0.0, 1.0, 1.0, 0.0]
    assert shortfall(fitted, 90 * MM) == ()


def test_plain_corner_is_capped_at_the_target():
    fitted = fit_run(run_of([[0, 0, 0], [5, 0, 0], [5, 5, 0]]), 0.1, 1.5, 5 * MM)
    assert fitted.bends[0].centre_radius_m == pytest.approx(0.15, abs=1e-15)


def test_plain_corners_stay_sharp_where_no_limit_is_known():
    fitted = fit_run(run_of([[0, 0, 0], [1, 0, 0], [1, 1, 0], [2, 1, 0]], [0, 0, 0.2, 0]), None, 1.5, 5 * MM)
    assert [bend.centre_radius_m for bend in fitted.bends] == [0.0, 0.2]
    assert fitted.bends[0].from_m == fitted.bends[0].to_m == 1.0
    assert fitted.bends[0].point_m == (1.0, 0.0, 0.0)
    assert fitted.length_m == pytest.approx(3.0 - 0.4 + 0.1 * math.pi, abs=1e-12)


def test_repeated_and_straight_on_points_keep_the_drawn_numbers():
    points = [[0, 0, 0], [0, 0, 0], [0.3, 0, 0], [1, 0, 0], [1, 5e-7, 0], [1, 1, 0], [1, 2, 0], [3, 2, 0], [3, 2, 0]]
    bends = fit_run(run_of(points), 0.1, 1.5, 5 * MM).bends
    assert [(b.corner_before, b.corner, b.corner_after) for b in bends] == [(0, 3, 6), (3, 6, 8)]
    assert (bends[0].leg_before_m, bends[0].leg_after_m, bends[1].leg_after_m) == pytest.approx((1, 2, 2), abs=1e-6)


def test_zigzag_below_a_micron_is_a_straight_leg():
    x = np.linspace(0.0, 1.0, 201)
    points = np.column_stack([x, 4e-7 * (-1.0) ** np.arange(201), np.zeros(201)])
    assert fit_run(run_of(points), 0.1, 1.5, 5 * MM).bends == ()


def test_gentle_curve_of_slight_turns_is_not_taken_for_a_straight_leg():
    angles = np.linspace(0.0, 0.1, 200_001)  # 5e-7 rad a corner, 0.1 rad in all
    fitted = fit_run(run_of(on_circle(10.0, angles)[::100]), 0.1, 1.5, 0.0)
    assert sum(bend.turn_rad for bend in fitted.bends) == pytest.approx(0.1, rel=0.01)


@pytest.mark.parametrize("points", [np.zeros((0, 3)), [[1, 2, 3]], [[1, 2, 3], [1, 2, 3 + 1e-7], [1, 2, 3]]])
def test_run_without_two_different_points_is_refused(points):
    with pytest.raises(ValueError, match="two different points"):
        fit_run(run_of(points), 0.1, 1.5, 5 * MM)


def test_required_radius_that_is_not_positive_is_refused():
    with pytest.raises(ValueError, match="positive"):
        fit_run(run_of([[0, 0, 0], [1, 0, 0]]), 0.0, 1.5, 5 * MM)


def test_straight_run_has_one_piece_and_no_bend():
    fitted = fit_run(run_of([[0, 0, 0], [0, 3, 4]]), 0.1, 1.5, 5 * MM)
    assert (len(fitted.pieces), fitted.bends, fitted.length_m) == (1, (), 5.0)


def test_run_back_on_itself_is_a_bend_of_radius_zero():
    fitted = fit_run(run_of([[0, 0, 0], [1, 0, 0], [0.2, 0, 0], [0.2, 1, 0]]), 0.1, 1.5, 5 * MM)
    assert [(round(b.centre_radius_m, 12), round(math.degrees(b.turn_rad))) for b in fitted.bends] == [
        (0.0, 180),
        (0.15, 90),
    ]
    assert fitted.pieces[:, KIND].tolist() == [0.0, 0.0, 1.0, 0.0]


@pytest.mark.parametrize("radius", [0.05, 0.09, 0.3, 2.0])
@pytest.mark.parametrize("degrees", [30.0, 90.0, 115.0])
@pytest.mark.parametrize("count", [3, 4, 7, 16, 40])
def test_chords_are_the_bend_they_mean_however_many(radius, degrees, count):
    turn = math.radians(degrees)
    fitted = fit_run(run_of(turned(chords(radius, turn, count))), 0.05, 1.5, 1.0)
    (bend,) = fitted.bends
    assert bend.centre_radius_m == pytest.approx(radius, rel=1e-9)
    assert bend.turn_rad == pytest.approx(turn, abs=1e-9)
    assert fitted.length_m == pytest.approx(2.0 + radius * turn, rel=1e-9)
    assert (bend.corner_before, bend.corner, bend.last_corner, bend.corner_after) == (0, 1, count + 1, count + 2)
    assert bend.drawn_as == "chords"


@pytest.mark.parametrize("count", range(3, 41))
def test_every_count_of_chords_gives_the_same_radius(count):
    (bend,) = fit_run(run_of(turned(chords(0.09, math.pi / 2.0, count))), 0.09, 1.5, 6 * MM).bends
    assert bend.centre_radius_m == pytest.approx(0.09, rel=1e-9)


def test_uneven_chords_are_one_bend():
    arc = on_circle(0.2, np.cumsum([0.0, 0.1, 0.3, 0.05, 0.4, 0.2]))
    (bend,) = fit_run(run_of(turned(with_legs(arc, 1.05))), 0.05, 1.5, 6 * MM).bends
    assert bend.centre_radius_m == pytest.approx(0.2, rel=1e-9)


@pytest.mark.parametrize("degrees", [130.0, 180.0, 225.0, 300.0])
@pytest.mark.parametrize("count", [8, 24])
def test_bend_beyond_120_degrees_is_several_corners_on_one_true_arc(degrees, count):
    turn = math.radians(degrees)
    fitted = fit_run(run_of(turned(chords(0.15, turn, count))), 0.05, 1.5, 1.0)
    assert len(fitted.bends) == math.ceil(degrees / 120.0)
    assert [b.centre_radius_m for b in fitted.bends] == pytest.approx([0.15] * len(fitted.bends), rel=1e-9)
    assert sum(b.turn_rad for b in fitted.bends) == pytest.approx(turn, abs=1e-9)
    assert fitted.length_m == pytest.approx(2.0 + 0.15 * turn, rel=1e-9)
    assert max(steps(fitted.pieces)) < 1e-9
    numbers = [n for b in fitted.bends for n in (b.corner, b.last_corner)]
    assert numbers == sorted(numbers)
    assert (numbers[0], numbers[-1]) == (1, count + 1)


@pytest.mark.parametrize(("before", "after"), [(0.0, 1.0), (1.0, 0.0), (0.0, 0.0)])
@pytest.mark.parametrize("degrees", [90.0, 180.0])
def test_run_may_start_or_end_on_the_arc(before, after, degrees):
    turn = math.radians(degrees)
    points = turned(chords(0.15, turn, 16, before, after))
    fitted = fit_run(run_of(points), 0.05, 1.5, 6 * MM)
    assert [b.centre_radius_m for b in fitted.bends] == pytest.approx([0.15] * len(fitted.bends), rel=1e-9)
    assert fitted.length_m == pytest.approx(before + after + 0.15 * turn, rel=1e-9)
    ends = points_at(fitted.pieces, np.array([0.0, np.inf]))
    assert np.abs(ends - points[[0, -1]]).max() < 1e-9


def test_offset_of_two_arcs_without_a_leg_between_is_two_bends():
    arc = on_circle(0.15, np.linspace(0.0, 0.8, 9))
    half = with_legs(arc, 0.8, after=0.0)
    points = np.vstack([half, (2.0 * half[-1] - half[:-1])[::-1]])
    fitted = fit_run(run_of(turned(points)), 0.05, 1.5, 6 * MM)
    assert [b.centre_radius_m for b in fitted.bends] == pytest.approx([0.15, 0.15], rel=1e-9)
    assert max(steps(fitted.pieces)) < 1e-9


def test_two_arcs_of_different_radius_one_after_the_other_are_two_bends():
    first = on_circle(0.15, np.linspace(0.0, 0.6, 7))
    way = np.array([[math.cos(0.6), math.sin(0.6), 0], [-math.sin(0.6), math.cos(0.6), 0], [0, 0, 1]])
    second = on_circle(0.4, np.linspace(0.0, 0.7, 7)) @ way + first[-1]
    points = with_legs(np.vstack([first, second[1:]]), 1.3)
    fitted = fit_run(run_of(turned(points)), 0.05, 1.5, 6 * MM)
    assert [b.centre_radius_m for b in fitted.bends] == pytest.approx([0.15, 0.4], rel=1e-9)
    assert [b.turn_rad for b in fitted.bends] == pytest.approx([0.6, 0.7], abs=1e-9)


def test_chords_beyond_the_sagitta_are_corners_of_their_own():
    # 90° of 90 mm in 3 chords: sagitta 90·(1 - cos 15°) = 3.07 mm
    points = chords(0.09, math.pi / 2.0, 3)
    assert len(fit_run(run_of(points), 0.09, 1.5, 3.0 * MM).bends) == 4
    assert len(fit_run(run_of(points), 0.09, 1.5, 3.1 * MM).bends) == 1


def test_three_corners_of_30_degrees_with_1_m_legs_stay_three():
    angles = np.radians([0.0, 30.0, 60.0, 90.0])
    points = np.vstack([[0, 0, 0], np.cumsum(np.column_stack([np.cos(angles), np.sin(angles), 0 * angles]), axis=0)])
    bends = fit_run(run_of(points), 0.09, 1.5, 6 * MM).bends
    assert [round(math.degrees(b.turn_rad)) for b in bends] == [30, 30, 30]


def test_chords_whose_legs_are_not_tangent_are_corners_of_their_own():
    points = chords(0.2, math.pi / 2.0, 8)
    points[0, 1] += 0.05  # 2.9° off
    assert len(fit_run(run_of(points), 0.05, 1.5, 6 * MM).bends) == 9


def test_arc_drawn_as_such_is_no_chord():
    points = chords(0.2, math.pi / 2.0, 8)
    radius = np.zeros(len(points))
    radius[4] = 0.01
    assert len(fit_run(run_of(points, radius), 0.05, 1.5, 6 * MM).bends) == 9


@pytest.mark.parametrize("digits", [5, 6])  # metres: 0.01 mm and 0.001 mm
def test_rounded_chords_are_one_bend(digits):
    (bend,) = fit_run(run_of(np.round(turned(chords(0.15, math.pi / 2.0, 16)), digits)), 0.05, 1.5, 6 * MM).bends
    assert bend.centre_radius_m == pytest.approx(0.15, abs=2.0 * 10.0**-digits)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize(("radius", "count"), [(0.1, 6), (0.3, 8), (0.5, 8), (2.0, 12)])
def test_noise_of_a_tenth_of_a_millimetre_is_borne_or_left(seed, radius, count):
    points = turned(chords(radius, math.pi / 2.0, count))
    points = points + np.random.default_rng(seed).uniform(-0.1 * MM, 0.1 * MM, points.shape)
    fitted = fit_run(run_of(points), 0.05, 1.5, 20 * MM)
    assert max(steps(fitted.pieces)) < 1e-9
    if len(fitted.bends) == 1:
        assert fitted.bends[0].centre_radius_m == pytest.approx(radius, abs=0.5 * MM)
    else:
        assert len(fitted.bends) == count + 1


def test_helix_falls_through_to_small_bends():
    angle = np.linspace(0.0, 4.0 * math.pi, 145)
    points = np.column_stack([0.2 * np.cos(angle), 0.2 * np.sin(angle), 0.02 * angle])
    fitted = fit_run(run_of(points), 0.05, 1.5, 6 * MM)
    assert len(fitted.bends) == 143
    assert {b.drawn_as for b in fitted.bends} == {"corner"}


def test_smooth_curve_of_changing_radius_falls_through_to_small_bends():
    x = np.linspace(-1.0, 1.0, 101)
    fitted = fit_run(run_of(np.column_stack([x, x**2, 0 * x])), 0.05, 1.5, 6 * MM)
    assert len(fitted.bends) == 99


def test_short_straight_start_is_not_swallowed_by_the_arc_after_it():
    points = turned(chords(0.15, 1.2, 12, before=0.0005))
    (bend,) = fit_run(run_of(points), 0.05, 1.5, 6 * MM).bends
    assert bend.centre_radius_m == pytest.approx(0.15, rel=1e-9)


def test_dense_points_of_a_long_curve_take_no_long_time():
    x = np.linspace(0.0, 6.0, 50_001)  # looked at pair by pair this takes minutes
    fitted = fit_run(run_of(np.column_stack([x, np.sin(x), 0 * x])), 0.05, 1.5, 6 * MM)
    assert {b.drawn_as for b in fitted.bends} == {"corner"}


def test_tightest_part_of_a_smooth_curve_is_not_hidden():
    # ellipse with half axes 400 and 200 mm: the smallest radius is 200²/400 = 100 mm
    angle = np.linspace(0.0, math.pi, 181)
    points = np.column_stack([0.4 * np.sin(angle), 0.2 * np.cos(angle), 0 * angle])
    bends = fit_run(run_of(points), 0.2, 1.5, 6 * MM).bends
    assert min(b.centre_radius_m for b in bends) == pytest.approx(0.1, rel=0.03)


def test_survey_coordinates_do_not_matter():
    points = chords(0.09, math.pi / 2.0, 16) + np.array([512_345.678, 5_403_210.987, 123.0])
    (bend,) = fit_run(run_of(points), 0.09, 1.5, 6 * MM).bends
    assert bend.centre_radius_m == pytest.approx(0.09, abs=1e-7)  # a coordinate has 1e-9 m there


def test_u_turn_drawn_as_two_arcs_is_smooth():
    points = [[0, 0, 0], [1.1, 0, 0], [1.1, 0.2, 0], [0, 0.2, 0]]
    fitted = fit_run(run_of(points, [0, 0.1, 0.1, 0]), 0.2, 1.5, 5 * MM)
    assert [b.centre_radius_m for b in fitted.bends] == pytest.approx([0.1, 0.1], abs=1e-12)
    assert fitted.pieces[:, KIND].tolist() == [0.0, ARC, ARC, 0.0]


# Shortfall: what a leg lacks.


def test_leg_between_two_right_angles_lacks_what_is_missing_to_twice_the_radius():
    points = [[0, 0, 0], [1, 0, 0], [1, 0.15, 0], [2, 0.15, 0]]
    fitted = fit_run(run_of(points), 0.09, 1.5, 5 * MM)
    first, second = shortfall(fitted, 0.09)
    assert (first.before, first.radius_to_draw_m) == (None, None)
    assert first.after.lack_m == pytest.approx(0.03, abs=1e-12)
    assert first.after == second.before
    assert (first.after.corner_before, first.after.corner_after) == (1, 2)
    assert first.after.direction == pytest.approx((0.0, 1.0, 0.0), abs=1e-15)


def test_corner_to_move_is_the_one_whose_shift_a_parallel_leg_takes_up():
    # leg 1-2 runs up; beyond corner 3 the run goes on up, with room: corners 2 and 3 move, no end does
    points = [[0, 0, 0], [1, 0, 0], [1, 0.15, 0], [2, 0.15, 0], [2, 1, 0]]
    lack = shortfall(fit_run(run_of(points), 0.09, 1.5, 5 * MM), 0.09)[0].after
    assert (lack.move_corner, lack.move_to_corner, lack.moves_end) == (2, 3, False)


def test_corner_to_move_may_be_the_one_before_the_leg():
    points = [[0, 0, 0], [0, 1, 0], [1, 1, 0], [1, 1.15, 0], [2, 1.15, 0], [3, 2.15, 5]]
    lack = shortfall(fit_run(run_of(points), 0.09, 1.5, 5 * MM), 0.09)[0].after
    assert (lack.move_corner, lack.move_to_corner, lack.moves_end) == (2, 1, False)
    assert lack.direction == pytest.approx((0.0, -1.0, 0.0), abs=1e-15)


def test_drawn_arc_that_is_too_small_says_the_radius_to_draw():
    points = [[0, 0, 0], [1, 0, 0], [1, 1, 0]]
    (lack,) = shortfall(fit_run(run_of(points, [0, 0.05, 0]), 0.09, 1.5, 5 * MM), 0.09)
    assert (lack.before, lack.after, lack.radius_to_draw_m) == (None, None, 0.09)


def test_reversal_lacks_more_than_any_leg_can_give():
    (lack,) = shortfall(fit_run(run_of([[0, 0, 0], [1, 0, 0], [0, 0, 0]]), 0.09, 1.5, 5 * MM), 0.09)
    assert lack.before.lack_m == lack.after.lack_m == math.inf


@pytest.mark.parametrize("seed", range(60))
def test_doing_what_the_shortfall_says_makes_the_bend_reach_the_radius(seed):
    rng = np.random.default_rng(seed)
    points = np.cumsum(rng.normal(size=(8, 3)) * 0.3, axis=0)
    radius = np.where(rng.random(8) < 0.3, rng.uniform(0.02, 0.4, 8), 0.0)
    run = run_of(points, radius)
    required = 0.35
    found = shortfall(fit_run(run, required, 1.5, 0.0), required)
    assert found
    for lack in found:
        moved, drawn = points.copy(), radius.copy()
        for leg in (lack.before, lack.after):
            if leg is not None:
                away = points[leg.corner_after] - points[leg.corner_before]
                moved[leg.corner_after :] += leg.lack_m * away / np.linalg.norm(away)
        if lack.radius_to_draw_m is not None:
            drawn[lack.bend.corner] = lack.radius_to_draw_m
        bend = fit_run(run_of(moved, drawn), required, 1.5, 0.0).bends[lack.bend.corner - 1]
        assert bend.centre_radius_m >= required - 1e-9


@pytest.mark.parametrize("seed", range(20))
def test_moving_the_corners_that_are_named_is_enough(seed):
    # legs along axes, so that a parallel leg can take up the shift
    rng = np.random.default_rng(seed)
    axes = [np.eye(3)[i % 3] * rng.choice([-1.0, 1.0]) for i in range(9)]
    points = np.vstack([[0, 0, 0], np.cumsum([rng.uniform(0.1, 1.0) * axis for axis in axes], axis=0)])
    required = 0.15
    for lack in shortfall(fit_run(run_of(points), required, 1.5, 0.0), required):
        for leg in (lack.before, lack.after):
            if leg is None or leg.moves_end:
                continue
            low, high = sorted((leg.move_corner, leg.move_to_corner))
            moved = points.copy()
            moved[low : high + 1] += leg.lack_m * np.array(leg.direction)
            fitted = fit_run(run_of(moved), required, 1.5, 0.0)
            again = [s for s in shortfall(fitted, required) if s.bend.corner == lack.bend.corner]
            side = "before" if leg is lack.before else "after"
            remaining = [getattr(s, side) for s in again]
            assert all(r is None or r.lack_m < 1e-12 for r in remaining)
