"""After any edits, a job that was checked step by step is told of as if it had been checked from nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.model.finding import Review
from route3d.model.run import Run
from route3d.recheck import Checked
from route3d.reports.results_json import results_text
from route3d.review import check_job
from tests.builders import book
from tests.room import CABLES, MADE, as_run, building, the_job, thing

corner = st.tuples(
    st.sampled_from([0.25, 0.3, 0.9, 1.2, 1.9, 2.0, 2.3, 3.05, 3.6]),
    st.sampled_from([0.25, 0.26, 0.27, 0.5, 1.2, 1.9, 1.915, 2.3, 2.55, 3.4]),
    st.sampled_from([2.35, 2.43, 2.445, 2.6, 2.8, 2.96]),
)


run_parts = st.tuples(
    st.sampled_from(list(CABLES)),
    st.lists(corner, min_size=2, max_size=4),
    st.lists(st.sampled_from([0.0, 0.2, 0.5, 0.77, 1.0]), max_size=3),
    st.tuples(st.sampled_from([None, "box", "open", "luminaire"]), st.sampled_from([None, "box", "open"])),
)

NAMES = ("a", "b", "c", "d", "e", "f", "g", "h")

edit = st.one_of(
    st.tuples(st.just("run"), st.sampled_from([*NAMES, "new1", "new2"]), run_parts),
    st.tuples(st.just("drop"), st.sampled_from(NAMES), st.none()),
    st.tuples(
        st.just("beside"), st.sampled_from(NAMES), st.tuples(st.sampled_from(NAMES), st.sampled_from([0.013, 0.03]))
    ),
    st.tuples(
        st.just("element"),
        st.sampled_from([e.element_id for e in building()]),
        st.tuples(st.sampled_from([-0.3, 0.0, 0.12]), st.sampled_from([-0.2, 0.0, 0.05]), st.sampled_from([-0.1, 0.0])),
    ),
    st.tuples(st.just("take"), st.sampled_from([e.element_id for e in building()]), st.none()),
    st.tuples(st.just("add"), st.sampled_from(["pipe", "strap", "framing", "structure", "access-panel"]), corner),
    st.tuples(st.just("clearance"), st.sampled_from(["pipe", "hot-pipe", "duct"]), st.sampled_from([0.0, 0.05, 0.2])),
)


def told(review: Review) -> str:
    """Everything that a review holds, chains included."""
    kept = [(name, review.chains[name]) for name in sorted(review.chains)]
    assert sorted(f.finding_id for f in review.findings) == [name for name, _ in kept]
    return f"{results_text(review)}{kept}{sorted(review.sources.items())}"


def applied(state: Checked, step: Any, known: dict[str, Run]) -> tuple[dict[str, Any], dict[str, Any]] | None:
    """Return the arguments of an edit, or None where it means nothing."""
    kind, name, more = step
    runs = {run.run_id: run for run in state.job.runs}
    elements = {e.element_id: e for e in state.job.elements}
    if kind == "run":
        run = as_run(name, *more)
        return None if run is None else ({name: run}, {})
    if kind == "drop":
        return ({name: None}, {}) if name in runs else None
    if kind == "beside":
        other, apart = more
        if other not in runs or other == name:
            return None
        return {
            name: replace(runs[other], run_id=name, corners_m=runs[other].corners_m + np.array([0.0, 0.0, apart]))
        }, {}
    if kind == "element":
        if name not in elements:
            return None
        return {}, {
            "elements": {name: replace(elements[name], triangles_m=elements[name].triangles_m + np.array(more))}
        }
    if kind == "take":
        return ({}, {"elements": {name: None}}) if name in elements else None
    if kind == "add":
        new = thing(f"added-{name}", name, np.array(more) - 0.02, (0.5, 0.04, 0.04))
        return {}, {"elements": {new.element_id: new}}
    return {}, {"clearance_m": {**state.job.clearance_m, name: more}}


@settings(max_examples=12, deadline=None)
@given(parts=st.lists(run_parts, min_size=2, max_size=8), steps=st.lists(edit, min_size=1, max_size=4))
def test_after_any_edits_the_review_is_that_of_a_check_from_nothing(parts: Any, steps: Any) -> None:
    drawn = [as_run(name, *part) for name, part in zip(NAMES, parts, strict=False)]
    runs = [run for run in drawn if run is not None]
    state = Checked.open(the_job(runs), book(), MADE)
    assert told(state.review) == told(check_job(state.job, book(), MADE))
    for step in steps:
        given_edit = applied(state, step, {})
        if given_edit is None:
            continue
        before = state
        state, difference = state.changed(given_edit[0], **given_edit[1])
        whole = check_job(state.job, book(), MADE)
        assert told(state.review) == told(whole)
        assert difference.summary == whole.summary == state.review.summary
        old = {f.finding_id: f for f in before.review.findings}
        new = {f.finding_id: f for f in whole.findings}
        assert {f.finding_id for f in difference.new} == new.keys() - old.keys()
        assert set(difference.gone) == old.keys() - new.keys()
        assert {f.finding_id for f in difference.altered} == {n for n in new.keys() & old.keys() if new[n] != old[n]}
        assert {name: difference.chains[name] for name in difference.chains} == {
            f.finding_id: whole.chains[f.finding_id] for f in (*difference.new, *difference.altered)
        }
        was = {r.fitted.run.run_id: r for r in before.review.runs}
        now = {r.fitted.run.run_id: r for r in whole.runs}
        assert set(difference.runs_gone) == was.keys() - now.keys()
        same = {r.fitted.run.run_id for r in difference.runs}
        assert now.keys() - was.keys() <= same
        for name in now.keys() & was.keys() - same:
            assert (was[name].verdict, was[name].attachment) == (now[name].verdict, now[name].attachment)
