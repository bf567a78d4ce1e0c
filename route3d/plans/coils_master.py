"""The programs that a cutting plan is proven with: the linear master with its duals, the whole-number one, and bounds.

Patterns are columns: what is cut from one coil of one kind. Demands are covered, limited kinds are not overdrawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import csc_matrix

from route3d.plans.coils_pattern import Knapsack

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of coil: whole numbers, ``count`` None for as many as one likes."""

    length: int
    cost: int
    count: int | None


@dataclass(frozen=True, slots=True)
class Column:
    """One way to cut one coil: the kind it is cut from, and (number of the length, how many), sorted."""

    kind: int
    cuts: tuple[tuple[int, int], ...]

    @classmethod
    def of(cls, kind: int, pattern: Sequence[int]) -> Column:
        """Return the column of a pattern that says for each length how many."""
        return cls(kind, tuple((i, n) for i, n in enumerate(pattern) if n))


@dataclass(frozen=True, slots=True, eq=False)
class Relaxed:
    """The linear master: how often each column is used, what one more of each length is worth, and one more coil."""

    uses: Floats
    worth: Floats
    fees: Floats  # (kinds,) what one more coil of a limited kind would save
    cost: float

    def saves(self, column: Column, kinds: Sequence[Kind]) -> bool:
        """Tell whether a column is worth more than it costs."""
        worth = sum(float(self.worth[i]) * n for i, n in column.cuts)
        cost = kinds[column.kind].cost
        return worth > cost + float(self.fees[column.kind]) + 1e-9 * max(1.0, cost)


def relaxed(columns: Sequence[Column], kinds: Sequence[Kind], demand: Sequence[int]) -> Relaxed | None:
    """Return the cheapest fractional plan over some columns; None where the solver finds none."""
    limited = [k for k, kind in enumerate(kinds) if kind.count is not None]
    rows, limits = _rows(columns, kinds, demand, limited)
    cost = np.array([kinds[c.kind].cost for c in columns], dtype=float)
    found = linprog(cost, A_ub=rows, b_ub=limits, method="highs")
    if found.x is None or found.status != 0:
        return None
    duals = np.maximum(-np.asarray(found.ineqlin.marginals, dtype=float), 0.0)
    fees = np.zeros(len(kinds))
    fees[limited] = duals[len(demand) :]
    return Relaxed(np.asarray(found.x), duals[: len(demand)], fees, float(found.fun))


