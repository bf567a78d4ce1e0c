"""In any small ceiling: what is proposed passes a check from nothing, ends stay, and nobody else is worse off."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.mending.mend import mend_all
from route3d.mending.propose import propose_all
from route3d.model.finding import CHECKS
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.recheck import Checked
from route3d.review import check_job
from tests.builders import book, cable
from tests.buildings import block, element

MADE = "2026-01-31T10:00:00Z"
ROLES = ("duct", "pipe", "obstacle", "framing", "wall", "structure")


def job_of(seed: int, count: int, things: int) -> tuple[Job, list[Run]]:
    """Return runs with jogs among boxes of several roles under a deck, and ends for two more."""
    rng = np.random.default_rng(seed)
    elements = [element("deck", block((-2, -2, 3.5), (8, 8, 3.6)))]
    for n in range(things):
        low = rng.uniform([0.5, 0.0, 2.6], [4.5, 4.0, 3.3])
        size = rng.uniform([0.05, 0.05, 0.05], [1.0, 1.0, 0.4])
        elements.append(element(ROLES[n % len(ROLES)], block(low, low + size), name=str(n)))
    runs = []
    for n in range(count):
        x, y, z = rng.uniform([0, 0, 2.7], [0.4, 4, 3.4])
        jog, along, side = rng.uniform(0.02, 0.4), rng.uniform(1, 3), rng.uniform(0.3, 2.0)
        corners = [[x, y, z], [x + along, y, z], [x + along, y + jog, z], [x + along + 2, y + jog, z]]
        if n % 2:
            corners += [[x + along + 2, y + jog + side, z]]
        runs.append(Run(f"r{n}", "c", np.array(corners), start="box", end="box", file="t", where=f"run 'r{n}'"))
    of = cable()
    ends = [
        Run(f"e{n}", "c", rng.uniform([0, 0, 2.8], [5, 5, 3.3], (2, 3)), start="box", end="box", file="t", where="run")
        for n in range(2)
    ]
    job = Job(
        name="test",
        occupancy="other",
        checks=CHECKS,
        cables={of.cable_id: of},
        runs=tuple(runs),
        elements=tuple(elements),
        zones=(),
        clearance_m={"pipe": 0.025},
        settings=Settings(strap_reach_m=0.6),
    )
    return job, ends


@settings(deadline=None, max_examples=12)
@given(st.integers(0, 10**6), st.integers(1, 3), st.integers(0, 8))
def test_what_is_mended_passes_from_nothing(seed: int, count: int, things: int) -> None:
    job, _ = job_of(seed, count, things)
    state = Checked.open(job, book(), MADE)
    later, answers = mend_all(state)
    review = check_job(later.job, book(), MADE)
    assert review.findings == later.review.findings
    verdict = {r.fitted.run.run_id: r.verdict for r in review.runs}
    drawn = {r.run_id: r for r in job.runs}
    for answer in answers:
        if answer.outcome == "mended":
            assert verdict[answer.run_id] == "pass"
            assert answer.run is not None
            for k in (0, -1):
                assert answer.run.corners_m[k].tolist() == drawn[answer.run_id].corners_m[k].tolist()
        else:
            assert answer.outcome != "blocked" or answer.blocked or answer.stuck
    # a run that passed passes still
    before = {r.fitted.run.run_id: r.verdict for r in state.review.runs}
    assert all(verdict[name] == "pass" for name, was in before.items() if was == "pass")


@settings(deadline=None, max_examples=12)
@given(st.integers(0, 10**6), st.integers(0, 8))
def test_every_route_passes_from_nothing(seed: int, things: int) -> None:
    job, ends = job_of(seed, 1, things)
    state = Checked.open(job, book(), MADE)
    worse = {f.finding_id for f in state.review.findings}
    later, answers = propose_all(state, ends)
    for answer, run in zip(answers, ends, strict=True):
        for one in answer.alternatives:
            assert one.trial.run.corners_m[[0, -1]].tolist() == run.corners_m.tolist()
            alone = check_job(one.trial.state.job, book(), MADE)
            assert next(r.verdict for r in alone.runs if r.fitted.run.run_id == run.run_id) == "pass"
            assert not [
                f for f in alone.findings if f.severity == "violation" and f.run == "r0" and f.finding_id not in worse
            ]
    routed = [answer.run_id for answer in answers if answer.alternatives]
    review = check_job(later.job, book(), MADE)
    assert all(r.verdict == "pass" for r in review.runs if r.fitted.run.run_id in routed)


@settings(deadline=None, max_examples=10)
@given(st.integers(0, 10**6), st.integers(2, 4), st.integers(2, 8))
def test_mending_all_brings_no_violation_and_no_doubt_that_was_not_there(seed: int, count: int, things: int) -> None:
    job, _ = job_of(seed, count, things)
    before = check_job(job, book(), MADE)
    later, _ = mend_all(Checked.open(job, book(), MADE))
    after = check_job(later.job, book(), MADE)
    for kind in ("violation", "unchecked"):
        was, now = (
            {(f.check, f.run, f.other, f.rule) for f in review.findings if f.severity == kind or
             (kind == "unchecked" and f.unchecked)}
            for review in (before, after)
        )  # fmt: skip
        assert now <= was, kind
