"""The smallest change of a run's drawn points that makes it pass; each proposal is accepted by the exact check alone.

Three searches, each only where the one before found nothing: straps alone; nudges (``nudges.py``), best first by what
they change plus what the line still lacks; and a new way through a grid around the drawn line (``lattice.py``). What
is found is then drawn back toward the old line as far as it still passes. ``mend_all`` goes on from each accepted
proposal, so that no two of them meet.
"""

from __future__ import annotations

import heapq
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.mending.change import Change, change_of
from route3d.mending.easing import eased
from route3d.mending.keeping import to_look_at
from route3d.mending.nudges import nudges
from route3d.mending.reroute import STAGES, around, whole_grid
from route3d.mending.shut import what_shuts
from route3d.mending.site import Look, Site, rounded
from route3d.mending.tauten import tautened
from route3d.mending.trial import HOLDING, Trial, Trials
from route3d.model.finding import Finding
from route3d.model.plan import StuckStretch
from route3d.model.run import Run
from route3d.recheck import Checked

Floats = NDArray[np.float64]

OUTCOMES = ("passes already", "mended", "mended, not all checked", "blocked")

_LACK_WEIGHT = 3.0  # a line that lacks a metre is looked at after one that is changed by three
_NUDGES_MAX = 4  # lines that are developed further, for each thing that is wrong
_WRONG_MAX = 4  # where more than this is wrong, nudging one thing after the other takes longer than a way round
_WRONG_AT_ALL = 12
_CROWDED_M = 1.0  # practice: what a lower ampacity of a bundle is held against, in metres of change
_STAGES_CROWDED = 2
_WAYS = 3  # ways round that are compared
_CHECKS_MAX = 6  # lines without a lack that the check may refuse before nudging ends


@dataclass(frozen=True, slots=True, eq=False)
class Mended:
    """What became of one run; ``state`` is the job with the proposal in it, or as it was where there is none."""

    run_id: str
    outcome: str  # one of OUTCOMES
    how: str  # straps, nudge, way round; "" without a proposal
    state: Checked
    before: Trial
    after: Trial | None
    change: Change | None
    straps_added: int
    blocked: tuple[Finding, ...]  # what stays in the way: of the proposal that came nearest, else of the drawn run
    why: str  # where there is no way at all: what shuts it; else ""
    stuck: tuple[StuckStretch, ...]  # stretches of it that nothing can hold
    unknown: tuple[Finding, ...]  # because of these it cannot be called passed, and no point that moves changes that
    redraws_arcs: bool  # arcs that were drawn became corners, whose bends are fitted
    to_look_at: tuple[str, ...]  # what the project states by distances along it, and what became of that
    checks: int  # how many lines the exact check judged
    seconds: float

    @property
    def run(self) -> Run | None:
        """The proposed run; None without a proposal."""
        return None if self.after is None else self.after.run


def mend_run(state: Checked, run_id: str) -> Mended:
    """Propose the smallest change with which a run passes.

    Raises
    ------
    ValueError
        There is no such run.
    """
    began = time.perf_counter()
    if all(run.run_id != run_id for run in state.job.runs):
        raise ValueError(f"there is no run {run_id!r}")
    search = _Search(Site(state, run_id))
    how, found = search.result()
    before = search.trials.drawn
    done = found is not None
    nearest = found if found is not None else search.nearest
    unknown = nearest.unknown
    if not before.wrong:
        outcome = OUTCOMES[0]
    elif done:
        outcome = OUTCOMES[1] if nearest.passes else OUTCOMES[2]
    else:
        outcome = OUTCOMES[3]
    moved = found is not None and (
        not np.array_equal(found.corners_m, search.site.corners_m) or not search.site.keeps_arcs
    )
    return Mended(
        run_id=run_id,
        outcome=outcome,
        how=how,
        state=state if found is None else found.state,
        before=before,
        after=found,
        change=change_of(search.site.corners_m, found.corners_m) if found is not None and moved else None,
        straps_added=0 if found is None or found.plan is None else found.plan.added,
        blocked=() if done or not before.wrong else _in_the_way(nearest),
        why="" if done else search.why,
        stuck=() if done or nearest.plan is None else nearest.plan.stuck,
        unknown=unknown,
        redraws_arcs=moved and search.site.redraws_arcs,
        to_look_at=() if found is None else to_look_at(state.job, search.site.run, found.run, moved),
        checks=search.trials.count,
        seconds=time.perf_counter() - began,
    )


