"""A run given by its ends only: said, until it has a route; then as if it had had it from the start."""

from __future__ import annotations

from dataclasses import replace

from route3d.model.finding import not_known
from route3d.model.job import WITHOUT_ROUTE, Job
from route3d.recheck import Checked
from route3d.reports.results_json import results_text
from route3d.review import check_job
from route3d.viewer.page_data import PageMaker
from tests.builders import book
from tests.buildings import run
from tests.unit.mending.test_mend_run import MADE, job_of

ENDS = run((0, 2, 3), (4, 3, 3), run_id="b", straps_at_m=())
ROUTE = run((0, 2, 3), (4, 2, 3), (4, 3, 3), run_id="b")


def without() -> Job:
    job = job_of([run((0, 0, 3), (4, 0, 3))])
    told = not_known(None, "b", WITHOUT_ROUTE, "no route yet", "find one")
    return replace(job, unrouted=(ENDS,), input_findings=(told,))


def test_what_is_said_of_it_goes_when_it_has_a_route_and_comes_back_without() -> None:
    state = Checked.open(without(), book(), MADE)
    assert [f.other for f in state.review.findings if f.rule == WITHOUT_ROUTE] == ["b"]
    routed, difference = state.changed({"b": ROUTE})
    assert [f for f in routed.review.findings if f.rule == WITHOUT_ROUTE] == []
    assert len(difference.gone) == 1
    back, difference = routed.changed({"b": None})
    assert [f.other for f in difference.new] == ["b"]
    assert results_text(back.review) == results_text(state.review)


def test_once_routed_the_review_is_that_of_a_check_from_nothing() -> None:
    job = without()
    routed, _ = Checked.open(job, book(), MADE).changed({"b": ROUTE})
    assert results_text(routed.review) == results_text(check_job(job.with_runs((*job.runs, ROUTE)), book(), MADE))


def test_the_page_gets_its_ends() -> None:
    job = without()
    review = check_job(job, book(), MADE)
    value = PageMaker.of(job, review, book(), lambda _: {"runs": [], "findings": [], "unread": []}).review(
        replace(review, runs=(), findings=())
    )
    (ends,) = value["without_route"]
    assert (ends["id"], ends["cable"], ends["start"], ends["end"]) == ("b", "c", "box", "box")
    origin = value["origin_m"]
    assert [round(a + b, 6) for a, b in zip(ends["from_m"], origin, strict=True)] == [0, 2, 3]
    assert [round(a + b, 6) for a, b in zip(ends["to_m"], origin, strict=True)] == [4, 3, 3]
