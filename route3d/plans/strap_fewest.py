"""The fewest straps that close every stretch: exact, by dynamic programming over what is covered.

Why it is exact. A stretch between two holds that is allowed stays allowed where it is made shorter, so a strap that is
added never opens a stretch. What a set of straps achieves is told by how far it covers the run by each check (the
next strap may be anywhere up to there), and by which windows hold one of its straps. One more strap at ``y`` anywhere
in what is covered extends the coverage to ``far(y)``, and ``far`` never decreases; so of all places up to the coverage
the last one extends it most by every check at once, and of all places up to it inside some windows the last one in
these windows does. Nothing else can be better, hence for each number of straps only the states that no other one
beats need to be kept, and each step tries one place per set of windows.

Only finitely many places can come up: a place taken is the right end of a stretch of allowed places, of such a stretch
cut with windows, or the coverage itself, which is the place of an earlier hold plus an interval; with at most
``length / interval`` steps these are finitely many, though the stretches are continuous.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

from route3d.plans.strap_intervals import Places
from route3d.plans.strap_reach import Reach

_NEAR_M = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """One choice of exemptions, and what it asks: where holding begins and ends, and what must hold a strap."""

    reaches: tuple[Reach, ...]  # one per check that states an interval; the last mark is where holding ends
    begin_m: float | None  # an existing hold (or the end of the run) from which it is judged
    first_in: Places | None  # where begin_m is None: judged from the first added strap, which must be in here
    last_in: Places | None  # judged up to the last added strap, which must be in here; None: up to the last mark
    windows: tuple[Places, ...]  # each must hold an added strap
    places: Places  # where straps may be added
    exempt: tuple[str | None, str | None] = (None, None)  # kinds of exemption at start and end

    def mirrored(self, length_m: float) -> Task:
        """Return the same as it looks from the other end; only for what begins at the first mark, or at a strap."""
        whole = self.last_in is None
        reaches = tuple(r.mirrored(ends=self.begin_m is not None) for r in self.reaches)
        return Task(
            reaches=reaches,
            begin_m=(reaches[0].marks[0] if reaches else 0.0) if whole else None,
            first_in=None if self.last_in is None else self.last_in.mirrored(length_m),
            last_in=None if self.first_in is None else self.first_in.mirrored(length_m),
            windows=tuple(w.mirrored(length_m) for w in self.windows),
            places=self.places.mirrored(length_m),
            exempt=(self.exempt[1], self.exempt[0]),
        )


@dataclass(frozen=True, slots=True)
class State:
    """What some straps achieve."""

    covered: tuple[float, ...]  # per check
    missing: frozenset[int]  # windows that hold none of them
    straps: tuple[float, ...]

    @property
    def open_to(self) -> float:
        """How far the next strap may be."""
        return min(self.covered, default=math.inf)

    def beats(self, other: State) -> bool:
        """Tell whether this one is as good as another in every respect."""
        return self.missing <= other.missing and all(a >= b for a, b in zip(self.covered, other.covered, strict=True))


def begun(task: Task) -> State | None:
    """Return the state without any strap; None where the first strap is to begin it."""
    if task.begin_m is None:
        return None
    covered = tuple(r.far(task.begin_m, existing=True) for r in task.reaches)
    return State(covered, frozenset(range(len(windows_of(task)))), ())


def windows_of(task: Task) -> tuple[Places, ...]:
    """Return all windows that must hold a strap, with that of the last one."""
    return task.windows if task.last_in is None else (*task.windows, task.last_in)


def finished(task: Task, state: State) -> bool:
    """Tell whether nothing is left to be held."""
    return not state.missing and (task.last_in is not None or all(c == math.inf for c in state.covered))


def with_strap(task: Task, state: State | None, at_m: float) -> State:
    """Return what one more strap makes of a state; None is the one before the first."""
    windows = windows_of(task)
    before = State((-math.inf,) * len(task.reaches), frozenset(range(len(windows))), ()) if state is None else state
    covered = tuple(max(c, r.far(at_m)) for c, r in zip(before.covered, task.reaches, strict=True))
    missing = frozenset(w for w in before.missing if not windows[w].has(at_m))
    return State(covered, missing, tuple(sorted((*before.straps, at_m))))


def fewest(task: Task, most: int = 10_000) -> tuple[float, ...] | None:
    """Return the places of the fewest straps that finish a task, as late as they can be; None if none do."""
    first = begun(task)
    states = [first] if first is not None else list(_first_straps(task))
    windows = windows_of(task)
    subsets = [c for size in range(1, len(windows) + 1) for c in combinations(range(len(windows)), size)]
    inside = {c: _common([task.places, *(windows[w] for w in c)]) for c in subsets}
    while states:
        done = [s.straps for s in states if finished(task, s)]
        if done:
            return max(done)  # of several, the one with the latest straps
        if len(states[0].straps) >= most:
            return None
        following: list[State] = []
        for state in states:
            tried = [task.places, *(p for c, p in inside.items() if state.missing >= frozenset(c))]
            for places in tried:
                at_m = places.last(state.open_to)
                if at_m is None:
                    continue
                new = with_strap(task, state, at_m)
                if not state.beats(new):
                    following.append(new)
        states = _unbeaten(following)
    return None


def is_enough(task: Task, straps: Sequence[float]) -> bool:
    """Tell whether straps at these places finish a task."""
    ordered = sorted(straps)
    if not all(task.places.has(at_m) for at_m in ordered):
        return False
    if not all(any(window.has(at_m) for at_m in ordered) for window in windows_of(task)):
        return False
    if task.begin_m is None:
        assert task.first_in is not None
        k = next((k for k, at_m in enumerate(ordered) if not task.first_in.has(at_m)), len(ordered))
        if k == 0:
            return False
        # what lies before the strap that it is judged from is exempt
        covered = [r.far(ordered[k - 1]) for r in task.reaches]
        ordered = ordered[k:]
    else:
        covered = [r.far(task.begin_m, existing=True) for r in task.reaches]
    for at_m in ordered:
        if at_m > min(covered, default=math.inf) + _NEAR_M:
            return False
        covered = [max(c, r.far(at_m)) for c, r in zip(covered, task.reaches, strict=True)]
    return task.last_in is not None or all(c == math.inf for c in covered)


def _first_straps(task: Task) -> Iterable[State]:
    assert task.first_in is not None
    windows = windows_of(task)
    states = []
    for size in range(len(windows) + 1):
        for chosen in combinations(range(len(windows)), size):
            places = _common([task.places, task.first_in, *(windows[w] for w in chosen)])
            at_m = places.last(math.inf)
            if at_m is not None:
                states.append(with_strap(task, None, at_m))
    return _unbeaten(states)


def _common(sets: Sequence[Places]) -> Places:
    answer = sets[0]
    for other in sets[1:]:
        answer = answer.within(other)
    return answer


def _unbeaten(states: Sequence[State]) -> list[State]:
    kept: list[State] = []
    for state in sorted(states, key=lambda s: s.straps, reverse=True):  # of equals, the one with the latest straps
        if not any(other.beats(state) for other in kept):
            kept = [other for other in kept if not state.beats(other)]
            kept.append(state)
    return kept