def mending_order(state: Checked, only: Iterable[str] | None = None) -> tuple[str, ...]:
    """Return the failing runs in the order in which they are mended.

    The least flexible first: by the radius that its bends need, then by its diameter, then the longest; ids decide
    what is left. What comes later finds its way around what came before.
    """
    wanted = None if only is None else set(only)
    examined = state.examined
    keys = {}
    for i, run in enumerate(examined.scene.job.runs):
        need = examined.alone[i].need.centre_radius_m
        radius = examined.scene.job.cables[run.cable_id].radius_m
        keys[run.run_id] = (
            -(0.0 if need is None else need),
            -(0.0 if radius is None else radius),
            -examined.alone[i].fitted.length_m,
            run.run_id,
        )
    failing = [
        review.fitted.run.run_id
        for review in state.review.runs
        if review.verdict == "fail" and (wanted is None or review.fitted.run.run_id in wanted)
    ]
    return tuple(sorted(failing, key=lambda run_id: keys[run_id]))


def mend_all(
    state: Checked,
    only: Sequence[str] | None = None,
    say: Callable[..., None] = lambda doing, share=None: None,
) -> tuple[Checked, tuple[Mended, ...]]:
    """Mend all failing runs, or some, one after the other in ``mending_order``; return the job as it then is.

    What could not be mended is tried once more at the end, when others have made room.
    """
    order = mending_order(state, only)
    answers: dict[str, Mended] = {}
    for turn in (0, 1):
        todo = [run_id for run_id in order if run_id not in answers or answers[run_id].outcome == OUTCOMES[3]]
        if turn and (not todo or len(todo) == len(order)):
            break
        for n, run_id in enumerate(todo):
            say(f"mending {run_id}", n / len(todo))
            answer = mend_run(state, run_id)
            answers[run_id] = answer
            state = answer.state
    return state, tuple(answers[run_id] for run_id in order)


