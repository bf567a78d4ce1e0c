"""Straps of a known number, moved to even spacing and to whole millimetres without losing what they achieve."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence

from route3d.model.gap import Stretch
from route3d.plans.strap_fewest import Task, begun, is_enough, with_strap


def evenly_spaced(task: Task, length_m: float, late: Sequence[float], early: Sequence[float]) -> tuple[float, ...]:
    """Return as many straps as ``late`` has, spaced as evenly as their places allow.

    ``late`` and ``early`` both finish the task, as late and as early as can be. Each strap is put, in their order, at
    the place nearest to where it would be on an even spacing, within what its predecessors cover and not before its
    early place: from there the rest of the early ones still finishes the task.
    """
    bounds = [(min(a, b), b) for a, b in zip(sorted(early), sorted(late), strict=True)]
    wanted = _even(_fixed(task, length_m), bounds)
    chosen: list[float] = []
    state = begun(task)
    for at_m, (low, high) in zip(wanted, bounds, strict=True):
        limit = high if state is None else min(high, state.open_to)
        place = task.places.nearest(at_m, low, max(low, limit))
        if place is None:
            return tuple(late)
        chosen.append(place)
        state = with_strap(task, state, place)
    return tuple(chosen) if is_enough(task, chosen) else tuple(late)


def rounded(task: Task, straps: Sequence[float]) -> tuple[float, ...]:
    """Return straps moved by less than a millimetre to round distances, those that can be."""
    near = [round(at_m, 3) for at_m in straps]
    # beside an end a strap is at most so far from it, and rounding goes toward it
    toward = [math.floor(straps[0] * 1e3) / 1e3, *near[1:-1], math.ceil(straps[-1] * 1e3) / 1e3] if near[1:] else near
    for tried in (near, toward):
        if is_enough(task, tried):
            return tuple(tried)
    chosen = list(straps)
    for k, at_m in enumerate(straps):
        for place in _round_places(at_m):
            if is_enough(task, [*chosen[:k], place, *chosen[k + 1 :]]):
                chosen[k] = place
                break
    return tuple(chosen)


def _round_places(at_m: float) -> list[float]:
    """Return the round distances beside a place: whole millimetres, then tenths where those do not fit."""
    near = []
    for step in (1e-3, 1e-4):
        steps = at_m / step
        near += [round(whole * step, 4) for whole in (round(steps), math.floor(steps), math.ceil(steps))]
    return near


def _fixed(task: Task, length_m: float) -> list[float]:
    """Return the holds that are there already, with both ends."""
    marks = task.reaches[0].marks if task.reaches else ()
    return sorted({0.0, length_m, *marks})


def _even(fixed: Sequence[float], bounds: Sequence[Stretch]) -> list[float]:
    """Return evenly spaced distances between what is fixed, within their bounds: a string pulled tight."""
    bays: dict[int, list[Stretch]] = {}
    for low, high in bounds:
        bays.setdefault(min(max(bisect_left(fixed, high), 1), len(fixed) - 1), []).append((low, high))
    return [at_m for bay, mine in sorted(bays.items()) for at_m in _tight(fixed[bay - 1], fixed[bay], mine)]


def _tight(begin: float, stop: float, bounds: Sequence[Stretch]) -> list[float]:
    count = len(bounds)
    even = [begin + (stop - begin) * k / (count + 1) for k in range(1, count + 1)]
    off = [min(at_m - low, high - at_m) for at_m, (low, high) in zip(even, bounds, strict=True)]
    worst = min(range(count), key=lambda k: off[k], default=None)
    if worst is None or off[worst] >= 0.0:
        return even
    low, high = bounds[worst]
    pinned = low if even[worst] < low else high
    return [*_tight(begin, pinned, bounds[:worst]), pinned, *_tight(pinned, stop, bounds[worst + 1 :])]
