"""Strap plans of whole jobs: what is added, what stays, where nothing can be, and that the check passes them."""

import numpy as np
import pytest

from route3d.model.job import Settings
from route3d.model.zone import Zone
from route3d.plans.straps import NO_STRUCTURE, plan_straps
from tests.builders import block, cable
from tests.strap_scenes import checked_with, examined_of, job_of, joists, run_of, straps_of, thing

SLAB = thing("structure", (-50, -50, 3.05), (100, 100, 0.2), "SLAB")


def planned(job, margin: float = 0.0):
    plans = plan_straps(examined_of(job), margin)
    stuck = {plan.run_id for plan in plans if plan.stuck}
    assert not [f for f in checked_with(job, plans) if f.run not in stuck]
    return plans


def test_a_run_between_boxes_gets_the_fewest_evenly() -> None:
    # 12 in at either box (NEC 330.30(B)) leaves 10 - 0.6096 = 9.3904 m: six gaps of at most 6 ft, so seven straps
    (plan,) = planned(job_of([run_of("a", (0, 0, 3), (10, 0, 3))], [SLAB]))
    at = straps_of(plan)
    assert (plan.added, plan.fewest, plan.stuck) == (7, 7, ())
    assert at == [round(x, 3) for x in at]  # whole millimetres
    assert at[0] <= 0.3048 and at[-1] >= 10.0 - 0.3048
    assert np.diff(at).max() - np.diff(at).min() <= 0.002
    assert all(s.holder == "SLAB" and s.reach_m == pytest.approx(0.044) and not s.existing for s in plan.straps)


def test_the_margin_of_a_tenth_costs_a_strap_where_the_rule_leaves_no_room() -> None:
    job = job_of([run_of("a", (0, 0, 3), (2 * 0.3048 + 1.8288, 0, 3))], [SLAB])
    assert planned(job)[0].added == 2
    (plan,) = planned(job, 0.1)
    assert (plan.added, plan.margin, plan.notes) == (3, 0.1, ())
    gaps = np.diff([0.0, *straps_of(plan), 2 * 0.3048 + 1.8288])
    assert gaps[0] <= 0.27432 + 1e-4 and gaps[-1] <= 0.27432 + 1e-4 and gaps.max() <= 0.9 * 1.8288 + 1e-4


def test_a_margin_that_costs_the_impossible_is_left_out_and_said() -> None:
    # joists every 1.8 m: the rule's 1.8288 m reaches from one to the next, nine tenths of it does not
    job = job_of([run_of("a", (-0.1, 0, 3), (9.1, 0, 3))], joists(6, 1.8), settings=Settings(strap_reach_m=0.05))
    (plan,) = planned(job, 0.1)
    assert plan.added == 6 and not plan.stuck
    assert any("margin of 10 %" in note for note in plan.notes)


def test_existing_straps_stay_and_only_what_lacks_is_added() -> None:
    run = run_of("a", (0, 0, 3), (6, 0, 3), straps_at_m=(0.25, 2.0, 5.8))
    (plan,) = planned(job_of([run], [SLAB]))
    assert plan.added == 2
    assert [s.at_m for s in plan.straps if s.existing] == [0.25, 2.0, 5.8]
    gaps = np.diff(straps_of(plan))
    assert gaps[1:] == pytest.approx([3.8 / 3] * 3, abs=1e-3)


def test_a_run_that_is_held_gets_nothing_whatever_the_margin() -> None:
    run = run_of("a", (0, 0, 3), (4.2, 0, 3), straps_at_m=(0.3, 2.1, 3.9))
    (plan,) = planned(job_of([run], [SLAB]), 0.1)
    assert (plan.added, plan.fewest) == (0, 0)


def test_bored_joists_hold_a_run_so_that_only_its_boxes_ask_for_straps() -> None:
    job = job_of([run_of("a", (0.3, 0, 3.1), (5.1, 0, 3.1))], joists(10, 0.6))
    (plan,) = planned(job)
    assert plan.added == 0  # a bored joist within 12 in of either box is the first strap


def test_a_whip_within_an_accessible_ceiling_needs_no_strap_and_a_longer_one_needs_it_at_its_root() -> None:
    ceiling = Zone("c", "accessible-ceiling", (block((-1, -1, 2), (20, 2, 2)),))
    (short,) = planned(job_of([run_of("a", (0, 0, 3), (1.8, 0, 3), end="luminaire")], [SLAB], zones=[ceiling]))
    assert short.added == 0
    (longer,) = planned(job_of([run_of("a", (0, 0, 3), (3.6, 0, 3), end="luminaire")], [SLAB], zones=[ceiling]))
    assert longer.added == 2  # 12 in from the box, and one from which 6 ft reach the luminaire
    (outside,) = planned(job_of([run_of("a", (0, 0, 3), (3.6, 0, 3), end="luminaire")], [SLAB]))
    assert outside.added == 3


