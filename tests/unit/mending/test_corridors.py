"""Other runs' corridors, bundles, turned buildings, and what is said where there is no way."""

import numpy as np
import pytest

from route3d.mending.change import beside_length, cost_of
from route3d.mending.directions import grid_of_building, turn_by
from route3d.mending.easing import eased
from route3d.mending.mend import mend_run
from route3d.mending.propose import propose_routes
from route3d.mending.site import Site
from route3d.model.job import Job, Settings
from route3d.recheck import Checked
from tests.builders import book, cable
from tests.buildings import block, element, run


def job_of(runs, elements=(), checks=("bend", "clash"), clearance=None, **more) -> Job:
    of = cable()
    return Job(
        name="test",
        occupancy="other",
        checks=checks,
        cables={of.cable_id: of},
        runs=tuple(runs),
        elements=tuple(elements),
        zones=(),
        clearance_m={} if clearance is None else clearance,
        settings=Settings(**more),
    )


def opened(job: Job) -> Checked:
    return Checked.open(job, book(), "")


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_of_two_equal_ways_the_one_beside_another_run_is_taken(side: float) -> None:
    pier = element("structure", block((1.8, -0.2, 0), (2.2, 0.2, 9)))
    other = run((0, 0.45 * side, 3), (4, 0.45 * side, 3), run_id="b")
    answer = mend_run(opened(job_of([run((0, 0, 3), (4, 0, 3)), other], [pier])), "a")
    assert answer.run is not None
    off = answer.run.corners_m[:, 1]
    assert np.abs(off).max() > 0.2
    assert np.sign(off[np.argmax(np.abs(off))]) == side


def test_length_beside_a_corridor_is_that_of_the_legs_along_it() -> None:
    corridor = np.array([[[0.0, 0, 3], [10, 0, 3]]])
    legs = [((1, 0.3, 3), (3, 0.3, 3)), ((1, 0.5, 3), (3, 0.5, 3)), ((5, -0.3, 3), (5, 0.3, 3))]
    found = [beside_length(np.array([a], float), np.array([b], float), corridor) for a, b in legs]
    assert found == pytest.approx([2.0, 0.0, 0.0])
    line, detour = np.array([[0.0, 0, 3], [4, 0, 3]]), np.array([[0.0, 0, 3], [1, 0.3, 3], [3, 0.3, 3], [4, 0, 3]])
    assert cost_of(line, detour, corridors_m=corridor + np.array([0, 9, 0])) > cost_of(
        line, detour, corridors_m=corridor
    )


@pytest.mark.parametrize("room", [True, False])
def test_a_detour_keeps_clear_of_a_bundle_where_there_is_room(room: bool) -> None:
    # three cables with three conductors each, together for 3.4 m; a duct drives the fourth toward them
    others = [run((0, 0.1 + 0.014 * n, 3), (4, 0.1 + 0.014 * n, 3), run_id=f"o{n}") for n in range(3)]
    duct = element("duct", block((0.8, -0.3, 2.9), (3.2, 0.05, 3.0)))
    lid = [] if room else [element("obstacle", block((0.3, -3, lo), (3.7, 3, hi)), name=str(lo))
                           for lo, hi in ((3.04, 4.0), (2.0, 2.9))]  # fmt: skip
    state = opened(job_of([run((0, 0, 3), (4, 0, 3)), *others], [duct, *lid], ("bend", "clash", "bundle")))
    before = sum(f.check == "bundle" for f in state.review.findings)
    answer = mend_run(state, "a")
    assert answer.run is not None and answer.after is not None
    after = sum(f.check == "bundle" and f.severity == "caution" for f in answer.state.review.findings)
    if room:
        assert answer.after.crowds == 0
        assert after <= before


def turned(elements, by: np.ndarray):
    return [element(e.role, e.triangles_m @ by.T, name=e.element_id) for e in elements]


def test_routes_follow_a_building_that_is_turned() -> None:
    by = turn_by(np.radians(30.0))
    walls = turned([element("wall", block((-1, y, 0), (9, y + 0.1, 9)), name=str(y)) for y in (-3.0, 6.0)], by)
    job = job_of([run((-50, -50, 3), (-40, -50, 3), run_id="far")], walls)
    assert grid_of_building(job) == pytest.approx(np.radians(30.0), abs=1e-6)
    ends = np.array([[0.0, 0, 3], [4, 2.5, 3]]) @ by.T
    answer = propose_routes(opened(job), run(*ends))
    assert answer.least_m == pytest.approx(6.5)
    line = answer.alternatives[0].trial.corners_m @ by
    legs = np.diff(line, axis=0)
    assert (np.sort(np.abs(legs), axis=1)[:, :2] < 1e-3).all()
    assert answer.alternatives[0].trial.review.fitted.length_m <= 6.5