def first_worths(kinds: Sequence[Kind], lengths: Sequence[int], tries: int = 8) -> list[Floats]:
    """Return worths whose bounds are often high: each cut its share of the cheapest coil, and variations of that.

    In these, cuts below some length are worth nothing, and cuts beside which only such ones fit a whole coil; that is
    the bound by pairs for cuts of about half a coil.
    """
    endless = [kind for kind in kinds if kind.count is None]
    if not endless:
        return [np.zeros(len(lengths))]
    cheapest = min(endless, key=lambda kind: (kind.cost / kind.length, -kind.length))
    share = cheapest.cost / cheapest.length
    long = np.array(lengths, dtype=float)
    short = sorted(length for length in set(lengths) if 2 * length <= cheapest.length)
    steps = sorted({short[n * (len(short) - 1) // tries] for n in range(1, tries + 1)}) if short else []
    worths = [long * share]
    for below in [*steps, cheapest.length // 2 + 1]:
        alone = np.where(long > cheapest.length - below, float(cheapest.length), long)
        worths.append(share * np.where(long < below, 0.0, alone))
    return worths


def whole(
    columns: Sequence[Column], kinds: Sequence[Kind], demand: Sequence[int], seconds: float
) -> tuple[list[int] | None, bool]:
    """Return how often each column is used in the cheapest whole plan, and whether that is proven for these columns.

    The plan is None where none was found; then the flag says whether it is proven that there is none.
    """
    limited = [k for k, kind in enumerate(kinds) if kind.count is not None]
    rows, limits = _rows(columns, kinds, demand, limited)
    cost = np.array([kinds[c.kind].cost for c in columns], dtype=float)
    found = milp(
        cost,
        constraints=LinearConstraint(rows, -np.inf, limits),
        integrality=np.ones(len(columns)),
        bounds=Bounds(0, np.inf),
        options={"mip_rel_gap": 0.0, "time_limit": max(seconds, 0.05)},
    )
    if found.x is None:
        return None, found.status == 2
    uses = np.rint(found.x).astype(int).tolist()
    return uses, found.status == 0


def _rows(
    columns: Sequence[Column], kinds: Sequence[Kind], demand: Sequence[int], limited: Sequence[int]
) -> tuple[csc_matrix, Floats]:
    """Return ``rows @ uses <= limits``: demands (negated), then limited kinds."""
    row, column, value = [], [], []
    place = {k: len(demand) + n for n, k in enumerate(limited)}
    for j, c in enumerate(columns):
        for i, n in c.cuts:
            row.append(i)
            column.append(j)
            value.append(-float(n))
        if c.kind in place:
            row.append(place[c.kind])
            column.append(j)
            value.append(1.0)
    shape = (len(demand) + len(limited), len(columns))
    counts = [kinds[k].count for k in limited]
    limits = np.array([*(-d for d in demand), *(0 if n is None else n for n in counts)], dtype=float)
    return csc_matrix((value, (row, column)), shape=shape), limits


@dataclass(frozen=True, slots=True, eq=False)
class Priced:
    """The worths of a master as whole numbers, the best pattern of each kind by them, and the bound that they prove."""

    scale: int
    worths: tuple[int, ...]
    fees: tuple[int, ...]  # what one coil of a limited kind is worth beyond its cost, scaled
    bound: Fraction  # no fractional plan is cheaper, in units of cost
    new: tuple[Column, ...]  # patterns worth more than they cost
    settled: bool  # there is none: the master is solved over all patterns


def priced(
    worth: Floats, kinds: Sequence[Kind], lengths: Sequence[int], demand: Sequence[int], more: int = 12
) -> Priced:
    """Price every pattern exactly by rounded worths: new columns, and a bound that holds whatever the solver did.

    With worths u and fees y of limited kinds, every plan costs at least u·demand - y·counts, as long as no pattern of
    an unlimited kind is worth more than its cost; where one is, all worths are divided by the largest ratio.
    """
    room = max(kind.length for kind in kinds)
    top = max(float(worth.max(initial=0.0)), float(max(kind.cost for kind in kinds)), 1.0)
    scale = max(1, min(10**7, int(2**60 / (top * (room / min(lengths) + 2.0)))))
    worths = tuple(int(u * scale) for u in worth.tolist())
    best = Knapsack(lengths, worths, demand, room)
    over = [int(best.worth[kind.length]) - kind.cost * scale for kind in kinds]
    fees = tuple(max(o, 0) if kind.count is not None else 0 for o, kind in zip(over, kinds, strict=True))
    bound = _bound(best, worths, kinds, demand, scale)
    # in units of cost, what is below this is no gain but rounding
    least = scale // 10**6 + 1 if scale >= 10**6 else 1
    new: dict[Column, None] = {}
    for k, kind in enumerate(kinds):
        if over[k] > least or kind.count is not None:
            new[Column.of(k, best.pattern(kind.length))] = None
    left = list(demand)
    longest = max(range(len(kinds)), key=lambda k: over[k])
    again = best
    for _ in range(more if over[longest] > least else 0):
        # others that share no cut with the best one, so that many worths are put right at once
        chosen = again.pattern(kinds[longest].length)
        left = [0 if n else d for n, d in zip(chosen, left, strict=True)]
        if not any(left):
            break
        again = Knapsack(lengths, worths, left, room)
        if int(again.worth[kinds[longest].length]) - kinds[longest].cost * scale <= least:
            break
        new[Column.of(longest, again.pattern(kinds[longest].length))] = None
    settled = all(o <= least for o, kind in zip(over, kinds, strict=True) if kind.count is None)
    return Priced(scale, worths, fees, bound, tuple(new), settled)


def _bound(best: Knapsack, worths: Sequence[int], kinds: Sequence[Kind], demand: Sequence[int], scale: int) -> Fraction:
    ratio = Fraction(1)
    for kind in kinds:
        if kind.count is None:
            value = int(best.worth[kind.length])
            if value > kind.cost * scale:
                if kind.cost == 0:
                    return Fraction(0)
                ratio = max(ratio, Fraction(value, kind.cost * scale))
    total = Fraction(sum(u * d for u, d in zip(worths, demand, strict=True))) / ratio
    for kind in kinds:
        if kind.count is not None:
            total -= kind.count * max(Fraction(0), Fraction(int(best.worth[kind.length])) / ratio - kind.cost * scale)
    return max(Fraction(0), total / scale)


def attainable(kinds: Sequence[Kind], needed: int, at_least: Fraction) -> int:
    """Return the smallest cost of whole coils that hold ``needed`` in all and cost ``at_least``.

    Any plan is made of whole coils, so that this is a bound wherever ``at_least`` is one.
    """
    cost = np.array([kind.cost for kind in kinds], dtype=float)
    length = np.array([kind.length for kind in kinds], dtype=float)
    floor = -(-at_least.numerator // at_least.denominator)
    upper = np.array([np.inf if kind.count is None else kind.count for kind in kinds])
    rows = np.vstack([length, cost])
    found = milp(
        cost,
        constraints=LinearConstraint(rows, [float(needed), float(floor)], np.inf),
        integrality=np.ones(len(kinds)),
        bounds=Bounds(0, upper),
        options={"mip_rel_gap": 0.0, "time_limit": 5.0},
    )
    if found.mip_dual_bound is None or not np.isfinite(found.mip_dual_bound):
        return floor
    proven = float(found.mip_dual_bound)
    return max(floor, int(np.ceil(proven - 1e-6 * max(1.0, abs(proven)))))
