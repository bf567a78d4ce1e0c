"""Where no allowed place exists: the stretch that makes it impossible, and what would help."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from route3d.kernel.clearance import nearest_elements
from route3d.kernel.mesh_index import MeshIndex
from route3d.kernel.path import concatenated, trimmed
from route3d.model.gap import Stretch
from route3d.model.plan import StuckStretch
from route3d.plans.strap_fewest import State, Task, begun, with_strap
from route3d.plans.strap_intervals import Places
from route3d.plans.strap_places import Holder, RunPlaces, has_structure, radius_of
from route3d.plans.strap_reach import GRANT_M
from route3d.plans.strap_tasks import missing_first
from route3d.rules.held import HeldRun
from route3d.rules.rulebook import RuleBook
from route3d.rules.supports import HOLDING_ROLES
from route3d.scene import Scene
from route3d.units import both_units

SEARCHED_M = 3.0  # structure farther away than this is none to reach from

_ROOM_M = 1e-4  # narrower, a stretch is told as one place


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch between two holds that no allowed place divides."""

    check: str
    cite: str
    from_m: float
    to_m: float
    help_m: Stretch  # where one more place would do; from > to: more than one are needed
    limit_m: float


@dataclass(frozen=True, slots=True)
class Partial:
    """As many straps as can be, and what is left open."""

    straps: tuple[float, ...]
    gaps: tuple[Gap, ...]
    windows: tuple[int, ...]  # of the task: those without any place

    @property
    def badness(self) -> tuple[int, float, int]:
        """What a better choice of exemptions has less of."""
        missing = sum(g.to_m - g.from_m for g in self.gaps)
        return len(self.gaps) + len(self.windows), missing, len(self.straps)


def partial(task: Task) -> Partial | None:
    """Strap a run as far as it can be, going on behind each gap; None where the exemption itself has no place."""
    state = begun(task)
    if state is None:
        assert task.first_in is not None
        at_m = task.places.within(task.first_in).last(math.inf)
        if at_m is None:
            return None
        state = with_strap(task, None, at_m)
    if task.last_in is not None and not task.places.within(task.last_in):
        return None
    gaps: list[Gap] = []
    while not all(c == math.inf for c in state.covered):
        wanted = next((w for w in sorted(state.missing) if w < len(task.windows)), None)
        at_m = None if wanted is None else task.places.within(task.windows[wanted]).last(state.open_to)
        at_m = task.places.last(state.open_to) if at_m is None else at_m
        if at_m is not None:
            further = with_strap(task, state, at_m)
            if further.covered != state.covered or further.missing != state.missing:
                state = further
                if task.last_in is not None and len(task.windows) not in state.missing:
                    break
                continue
        bridged = _over(task, state)
        if bridged is None:
            break
        gap, state = bridged
        gaps.append(gap)
    empty = []
    for w in sorted(state.missing):
        if w < len(task.windows):
            at_m = task.places.within(task.windows[w]).last(math.inf)
            if at_m is None:
                empty.append(w)
            else:
                state = replace(state, straps=tuple(sorted({*state.straps, at_m})))
    return Partial(tuple(sorted(set(state.straps))), tuple(gaps), tuple(empty))


