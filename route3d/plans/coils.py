"""Which run is cut from which coil, at least length (or cost) bought, proven; offcuts first, and offcuts left.

A cable is never spliced outside a box (300.15), so a run longer than every coil is not cut at all but named. Raceways
are joined: each run takes whole sticks and one cut piece.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from route3d.model.allowance import CoilStock, TakeOffSettings
from route3d.model.cable import Cable, ConductorSize
from route3d.model.plan import CableCut, Coil
from route3d.plans.coils_master import Kind, attainable
from route3d.plans.coils_pattern import fullest
from route3d.plans.coils_stock import cut_stock
from route3d.plans.makeup import RIGID, whole_steps
from route3d.units import both_units

ADVICE = (
    "Longer than every coil, and never spliced outside a box (NEC 300.15, from memory): put a box into the run where "
    "it stays accessible, or state a longer coil or reel in a [[coil]]."
)
TO_ORDER = "to order"
TO_LENGTH = "cut to length"
_LENGTHS_PROVEN = 40  # of cables bought at length: with more, offcuts are filled one after the other

_FT = 0.3048
# Common practice: what wholesalers keep, where the project states no [[coil]].
_COILS_M = {
    "nm": 250 * _FT,
    "fmc": 100 * _FT,
    "lfmc": 100 * _FT,
    "emt": 10 * _FT,
    "rmc": 10 * _FT,
    "imc": 10 * _FT,
    "pvc": 10 * _FT,
}
_ARMOURED = frozenset({"mc-interlocked", "mc-corrugated", "mc-smooth", "ac"})
_LARGEST_COILED = ConductorSize.parse("6 AWG")


@dataclass(frozen=True, slots=True)
class _Stock:
    coils: tuple[CoilStock, ...]
    source: str
    unsure: tuple[str, ...] = ()


def stock_of(cable: Cable, settings: TakeOffSettings) -> _Stock:
    """Return what a cable is cut from: what the project states, else what is common; nothing means cut to length."""
    own = tuple(coil for coil in settings.coils if coil.cable_id == cable.cable_id)
    usual, why = _usual(cable)
    new = () if usual is None else (CoilStock(cable.cable_id, usual),)
    if any(not coil.offcut for coil in own):
        return _Stock(own, "coil")
    source = f"practice: coils of {both_units(usual)}" if usual is not None else "practice: cut to length on a reel"
    if own:
        source = f"coil (offcuts); {source}"
    return _Stock((*own, *new), source, (why,) if why else ())


def _usual(cable: Cable) -> tuple[float | None, str]:
    if cable.method in _COILS_M:
        return _COILS_M[cable.method], ""
    if cable.method in _ARMOURED:
        if cable.size is None:
            return 250 * _FT, f"no [[coil]] and no size is stated of {cable.cable_id}: coils of 250 ft are assumed"
        return (250 * _FT if cable.size <= _LARGEST_COILED else None), ""
    return None, f"no [[coil]] is stated of {cable.cable_id}, and none is customary: every run is bought at its length"


def cut_cable(
    cable: Cable,
    cuts: Sequence[tuple[str, float]],
    settings: TakeOffSettings,
    left_s: Callable[[], float] = lambda: 1e9,
) -> CableCut:
    """Plan the coils of one cable for ``cuts``, pairs of run id and length in whole steps of ``round_up_m``."""
    stock = stock_of(cable, settings)
    buyable = [coil for coil in stock.coils if coil.count != 0]
    if not any(not coil.offcut for coil in stock.coils):
        return _to_length(cable, cuts, buyable, stock, settings, left_s)
    return _planned(cable, cuts, buyable, stock, settings, left_s)


def _to_length(
    cable: Cable,
    cuts: Sequence[tuple[str, float]],
    offcuts: Sequence[CoilStock],
    stock: _Stock,
    settings: TakeOffSettings,
    left_s: Callable[[], float],
) -> CableCut:
    """Cut from offcuts what is best cut from them, and buy the rest at its length."""
    step = settings.round_up_m
    lengths = [whole_steps(length, step) for _, length in cuts]
    from_offcuts, bound = _from_offcuts(
        [Kind(_steps_in(o.length_m, step), 0, o.count) for o in offcuts], lengths, left_s
    )
    picker = _Picker(cuts, step)
    coils = [
        _coil(cable, offcuts[kind].length_m, offcuts[kind].offcut, picker.take(pieces), settings)
        for kind, pieces in from_offcuts
    ]
    coils += [_coil(cable, length, TO_LENGTH, [(run_id, length)], settings) for run_id, length in picker.rest()]
    bought = math.fsum(coil.length_m for coil in coils if coil.stock == TO_LENGTH)
    proven = bought <= bound * step + 1e-6
    return CableCut(
        cable_id=cable.cable_id,
        coils=_numbered(coils),
        bought_m=bought,
        bought_bound_m=min(bound * step, bought),
        too_long=(),
        unsure=(*stock.unsure, *_open_gap(proven, bought, bound * step, "m")),
        proven=proven,
        stock_source=stock.source,
    )


def _from_offcuts(
    offcuts: Sequence[Kind], lengths: Sequence[int], left_s: Callable[[], float]
) -> tuple[list[tuple[int, tuple[int, ...]]], int]:
    """Return what is cut from offcuts when all else is bought at its length, and the least that is bought."""
    if not offcuts or not lengths:
        return [], sum(lengths)
    distinct = sorted(set(lengths))
    if len(distinct) <= _LENGTHS_PROVEN:
        # a kind of coil for each length, whose cost is that length
        plan = cut_stock([*offcuts, *(Kind(n, n, None) for n in distinct)], lengths, left_s)
        return [coil for coil in plan.coils if coil[0] < len(offcuts)], plan.bound
    left = Counter(lengths)
    filled: list[tuple[int, tuple[int, ...]]] = []
    for k, offcut in enumerate(offcuts):
        for _ in range(1 if offcut.count is None else offcut.count):
            some = sorted((n for n in left if left[n]), reverse=True)
            pattern = fullest(some, [left[n] for n in some], offcut.length)
            cut = [n for n, copies in zip(some, pattern, strict=True) for _ in range(copies)]
            left.subtract(cut)
            if cut:
                filled.append((k, tuple(cut)))
    held = sum(offcut.length * (0 if offcut.count is None else offcut.count) for offcut in offcuts)
    return filled, max(0, sum(lengths) - held)


def _planned(
    cable: Cable,
    cuts: Sequence[tuple[str, float]],
    stocked: Sequence[CoilStock],
    stock: _Stock,
    settings: TakeOffSettings,
    left_s: Callable[[], float],
) -> CableCut:
    step = settings.round_up_m
    longest = max((_steps_in(coil.length_m, step) for coil in stocked), default=0)
    joined = cable.method in RIGID
    whole_sticks, pieces, too_long = _split(cuts, stocked, step, longest, joined)
    by_cost = any(coil.cost is not None for coil in stocked)
    costs = _whole_costs(stocked, by_cost)
    kinds = [Kind(_steps_in(coil.length_m, step), cost, coil.count) for coil, cost in zip(stocked, costs, strict=True)]
    lengths = [whole_steps(length, step) for _, length in pieces]
    kinds, more_sticks = _less(kinds, whole_sticks)
    order = _order_kind(kinds, lengths)
    plan = cut_stock([*kinds, *order], lengths, left_s)
    picker = _Picker(pieces, step)
    coils, ordered = [], len(more_sticks)
    for kind, cut in plan.coils:
        taken = picker.take(cut)
        if kind == len(kinds):
            ordered += 1
            coils.append(_coil(cable, longest * step, TO_ORDER, taken, settings))
        else:
            coils.append(_coil(cable, stocked[kind].length_m, stocked[kind].offcut or "new", taken, settings))
    coils += [
        _coil(cable, stocked[k].length_m, TO_ORDER if n in more_sticks else "new", [cut], settings)
        for n, (k, cut) in enumerate(whole_sticks)
    ]
    bought = math.fsum(coil.length_m for coil in coils if coil.stock in ("new", TO_ORDER))
    unit = _unit(stocked, by_cost)
    unsure = list(stock.unsure)
    if ordered:
        unsure.append(
            f"the coils of {cable.cable_id} that are stated do not suffice: {ordered} more of "
            f"{both_units(longest * step)} are to be ordered"
        )
    if joined or ordered or by_cost:
        total = math.fsum(length for run_id, length in cuts if run_id not in too_long)
        bound = _least_bought(stocked, whole_steps(total, step), step, bool(order or more_sticks))
        proven = bought <= bound + 1e-6 if joined or ordered else plan.proven
    else:
        bound, proven = float(plan.bound * unit), plan.proven
    cost = float(plan.cost * unit) if by_cost and not ordered else None
    cost_bound = float(plan.bound * unit) if by_cost and not ordered else None
    if cost is not None:
        unsure += _open_gap(proven, cost, cost_bound if cost_bound is not None else 0.0, "of cost")
    else:
        unsure += _open_gap(proven, bought, bound, "m")
    return CableCut(
        cable_id=cable.cable_id,
        coils=_numbered(coils),
        bought_m=bought,
        bought_bound_m=min(bound, bought),
        too_long=too_long,
        unsure=tuple(unsure),
        minimised="cost" if by_cost else "length",
        cost=cost,
        cost_bound=cost_bound,
        proven=proven,
        stock_source=stock.source,
        too_long_advice=ADVICE if too_long else "",
    )


def _split(
    cuts: Sequence[tuple[str, float]], stocked: Sequence[CoilStock], step: float, longest: int, joined: bool
) -> tuple[list[tuple[int, tuple[str, float]]], list[tuple[str, float]], tuple[str, ...]]:
    """Return whole sticks (kind, run and length), pieces to cut, and runs that no coil holds."""
    sticks: list[tuple[int, tuple[str, float]]] = []
    pieces: list[tuple[str, float]] = []
    too_long = []
    bought = [k for k, coil in enumerate(stocked) if not coil.offcut]
    stick = max(bought, key=lambda k: stocked[k].length_m, default=None)
    for run_id, length in cuts:
        rest = length
        if joined and stick is not None:
            each = _steps_in(stocked[stick].length_m, step) * step
            for _ in range(int((length + 1e-6) / each)):
                sticks.append((stick, (run_id, each)))
                rest -= each
        if rest <= 1e-6:
            continue
        if whole_steps(rest, step) > longest:
            too_long.append(run_id)
        else:
            pieces.append((run_id, rest))
    return sticks, pieces, tuple(too_long)


def _less(kinds: Sequence[Kind], sticks: Sequence[tuple[int, tuple[str, float]]]) -> tuple[list[Kind], set[int]]:
    """Return the kinds without the whole sticks, and the numbers of those sticks that the stock does not have."""
    left = [kind.count for kind in kinds]
    missing = set()
    for n, (k, _) in enumerate(sticks):
        count = left[k]
        if count == 0:
            missing.add(n)
        elif count is not None:
            left[k] = count - 1
    return [replace(kind, count=count) for kind, count in zip(kinds, left, strict=True)], missing


def _steps_in(length_m: float, step_m: float) -> int:
    return math.floor((length_m + 1e-6) / step_m)


def _whole_costs(stocked: Sequence[CoilStock], by_cost: bool) -> list[int]:
    unit = _unit(stocked, by_cost)
    return [int(_value(coil, by_cost) / unit) if unit else 0 for coil in stocked]


def _value(coil: CoilStock, by_cost: bool) -> Fraction:
    """Return what one coil adds to what is minimised, to a millionth; an offcut is at hand."""
    if coil.offcut:
        return Fraction(0)
    value = coil.cost if by_cost else coil.length_m
    return Fraction(round((0.0 if value is None else value) * 1_000_000), 1_000_000)


def _unit(stocked: Sequence[CoilStock], by_cost: bool) -> Fraction:
    """Return the largest value that all are whole multiples of."""
    values = [_value(coil, by_cost) for coil in stocked]
    common = math.gcd(*(int(value * 1_000_000) for value in values))
    return Fraction(common, 1_000_000)


def _order_kind(kinds: Sequence[Kind], lengths: Sequence[int]) -> tuple[Kind, ...]:
    """Return a kind to order beyond the stock, dearer than any plan without it; none where the stock is endless."""
    if not lengths or any(kind.count is None and kind.length >= max(lengths) for kind in kinds):
        return ()
    dearest = max(kind.cost for kind in kinds)
    most = dearest * len(lengths) + 1
    return (Kind(max(kind.length for kind in kinds), most, None),)


def _least_bought(stocked: Sequence[CoilStock], needed: int, step: float, order: bool) -> float:
    """Return the least length of coils that hold all cuts: no plan of any kind buys less."""
    unit = _unit(stocked, False)
    if not unit or not needed:
        return 0.0
    kinds = [Kind(_steps_in(c.length_m, step), int(_value(c, False) / unit), c.count) for c in stocked]
    if order:
        most = max(kinds, key=lambda kind: kind.length)
        kinds.append(Kind(most.length, int(Fraction(most.length * step) / unit), None))
    return float(attainable(kinds, needed, Fraction(0)) * unit)


def _open_gap(proven: bool, reached: float, bound: float, unit: str) -> tuple[str, ...]:
    if proven:
        return ()
    return (f"not proven to be the least: {reached:.2f} {unit}, and no plan can do with less than {bound:.2f} {unit}",)


class _Picker:
    """Hands out the runs of each length, in the order of the job."""

    def __init__(self, cuts: Sequence[tuple[str, float]], step: float) -> None:
        self._waiting: dict[int, list[tuple[str, float]]] = {}
        self._step = step
        for run_id, length in reversed(cuts):
            self._waiting.setdefault(whole_steps(length, step), []).append((run_id, length))

    def rest(self) -> list[tuple[str, float]]:
        """Return the runs that nobody took, longest first."""
        return [cut for length in sorted(self._waiting, reverse=True) for cut in reversed(self._waiting[length])]

    def take(self, lengths: Sequence[int]) -> list[tuple[str, float]]:
        """Return one run for each length."""
        return [self._waiting[length].pop() for length in lengths]


def _coil(
    cable: Cable, length_m: float, stock: str, cuts: Sequence[tuple[str, float]], settings: TakeOffSettings
) -> Coil:
    left = length_m - math.fsum(length for _, length in cuts)
    left = 0.0 if abs(left) < 1e-6 else left
    return Coil(
        0, cable.cable_id, length_m, stock, tuple(cuts), left, left > 0.0 and left >= settings.reusable_m - 1e-6
    )


def _numbered(coils: Sequence[Coil]) -> tuple[Coil, ...]:
    """Number coils: offcuts first, then the longest, those with the longest cuts first."""
    bought = ("new", TO_ORDER, TO_LENGTH)
    ordered = sorted(
        coils,
        key=lambda c: (c.stock in bought, c.stock, -c.length_m, [-length for _, length in c.cuts], c.cuts),
    )
    return tuple(
        Coil(n, c.cable_id, c.length_m, c.stock, c.cuts, c.left_m, c.reusable) for n, c in enumerate(ordered, start=1)
    )


def sticks_joined(cut: CableCut) -> Mapping[str, int]:
    """Return for each run how many pieces it is joined of, where these are several."""
    pieces: dict[str, int] = {}
    for coil in cut.coils:
        for run_id, _ in coil.cuts:
            pieces[run_id] = pieces.get(run_id, 0) + 1
    return {run_id: count for run_id, count in pieces.items() if count > 1}
