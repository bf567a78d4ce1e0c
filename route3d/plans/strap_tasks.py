"""What the rules ask of the straps of one run: every choice of exemptions as a task of its own.

The check decides in the end (``passes``); what is here says where straps would have to be for it to pass, in closed
form. How the rules are read stands in ``rules.securing``, ``rules.first_strap`` and ``rules.exemption``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.path import ARC, AT, KIND, LENGTH, ORIGIN, RADIUS, TURN, U, V
from route3d.model.gap import Stretch
from route3d.model.support import Support
from route3d.plans.strap_fewest import Task
from route3d.plans.strap_intervals import Places
from route3d.plans.strap_reach import GRANT_M, Reach
from route3d.rules.exemption import WHIP_ENDS, TailJudgement, fished_parts, judge_tail
from route3d.rules.first_strap import FirstStrap, first_strap, unless_fished
from route3d.rules.held import HeldRun, is_fitting, is_vertical, overlaps, secures
from route3d.rules.records import HoldRule
from route3d.rules.rulebook import RuleBook
from route3d.rules.securing import Holding, judge_holding
from route3d.units import TOLERANCE_M


@dataclass(frozen=True, slots=True)
class _End:
    """One choice at one end, distances counted from that end."""

    kind: str | None  # whip, flexible; None: no exemption
    hold_m: float | None  # an existing support that the exempt tail begins at; 0: judged from the end itself
    strap_in: Places | None  # where the strap is to be that the exempt tail begins at
    window: Places | None  # where the first strap is to be
    closed_m: float = 0.0  # no strap nearer to the end than this, or another exemption would take the place of this


def passes(holding: Holding) -> bool:
    """Tell whether a run is held as the rules ask, with nothing left untold."""
    spans = (*holding.securing, *holding.supporting)
    return all(span.ok for span in spans) and all(first.ok is True for first in holding.first_straps)


def with_straps(run: HeldRun, straps: Iterable[float]) -> HeldRun:
    """Return a run with straps added to it."""
    added = [Support(at_m, "strap", True, "planned") for at_m in straps]
    return replace(run, supports=tuple(sorted((*run.supports, *added), key=lambda s: (s.at_m, not s.secures))))


def is_held(run: HeldRun, straps: Iterable[float], book: RuleBook) -> bool:
    """Tell whether the check passes a run once straps are added to it."""
    return passes(judge_holding(with_straps(run, straps), book))


def tasks_of(run: HeldRun, book: RuleBook, places: Places, share: float) -> Iterator[Task]:
    """Yield a task for each choice of exemptions at both ends; the choice without any comes first.

    ``share`` of every length is used beside straps that are added; what existing supports settle is left as it is.
    """
    method = run.cable.method
    rules = {check: book.hold(check, method) for check in ("securing", "supporting")}
    for start in _ends(run, False, rules["securing"], book, share, places):
        for end in _ends(run, True, rules["securing"], book, share, places.mirrored(run.length_m)):
            if start.hold_m is None or end.hold_m is None or start.hold_m + end.hold_m < run.length_m - TOLERANCE_M:
                # where existing supports make all of a run exempt, it is held as it is
                yield _task(run, book, rules, places, share, start, end)


def _task(
    run: HeldRun,
    book: RuleBook,
    rules: dict[str, HoldRule | None],
    places: Places,
    share: float,
    start: _End,
    end: _End,
) -> Task:
    length = run.length_m
    begin = start.hold_m
    finish = None if end.hold_m is None else length - end.hold_m
    free = places.without([(-1.0, start.closed_m), (length - end.closed_m, length + 1.0)] if places else [])
    ends = [m for m in (begin, finish) if m is not None]
    judged = Places([(0.0 if begin is None else begin, length if finish is None else finish)])
    reaches = []
    for check, rule in rules.items():
        if rule is None or rule.interval_m is None:
            continue
        low = TOLERANCE_M if begin is None else begin + TOLERANCE_M
        high = length - TOLERANCE_M if finish is None else finish - TOLERANCE_M
        marks = [s.at_m for s in run.supports if _holds(check, s, rule) and low < s.at_m < high]
        reaches.append(reach_of(run, check, rule, book, share).held_at([*ends, *marks], ends=finish is not None))
    windows = [w for w in (start.window, None if end.window is None else end.window.mirrored(length)) if w is not None]
    return Task(
        reaches=tuple(reaches),
        begin_m=begin,
        first_in=None if start.strap_in is None else start.strap_in.within(judged),
        last_in=None if end.strap_in is None else end.strap_in.mirrored(length).within(judged),
        windows=tuple(windows),
        places=free,
        exempt=(start.kind, end.kind),
    )


def reach_of(run: HeldRun, check: str, rule: HoldRule, book: RuleBook, share: float) -> Reach:
    """Return what one check asks between two holds of a run, without any marks yet."""
    assert rule.interval_m is not None
    least, size = rule.vertical_size_min, run.cable.size
    heavy = least is None or (size is not None and size >= least)
    excused, _, _ = fished_parts(run, (0.0, run.length_m), book)
    return Reach(
        check=check,
        cite=rule.cite,
        limit_m=rule.interval_m,
        longer_m=rule.vertical_interval_m if heavy else None,
        vertical=lambda a, b: is_vertical(run.pieces, a, b),
        excused=tuple(excused),
        length_m=run.length_m,
        share=share,
    )


def _holds(check: str, support: Support, rule: HoldRule) -> bool:
    return secures(support, rule) if check == "securing" else support.kind != "framing" or rule.framing


def _ends(
    run: HeldRun, at_end: bool, rule: HoldRule | None, book: RuleBook, share: float, places: Places
) -> list[_End]:
    """Return the choices at one end; ``places`` are counted from it."""
    choices = [_End(None, 0.0, None, window_of(run, at_end, book, share))]
    if (run.end if at_end else run.start).kind not in WHIP_ENDS:
        return choices
    offers = [offer for secured in (True, False) if (offer := _offer(run, at_end, secured, book)) is not None]
    flexible = next((limit for kind, limit in offers if kind == "flexible"), None)
    for kind, limit in dict(offers).items():
        # where the cable is fastened within reach of a flexible connection, the check looks for no whip
        closed = flexible + 2.0 * TOLERANCE_M if kind == "whip" and flexible is not None else 0.0
        holds = sorted(
            run.length_m - s.at_m if at_end else s.at_m
            for s in run.supports
            if not is_fitting(s) and (s.secures or kind == "whip")
        )
        fastened = [
            run.length_m - s.at_m if at_end else s.at_m for s in run.supports if s.secures and not is_fitting(s)
        ]
        if closed and min(fastened, default=run.length_m) <= closed:
            continue
        existing = [m for m in holds if TOLERANCE_M < m <= limit + TOLERANCE_M]
        choices += [_End(kind, m, None, None, closed) for m in existing[-1:]]
        choices.append(_End(kind, None, Places([(closed, limit * share)]), None, closed))
    return choices


def _offer(run: HeldRun, at_end: bool, secured: bool, book: RuleBook) -> tuple[str, float] | None:
    """Return which exemption a support right beside one end would begin, and how long it may be."""
    near = 2.0 * TOLERANCE_M
    at_m = run.length_m - near if at_end else near
    fittings = tuple(s for s in run.supports if is_fitting(s))
    probe = Support(at_m, "strap" if secured else "hanger", secured, "probe")
    supports = tuple(sorted((*fittings, probe), key=lambda s: (s.at_m, not s.secures)))
    judged = judge_tail(replace(run, supports=supports), at_end, book)
    if not judged.tails:
        return None
    tail = judged.tails[0]
    limit = run.length_m if tail.limit_m is None else min(tail.limit_m, run.length_m)
    if tail.kind == "whip":
        limit = min(limit, _in_open_ceiling(run, at_end))
    return tail.kind, limit


def _in_open_ceiling(run: HeldRun, at_end: bool) -> float:
    """Return how long the part at one end is that is inside accessible ceilings, and in nothing closed."""
    far = 0.0
    for a, b in _from_end(run.inside("accessible-ceiling"), run.length_m, at_end):
        if a <= far + TOLERANCE_M:
            far = max(far, b)
    closed = overlaps(run.inside("inaccessible"), (0.0, run.length_m))
    return min([far, *(a for a, _ in _from_end(closed, run.length_m, at_end))])


def _from_end(stretches: Sequence[Stretch], length_m: float, at_end: bool) -> list[Stretch]:
    return [(length_m - b, length_m - a) for a, b in reversed(stretches)] if at_end else list(stretches)


def missing_first(run: HeldRun, at_end: bool, book: RuleBook) -> FirstStrap | None:
    """Return the demand for a first strap at one end, None where there is none or it is met or excused."""
    method = run.cable.method
    asked = first_strap(run, at_end, book.first_strap(method), book.hold("securing", method))
    if asked is None or asked.ok is True:
        return None
    return None if unless_fished(run, asked, TailJudgement(), book, []).ok is True else asked


def window_of(run: HeldRun, at_end: bool, book: RuleBook, share: float) -> Places | None:
    """Return where a strap is still to be beside one end, counted from that end; None where none is asked."""
    asked = missing_first(run, at_end, book)
    if asked is None:
        return None
    hold = book.hold("securing", run.cable.method)
    along, straight = asked.rule.along_max_m, asked.rule.straight_max_m
    if along is None and hold is not None:
        along = hold.interval_m
    far = run.length_m if along is None else min(along * share + GRANT_M, run.length_m)
    window = Places([(0.0, far)])
    if straight is None:
        return window
    end_m = run.length_m if at_end else 0.0
    near = Places(within_ball(run.pieces, run.point(end_m), straight * share + GRANT_M))
    return window.within(near.mirrored(run.length_m) if at_end else near)


def within_ball(pieces: NDArray[np.float64], centre_m: NDArray[np.float64], radius_m: float) -> Iterator[Stretch]:
    """Yield where a path is within a distance of a point, in closed form."""
    for row in pieces:
        at, length = float(row[AT]), float(row[LENGTH])
        offset = row[ORIGIN] - centre_m
        if row[KIND] != ARC:
            # |offset + s v|² = r²
            half, rest = float(offset @ row[V]), float(offset @ offset) - radius_m**2
            if half * half < rest:
                continue
            root = math.sqrt(half * half - rest)
            low, high = max(-half - root, 0.0), min(-half + root, length)
            if low <= high:
                yield at + low, at + high
            continue
        # |offset|² + R² + 2R (cos a u + sin a v)·offset = r², a cosine about the angle where the arc is farthest
        size = float(row[RADIUS])
        along_u, along_v = float(offset @ row[U]), float(offset @ row[V])
        swing = 2.0 * size * math.hypot(along_u, along_v)
        level = radius_m**2 - float(offset @ offset) - size**2
        if level >= swing:
            yield at, at + length
        elif level > -swing:
            far = math.atan2(along_v, along_u)
            half_open = math.acos(level / swing)
            for turn in (-1, 0, 1):
                begin = far + half_open + 2.0 * math.pi * turn
                stop = far + 2.0 * math.pi - half_open + 2.0 * math.pi * turn
                low, high = max(begin, 0.0), min(stop, float(row[TURN]))
                if low <= high:
                    yield at + low * size, at + high * size