def _over(task: Task, state: State) -> tuple[Gap, State] | None:
    """Return the gap at which a state ends, and the state behind it; None where nothing comes behind."""
    c = min(range(len(state.covered)), key=lambda k: state.covered[k])
    reach, covered = task.reaches[c], state.covered[c]
    begin = [] if task.begin_m is None else [task.begin_m]
    hold = max(m for m in (*reach.marks, *state.straps, *begin, -math.inf) if m <= covered + 1e-9)
    place = task.places.first(covered + 1e-9)
    mark = next((m for m in reach.marks if m > covered + 1e-9), None)
    behind = min((m for m in (place, mark) if m is not None), default=None)
    if behind is None:
        return None
    low = reach.length_m - reach.mirrored(ends=False).alone(reach.length_m - behind, reach.share)
    gap = Gap(reach.check, reach.cite, hold, behind, (low, covered), reach.limit_m * reach.share)
    if place is not None and place <= behind + 1e-9:
        return gap, with_strap(task, state, place)
    # what ends at the same hold for the other check is the same gap, and told once
    further = [
        max(old, math.inf if r.ends and behind >= r.marks[-1] else r.far(behind, existing=True))
        if old < behind and behind in r.marks
        else old
        for old, r in zip(state.covered, task.reaches, strict=True)
    ]
    return gap, replace(state, covered=tuple(further))


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One gap or window of one run, to be put in words."""

    run: int
    check: str
    cite: str
    stretch: Stretch  # that makes it impossible
    helped: Stretch  # where a place would help
    count: int  # of places that would do
    apart_m: float  # where they are several
    why: str


def cases(run: int, held: HeldRun, task: Task, left: Partial, book: RuleBook) -> list[Case]:
    """Return what is left open as cases; ``run`` is the number of the run in the job."""
    found = []
    for gap in left.gaps:
        low, high = gap.help_m
        length = gap.to_m - gap.from_m
        count = 1 if low <= high else max(math.ceil((length - GRANT_M) / gap.limit_m) - 1, 1)
        helped = (max(low, gap.from_m), min(high, gap.to_m)) if low <= high else (gap.from_m, gap.to_m)
        held_as = "secured" if gap.check == "securing" else "supported"
        why = (
            f"between {gap.from_m:.3f} m and {gap.to_m:.3f} m the cable would not be {held_as} for "
            f"{both_units(length)}, and {both_units(gap.limit_m)} at most are allowed"
        )
        found.append(Case(run, gap.check, gap.cite, (gap.from_m, gap.to_m), helped, count, gap.limit_m, why))
    for w in left.windows:
        window = task.windows[w].stretches
        if not window:
            continue
        at_end = window[-1][1] >= held.length_m - 1e-6
        asked = missing_first(held, at_end, book)
        if asked is None:
            continue
        stretch = (window[0][0], window[-1][1])
        where = f"the {asked.termination} at the {'end' if at_end else 'start'}"
        why = f"a strap is asked for within {both_units(asked.limit_m)} of {where}"
        found.append(Case(run, "securing", asked.rule.cite, stretch, stretch, 1, 0.0, why))
    return found


def stuck_stretches(
    scene: Scene, index: MeshIndex, places: Sequence[RunPlaces], all_cases: Sequence[Case]
) -> list[StuckStretch]:
    """Put cases in words, with the nearest structure of each; ``places`` has one entry per case."""
    near = _nearest_structure(scene, index, all_cases)
    return [_worded(scene, p, case, n) for p, case, n in zip(places, all_cases, near, strict=True)]


def _nearest_structure(scene: Scene, index: MeshIndex, all_cases: Sequence[Case]) -> list[list[tuple[Holder, float]]]:
    """Return for each case the structure nearest to the stretch that would help, and where along the run that is."""
    answer: list[list[tuple[Holder, float]]] = [[] for _ in all_cases]
    if not all_cases or not has_structure(scene):
        return answer
    paths = []
    for case in all_cases:
        low, high = case.helped
        room = max(_ROOM_M - (high - low), 0.0) / 2.0
        paths.append(trimmed(scene.fitted[case.run].pieces, max(low - room, 0.0), high + room))
    pieces, starts = concatenated(paths)
    elements = scene.job.elements
    thick = np.array([e.thickness_m for e in elements])
    skip = np.array([e.role not in HOLDING_ROLES for e in elements], dtype=bool)
    radius = np.array([radius_of(scene, scene.fitted[case.run]) for case in all_cases])
    near = nearest_elements(index, pieces, starts, radius, SEARCHED_M + thick, skip=skip)
    for k, e, distance, at in zip(
        near.path.tolist(), near.element.tolist(), near.distance_m.tolist(), near.at_m.tolist(), strict=True
    ):
        gap = max(distance - float(radius[k]) - float(thick[e]), 0.0)
        answer[k].append((Holder(elements[e], gap), max(all_cases[k].helped[0], 0.0) + at))
    for some in answer:
        some.sort(key=lambda pair: pair[0].gap_m)
    return answer


def _worded(scene: Scene, places: RunPlaces, case: Case, near: Sequence[tuple[Holder, float]]) -> StuckStretch:
    low, high = case.helped
    reach = both_units(scene.job.settings.strap_reach_m)
    span = f"between {low:.3f} m and {high:.3f} m" if high - low > _ROOM_M else f"at {(low + high) / 2.0:.3f} m"
    window = Places([(low, high)])
    reachable = places.in_reach.within(window)
    in_the_way = list(dict.fromkeys(b.why for b in places.blocked if b.from_m <= high and b.to_m >= low and reachable))
    if in_the_way:
        blocked = f"what structure is in reach {span} is of no use: {'; '.join(in_the_way[:3])}"
    elif reachable:
        blocked = f"the places in reach of structure {span} are too near to a bend"
    else:
        blocked = f"no structure that may carry a strap is within {reach} of the cable {span}"
    nearest = ""
    between = ""
    if near:
        holder, at_m = near[0]
        element = holder.element
        nearest = (
            f" The nearest structure is {element.role} {element.element_id}, {both_units(holder.gap_m)} from the cable "
            f"at {at_m:.3f} m."
        )
        second = next((h.element for h, _ in near[1:] if h.element.role == element.role), None)
        if second is not None:
            between = f" between {element.role} {element.element_id} and {second.element_id}"
    elif has_structure(scene):
        nearest = f" No structure is modelled within {both_units(SEARCHED_M)} of it."
    remedy = f"Plan a strut, a rod or a bracket{between} that comes within {reach} of the cable {span}"
    if case.count > 1:
        remedy = (
            f"Plan {case.count} struts, rods or brackets{between}, at most {both_units(case.apart_m)} apart, that come "
            f"within {reach} of the cable {span}"
        )
    why = f"{case.why[0].upper()}{case.why[1:]}; {blocked}."
    return StuckStretch(case.check, *case.stretch, case.cite, why, f"{remedy}, or move the run.{nearest}")
