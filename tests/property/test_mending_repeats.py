"""What is proposed is the same every time, whatever threads and the order of sets."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.kernel.compiled import thread_limit
from route3d.mending.mend import mend_all
from route3d.mending.propose import propose_all
from route3d.recheck import Checked
from tests.builders import book
from tests.property.test_mending_holds import MADE, job_of


@settings(deadline=None, max_examples=3)
@given(st.integers(0, 10**6))
def test_what_is_proposed_is_the_same_again_and_with_other_numbers_of_threads(seed: int) -> None:
    job, ends = job_of(seed, 2, 6)

    def told() -> list[object]:
        later, answers = mend_all(Checked.open(job, book(), MADE))
        _, routes = propose_all(later, ends)
        return [
            [(a.outcome, a.why, None if a.run is None else (a.run.corners_m.tolist(), a.run.straps_at_m))
             for a in answers],
            [[one.trial.corners_m.tolist() for one in route.alternatives] for route in routes],
        ]  # fmt: skip

    first = told()
    assert told() == first
    with thread_limit(1):
        assert told() == first


def test_what_is_proposed_does_not_depend_on_the_order_of_sets() -> None:
    code = (
        "import sys; sys.path.insert(0, '.'); from tests.property.test_mending_holds import *\n"
        "job, ends = job_of(7, 2, 6)\n"
        "later, answers = mend_all(Checked.open(job, book(), MADE))\n"
        "print([(a.outcome, a.why, a.run and a.run.corners_m.tolist()) for a in answers])"
    )
    root = Path(__file__).parents[2]
    said = {
        subprocess.run(
            [sys.executable, "-c", code],
            cwd=root,
            env={**os.environ, "PYTHONHASHSEED": number},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for number in ("1", "2")
    }
    assert len(said) == 1