class _Search:
    """The searches for one run."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.trials = Trials(site)
        self.nearest = self.trials.drawn
        self.why = ""
        self._crowded: tuple[float, str, Trial] | None = None  # the one that costs least of those that would stand

    def result(self) -> tuple[str, Trial | None]:
        """Return how, and a line that stands; ``nearest`` is the best of the others."""
        drawn = self.trials.drawn
        if not drawn.wrong:
            return "", None
        if all(f.check in HOLDING for f in drawn.wrong):
            drawn = self.trials.strapped(drawn)
            if self._accepted(drawn):
                return "straps", drawn
        how, trial = "nudge", self._nudged(_WRONG_MAX)
        if trial is None:
            how, trial = "way round", self._way_round(drawn)
        if trial is None and self._crowded is None:
            how, trial = "nudge", self._nudged(_WRONG_AT_ALL, more_than=_WRONG_MAX)
        if trial is None and self._crowded is None:
            how, trial = "way round", self._between_what_shuts(drawn)
        if self._crowded is not None:
            # room beside the others is worth a detour, but not any
            cost, crowded_how, crowded = self._crowded
            if trial is None or self.site.cost(trial.corners_m) > cost + _CROWDED_M:
                how, trial = crowded_how, crowded
        return ("", None) if trial is None else (how, self._drawn_back(trial))

    def _accepted(self, trial: Trial | None, how: str = "") -> bool:
        """Tell whether a line is to be taken: one that stands, and lowers the ampacity of no more cables than before.

        Of others that stand the best is kept, for want of such ones, where ``how`` is said.
        """
        if trial is None:
            return False
        # one that cannot be passed as it is drawn need not be either; else some line is looked for that can
        if trial.stands and (trial.passes or self.trials.drawn.unknown):
            if not trial.crowds:
                return True
            cost = self.site.cost(trial.corners_m)
            if how and (self._crowded is None or cost < self._crowded[0]):
                self._crowded = cost, how, trial
            return False
        if _badness(trial) < _badness(self.nearest):
            self.nearest = trial
        return False

    def _nudged(self, wrong_max: int, more_than: int = -1) -> Trial | None:
        """Nudge a line of which more than so many things are wrong, and no more than ``wrong_max``."""
        drawn = self.site.corners_m
        (look,) = self.site.looks([drawn])
        if look is not None and look.tight and self.site.redraws_arcs:
            self.site.keeps_arcs = False
            (look,) = self.site.looks([drawn])
        if look is None:
            return None
        wrong = len(look.meetings) + len(look.tight)
        if not more_than < wrong <= wrong_max:
            return None
        count, checks = 0, 0
        heap: list[tuple[float, int, Floats, Look]] = [(_LACK_WEIGHT * look.lack_m, 0, drawn, look)]
        seen = {_key(drawn)}
        for _ in range(_NUDGES_MAX * (1 + wrong)):
            if not heap:
                break
            _, _, line, look = heapq.heappop(heap)
            if not look.lack_m:
                if count or not self.site.keeps_arcs:
                    trial = self.trials.of(line)
                    if self._accepted(trial, "nudge"):
                        return trial
                    checks += 1
                if checks >= _CHECKS_MAX:
                    break
                continue
            fresh = []
            for new in nudges(line, look, self.site.radius_m, self.site.bend_m):
                candidate = rounded(new, drawn)
                if len(candidate) >= 2 and _key(candidate) not in seen:
                    seen.add(_key(candidate))
                    fresh.append(candidate)
            for candidate, seen_as in zip(fresh, self.site.looks(fresh), strict=True):
                if seen_as is not None and seen_as.lack_m < look.lack_m + 0.5:
                    count += 1
                    value = self.site.cost(candidate) + _LACK_WEIGHT * seen_as.lack_m
                    heapq.heappush(heap, (value, count, candidate, seen_as))
        return None

    def _way_round(self, drawn: Trial) -> Trial | None:
        """Return the smallest of the ways that the first few stages find."""
        best: Trial | None = None
        found = 0
        for stage in STAGES:
            # where there is a crowded line already, only small detours are looked for
            if found == _WAYS or (self._crowded is not None and stage is STAGES[_STAGES_CROWDED]):
                break
            for trial in around(self.site, drawn, self.trials.of, [stage]):
                if self._accepted(trial, "way round"):
                    found += 1
                    here = self._drawn_back(trial)
                    if best is None or self.site.cost(here.corners_m) < self.site.cost(best.corners_m):
                        best = here
                    break
        return best

    def _between_what_shuts(self, drawn: Trial) -> Trial | None:
        """Look once more between the things that leave no way; where that fails too, ``why`` says what they are."""
        width_m = STAGES[-1].width_m
        shut = what_shuts(self.site, whole_grid(self.site), width_m)
        if shut is None:
            return None
        for trial in around(self.site, drawn, self.trials.of, STAGES[-2:], shut.boxes_m):
            if self._accepted(trial, "way round"):
                return trial
        shut = what_shuts(self.site, whole_grid(self.site, shut.boxes_m), width_m)
        self.why = "" if shut is None else shut.why
        return None

    def _drawn_back(self, trial: Trial) -> Trial:
        """Return a line that stands and changes less, or the same."""
        best = trial
        for line in tautened(self.site, trial.corners_m, self.site.cost):
            again = self._again(line, best)
            if again is not None:
                best = again
                break
        line = eased(self.site, best.corners_m)
        again = self._again(line, best) if line is not best.corners_m else None
        return best if again is None else again

    def _again(self, line: Floats, best: Trial) -> Trial | None:
        """Return another line as judged, if it is to be taken in the place of one."""
        trial = self.trials.of(line)
        if trial is None or not (self._accepted(trial) or (trial.stands and trial.crowds <= best.crowds > 0)):
            return None
        return trial


def _in_the_way(trial: Trial) -> tuple[Finding, ...]:
    return (*trial.wrong, *trial.harm, *(trial.unknown if trial.stands else ()))


def _badness(trial: Trial) -> tuple[int, int, float]:
    lacks = sum(
        abs(f.measured - f.required)
        for f in trial.wrong
        if f.measured is not None and f.required is not None and f.unit == "m"
    )
    return len(trial.harm), len(trial.wrong), lacks


def _key(line: Floats) -> bytes:
    return np.round(line * 2e3).astype(np.int64).tobytes()
