"""Parts of a job, examined and judged apart, give the same as the whole job."""

from __future__ import annotations

import pickle
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from route3d.checks import CHECKS
from route3d.checks.collecting import collect
from route3d.checks.judging import judge_job, judge_runs
from route3d.examine import Relations, around_element, examine, examine_alone, panel_reach_m, reach_m, scene_of
from route3d.explain import Chains
from route3d.model.job import Job
from route3d.reports.results_json import results_text
from route3d.review import check_job
from route3d.surroundings import surround
from tests.builders import book
from tests.room import MADE, a_room


def parts_of(job: Job) -> list[tuple[int, Job]]:
    """Return for each run a job that holds only the elements that may matter to it."""
    reach, about_panels = reach_m(job, book()), panel_reach_m(job, book())
    panels = [element.box_m for element in job.elements if element.element_id in {p.element_id for p in job.panels}]
    found = []
    for i, run in enumerate(job.runs):
        low, high = run.corners_m.min(axis=0), run.corners_m.max(axis=0)
        near = []
        for element in job.elements:
            least, most = around_element(element.box_m, element.role, reach)
            of_panel = any(
                (element.box_m[0] <= box[1] + about_panels).all() and (element.box_m[1] >= box[0] - about_panels).all()
                for box in panels
            )
            if of_panel or ((low <= most).all() and (high >= least).all()):
                near.append(element)
        found.append((i, replace(job, elements=tuple(near))))
    return found


def test_runs_judged_each_with_the_elements_near_it_give_the_review_of_the_whole_job_in_any_order() -> None:
    job = a_room()
    far = [
        replace(e, element_id=f"far-{e.element_id}", triangles_m=e.triangles_m + np.array([60.0, 0.0, 0.0]))
        for e in job.elements
    ]
    job = replace(job, elements=(*far, *job.elements))
    whole = check_job(job, book(), MADE)
    around = surround(job)
    parts = parts_of(job)
    assert all(len(part.elements) < len(job.elements) for _, part in parts)

    there = {i: surround(part, origin_m=around.origin_m, facts=around.facts) for i, part in parts}
    alone = {i: examine_alone(part, book(), there[i], [i])[0] for i, part in reversed(parts)}
    alone = pickle.loads(pickle.dumps(alone))
    # element numbers are those of each part: only what speaks of elements by number must be compared as a whole
    drawn = examine(job, book()).alone
    relations = Relations.empty().updated(job, book(), around, dict(enumerate(drawn)))
    judged, chains = {}, {}
    for i, part in parts:
        mine = [*drawn[:i], alone[i], *drawn[i + 1 :]]
        scene = scene_of(part, book(), there[i], mine, relations.related, [i])
        judged |= judge_runs(scene, {i: relations.related[i].findings})
        chains |= dict(Chains(scene, {i: judged[i]}))
    everything = scene_of(job, book(), around, drawn, relations.related, range(len(job.runs)))
    said = judge_job(everything, relations.whole(job, around))
    chains |= dict(Chains(everything, {}, said))
    together = collect(job, book(), MADE, [judged[i] for i in sorted(judged)], said, chains)
    assert results_text(together) == results_text(whole)


class Guarded(tuple[Any, ...]):
    """Entries of all runs of which only some may be looked at."""

    allowed: frozenset[int]

    def __getitem__(self, i: Any) -> Any:
        assert i in self.allowed, f"a check looked at run {i}, which it was not to judge"
        return super().__getitem__(i)

    def __iter__(self) -> Any:
        raise AssertionError("a check went through all runs")


def guarded(values: tuple[Any, ...], allowed: set[int]) -> Guarded:
    made = Guarded(values)
    made.allowed = frozenset(allowed)
    return made


@pytest.mark.parametrize("name", [name for name, check in CHECKS.items() if not check.company])
def test_a_check_that_is_not_of_company_looks_at_no_other_run(name: str) -> None:
    examined = examine(a_room(), book())
    related = examined.relations.related
    for i in related:
        scene = scene_of(examined.scene.job, book(), examined.around, examined.alone, related, [i])
        others = {gap.other_run for gap in scene.gaps.pairs if gap.other_run is not None}
        scene = replace(
            scene,
            fitted=guarded(scene.fitted, {i, *others}),
            bend_required=guarded(scene.bend_required, {i}),
            attached=guarded(scene.attached, {i}),
            zones=guarded(scene.zones, {i}),
            openings=guarded(scene.openings, {i}),
            sections={},
            approaches={},
        )
        found = CHECKS[name].runs(scene).findings
        assert {f.run for f in found} <= {scene.fitted[i].run.run_id}


@pytest.mark.parametrize("name", CHECKS)
def test_the_room_of_these_tests_is_not_silent_on_any_check(name: str) -> None:
    found = [f for f in check_job(a_room(), book(), MADE).findings if f.check == name]
    assert found


def test_chains_are_derived_when_asked_and_sent_elsewhere_as_what_they_are() -> None:
    review = check_job(a_room(), book(), MADE)
    assert len(review.chains) == len(review.findings)
    assert "nothing" not in review.chains
    sent = pickle.loads(pickle.dumps(review.chains))
    assert type(sent) is dict
    assert sent == dict(review.chains)


def test_what_a_check_says_of_a_run_that_it_was_not_to_judge_is_an_error() -> None:
    examined = examine(a_room(), book())
    scene = replace(examined.scene, which=(0,))
    with pytest.raises(AssertionError, match="was not to judge"):
        judge_runs(scene, {})  # gaps of all runs are still in it


def test_the_origin_of_computation_moves_in_large_steps_only() -> None:
    job = a_room()
    assert (surround(job).origin_m == 0.0).all()
    moved = tuple(replace(e, triangles_m=e.triangles_m + np.array([5000.0, 0.0, 0.0])) for e in job.elements)
    assert surround(replace(job, elements=moved)).origin_m[0] % 128.0 == 0.0
