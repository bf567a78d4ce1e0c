import numpy as np
import pytest

from route3d.fit import fit_run
from route3d.model.run import Run
from route3d.model.support import Attachment, Support, Termination
from route3d.rules.held import gaps_between, held_run, is_vertical, joined, overlaps
from tests.builders import cable, straight_run, zone


def riser(lean_deg: float) -> np.ndarray:
    """Return the pieces of a plumb leg that goes over into one leaning by an angle."""
    lean = np.radians(lean_deg)
    corners = np.array([[0, 0, 0], [0, 0, 2.0], [2.0 * np.sin(lean), 0, 2.0 + 2.0 * np.cos(lean)]])
    return fit_run(Run("R1", "c", corners), 0.5, 1.5, 1e-6).pieces


@pytest.mark.parametrize(("lean_deg", "vertical"), [(0.0, True), (4.9, True), (5.1, False), (90.0, False)])
def test_a_stretch_over_an_arc_is_vertical_up_to_five_degrees(lean_deg: float, vertical: bool) -> None:
    assert is_vertical(riser(lean_deg), 0.0, 3.5) is vertical


def test_the_plumb_part_of_a_bent_run_is_vertical() -> None:
    assert is_vertical(riser(90.0), 0.0, 1.0)
    assert not is_vertical(riser(90.0), 2.5, 3.0)


def test_a_half_turn_is_not_vertical_although_both_of_its_ends_are() -> None:
    corners = np.array([[0, 0, 0], [0, 0, 1.0], [0.5, 0, 1.0], [0.5, 0, 0]])
    pieces = fit_run(Run("R1", "c", corners), 0.25, 1.0, 1e-6).pieces
    assert not is_vertical(pieces, 0.0, 2.0)


def test_intervals_join_where_they_nearly_touch() -> None:
    assert joined([(2.0, 3.0), (0.0, 1.0), (1.00005, 1.5)]) == [(0.0, 1.5), (2.0, 3.0)]


def test_overlaps_and_gaps_share_out_a_stretch() -> None:
    zones = [(0.0, 1.0), (2.0, 3.0)]
    assert overlaps(zones, (0.5, 4.0)) == [(0.5, 1.0), (2.0, 3.0)]
    assert gaps_between(zones, (0.5, 4.0)) == [(1.0, 2.0), (3.0, 4.0)]
    assert gaps_between([], (0.5, 4.0)) == [(0.5, 4.0)]
    assert gaps_between(zones, (0.0, 1.00005)) == []


def test_terminated_ends_get_their_fitting_and_open_ones_none() -> None:
    fitted = straight_run(2.0)
    attachment = Attachment(Termination("box", "b1"), Termination("open", None), (Support(9.0, "strap", True, "x"),))
    run = held_run(cable(), "other", fitted.pieces, attachment, (), (zone("wet"),))
    assert [(s.at_m, s.kind, s.source) for s in run.supports] == [(0.0, "fitting", "b1")]
