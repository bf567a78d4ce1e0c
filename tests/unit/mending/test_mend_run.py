"""Proposals, each checked from nothing; small cases against all changes of one kind, tried in fine steps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from route3d.mending.change import cost_of
from route3d.mending.mend import mend_all, mend_run, mending_order
from route3d.mending.propose import propose_routes
from route3d.model.element import Element
from route3d.model.finding import CHECKS
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.recheck import Checked
from route3d.review import check_job
from tests.builders import book, cable
from tests.buildings import block, element, run

MADE = "2026-01-31T10:00:00Z"
R = 0.090  # centre radius of the cable of the tests: 7 x 12 mm + 6 mm


def job_of(runs, elements=(), checks=CHECKS, clearance=None, **settings) -> Job:
    of = cable()
    return Job(
        name="test",
        occupancy="other",
        checks=tuple(checks),
        cables={of.cable_id: of},
        runs=tuple(runs),
        elements=tuple(elements),
        zones=(),
        clearance_m={} if clearance is None else clearance,
        settings=Settings(**settings),
    )


def opened(job: Job) -> Checked:
    return Checked.open(job, book(), MADE)


def passes_from_nothing(job: Job, changed: Run) -> bool:
    """Tell whether a check of its own passes the run, with all others as they were."""
    review = check_job(
        job.with_runs(tuple(changed if r.run_id == changed.run_id else r for r in job.runs)), book(), MADE
    )
    return next(r.verdict for r in review.runs if r.fitted.run.run_id == changed.run_id) == "pass"


def test_a_run_that_passes_is_left_alone() -> None:
    answer = mend_run(opened(job_of([run((0, 0, 3), (4, 0, 3))])), "a")
    assert (answer.outcome, answer.after, answer.blocked) == ("passes already", None, ())


def test_an_unknown_run_is_refused() -> None:
    with pytest.raises(ValueError, match="no run 'x'"):
        mend_run(opened(job_of([run((0, 0, 3), (4, 0, 3))])), "x")


@pytest.mark.parametrize("jog", [0.03, 0.08, 0.12, 0.17])
def test_a_jog_gets_a_change_as_small_as_any_slant_or_shift_tried_in_fine_steps(jog: float) -> None:
    line = np.array([[0.0, 0, 3], [2, 0, 3], [2, jog, 3], [4, jog, 3]])
    job = job_of([run(*line)])
    answer = mend_run(opened(job), "a")
    assert answer.run is not None
    assert passes_from_nothing(job, answer.run)
    best = np.inf
    for before in np.arange(0.0, 0.3, 0.005):
        for after in np.arange(0.0, 0.3, 0.005):
            tried = line.copy()
            tried[1, 0] -= before
            tried[2, 0] += after
            cost = cost_of(line, tried)
            if cost < best and passes_from_nothing(job_of([run(*line)], checks=("bend",)), run(*tried)):
                best = cost
    assert cost_of(line, answer.run.corners_m) <= best + 0.003


@pytest.mark.parametrize("low", [2.97, 2.995, 3.004])
def test_a_way_around_a_beam_is_about_as_small_as_the_best_of_a_fine_grid(low: float) -> None:
    line = np.array([[0.0, 0, 3], [4, 0, 3]])
    beam = element("duct", block((1.5, -9, low), (1.7, 9, 9)))
    job = job_of([run(*line)], [beam])
    answer = mend_run(opened(job), "a")
    assert answer.run is not None
    assert passes_from_nothing(job, answer.run)
    # four corners below it: where each pair is, and how deep
    best = np.inf
    only = job_of([run(*line)], [beam], checks=("bend", "clash"))
    state = Checked.open(only, book(), MADE)
    depth = 3.0 - (low - 0.006)
    for deep in (depth, depth + 0.01):
        for out in np.arange(0.0, 0.3, 0.02):
            for off in np.arange(0.0, 0.16, 0.01):
                tried = np.array(
                    [[0, 0, 3], [1.5 - off - out, 0, 3], [1.5 - off, 0, 3 - deep], [1.7 + off, 0, 3 - deep],
                     [1.7 + off + out, 0, 3], [4, 0, 3]]
                )  # fmt: skip
                cost = cost_of(line, tried)
                if cost < best:
                    later, _ = state.changed({"a": run(*tried)})
                    if later.review.runs[0].verdict == "pass":
                        best = cost
    assert cost_of(line, answer.run.corners_m) <= 1.05 * best + 0.003


def test_a_way_through_a_slot_between_things_is_found() -> None:
    wall = [
        element("duct", block((1.5, -9, -9), (1.8, 0.8, 9)), name="one"),
        element("duct", block((1.5, 0.95, -9), (1.8, 9, 9)), name="two"),
    ]
    job = job_of([run((0, 0, 3), (4, 0, 3))], wall)
    answer = mend_run(opened(job), "a")
    assert answer.run is not None
    assert passes_from_nothing(job, answer.run)
    # to the middle of the slot and back: no less than 0.806 m each way, less what bends cut off
    length = answer.after.review.fitted.length_m if answer.after is not None else 0.0
    assert length <= 4.0 + 2.0 * 0.85


def test_what_another_run_would_suffer_is_no_proposal() -> None:
    """The only short way is taken by other runs; what is proposed leaves them as they were."""
    duct = element("duct", block((1.5, -9, 2.99), (1.7, 9, 3.4)))
    below = [run((0, 0.02 * n, 2.97), (4, 0.02 * n, 2.97), run_id=f"b{n}") for n in range(-2, 3)]
    job = job_of([run((0, 0, 3), (4, 0, 3)), *below], [duct], checks=("bend", "clash"))
    answer = mend_run(opened(job), "a")
    assert answer.run is not None
    review = check_job(job.with_runs((answer.run, *below)), book(), MADE)
    assert {r.fitted.run.run_id: r.verdict for r in review.runs} == {r.run_id: "pass" for r in job.runs}


def test_straps_stay_where_the_cable_still_passes_them() -> None:
    duct = element("duct", block((1.5, -0.4, 2.95), (2.0, 0.4, 3.1)))
    job = job_of([run((0, 0, 3), (4, 0, 3), (4, 2, 3))], [duct])
    answer = mend_run(opened(job), "a")
    assert answer.run is not None
    before = {round(at, 6) for at in job.runs[0].straps_at_m if at < 1.0}
    assert before <= {round(at, 6) for at in answer.run.straps_at_m}


def test_all_are_mended_in_the_stated_order_and_none_meets_another() -> None:
    duct = element("duct", block((1.5, -0.4, 2.9), (2.0, 1.4, 3.1)))
    thick = replace(cable(), cable_id="thick", sheath_diameter_m=0.02, overall_diameter_m=0.02)
    runs = [run((0, 0.06 * n, 3), (4, 0.06 * n, 3), run_id=f"r{n}") for n in range(4)]
    runs[2] = replace(runs[2], cable_id="thick")
    job = job_of(runs, [duct])
    job = replace(job, cables={**job.cables, "thick": thick})
    state = opened(job)
    assert mending_order(state) == ("r2", "r0", "r1", "r3")
    later, answers = mend_all(state)
    assert [a.outcome for a in answers] == ["mended"] * 4
    review = check_job(later.job, book(), MADE)
    assert {r.verdict for r in review.runs} == {"pass"}


def test_a_blocked_run_names_what_is_left() -> None:
    wall = element("obstacle", block((1, -90, -90), (1.3, 90, 90)))
    answer = mend_run(opened(job_of([run((0, 0, 3), (2, 0, 3))], [wall])), "a")
    assert answer.outcome == "blocked"
    assert answer.run is None
    assert [f.other for f in answer.blocked] == ["model:obstacle"]


def exhaustive(obstacles: list[Element], ends: np.ndarray, step_m: float) -> float:
    """Return the least length of level lines with up to two corners on a fine grid that a check passes."""
    job = job_of([run(*ends)], obstacles, checks=("bend", "clash"))
    state = opened(job)
    best = np.inf
    (x0, y0, z), (x1, y1, _) = ends
    lines = [np.array([[x0, y0, z], [x1, y0, z], [x1, y1, z]]), np.array([[x0, y0, z], [x0, y1, z], [x1, y1, z]])]
    for x in np.arange(-1.0, 5.0, step_m):
        lines.append(np.array([[x0, y0, z], [x, y0, z], [x, y1, z], [x1, y1, z]]))
    for y in np.arange(-2.0, 4.0, step_m):
        lines.append(np.array([[x0, y0, z], [x0, y, z], [x1, y, z], [x1, y1, z]]))
    for line in lines:
        if np.abs(np.diff(line, axis=0)).sum() >= best:
            continue
        try:
            later, _ = state.changed({"a": run(*line)})
        except ValueError:
            continue
        (review,) = later.review.runs
        if review.verdict == "pass":
            best = min(best, review.fitted.length_m)
    return best


@pytest.mark.parametrize("seed", range(6))
def test_a_route_is_within_a_twentieth_of_the_best_level_line_of_a_fine_grid(seed: int) -> None:
    rng = np.random.default_rng(seed)
    obstacles = []
    for n in range(5):
        x, y = rng.uniform(0.6, 3.0), rng.uniform(-0.6, 2.2)
        obstacles.append(element("duct", block((x, y, -9), (x + 0.4, y + rng.uniform(0.3, 0.9), 9)), name=str(n)))
    ends = np.array([[0.0, 0, 3], [4, 2, 3]])
    best = exhaustive(obstacles, ends, 0.02)
    job = job_of([], obstacles, checks=("bend", "clash"))
    state = opened(replace(job, runs=(run((-50, -50, 3), (-40, -50, 3), run_id="far"),)))
    answer = propose_routes(state, run(*ends))
    assert answer.alternatives
    for one in answer.alternatives:
        assert passes_from_nothing(replace(job, runs=(run(*ends),)), one.trial.run)
    assert answer.alternatives[0].trial.review.fitted.length_m <= 1.05 * best
