"""Two thousand random hard cases against slow plain code; ``tests/speed/prove_clearance.py`` runs 100,000."""

import pytest
from kernel_cases import BOUND_M, judge


@pytest.mark.parametrize("seed", range(10))
def test_hard_cases_have_their_distance_and_place(seed):
    verdict = judge(seed)
    assert verdict.missed == 0
    assert verdict.above_truth <= BOUND_M
    assert verdict.place_off <= BOUND_M