def test_a_vertical_feeder_of_250_kcmil_uses_its_ten_feet() -> None:
    column = thing("structure", (0.05, -1, -1), (1, 2, 20))
    feeder = cable(size="250 kcmil", sheath_diameter_m=0.047, overall_diameter_m=0.047)
    (plan,) = planned(job_of([run_of("a", (0, 0, 0), (0, 0, 6.0))], [column], of=feeder))
    assert plan.added == 1  # no first strap is asked of it (NEC 330.30(B)), and 6 m are two stretches of 3.048 m
    lighter = cable(size="4/0 AWG", sheath_diameter_m=0.047, overall_diameter_m=0.047)
    (plan,) = planned(job_of([run_of("a", (0, 0, 0), (0, 0, 6.0))], [column], of=lighter))
    assert plan.added == 3


def test_where_no_place_exists_the_stretch_and_what_would_help_are_told() -> None:
    far_apart = [thing("framing", (x, -5, 3.05), (0.04, 10, 0.2), f"J{n}") for n, x in enumerate((0.2, 1.6, 4.8, 6.4))]
    (plan,) = planned(job_of([run_of("a", (0, 0, 3), (6.7, 0, 3))], far_apart))
    (stuck,) = plan.stuck
    assert plan.fewest is None
    # from the last place under J1 to the first under J2
    reach = np.sqrt(0.156**2 - 0.05**2)
    assert (stuck.from_m, stuck.to_m) == pytest.approx((1.64 + reach, 4.8 - reach), abs=1e-6)
    low, high = 4.8 - reach - 1.8288, 1.64 + reach + 1.8288
    assert "framing J1 and J2" in stuck.remedy
    assert f"between {low:.3f} m and {high:.3f} m" in stuck.remedy
    assert "no structure that may carry a strap is within 150.0 mm" in stuck.why
    assert stuck.rule == "NEC 2023 330.30(B)"
    assert plan.added == 4  # what can be strapped is


def test_a_strut_where_the_plan_asks_for_one_mends_it() -> None:
    far_apart = [thing("framing", (x, -5, 3.05), (0.04, 10, 0.2), f"J{n}") for n, x in enumerate((0.2, 1.6, 4.8, 6.4))]
    strut = thing("structure", (3.2, -0.5, 3.1), (0.04, 1, 0.04), "STRUT")
    (plan,) = planned(job_of([run_of("a", (0, 0, 3), (6.7, 0, 3))], [*far_apart, strut]))
    assert not plan.stuck and plan.fewest == 5


def test_several_struts_are_counted_where_one_would_not_do() -> None:
    ends = [thing("framing", (x, -5, 3.05), (0.04, 10, 0.2), f"J{n}") for n, x in enumerate((0.2, 11.8))]
    (plan,) = planned(job_of([run_of("a", (0, 0, 3), (12, 0, 3))], ends))
    (stuck,) = plan.stuck
    # 11.8 - 0.24 m less twice the 148 mm of reach: 11.264 m, seven stretches of at most 6 ft
    assert "Plan 6 struts, rods or brackets between framing J0 and J1" in stuck.remedy


def test_a_first_strap_without_a_place_is_told_with_its_rule() -> None:
    duct_only = [thing("duct", (-1, -1, 3.05), (2, 2, 0.3)), thing("structure", (0.8, -1, 3.05), (10, 2, 0.3), "BEAM")]
    (plan,) = planned(job_of([run_of("a", (0, 0, 3), (4, 0, 3), end="open")], duct_only))
    (stuck,) = plan.stuck
    assert "within 304.8 mm (1 ft 0 in) of the box at the start" in stuck.why
    assert "BEAM" in stuck.remedy


def test_finished_closed_construction_is_fished_through_and_gets_no_strap() -> None:
    wall = Zone("wall", "inaccessible", (block((2, -1, 2), (6, 2, 2)),))
    (plan,) = planned(job_of([run_of("a", (0, 0, 3), (10, 0, 3))], [SLAB], zones=[wall]))
    assert plan.added > 0 and not [s for s in straps_of(plan) if 2.0 < s < 8.0]


def test_a_model_without_structure_is_strapped_freely_and_says_so() -> None:
    (plan,) = planned(job_of([run_of("a", (0, 0, 3), (4, 0, 3))], [thing("duct", (0, -1, 3.05), (4, 2, 0.2))]))
    assert plan.added == 3 and NO_STRUCTURE in plan.notes
    assert all(s.holder is None and s.reach_m is None for s in plan.straps)