def test_an_angle_next_to_none_turns_nothing_and_a_mixed_building_has_no_grid() -> None:
    assert (turn_by(np.radians(0.05)) == np.eye(3)).all()
    assert (turn_by(np.radians(89.97)) == np.eye(3)).all()
    mixed = [
        e
        for angle in (0.0, 20.0, 40.0, 60.0)
        for e in turned([element("wall", block((0, 0, 0), (1, 1, 3)), name=str(angle))], turn_by(np.radians(angle)))
    ]
    assert grid_of_building(job_of([], mixed)) is None


def test_an_end_inside_a_duct_is_said_to_be_inside_it() -> None:
    tube = block((3.0, -0.3, 2.7), (6.0, 0.3, 3.3))
    duct = element("duct", tube, closed=False, name="tube")
    beam = element("structure", block((1, -0.5, 2.5), (1.2, 0.5, 3.5)))
    answer = mend_run(opened(job_of([run((0, 0, 3), (4, 0, 3))], [duct, beam])), "a")
    assert answer.outcome == "blocked"
    assert "from its end at (4.000, 0.000, 3.000) m: that is inside duct DUCT (model:tube)" in answer.why


def test_an_end_walled_in_names_the_walls() -> None:
    walls = [
        element("structure", block(low, high), name=name)
        for name, low, high in (
            ("east", (4.2, -0.4, 2.6), (4.3, 0.4, 3.4)), ("west", (3.6, -0.4, 2.6), (3.7, 0.4, 3.4)),
            ("north", (3.6, 0.3, 2.6), (4.3, 0.4, 3.4)), ("south", (3.6, -0.4, 2.6), (4.3, -0.3, 3.4)),
            ("top", (3.6, -0.4, 3.3), (4.3, 0.4, 3.4)), ("floor", (3.6, -0.4, 2.6), (4.3, 0.4, 2.7)),
        )
    ]  # fmt: skip
    answer = mend_run(opened(job_of([run((0, 0, 3), (4, 0, 3))], walls)), "a")
    assert answer.outcome == "blocked"
    assert "from its end at (4.000, 0.000, 3.000) m" in answer.why and "shut it in" in answer.why
    assert "structure STRUCTURE (model:" in answer.why and "and 3 more" in answer.why


def test_a_way_too_narrow_for_bends_is_told_by_its_place() -> None:
    # the end is in a room of 100 mm; a channel of 16 mm leads out, 35 mm beside it: a cable of 12 mm fits, bends do not
    room = [
        element("structure", block(low, high), name=name)
        for name, low, high in (
            ("east", (4.05, -0.2, 2.8), (4.2, 0.2, 3.2)), ("north", (3.65, 0.05, 2.8), (4.2, 0.2, 3.2)),
            ("south", (3.65, -0.2, 2.8), (4.2, -0.05, 3.2)), ("top", (3.65, -0.2, 3.05), (4.2, 0.2, 3.2)),
            ("floor", (3.65, -0.2, 2.8), (4.2, 0.2, 2.95)), ("below", (3.65, -0.2, 2.8), (3.95, 0.027, 3.2)),
            ("above", (3.65, 0.043, 2.8), (3.95, 0.2, 3.2)),
        )
    ]  # fmt: skip
    answer = mend_run(opened(job_of([run((0, 0, 3), (4, 0, 3))], room)), "a")
    assert answer.outcome == "blocked"
    assert "none was found with room for its bends of 90.0 mm" in answer.why, answer.why
    assert "STRUCTURE (model:" in answer.why


def test_a_square_detour_becomes_a_shallow_one() -> None:
    rod = element("pipe", block((2.0, -9, 2.98), (2.03, 9, 3.01)))
    site = Site(opened(job_of([run((0, 0, 3), (6, 0, 3))], [rod])), "a")
    square = np.array([[0.0, 0, 3], [1.8, 0, 3], [1.8, 0, 3.4], [2.3, 0, 3.4], [2.3, 0, 3], [6, 0, 3]])
    line = eased(site, square)
    assert 0.0159 <= line[:, 2].max() - 3.0 <= 0.1
    assert site.cost(line) < 0.5 * site.cost(square)
    (look,) = site.looks([line])
    assert look is not None and look.lack_m == 0.0
