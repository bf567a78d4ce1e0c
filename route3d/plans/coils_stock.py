"""The cutting-stock problem: which cuts from which coils, at least cost, with a proven bound.

Heuristics first, since most jobs are settled by them; then column generation, a whole-number program over its
columns, and last the one proof that is left: every pattern that a cheaper plan could use is listed, and the program
over these has no cheaper plan.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from route3d.plans.coils_master import (
    Column,
    Floats,
    Kind,
    Priced,
    Relaxed,
    attainable,
    first_worths,
    priced,
    relaxed,
    whole,
)
from route3d.plans.coils_pattern import fullest, nearly_best

PATTERNS_MAX = 20_000  # listed for a proof; beyond this the gap stays open
_KINDS_PREFERRED = 6  # with more kinds of coils, none is preferred in turn
_WHOLE_S = 10.0  # at most, for one whole-number program
_STEADY = 0.7  # share of the proven worths in those that patterns are priced by
_DIVE_ROUNDS = 3  # of new columns for each rest
_DIVE_SHARES = (0.15, 0.05)  # of its coils that are fixed at once, quickly first
_TAIL_COILS, _TAIL_S = 12.0, 3.0  # so few coils are chosen as whole numbers, within this time


@dataclass(frozen=True, slots=True)
class Cutting:
    """A plan: for each coil its kind and the lengths cut from it; ``bound`` is proven, no plan costs less."""

    coils: tuple[tuple[int, tuple[int, ...]], ...]
    cost: int
    bound: int

    @property
    def proven(self) -> bool:
        """Tell whether no plan can cost less."""
        return self.cost == self.bound


def cut_stock(kinds: Sequence[Kind], cuts: Sequence[int], left_s: Callable[[], float] = lambda: 1e9) -> Cutting:
    """Return a plan for all ``cuts``; ``left_s`` tells how many seconds it may still take.

    The stock must be able to hold them: a kind without limit that is as long as the longest cut is enough.

    Raises
    ------
    ValueError
        A cut is longer than every kind of coil, or the limited kinds do not hold all cuts by any way that was tried.
    """
    if not cuts:
        return Cutting((), 0, 0)
    problem = _Problem(kinds, cuts)
    best = problem.by_filling()
    bound = attainable(kinds, sum(cuts), Fraction(0))
    if best is None or best.cost > bound:
        best, bound = problem.by_columns(best, bound, left_s)
        best = problem.drawn_together(best) if best is not None and left_s() > 0.0 else best
    if best is None:
        raise ValueError("the coils do not hold all cuts")
    return Cutting(problem.expanded(best), best.cost, min(bound, best.cost))


@dataclass(frozen=True, slots=True)
class Plan:
    """Coils as columns, one each, and what they cost."""

    cost: int
    columns: tuple[Column, ...]  # one per coil


class _Problem:
    """One set of cuts, alike lengths together, from long to short."""

    def __init__(self, kinds: Sequence[Kind], cuts: Sequence[int]) -> None:
        count = Counter(cuts)
        self.kinds = list(kinds)
        self.lengths = sorted(count, reverse=True)
        self.demand = [count[length] for length in self.lengths]
        if self.lengths[0] > max(kind.length for kind in kinds):
            raise ValueError(f"a cut of {self.lengths[0]} is longer than every coil")

    # -- heuristics ----------------------------------------------------------------------------------------------

    def by_filling(self, demand: Sequence[int] | None = None, used: Sequence[int] | None = None) -> Plan | None:
        """Return the cheapest of a few plans that fill coil after coil, each as far as it can be filled."""
        demand = self.demand if demand is None else demand
        used = [0] * len(self.kinds) if used is None else used
        plans = [
            plan
            for only in [None, *(range(len(self.kinds)) if len(self.kinds) <= _KINDS_PREFERRED else ())]
            for forced in (True, False)
            if (plan := self._filled(demand, used, only, forced)) is not None
        ]
        return min(plans, key=lambda plan: plan.cost, default=None)

    def _filled(self, demand: Sequence[int], used: Sequence[int], only: int | None, forced: bool) -> Plan | None:
        """Fill coils: limited free ones first, then the kind that costs least for what it takes.

        ``only`` prefers one kind; ``forced`` begins each coil with the longest cut that is left, since that one is
        the hardest to place later.
        """
        left = list(demand)
        rest = [None if kind.count is None else kind.count - n for kind, n in zip(self.kinds, used, strict=True)]
        columns: list[Column] = []
        while any(left):
            longest = next(i for i, n in enumerate(left) if n)
            total = sum(n * length for n, length in zip(left, self.lengths, strict=True))
            options = []
            for k, kind in enumerate(self.kinds):
                if rest[k] == 0 or (kind.cost > 0 and kind.length < self.lengths[longest]):
                    continue
                pattern = self._fill(left, kind.length, forced)
                filled = sum(n * length for n, length in zip(pattern, self.lengths, strict=True))
                if filled:
                    preferred = kind.cost == 0 or only is None or k == only or filled == total
                    options.append((not preferred, Fraction(kind.cost, filled), -filled, k, pattern))
            if not options:
                return None
            _, _, _, k, pattern = min(options)
            remaining = rest[k]
            if remaining is not None:
                rest[k] = remaining - 1
            left = [a - b for a, b in zip(left, pattern, strict=True)]
            columns.append(Column.of(k, pattern))
        return Plan(sum(self.kinds[c.kind].cost for c in columns), tuple(columns))

    def _fill(self, left: Sequence[int], room: int, forced: bool) -> list[int]:
        first = next((i for i, n in enumerate(left) if n and self.lengths[i] <= room), None)
        if first is None:
            return [0] * len(left)
        have = list(left)
        if forced:
            have[first] -= 1
        some = [i for i, n in enumerate(have) if n]
        chosen = fullest(
            [self.lengths[i] for i in some],
            [have[i] for i in some],
            room - (self.lengths[first] if forced else 0),
        )
        pattern = [0] * len(left)
        for i, n in zip(some, chosen, strict=True):
            pattern[i] = n
        pattern[first] += 1 if forced else 0
        return pattern

    # -- columns -------------------------------------------------------------------------------------------------

    def by_columns(self, best: Plan | None, bound: int, left_s: Callable[[], float]) -> tuple[Plan | None, int]:
        """Generate columns, then close the gap between plan and bound, as far as time allows."""
        search = _Search(self, best, bound, left_s)
        search.generate(until_bound=True)
        for share in _DIVE_SHARES:
            search.dive(share)
        search.generate(until_bound=False)
        search.choose_whole()
        search.close()
        return search.best, search.bound

    def drawn_together(self, plan: Plan) -> Plan:
        """Return a plan from the same coils with what is left in few of them, where filling them one by one does."""
        used = Counter(column.kind for column in plan.columns)
        same = _Problem(
            [replace(kind, count=used[k]) for k, kind in enumerate(self.kinds)],
            [length for length, n in zip(self.lengths, self.demand, strict=True) for _ in range(n)],
        )
        refilled = same.by_filling()
        return refilled if refilled is not None and refilled.cost <= plan.cost else plan

    def lifted(self, proven: Fraction, known: int) -> int:
        """Return the bound that whole coils give, where the fractional one says more than is known."""
        return max(known, attainable(self.kinds, self._total(), proven)) if proven > 0 else known

    def _total(self) -> int:
        return sum(n * length for n, length in zip(self.demand, self.lengths, strict=True))

    def first_columns(self, best: Plan | None) -> list[Column]:
        columns = [] if best is None else list(best.columns)
        for k, kind in enumerate(self.kinds):
            for i, length in enumerate(self.lengths):
                if length <= kind.length:
                    copies = min(kind.length // length, self.demand[i])
                    columns.append(Column(k, ((i, copies),)))
        return columns

    def plan(self, columns: Sequence[Column], uses: Sequence[int]) -> Plan | None:
        """Return a plan after checking in whole numbers that it covers every cut and overdraws nothing."""
        used = [0] * len(self.kinds)
        have = [0] * len(self.lengths)
        for column, use in zip(columns, uses, strict=True):
            used[column.kind] += use
            for i, n in column.cuts:
                have[i] += n * use
        if any(kind.count is not None and n > kind.count for kind, n in zip(self.kinds, used, strict=True)):
            return None
        if any(n < d for n, d in zip(have, self.demand, strict=True)):
            return None
        chosen = [column for column, use in zip(columns, uses, strict=True) for _ in range(use)]
        return Plan(sum(self.kinds[c.kind].cost for c in chosen), tuple(chosen))

    def expanded(self, plan: Plan) -> tuple[tuple[int, tuple[int, ...]], ...]:
        """Return the coils with their cuts, those fullest first served; cuts that were covered twice are left out."""
        left = list(self.demand)
        coils = []
        for column in sorted(plan.columns, key=lambda c: (c.kind, c.cuts)):
            cuts = []
            for i, n in column.cuts:
                taken = min(n, left[i])
                left[i] -= taken
                cuts += [self.lengths[i]] * taken
            if cuts:
                coils.append((column.kind, tuple(cuts)))
        return tuple(coils)


class _Search:
    """The search for a better plan and a higher bound; everything it finds is checked in whole numbers."""

    def __init__(self, problem: _Problem, best: Plan | None, bound: int, left_s: Callable[[], float]) -> None:
        self.problem, self.best, self.bound, self.left_s = problem, best, bound, left_s
        self.kinds, self.lengths, self.demand = problem.kinds, problem.lengths, problem.demand
        self.pool: dict[Column, None] = dict.fromkeys(problem.first_columns(best))
        self.proof: Priced | None = None  # by the worths with the highest bound so far
        self._settled, self._half_s = False, left_s() / 2.0
        for worth in first_worths(self.kinds, self.lengths):
            found = priced(worth, self.kinds, self.lengths, self.demand, more=0)
            if self.proof is None or found.bound > self.proof.bound:
                self.proof, self._centre = found, worth
        assert self.proof is not None
        self.bound = problem.lifted(self.proof.bound, bound)

    def done(self) -> bool:
        """Tell whether the best plan is proven, or time is up."""
        return self.left_s() <= 0.0 or (self.best is not None and self.best.cost <= self.bound)

    def generate(self, *, until_bound: bool) -> None:
        """Add columns until none improves; ``until_bound``: until the bound cannot rise above what is known."""
        while not self.done() and not self._settled:
            master = relaxed(list(self.pool), self.kinds, self.demand)
            if master is None:
                return
            if until_bound and self.left_s() < self._half_s:
                return  # a plan from the columns so far is worth more than a better bound
            if until_bound and self.problem.lifted(Fraction(max(master.cost - 1e-6, 0.0)), 0) <= self.bound:
                return
            # worths drawn towards those with the highest bound: the master's own ones leap about
            if not self._priced(_STEADY * self._centre + (1.0 - _STEADY) * master.worth, master):
                self._settled = not self._priced(master.worth, master)

    def _priced(self, worth: Floats, master: Relaxed) -> bool:
        """Price once; tell whether a column was added that improves the master."""
        found = priced(worth, self.kinds, self.lengths, self.demand)
        if self.proof is None or found.bound > self.proof.bound:
            self.proof = found
            self._centre = worth
            self.bound = self.problem.lifted(found.bound, self.bound)
        new = [column for column in found.new if column not in self.pool]
        self.pool.update(dict.fromkeys(new))
        return any(master.saves(column, self.kinds) for column in new)

    def dive(self, share: float) -> None:
        """Fix the columns that the master uses most, master what is left again, and so on; fill the rest."""
        left, used = list(self.demand), [0] * len(self.kinds)
        fixed: list[Column] = []
        pool = list(self.pool)
        while any(left) and not self.done():
            kinds = [
                replace(kind, count=None if kind.count is None else kind.count - n)
                for kind, n in zip(self.kinds, used, strict=True)
            ]
            master = None
            for _ in range(_DIVE_ROUNDS):
                pool = list(dict.fromkeys(trimmed for column in pool if (trimmed := _within(column, left)).cuts))
                master = relaxed(pool, kinds, left)
                if master is None or self.left_s() <= 0.0:
                    break
                new = [c for c in priced(master.worth, kinds, self.lengths, left).new if master.saves(c, kinds)]
                if not new:
                    break
                pool += new
            if master is None:
                return
            if master.uses.sum() <= _TAIL_COILS:
                uses, _ = whole(pool, kinds, left, min(self.left_s(), _TAIL_S))
                if uses is not None:
                    self._offer(self.problem.plan([*fixed, *pool], [*(1 for _ in fixed), *uses]))
            if not self._fix(pool, master, kinds, left, used, fixed, share):
                break
        rest = self.problem.by_filling(left, used) if any(left) else Plan(0, ())
        if rest is not None:
            self._offer(Plan(sum(self.kinds[c.kind].cost for c in fixed) + rest.cost, (*fixed, *rest.columns)))

    def _fix(
        self,
        pool: Sequence[Column],
        master: Relaxed,
        kinds: Sequence[Kind],
        left: list[int],
        used: list[int],
        fixed: list[Column],
        share: float,
    ) -> bool:
        """Fix the whole parts, and then the largest fractions up to a share of all coils; tell whether any was."""
        uses = master.uses.tolist()
        wanted = max(1.0, share * sum(uses))
        whole_parts = [(j, int(use + 1e-6)) for j, use in enumerate(uses) if use > 1.0 - 1e-6]
        fractions = sorted(range(len(uses)), key=lambda j: (-(uses[j] - int(uses[j] + 1e-6)), j))
        here = [0] * len(kinds)
        count = 0
        for j, copies in [*whole_parts, *((j, 1) for j in fractions if uses[j] > 1e-6)]:
            column = pool[j]
            limit = kinds[column.kind].count
            for _ in range(copies):
                fits = all(left[i] >= n for i, n in column.cuts) and (limit is None or here[column.kind] < limit)
                if not fits or (copies == 1 and count >= wanted):
                    break
                for i, n in column.cuts:
                    left[i] -= n
                here[column.kind] += 1
                used[column.kind] += 1
                fixed.append(column)
                count += 1
        return count > 0

    def choose_whole(self) -> None:
        """Solve the whole-number program over all columns found."""
        if not self.done():
            columns = list(self.pool)
            uses, _ = whole(columns, self.kinds, self.demand, min(self.left_s() / 3.0, _WHOLE_S))
            self._offer(None if uses is None else self.problem.plan(columns, uses))

    def close(self) -> None:
        """List every pattern that a plan cheaper than the best could use; the program over them has the last word.

        In such a plan the reduced costs of all patterns together are below the gap, so each one's is.
        """
        proof, best = self.proof, self.best
        if proof is None or best is None or self.done():
            return
        gap = (best.cost - 1 - proof.bound) * proof.scale
        columns: list[Column] = []
        for k, kind in enumerate(self.kinds):
            asked = kind.cost * proof.scale + proof.fees[k] - gap  # worth >= cost + fee - gap
            least = max(0, -(-asked.numerator // asked.denominator))
            most = PATTERNS_MAX - len(columns)
            found = nearly_best(self.lengths, proof.worths, self.demand, kind.length, least, most)
            if found is None:
                return
            columns += [Column.of(k, cuts) for cuts in found if any(cuts)]
        uses, proven = (None, True) if not columns else whole(columns, self.kinds, self.demand, self.left_s())
        self._offer(None if uses is None else self.problem.plan(columns, uses))
        if proven and self.best is not None:
            self.bound = max(self.bound, self.best.cost)

    def _offer(self, plan: Plan | None) -> None:
        if plan is not None and (self.best is None or plan.cost < self.best.cost):
            self.best = plan
            self.pool.update(dict.fromkeys(plan.columns))


def _within(column: Column, left: Sequence[int]) -> Column:
    return Column(column.kind, tuple((i, min(n, left[i])) for i, n in column.cuts if left[i]))
