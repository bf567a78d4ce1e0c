"""Arcs for corners: the radii that legs allow, and the path."""

from __future__ import annotations

import math

import numpy as np
import pytest

from route3d.kernel.fillet import fill_radii, half_tangents, tangent_arcs
from route3d.kernel.path import ARC, AT, KIND, LENGTH, RADIUS, TURN, points_at, tangents_at


def arcs(corners, given=None, firm=None, largest=0.1):
    corners = np.array(corners, dtype=float)
    given = np.zeros(len(corners)) if given is None else np.array(given, dtype=float)
    firm = np.zeros(len(corners), dtype=bool) if firm is None else np.array(firm)
    return tangent_arcs(corners, given, firm, largest)


def test_half_tangent_keeps_its_digits_for_slight_and_for_sharp_turns():
    for turn in (1e-8, 1e-4, 0.5, 3.0, math.pi - 1e-7):
        corners = np.array([[-1.0, 0, 0], [0, 0, 0], [math.cos(turn), math.sin(turn), 0]])
        assert half_tangents(corners)[0] == pytest.approx(math.tan(turn / 2.0), rel=1e-8)


def test_all_radii_reach_the_cap_when_legs_are_long():
    assert fill_radii(np.array([1.0, 0.5]), np.array([5.0, 5.0, 5.0]), 0.2).tolist() == [0.2, 0.2]


def test_worst_radius_is_served_first_and_the_next_gets_what_is_left():
    # legs 10, 2, 7, 10; all half tangents 1: the middle leg gives 1 each, the next corner 7 - 1 = 6
    assert fill_radii(np.ones(3), np.array([10.0, 2.0, 7.0, 10.0]), 8.0).tolist() == [1.0, 1.0, 6.0]


def test_corner_that_takes_no_part_gets_nothing_and_uses_nothing():
    free = np.array([True, False])
    assert fill_radii(np.ones(2), np.array([10.0, 2.0, 10.0]), 8.0, free).tolist() == [2.0, 0.0]


def test_leg_that_is_used_up_gives_radius_zero():
    assert fill_radii(np.ones(2), np.array([10.0, 0.0, 10.0]), 8.0).tolist() == [0.0, 0.0]


def test_path_of_one_right_angle_is_leg_arc_leg():
    pieces, bends, kept = arcs([[0, 0, 0], [1, 0, 0], [1, 1, 0]])
    assert pieces[:, KIND].tolist() == [0.0, 1.0, 0.0]
    assert pieces[:, LENGTH] == pytest.approx([0.9, 0.05 * math.pi, 0.9], abs=1e-15)
    assert pieces[:, AT] == pytest.approx([0.0, 0.9, 0.9 + 0.05 * math.pi], abs=1e-15)
    assert not kept[0]
    # middle of the arc: centre (0.9, 0.1) and 0.1 outward at 45°
    assert bends[0, 2:5] == pytest.approx([0.9 + 0.1 * math.sqrt(0.5), 0.1 - 0.1 * math.sqrt(0.5), 0.0], abs=1e-15)


def test_pieces_without_length_are_left_out():
    pieces, _, _ = arcs([[0, 0, 0], [0.1, 0, 0], [0.1, 0.2, 0], [0.3, 0.2, 0]])
    assert pieces[:, KIND].tolist() == [1.0, 1.0, 0.0]


def test_drawn_radius_is_kept_above_the_cap_and_its_neighbour_gets_the_rest():
    _, bends, kept = arcs([[0, 0, 0], [1, 0, 0], [1, 0.55, 0], [2, 0.55, 0]], given=[0, 0.5, 0, 0])
    assert kept.tolist() == [True, False]
    assert bends[:, 6] == pytest.approx([0.5, 0.05], abs=1e-12)


def test_drawn_radii_that_overlap_are_both_chosen_by_the_fit():
    _, bends, kept = arcs([[0, 0, 0], [1, 0, 0], [1, 0.5, 0], [2, 0.5, 0]], given=[0, 0.3, 0.3, 0])
    assert kept.tolist() == [False, False]
    assert bends[:, 6].tolist() == [0.1, 0.1]


def test_drawn_radii_that_overlap_by_rounding_are_shrunk_to_meet():
    corners = [[0, 0, 0], [1, 0, 0], [1, 0.6 - 5e-7, 0], [2, 0.6 - 5e-7, 0]]
    pieces, bends, kept = arcs(corners, given=[0, 0.3, 0.3, 0])
    assert kept.all()
    assert bends[:, 6] == pytest.approx(np.full(2, 0.3), abs=3e-7)
    assert pieces[:, KIND].tolist() == [0.0, 1.0, 1.0, 0.0]


def test_firm_radius_makes_a_drawn_one_give_way():
    corners = [[0, 0, 0], [1, 0, 0], [1, 0.5, 0], [2, 0.5, 0]]
    _, bends, kept = arcs(corners, given=[0, 0.3, 0.3, 0], firm=[False, True, False, False])
    assert kept.tolist() == [True, False]
    assert bends[:, 6] == pytest.approx([0.3, 0.1], abs=1e-12)


def test_reversal_is_a_bend_of_radius_zero_without_an_arc():
    pieces, bends, _ = arcs([[0, 0, 0], [1, 0, 0], [0.4, 0, 0]])
    assert pieces[:, KIND].tolist() == [0.0, 0.0]
    assert bends[0, 5:7].tolist() == [math.pi, 0.0]


@pytest.mark.parametrize("short", [9e-4, 1e-4, 1e-5, 2e-6])
def test_near_reversal_gets_the_tiny_radius_that_fits_and_stays_smooth(short):
    corners = [[0, 0, 0], [1, 0, 0], [1 - math.cos(short), math.sin(short), 0]]
    pieces, bends, _ = arcs(corners)
    assert 0.0 < bends[0, 6] < 1e-3
    arc = int(np.flatnonzero(pieces[:, KIND] == ARC)[0])
    end = points_at(pieces, np.array([pieces[arc, AT] + pieces[arc, LENGTH]]))
    assert bends[0, 5] == pytest.approx(math.pi - short, abs=1e-12)
    assert np.linalg.norm(points_at(pieces, np.array([np.inf]))[0] - corners[-1]) < 1e-9
    assert np.isfinite(end).all()


def test_near_reversal_takes_nothing_from_its_neighbours():
    corners = [[0, 0, 0], [1, 0, 0], [1, 1, 0], [1 + 1e-4, 0, 0]]
    _, bends, _ = arcs(corners)
    assert bends[0, 6] == 0.1
    assert 0.0 < bends[1, 6] < 1e-4


def test_tangents_are_those_of_the_legs():
    pieces, _, _ = arcs([[0, 0, 0], [0, 0, 1], [1, 2, 3]])
    arc = pieces[1]
    after = tangents_at(pieces, np.array([arc[AT] + arc[RADIUS] * arc[TURN]]))[0]
    assert after == pytest.approx(np.array([1, 2, 2]) / 3.0, abs=1e-12)
