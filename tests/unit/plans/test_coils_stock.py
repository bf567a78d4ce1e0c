"""The coil plan is the best one: against every way to cut, against a program of another shape, against known cases."""

import random
from fractions import Fraction
from functools import cache
from itertools import combinations

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from route3d.plans.coils_master import Kind, attainable, first_worths, priced
from route3d.plans.coils_pattern import Knapsack, fullest, nearly_best
from route3d.plans.coils_stock import Cutting, cut_stock


def checked(kinds: list[Kind], cuts: list[int], plan: Cutting) -> Cutting:
    """Return a plan after checking in whole numbers that it is one, and that its bound is none above its cost."""
    assert sorted(n for _, cut in plan.coils for n in cut) == sorted(cuts)
    for k, cut in plan.coils:
        assert sum(cut) <= kinds[k].length
    for k, kind in enumerate(kinds):
        assert kind.count is None or sum(used == k for used, _ in plan.coils) <= kind.count
    assert sum(kinds[k].cost for k, _ in plan.coils) <= plan.cost
    assert plan.bound <= plan.cost
    return plan


def cheapest_by_exhaustion(kinds: list[Kind], cuts: list[int]) -> int | None:
    """Try every set of cuts for the coil that holds the longest cut left, and so on: every plan there is."""

    @cache
    def best(left: tuple[int, ...], counts: tuple[int | None, ...]) -> float:
        if not left:
            return 0
        first, rest = left[0], left[1:]
        cheapest = float("inf")
        for k, kind in enumerate(kinds):
            if counts[k] == 0 or first > kind.length:
                continue
            after = tuple(n - 1 if j == k and n is not None else n for j, n in enumerate(counts))
            tried = set()
            for size in range(len(rest) + 1):
                for chosen in combinations(range(len(rest)), size):
                    others = tuple(rest[j] for j in chosen)
                    if others in tried or first + sum(others) > kind.length:
                        continue
                    tried.add(others)
                    remaining = tuple(n for j, n in enumerate(rest) if j not in chosen)
                    cheapest = min(cheapest, kind.cost + best(remaining, after))
        return cheapest

    found = best(tuple(sorted(cuts, reverse=True)), tuple(kind.count for kind in kinds))
    return None if found == float("inf") else int(found)


def cheapest_by_assignment(kinds: list[Kind], cuts: list[int]) -> int:
    """Solve the textbook program: coil j of kind k is used or not, cut i is in coil j; no patterns, no columns."""
    coils = [kind for kind in kinds for _ in range(len(cuts) if kind.count is None else min(kind.count, len(cuts)))]
    n, m = len(cuts), len(coils)
    cost = np.concatenate([[float(c.cost) for c in coils], np.zeros(n * m)])
    holds = np.zeros((m, m + n * m))
    once = np.zeros((n, m + n * m))
    for j, coil in enumerate(coils):
        holds[j, j] = -coil.length
        for i, cut in enumerate(cuts):
            holds[j, m + i * m + j] = cut
            once[i, m + i * m + j] = 1.0
    order = np.zeros((m - 1, m + n * m))  # alike coils are used in order, which takes no plan away
    for j in range(m - 1):
        if coils[j] == coils[j + 1]:
            order[j, j], order[j, j + 1] = -1.0, 1.0
    found = milp(
        cost,
        constraints=[
            LinearConstraint(holds, -np.inf, 0.0),
            LinearConstraint(once, 1.0, 1.0),
            LinearConstraint(order, -np.inf, 0.0),
        ],
        integrality=np.ones(m + n * m),
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0},
    )
    assert found.status == 0
    return round(found.fun)


