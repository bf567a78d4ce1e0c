"""What always holds of coil plans and cut lengths, whatever the runs."""

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.model.allowance import CoilStock, TakeOffSettings
from route3d.plans.coils import cut_cable
from route3d.plans.makeup import RunEnd, made_up
from tests.builders import cable, straight_run

STEP = 0.05
lengths = st.lists(st.integers(1, 400).map(lambda n: n * STEP), min_size=1, max_size=14)
stocks = st.lists(
    st.tuples(st.sampled_from([20.0, 25.0, 30.05, 61.0]), st.booleans()),
    min_size=0,
    max_size=2,
    unique_by=lambda s: s[0],
)


def stock_of(chosen) -> TakeOffSettings:
    coils = [CoilStock("c", 20.0)]
    coils += [CoilStock("c", n, 1 if offcut else None, offcut=f"offcut {n}" if offcut else "") for n, offcut in chosen]
    return TakeOffSettings(coils=tuple(coils), round_up_m=STEP)


def plan_for(cuts: list[float], chosen):
    return cut_cable(cable(), [(f"r{n}", length) for n, length in enumerate(cuts)], stock_of(chosen))


@settings(max_examples=60, deadline=None)
@given(lengths, stocks)
def test_cuts_and_what_is_left_make_the_coil_and_every_run_is_cut_once(cuts, chosen) -> None:
    plan = plan_for(cuts, chosen)
    assert plan.too_long == ()
    cut = [run for coil in plan.coils for run, _ in coil.cuts]
    assert sorted(cut) == sorted(f"r{n}" for n in range(len(cuts)))
    for coil in plan.coils:
        assert math.isclose(math.fsum(length for _, length in coil.cuts) + coil.left_m, coil.length_m, abs_tol=1e-6)
        assert coil.left_m >= 0.0
        assert coil.reusable == (coil.left_m >= 1.8288 - 1e-6)
    assert plan.bought_bound_m <= plan.bought_m + 1e-9
    assert plan.bought_m >= math.fsum(cuts) - math.fsum(n for n, offcut in chosen if offcut) - 1e-6


@settings(max_examples=40, deadline=None)
@given(lengths, st.integers(1, 400).map(lambda n: n * STEP), stocks)
def test_one_more_run_never_lowers_what_is_bought(cuts, more, chosen) -> None:
    before, after = plan_for(cuts, chosen), plan_for([*cuts, more], chosen)
    assert before.proven and after.proven
    assert after.bought_m >= before.bought_m - 1e-6


@settings(max_examples=30, deadline=None)
@given(lengths, stocks)
def test_one_more_kind_of_coil_never_raises_what_is_bought(cuts, chosen) -> None:
    assert plan_for(cuts, chosen).bought_m <= plan_for(cuts, ()).bought_m + 1e-6


@settings(max_examples=30, deadline=None)
@given(lengths, stocks, st.randoms())
def test_the_order_of_the_runs_changes_nothing_that_is_bought(cuts, chosen, rng) -> None:
    shuffled = list(cuts)
    rng.shuffle(shuffled)
    assert plan_for(shuffled, chosen).bought_m == plan_for(cuts, chosen).bought_m


ends = st.sampled_from(["box", "cabinet", "fitting", "luminaire", "equipment", "flexible-equipment", "open"])


@settings(max_examples=60, deadline=None)
@given(st.floats(0.1, 200.0), ends, ends, st.booleans(), st.sampled_from(["ac", "emt", "fmc", "nm", "mc-smooth"]))
def test_a_run_is_cut_no_shorter_than_its_line_and_less_than_a_step_longer_than_its_parts(
    length, start, end, feeder, method
) -> None:
    given_settings = TakeOffSettings()
    run = straight_run(length)
    made = made_up(run, method, (RunEnd("start", start), RunEnd("end", end)), feeder, given_settings)
    parts = math.fsum(part.length_m for part in made.parts if part.name != "rounded up")
    assert made.total_m >= run.length_m
    assert -1e-6 <= made.total_m - run.length_m - parts < given_settings.round_up_m
