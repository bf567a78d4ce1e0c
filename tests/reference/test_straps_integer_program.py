"""The fewest straps against an integer program that knows the rules' numbers only (scipy's milp, HiGHS).

On a grid of six inches every stretch of ``interval + 1`` steps must hold a mark in its inside, and so must the first
two steps beside a box (12 in: NEC 330.30(B), 320.30(B), 334.30). All places are on the grid, so the best straps are.
"""

import numpy as np
import pytest
from scipy.optimize import LinearConstraint, milp

from route3d.plans.strap_tasks import is_held
from route3d.plans.straps import fewest_straps
from tests.strap_cases import STEP_M, GridCase, grid_case

# steps of six inches, written down here once more: 6 ft, 4-1/2 ft, 10 ft
INTERVAL = {"mc-interlocked": 12, "mc-smooth": 12, "mi": 12, "ac": 9, "nm": 9}
HEAVY_RISER = 20
FIRST = 2


def fewest_by_program(case: GridCase) -> int | None:
    """Return the fewest added straps, None where there is no set of places that does."""
    run, n = case.run, case.steps
    method = run.cable.method
    vertical = abs(run.pieces[0, 11]) > 0.5
    size = run.cable.size
    assert size is not None
    heavy = method.startswith("mc-") and size.text == "250 kcmil" and vertical
    interval = HEAVY_RISER if heavy else INTERVAL[method]
    # openings in framing support AC in every edition, and secure it from 2020 on: NEC 320.30(B), (C)
    bored = method != "ac" or case.book.name != "nec-2017"
    securing = [s for s in run.supports if s.secures and (s.kind != "framing" or bored)]
    marks = {
        "securing": {round(s.at_m / STEP_M) for s in securing},
        "supporting": {round(s.at_m / STEP_M) for s in run.supports},
    }
    places = [round(at_m / STEP_M) for at_m in case.grid]
    rows, needed = [], []
    for held in marks.values():
        for a in range(n - interval):
            inside = range(a + 1, a + interval + 1)
            if not held & set(inside):
                rows.append([1.0 if p in inside else 0.0 for p in places])
                needed.append(1.0)
    small = run.cable.conductors <= 4 and size.text == "12 AWG"
    if method != "mi" and (small or not method.startswith("mc-")):
        straps = {round(s.at_m / STEP_M) for s in securing if s.kind not in ("box", "fitting")}
        for end, kind in ((0, run.start.kind), (n, run.end.kind)):
            beside = {p for p in range(n + 1) if abs(p - end) <= FIRST}
            if kind != "open" and not straps & beside:
                rows.append([1.0 if p in beside else 0.0 for p in places])
                needed.append(1.0)
    if not rows:
        return 0
    solved = milp(
        np.ones(len(places)),
        constraints=LinearConstraint(np.array(rows), np.array(needed), np.inf),
        integrality=np.ones(len(places)),
        bounds=(0, 1),
    )
    return round(solved.fun) if solved.success else None


@pytest.mark.parametrize("block", range(4))
def test_the_fewest_straps_are_those_of_an_integer_program(block: int) -> None:
    counts: dict[int | None, int] = {}
    for seed in range(150):
        case = grid_case(np.random.default_rng((7, block, seed)), 110, plain=True)
        wanted = fewest_by_program(case)
        if is_held(case.run, (), case.book):
            planned: int | None = 0
        else:
            best = fewest_straps(case.run, case.book, case.places, 1.0)
            planned = None if best is None else len(best[1])
        assert planned == wanted, case.said
        counts[planned] = counts.get(planned, 0) + 1
    assert len(counts) > 6  # long and short ones, and some that cannot be strapped
