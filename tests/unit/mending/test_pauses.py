"""A search lets whoever runs it hold it up, or end it: in every kind of step, and in its own thread only."""

from __future__ import annotations

import threading

import pytest

from route3d.mending.mend import mend_run
from route3d.mending.pauses import pause, pausing
from route3d.mending.propose import propose_routes
from tests.buildings import block, element, run
from tests.unit.mending.test_mend_run import job_of, opened


class Enough(Exception):  # noqa: N818
    """Not one of the errors that a search takes for a line that is none."""


def ended_after(steps: int) -> list[int]:
    """Return the steps of searches that were ended after so many; empty where they were done before."""
    taken = []

    def between() -> None:
        taken.append(len(taken))
        if len(taken) > steps:
            raise Enough

    job = job_of([run((0, 0, 3), (4, 0, 3))], [element("duct", block((1.5, -0.4, 2.6), (1.9, 0.4, 3.4)))])
    with pausing(between):
        try:
            mend_run(opened(job), "a")
        except Enough:
            return taken
    return []


@pytest.mark.parametrize("steps", [0, 1, 3, 8])
def test_a_search_can_be_ended_at_any_step(steps: int) -> None:
    assert len(ended_after(steps)) == steps + 1


def test_a_search_for_routes_can_be_ended_too() -> None:
    def between() -> None:
        raise Enough

    with pausing(between), pytest.raises(Enough):
        propose_routes(opened(job_of([run((0, 5, 3), (4, 5, 3))])), run((0, 0, 3), (4, 2, 3), run_id="b"))


def test_by_itself_nothing_happens_at_a_pause_and_other_threads_are_not_concerned() -> None:
    pause()
    seen: list[str] = []
    with pausing(lambda: seen.append(threading.current_thread().name)):
        pause()
        other = threading.Thread(target=pause, name="other")
        other.start()
        other.join()
    pause()
    assert seen == [threading.current_thread().name]
