"""What a change of a line counts."""

import numpy as np
import pytest

from route3d.mending.change import change_of, cost_of, tidy
from route3d.mending.sections import part_of, replaced, sections

LINE = np.array([[0.0, 0, 0], [4, 0, 0], [4, 3, 0]])


def test_a_leg_that_is_shifted_moves_its_two_corners() -> None:
    line = np.array([[0.0, 0, 0], [1, 0, 0], [1, 2, 0], [3, 2, 0]])
    moved = line + np.array([[0, 0, 0], [0.5, 0, 0], [0.5, 0, 0], [0, 0, 0]])
    change = change_of(line, moved)
    assert (change.moved, change.new_corners, change.corners_gone) == (2, 0, 0)
    assert change.moved_m == pytest.approx(1.0)
    assert change.longer_m == pytest.approx(0.0)


def test_a_way_around_counts_its_corners_by_how_far_they_are_off() -> None:
    around = np.array([[0.0, 0, 0], [1, 0, 0], [1, 0, 0.3], [2, 0, 0.3], [2, 0, 0], [4, 0, 0], [4, 3, 0]])
    change = change_of(LINE, around)
    assert (change.moved, change.new_corners, change.corners_gone) == (0, 4, 0)
    assert change.moved_m == pytest.approx(0.6)
    assert change.longer_m == pytest.approx(0.6)


def test_nothing_changed_costs_nothing() -> None:
    assert cost_of(LINE, LINE.copy()) == 0.0


def test_leaving_a_box_another_way_costs_more_than_the_move_alone() -> None:
    slanted = np.array([[0.0, 0, 0], [4, 0.1, 0], [4, 3, 0]])
    assert cost_of(LINE, slanted) > change_of(LINE, slanted).moved_m + 0.1


def test_a_section_leaves_room_for_a_bend_outside_of_it() -> None:
    (section,) = sections(LINE, [(4.05, 4.2)], 0.1, 0.09)
    assert section.from_m == pytest.approx(3.95)  # on the leg before, far from its corner
    assert section.to_m == pytest.approx(4.3)
    assert section.corners_m[0].tolist() == pytest.approx([3.95, 0, 0])


def test_a_section_near_an_end_goes_on_to_it() -> None:
    (section,) = sections(LINE, [(0.1, 0.2)], 0.05, 0.09)
    assert section.from_m == 0.0


def test_a_section_put_back_as_it_was_changes_nothing() -> None:
    found = sections(LINE, [(1.0, 1.5), (5.0, 5.2)], 0.1, 0.09)
    assert len(found) == 2
    again = replaced(LINE, [(section, section.corners_m) for section in found])
    assert again.tolist() == LINE.tolist()
    assert part_of(LINE, 0.0, 7.0).tolist() == LINE.tolist()


def test_tidy_keeps_both_ends() -> None:
    line = tidy(np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0]]))
    assert line.tolist() == [[0, 0, 0], [2, 0, 0]]