def random_problem(seed: int, count: int) -> tuple[list[Kind], list[int]]:
    rng = random.Random(seed)
    length = rng.randint(20, 60)
    kinds = [Kind(length, length, None)]
    if rng.random() < 0.6:
        other = rng.randint(10, 90)
        kinds.append(Kind(other, rng.randint(other // 2, 2 * other), rng.choice([None, 1, 2])))
    if rng.random() < 0.6:
        kinds.append(Kind(rng.randint(5, 40), 0, rng.randint(1, 2)))
    return kinds, [rng.randint(3, length) for _ in range(rng.randint(1, count))]


@pytest.mark.parametrize("seed", range(60))
def test_small_plans_are_the_best_of_all_plans(seed: int) -> None:
    kinds, cuts = random_problem(seed, 7)
    plan = checked(kinds, cuts, cut_stock(kinds, cuts))
    assert plan.proven
    assert plan.cost == cheapest_by_exhaustion(kinds, cuts)


@pytest.mark.parametrize("seed", range(100, 112))
def test_plans_cost_what_a_program_without_patterns_finds(seed: int) -> None:
    kinds, cuts = random_problem(seed, 11)
    plan = checked(kinds, cuts, cut_stock(kinds, cuts))
    assert plan.proven
    assert plan.cost == cheapest_by_assignment(kinds, cuts)


def test_a_plan_that_needs_one_coil_more_than_its_material_is_proven_so() -> None:
    # three cuts of 6 into coils of 10: by material 2 coils would do, but no two cuts fit into one
    plan = checked([Kind(10, 1, None)], [6, 6, 6], cut_stock([Kind(10, 1, None)], [6, 6, 6]))
    assert (plan.cost, plan.bound) == (3, 3)


def test_the_textbook_case_of_paper_rolls_takes_73() -> None:
    # Cutting stock as in the literature on it: rolls of 5600 mm; the least is 73 rolls (published, from memory)
    widths = {1380: 22, 1520: 25, 1560: 12, 1710: 14, 1820: 18, 1880: 18, 1930: 20, 2000: 10, 2050: 12, 2100: 14,
              2140: 16, 2150: 18, 2200: 20}  # fmt: skip
    cuts = [width for width, count in widths.items() for _ in range(count)]
    plan = checked([Kind(5600, 1, None)], cuts, cut_stock([Kind(5600, 1, None)], cuts))
    assert (plan.cost, plan.bound) == (73, 73)


def test_triplets_that_fill_each_coil_exactly_are_found() -> None:
    # three cuts each from a quarter to a half of 1000 that fill it: a hard family for heuristics, its best is known
    rng = random.Random(3)
    cuts = []
    for _ in range(20):
        a = rng.randint(380, 490)
        b = rng.randint(251, (1000 - a) // 2)
        cuts += [a, b, 1000 - a - b]
    plan = checked([Kind(1000, 1, None)], cuts, cut_stock([Kind(1000, 1, None)], cuts))
    assert plan.cost == 20
    assert plan.proven


def test_offcuts_are_used_before_anything_is_bought() -> None:
    plan = cut_stock([Kind(100, 100, None), Kind(30, 0, 1)], [70, 30, 30])
    assert plan.cost == 100
    assert {kind for kind, _ in plan.coils} == {0, 1}


def test_a_cut_longer_than_every_coil_is_refused() -> None:
    with pytest.raises(ValueError, match="longer than every coil"):
        cut_stock([Kind(10, 1, None)], [11])


def test_without_time_the_gap_is_said() -> None:
    # by material 45 would do; nothing is left to search with, and nothing is claimed
    cuts = [52, 49, 35, 34, 33, 26, 25, 24, 22] * 5
    plan = checked([Kind(100, 1, None)], cuts, cut_stock([Kind(100, 1, None)], cuts, lambda: 0.0))
    assert plan.bound >= -(-sum(cuts) // 100)
    assert plan.proven == (plan.cost == plan.bound)


def test_a_knapsack_holds_the_best_of_all_subsets() -> None:
    rng = random.Random(5)
    for _ in range(40):
        kinds = rng.randint(1, 5)
        lengths = [rng.randint(1, 12) for _ in range(kinds)]
        worths = [rng.randint(0, 20) for _ in range(kinds)]
        counts = [rng.randint(0, 3) for _ in range(kinds)]
        room = rng.randint(1, 30)
        best = Knapsack(lengths, worths, counts, room)
        every = every_pattern(lengths, counts, room)
        assert int(best.worth[room]) == max(worth_of(worths, p) for p in every)
        chosen = best.pattern(room)
        assert tuple(chosen) in every
        assert worth_of(worths, chosen) == int(best.worth[room])
        least = rng.randint(0, int(best.worth[room]))
        listed = nearly_best(lengths, worths, counts, room, least, 10_000)
        assert listed is not None
        full = [p for p in every if worth_of(worths, p) >= least and is_full(lengths, counts, room, p)]
        assert sorted(map(tuple, listed)) == sorted(full)


def test_the_fullest_pattern_leaves_the_least() -> None:
    rng = random.Random(6)
    for _ in range(60):
        lengths = sorted((rng.randint(1, 15) for _ in range(rng.randint(1, 5))), reverse=True)
        counts = [rng.randint(0, 3) for _ in lengths]
        room = rng.randint(1, 40)
        every = every_pattern(lengths, counts, room)
        chosen = tuple(fullest(lengths, counts, room))
        assert chosen in every
        assert worth_of(lengths, chosen) == max(worth_of(lengths, p) for p in every)


def test_any_worths_prove_a_bound_that_holds() -> None:
    rng = random.Random(7)
    for seed in range(30):
        kinds, cuts = random_problem(seed, 6)
        lengths = sorted(set(cuts), reverse=True)
        demand = [cuts.count(length) for length in lengths]
        worth = np.array([rng.random() * 2.0 * length for length in lengths])
        found = priced(worth, kinds, lengths, demand)
        assert found.bound <= (cheapest_by_exhaustion(kinds, cuts) or 0)
        for known in first_worths(kinds, lengths):
            assert priced(known, kinds, lengths, demand).bound <= (cheapest_by_exhaustion(kinds, cuts) or 0)


def test_cuts_of_more_than_half_a_coil_prove_one_coil_each_without_a_search() -> None:
    lengths, demand, kinds = [60, 55, 51, 30], [1, 2, 1, 1], [Kind(100, 1, None)]
    bounds = [priced(worth, kinds, lengths, demand).bound for worth in first_worths(kinds, lengths)]
    assert max(bounds) >= 4


def test_whole_coils_lift_a_bound_to_the_next_sum_of_coils() -> None:
    # coils of 30 and 100: 101 of material need 30 + 100, or 4 × 30
    assert attainable([Kind(30, 30, None), Kind(100, 100, None)], 101, Fraction(0)) == 120


def every_pattern(lengths, counts, room) -> set[tuple[int, ...]]:
    patterns = [()]
    for count in counts:
        patterns = [(*p, n) for p in patterns for n in range(count + 1)]
    return {p for p in patterns if worth_of(lengths, p) <= room}


def worth_of(worths, pattern) -> int:
    return sum(w * n for w, n in zip(worths, pattern, strict=True))


def is_full(lengths, counts, room, pattern) -> bool:
    left = room - worth_of(lengths, pattern)
    return not any(n < c and w <= left for n, c, w in zip(pattern, counts, lengths, strict=True))
