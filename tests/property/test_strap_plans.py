"""What always holds of strap plans; the fewest straps against trying every smaller set on a grid."""

from math import comb

import numpy as np
import pytest

from route3d.plans.strap_fewest import fewest, is_enough
from route3d.plans.strap_intervals import Places
from route3d.plans.strap_tasks import is_held, tasks_of, with_straps
from route3d.plans.straps import fewest_straps
from route3d.rules.securing import judge_holding
from tests.strap_cases import fewest_by_trying, grid_case

_SETS_MAX = 1500  # of straps that are tried in one case


@pytest.mark.parametrize("block", range(4))
def test_no_smaller_set_of_straps_passes_the_check(block: int) -> None:
    tried = stuck = 0
    for seed in range(140):
        case = grid_case(np.random.default_rng((1, block, seed)), 26)
        if is_held(case.run, (), case.book):
            continue
        best = fewest_straps(case.run, case.book, case.places, 1.0)
        if best is None:
            # one more strap never hurts, so all places together decide
            assert not is_held(case.run, case.grid, case.book), case.said
            if len(case.grid) <= 9:
                assert fewest_by_trying(case, len(case.grid) + 1) is None, case.said
            stuck += 1
            continue
        straps = best[1]
        assert is_held(case.run, straps, case.book), case.said
        assert all(case.places.has(at_m) for at_m in straps), case.said
        if sum(comb(len(case.grid), k) for k in range(len(straps))) <= _SETS_MAX:
            assert fewest_by_trying(case, len(straps)) is None, case.said
            tried += 1
    assert tried > 30 and stuck > 5


@pytest.mark.parametrize("share", [1.0, 0.9, 0.7])
def test_a_margin_is_kept_on_either_side_of_every_strap_that_is_added(share: float) -> None:
    seen = 0
    for seed in range(150):
        case = grid_case(np.random.default_rng((2, seed)), 60, plain=True)
        best = None if is_held(case.run, (), case.book) else fewest_straps(case.run, case.book, case.places, share)
        if best is None:
            continue
        straps = best[1]
        holding = judge_holding(with_straps(case.run, straps), case.book)
        existing = sorted({0.0, case.run.length_m, *(s.at_m for s in case.run.supports)})
        for span in (*holding.securing, *holding.supporting):
            if span.limit_m is None:
                continue
            if case.run.cable.size.text == "250 kcmil" and abs(case.run.pieces[0, 11]) > 0.5:
                continue  # a riser has a longer limit than the one that its shorter spans are told against
            touches = any(abs(at_m - end) < 1e-9 for at_m in straps for end in (span.from_m, span.to_m))
            kept = [m for m in existing if m <= span.from_m + 1e-9], [m for m in existing if m >= span.to_m - 1e-9]
            # what existing supports settle between them is left as it is
            settled = kept[1][0] - kept[0][-1] <= span.limit_m + 1e-4
            if touches and not settled:
                assert span.length_m <= span.limit_m * share + 1e-4, case.said
                seen += 1
    assert seen > 100


def test_a_smaller_share_never_needs_fewer_straps() -> None:
    for seed in range(120):
        case = grid_case(np.random.default_rng((3, seed)), 50)
        counts = []
        for share in (1.0, 0.9, 0.8):
            best = fewest_straps(case.run, case.book, case.places, share)
            counts.append(np.inf if best is None else len(best[1]))
        assert counts == sorted(counts), case.said


def test_more_places_never_need_more_straps() -> None:
    for seed in range(120):
        rng = np.random.default_rng((4, seed))
        case = grid_case(rng, 50)
        low, high = sorted(rng.uniform(0.0, case.run.length_m, 2).tolist())
        few = fewest_straps(case.run, case.book, case.places, 0.9)
        many = fewest_straps(case.run, case.book, Places([*case.places.stretches, (low, high)]), 0.9)
        if few is not None:
            assert many is not None and len(many[1]) <= len(few[1]), case.said


def test_a_run_needs_as_many_straps_from_either_end() -> None:
    for seed in range(150):
        case = grid_case(np.random.default_rng((5, seed)), 60)
        for task in tasks_of(case.run, case.book, case.places, 0.9):
            here, there = fewest(task), fewest(task.mirrored(case.run.length_m))
            assert (here is None) == (there is None), case.said
            if here is not None and there is not None:
                assert len(here) == len(there), case.said
                assert is_enough(task, [case.run.length_m - at_m for at_m in there]), case.said
