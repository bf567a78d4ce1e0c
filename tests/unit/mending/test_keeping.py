"""Plates and guard strips stay where they are in the building, whatever becomes of distances along the run."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.fit import fit_run
from route3d.kernel.path import points_at
from route3d.mending.keeping import kept_parts, kept_stretches
from route3d.mending.mend import mend_run
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.recheck import Checked
from tests.builders import book, cable
from tests.buildings import block, element, run


def fitted(corners):
    return fit_run(Run("a", "c", np.array(corners, dtype=float)), 0.09, 1.5, 0.006)


def test_what_lies_before_a_jog_stays_and_what_lies_behind_it_shifts() -> None:
    before = fitted([(0, 0, 3), (2, 0, 3), (2, 1, 3), (6, 1, 3)])
    after = fitted([(0, 0, 3), (2, 0, 3), (2, 1, 3), (4, 1, 3), (4, 0.7, 3), (5, 0.7, 3), (5, 1, 3), (6, 1, 3)])
    kept = kept_parts(before, after)
    more = after.length_m - before.length_m
    stretches = [(0.5, 0.6), (3.2, 3.4), (before.length_m - 0.5, before.length_m - 0.4)]
    found = kept_stretches(stretches, kept, before.length_m)
    assert found[0] == (0.5, 0.6)
    assert found[-1] == pytest.approx((before.length_m - 0.5 + more, before.length_m - 0.4 + more))


@given(st.integers(0, 10_000))
@settings(max_examples=60, deadline=None)
def test_every_kept_place_is_where_it_was_and_no_place_is_kept_twice(seed: int) -> None:
    rng = np.random.default_rng(seed)
    corners = np.cumsum(rng.uniform(-1.5, 1.5, (int(rng.integers(3, 8)), 3)), axis=0)
    other = corners.copy()
    first = int(rng.integers(0, len(corners)))
    other[first : first + int(rng.integers(0, 3))] += rng.uniform(-0.3, 0.3, 3)
    before, after = fitted(corners), fitted(other)
    kept = kept_parts(before, after)
    stretches = [tuple(np.sort(rng.uniform(0.0, before.length_m, 2)).tolist()) for _ in range(3)]
    found = kept_stretches(stretches, kept, before.length_m)
    assert sum(b - a for a, b in found) <= sum(b - a for a, b in stretches) + 1e-9
    for a, b in found:
        at = np.linspace(a, b, 9)
        tail = at > kept.head_m + 1e-9
        was = points_at(before.pieces, np.where(tail, at - kept.shift_m, at))
        assert np.abs(points_at(after.pieces, at) - was).max() < 1e-3
    if np.array_equal(corners, other):
        assert kept.head_m == pytest.approx(before.length_m)


def test_a_plate_never_shields_another_place_than_the_one_where_it_is() -> None:
    # two holes near the edges of studs, one behind a plate; a duct between the start and them makes the way longer
    studs = [element("framing", block((x, -0.02, 2.0), (x + 0.038, 0.069, 4.0)), name=str(x)) for x in (3.0, 3.4)]
    duct = element("duct", block((1.0, -0.5, 2.95), (1.3, 0.5, 3.05)), name="duct")
    shielded = run((0, 0, 3), (5, 0, 3), plates_m=((2.95, 3.09), (3.35, 3.49)))
    of = cable()
    job = Job(
        name="test",
        occupancy="other",
        checks=("bend", "clash", "framing"),
        cables={of.cable_id: of},
        runs=(shielded,),
        elements=(*studs, duct),
        zones=(),
        clearance_m={},
        settings=Settings(),
    )
    answer = mend_run(Checked.open(job, book(), ""), "a")
    assert answer.outcome == "mended", answer.blocked
    assert answer.run is not None and answer.after is not None
    more = answer.after.review.fitted.length_m - 5.0
    assert more > 0.0
    for (a, b), at in zip(answer.run.plates_m, (2.95, 3.35), strict=True):
        assert (a, b) == pytest.approx((at + more, at + 0.14 + more), abs=1e-3)
    assert answer.to_look_at == ()