def test_neighbours_are_strapped_at_one_place_where_even_spacing_gives_up_little_for_it() -> None:
    runs = [run_of(f"r{k}", (0.05 * k, 0.03 * k, 3), (8.5 - 0.03 * k, 0.03 * k, 3)) for k in range(4)]
    plans = planned(job_of(runs, [SLAB]), 0.1)
    inner = [plan.straps[1:-1] for plan in plans]
    assert all(
        {"r0", "r1", "r2", "r3"} - {plan.run_id} == set(s.shared_with)
        for plan, some in zip(plans, inner, strict=True)
        for s in some
    )
    for some in inner[1:]:
        assert [s.point_m[0] for s in some] == pytest.approx([s.point_m[0] for s in inner[0]], abs=1e-3)


def test_sharing_costs_no_strap_and_no_rule() -> None:
    rng = np.random.default_rng(11)
    runs = [
        run_of(f"r{k}", (0, 0.05 * k, 3), (rng.uniform(2, 6), 0.05 * k, 3), (8, 0.05 * k + rng.uniform(2, 3), 3))
        for k in range(12)
    ]
    together = planned(job_of(runs, [SLAB]), 0.1)
    alone = [planned(job_of([run], [SLAB]), 0.1)[0] for run in runs]
    assert [p.added for p in together] == [p.added for p in alone]


def test_straps_that_only_a_duct_could_hold_are_to_be_taken_out() -> None:
    things = [thing("duct", (2, -1, 3.05), (1, 2, 0.3)), thing("structure", (-1, -1, 3.05), (2.8, 2, 0.3)),
              thing("structure", (3.2, -1, 3.05), (2.8, 2, 0.3))]  # fmt: skip
    run = run_of("a", (0, 0, 3), (5, 0, 3), straps_at_m=(0.25, 2.5, 4.75))
    (plan,) = plan_straps(examined_of(job_of([run], things)), 0.0)
    assert plan.refused_at_m == (2.5,)
    assert 2.5 not in straps_of(plan) and plan.added == 2
    assert any("2.500 m" in note for note in plan.notes)
    assert not checked_with(job_of([run], things), [plan])


def test_only_the_runs_that_are_asked_for_are_planned() -> None:
    runs = [run_of(name, (0, y, 3), (4, y, 3)) for name, y in (("a", 0.0), ("b", 1.0))]
    plans = plan_straps(examined_of(job_of(runs, [SLAB])), only=("b",))
    assert [plan.run_id for plan in plans] == ["b"]


def test_a_rule_set_without_an_interval_plans_nothing_and_says_so() -> None:
    (plan,) = planned(job_of([run_of("a", (0, 0, 3), (9, 0, 3))], [SLAB], of=cable("tc")))
    assert plan.added == 0 and any("no interval" in note for note in plan.notes)


@pytest.mark.parametrize("margin", [-0.1, 1.0, float("nan")])
def test_a_margin_that_is_no_share_is_refused(margin: float) -> None:
    with pytest.raises(ValueError, match="margin"):
        plan_straps(examined_of(job_of([run_of("a", (0, 0, 3), (4, 0, 3))], [SLAB])), margin)


@pytest.mark.parametrize("block_of", range(3))
def test_every_plan_through_a_random_ceiling_passes_the_check(block_of: int) -> None:
    rng = np.random.default_rng((9, block_of))
    things = joists(30, 0.4)
    things += [
        thing(str(rng.choice(["structure", "duct", "wall", "ceiling"])), rng.uniform((0, 0, 2.6), (10, 10, 3.1)),
              rng.uniform(0.1, 1.0, 3), f"X{k}")
        for k in range(40)
    ]  # fmt: skip
    zones = [
        Zone("c", "accessible-ceiling", (block((0, 0, 2), (6, 10, 2)),)),
        Zone("w", "inaccessible", (block((7, 0, 2), (3, 10, 2)),)),
    ]
    kinds = ("box", "luminaire", "flexible-equipment", "open", "equipment")
    runs = []
    for k in range(60):
        corners = rng.uniform((0.5, 0.5, 2.95), (9.5, 9.5, 3.03), (int(rng.integers(2, 6)), 3))
        n = int(rng.integers(0, 3))
        straps = tuple(sorted(rng.uniform(0.0, 2.0, n).tolist())) if k % 3 == 0 else ()
        runs.append(
            run_of(f"r{k}", *corners, start=str(rng.choice(kinds)), end=str(rng.choice(kinds)), straps_at_m=straps)
        )
    job = job_of(runs, things, zones=zones)
    plans = planned(job, 0.1)
    assert sum(p.added > 0 and not p.stuck for p in plans) > 5
    assert all((p.fewest is None) == bool(p.stuck) for p in plans)
