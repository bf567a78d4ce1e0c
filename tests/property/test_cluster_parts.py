"""However a job is cut, sent and put together again, it is told of as if it had been checked in one piece."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from route3d.cluster import Sizes, check_with
from route3d.cluster.cuts import cut
from route3d.errors import InputError
from route3d.model.job import Job
from route3d.model.run import Run
from route3d.review import check_job
from tests.builders import book
from tests.property.test_recheck import MADE, NAMES, as_run, run_parts, the_job, told


def copied(thing: Any) -> Any:
    return pickle.loads(pickle.dumps(thing))


class Inline:
    """Does all work here, on copies that went over a wire, the last piece first."""

    cores = 2

    def __init__(self) -> None:
        self._there: dict[int, Any] = {}

    def submit(self, function: Callable[..., Any], *given: Any) -> Any:
        answer = copied(function(*(one if id(one) in self._there else copied(one) for one in given)))
        self._there[id(answer)] = answer
        return answer

    def answers(self, work: Mapping[int, Any]) -> Iterator[tuple[int, Any]]:
        yield from reversed(list(work.items()))


def widened(job: Job, copies: int) -> Job:
    """Return a job with the same room several times, side by side, so that there is something to cut."""
    runs: list[Run] = []
    elements = []
    for k in range(copies):
        away = np.array([9.0 * k, 4.5 * (k % 2), 0.0])
        runs += [replace(r, run_id=f"{r.run_id}{k}", corners_m=r.corners_m + away) for r in job.runs]
        elements += [
            replace(e, element_id=f"{e.element_id}{k}", triangles_m=e.triangles_m + away) for e in job.elements
        ]
    panels = tuple(replace(p, element_id=f"{p.element_id}{k}") for p in job.panels for k in range(copies))
    return replace(job, runs=tuple(runs), elements=tuple(elements), panels=panels)


@settings(max_examples=12, deadline=None)
@given(
    parts=st.lists(run_parts, min_size=1, max_size=8),
    copies=st.integers(1, 3),
    sizes=st.builds(Sizes, st.sampled_from([1, 40, 10_000]), st.sampled_from([1, 2, 7, None])),
)
@example(  # two stretches of one length in a working space: the last bit decides which is told
    parts=[("data", [(0.25, 1.9, 2.35), (2.0, 2.55, 2.35), (2.0, 0.25, 2.35)], [], (None, None))],
    copies=2,
    sizes=Sizes(1, 1),
)
def test_parts_of_any_size_give_the_same_bytes(parts: Any, copies: int, sizes: Sizes) -> None:
    drawn = [as_run(name, *part) for name, part in zip(NAMES, parts, strict=False)]
    job = widened(the_job([run for run in drawn if run is not None]), copies)
    assert told(check_with(Inline(), job, book(), MADE, sizes=sizes)) == told(check_job(job, book(), MADE))


def test_a_job_without_runs_or_without_a_building_is_checked_too() -> None:
    line = Run("a", "mc", np.array([[0.0, 0.0, 2.4], [3.0, 0.0, 2.4]]), file="p", where="a")
    for job in (the_job([]), replace(the_job([line]), elements=(), panels=())):
        assert told(check_with(Inline(), job, book(), MADE)) == told(check_job(job, book(), MADE))


def test_the_first_run_with_a_strap_beyond_its_end_is_named_as_in_one_piece() -> None:
    runs = [
        Run(name, "mc", np.array([[x, 0.0, 2.4], [x + 3.0, 0.0, 2.4]]), straps_at_m=(at,), file="p", where=name)
        for name, x, at in (("a", 30.0, 1.0), ("b", 90.0, 5.0), ("c", 0.0, 7.0))
    ]
    said = []
    for check in (check_job, lambda *given: check_with(Inline(), *given, sizes=Sizes(10, 1))):
        with pytest.raises(InputError) as caught:
            check(the_job(runs), book(), MADE)
        said.append(str(caught.value))
    assert said[0] == said[1] and "b straps[1]" in said[0]


@given(
    points=st.lists(st.tuples(*[st.floats(-50, 50)] * 3), max_size=60),
    heavy=st.floats(0.5, 20.0),
    largest=st.floats(1.0, 30.0),
)
def test_a_cut_holds_every_point_once_and_no_group_is_too_heavy(points: Any, heavy: float, largest: float) -> None:
    rows = np.array(points, dtype=float).reshape(-1, 3)
    weight = np.where(np.arange(len(rows)) % 3 == 0, heavy, 1.0)
    groups = cut(rows, weight, largest)
    assert sorted(k for group in groups for k in group.tolist()) == list(range(len(rows)))
    assert all(len(group) == 1 or weight[group].sum() <= largest for group in groups)
