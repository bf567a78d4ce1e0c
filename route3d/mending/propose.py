"""Routes for a run of which only the two ends are given: short, checked, and differing from each other.

Each comes from the cheapest way through a grid, is drawn tight, strapped, and accepted by the exact check alone. A run
that goes where an accepted one went may lie beside it, with the spacing that keeps them from being a bundle.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from route3d.mending.change import BESIDE_M, polyline_length, to_line
from route3d.mending.lattice import PLAIN_ZONES, Bans, Lattice
from route3d.mending.site import Site, rounded
from route3d.mending.tauten import tautened
from route3d.mending.trial import Trial, Trials
from route3d.model.finding import Finding
from route3d.model.gap import Gap
from route3d.model.run import Run
from route3d.recheck import Checked
from route3d.units import TOLERANCE_M

Floats = NDArray[np.float64]

_SPACING_M = (0.2, 0.08)  # of the grid: level, upright
_TIGHTENED = 3  # tighter lines that are tried
_TRIES = 8  # routes that are refused before the search gives up on one more alternative
_BAN_M = (0.05, 0.12, 0.25, 0.4)
_DEARER = 1.5  # beside a route that is shown already
_ALIKE = 0.75  # share of its length beside another one from which on a route is no other one
_KEPT_FREE_M = 0.15  # around the ends of runs that have no route yet
_TAKEN = 8.0
_LEAVING = 1.3  # away from the runs that a run shares a corridor with
_SAME_PANEL_M = 0.5
_WORTH_M = 1.5  # an alternative is no longer than this many times the first


@dataclass(frozen=True, slots=True, eq=False)
class Alternative:
    """One route that the check accepts."""

    trial: Trial
    straps: int
    holes: int
    passed: tuple[str, ...]  # ids of what holes are made in


@dataclass(frozen=True, slots=True, eq=False)
class Proposed:
    """The routes of one run, the cheapest by the weights of the job first."""

    run_id: str
    alternatives: tuple[Alternative, ...]
    blocked: tuple[Finding, ...]  # without a route: what the one that came nearest still violates
    why: str
    least_m: float  # the Manhattan distance of the ends: no upright and level line along the grid is shorter
    seconds: float


def propose_routes(state: Checked, run: Run, beside: Sequence[str] = (), kept_free: Sequence[Floats] = ()) -> Proposed:
    """Find routes for ``run``, of which the two corners are its ends, in a checked job that does not have it.

    ``beside`` names runs of the job; where one goes to the same place, its corridor is shared. ``kept_free``
    are points (3,) that others will need: the ends of runs that have no route yet.
    """
    began = time.perf_counter()
    ends = np.array(run.corners_m)
    provisional, _ = state.changed({run.run_id: run})
    site = Site(provisional, run.run_id)
    trials = Trials(site, state.review)
    companions = [
        np.asarray(other.corners_m)
        for other in state.job.runs
        if other.run_id in beside
        and min(np.linalg.norm(other.corners_m[k] - ends[n]) for k in (0, -1) for n in (0, 1)) <= _SAME_PANEL_M
    ]
    spacing = site.job.settings.bundle_spacing_m
    keeps = [2.0 * site.radius_m if spacing is None else spacing, 0.0] if companions else [0.0]
    found: list[Alternative] = []
    nearest: Trial | None = None
    for keep_m in keeps:
        for trial in _routes(site, trials, found, companions, keep_m, kept_free):
            if trial.stands and (trial.passes or not _known_better(trial)):
                found.append(_described(trial))
            elif nearest is None or (len(trial.harm) + len(trial.wrong)) < len(nearest.harm) + len(nearest.wrong):
                nearest = trial
        if found:
            break
    why = "" if found else _why(nearest)
    return Proposed(
        run_id=run.run_id,
        alternatives=tuple(sorted(found, key=lambda one: _cost(one.trial))),
        blocked=() if found or nearest is None else (*nearest.wrong, *nearest.harm),
        why=why,
        least_m=float(np.abs((ends[1] - ends[0]) @ site.turn).sum()),
        seconds=time.perf_counter() - began,
    )


def _known_better(trial: Trial) -> bool:
    """Tell whether another route could be called passed: what is not known of this one depends on where it lies."""
    return any(f.at_m is not None for f in trial.unknown)


def _why(nearest: Trial | None) -> str:
    if nearest is None:
        return "Every way is blocked, or too narrow for its bends; move an end, or allow more room in [routing]."
    if nearest.plan is not None and nearest.plan.stuck:
        return f"Nothing can hold it: {nearest.plan.stuck[0].why}"
    return "The routes that were found violate:" if nearest.wrong or nearest.harm else "Not all of it can be checked."


def _routes(
    site: Site,
    trials: Trials,
    found: Sequence[Alternative],
    companions: Sequence[Floats],
    keep_m: float,
    kept_free: Sequence[Floats],
) -> Iterator[Trial]:
    """Yield routes as judged; ``found`` grows while the caller accepts them."""
    routing = site.job.routing
    ends = site.corners_m
    grid = Lattice(
        site,
        ends,
        box_m=np.array(
            [[routing.aside_m, routing.aside_m, routing.drop_m], [routing.aside_m, routing.aside_m, routing.rise_m]]
        ),
        width_m=np.inf,
        spacing_m=_SPACING_M,
        weights=routing,
        keep_m=keep_m,
        on_axes=True,
    )
    if companions:
        grid.weigh_beside(companions, BESIDE_M, apart=_LEAVING)
    grid.weigh_beside([np.array([p, p]) for p in kept_free], _KEPT_FREE_M, beside=_TAKEN)
    refused = alike = 0
    while len(found) < routing.alternatives and refused < _TRIES and alike < _TRIES:
        line = grid.cheapest(site.bend_m)
        if line is None:
            return
        line = rounded(line, ends)
        (look,) = site.looks([line])
        if look is None:
            return
        places = [m.point_m for m in look.meetings] + [bend.point_m for bend in look.tight]
        if look.lack_m <= TOLERANCE_M:
            known = [one.trial.corners_m for one in found]
            if found and polyline_length(line) > _WORTH_M * polyline_length(known[0]):
                return
            if any(_share_beside(line, other) > _ALIKE for other in known):
                alike += 1
                grid.weigh_beside([line], BESIDE_M, beside=_DEARER)
                continue
            before = len(found)
            trial = _tight(site, trials, line)
            if trial is None:
                return
            if any(_share_beside(trial.corners_m, other) > _ALIKE for other in known):
                alike += 1
                grid.weigh_beside([line], BESIDE_M, beside=_DEARER)
                continue
            yield trial
            if len(found) > before:
                grid.weigh_beside([line, trial.corners_m], BESIDE_M, beside=_DEARER)
                continue
            places = [f.point_m for f in (*trial.wrong, *trial.harm, *trial.unknown) if f.point_m is not None]
            if trial.plan is not None:
                grid.weigh_beside([line], BESIDE_M, beside=_DEARER)
        grid.ban(Bans([(np.array(place), _BAN_M[min(refused // 2, len(_BAN_M) - 1)]) for place in places]))
        if not places:
            grid.weigh_beside([line], BESIDE_M, beside=_DEARER)
        refused += 1


def _tight(site: Site, trials: Trials, line: Floats) -> Trial | None:
    """Return a route drawn tight, if the check accepts it so and it costs less, else as it is."""
    loose = trials.of(line)
    if loose is None:
        return None
    turn_m = site.job.routing.turn_m
    shorter = tautened(site, line, lambda one: polyline_length(one) + turn_m * len(one))
    for new in islice(shorter, _TIGHTENED):
        trial = trials.of(new)
        if trial is not None and trial.stands and (not loose.stands or _cost(trial) < _cost(loose)):
            return trial
    return loose


def _cost(trial: Trial) -> float:
    """Return what a judged route costs, by the weights of the job and as measured."""
    routing, review = trial.state.job.routing, trial.review
    dear = sum(s.to_m - s.from_m for s in review.zones if s.zone.kind not in PLAIN_ZONES)
    holes = sum(len(gap.stretches_m) for gap in _holes(trial))
    bends = routing.turn_m * len(review.bends)
    return review.fitted.length_m + bends + routing.hole_m * holes + routing.zone * dear


def _holes(trial: Trial) -> list[Gap]:
    examined = trial.state.examined
    number = next(i for i, run in enumerate(examined.scene.job.runs) if run.run_id == trial.run.run_id)
    return [gap for gap in examined.alone[number].gaps if gap.through and gap.element is not None]


def _share_beside(line: Floats, other: Floats) -> float:
    """Return the share of a line that is beside another one."""
    steps = np.linspace(0.0, 1.0, 21)[None, :, None]
    legs = line[1:, None] - line[:-1, None]
    points = line[:-1, None] + steps * legs
    near = to_line(points.reshape(-1, 3), other).reshape(points.shape[:2]) <= BESIDE_M
    lengths = np.linalg.norm(legs[:, 0], axis=1)
    return float((near.mean(axis=1) * lengths).sum() / lengths.sum())


def _described(trial: Trial) -> Alternative:
    holes, elements = _holes(trial), trial.state.examined.scene.job.elements
    return Alternative(
        trial=trial,
        straps=len(trial.run.straps_at_m),
        holes=sum(len(gap.stretches_m) for gap in holes),
        passed=tuple(dict.fromkeys(elements[gap.element].element_id for gap in holes if gap.element is not None)),
    )


def propose_all(state: Checked, runs: Sequence[Run]) -> tuple[Checked, tuple[Proposed, ...]]:
    """Find routes for several runs, one beside the other where they share an end; the first route of each is taken.

    The longest goes first, since it has the least room to give way. Answers are in the order of ``runs``.
    """
    order = sorted(runs, key=lambda run: (-float(np.abs(run.corners_m[-1] - run.corners_m[0]).sum()), run.run_id))
    answers: dict[str, Proposed] = {}
    for run in order:
        later = [
            point for other in order if other.run_id not in answers and other is not run for point in other.corners_m
        ]
        answer = propose_routes(state, run, list(answers), later)
        answers[run.run_id] = answer
        if answer.alternatives:
            state = answer.alternatives[0].trial.state
    return state, tuple(answers[run.run_id] for run in runs)
