"""Single runs against the building: fitted, held, measured, their zones found. Other runs are not looked at."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from route3d.attach import Held, ends_of, framing_of, holders_near, supports_of
from route3d.drawn_openings import openings_of
from route3d.errors import InputError
from route3d.fit import fit_as_required
from route3d.kernel.path import concatenated, path_boxes
from route3d.kernel.solid import inside_stretches
from route3d.measure import gaps_to_elements
from route3d.model.gap import Gap, united
from route3d.model.job import Job
from route3d.model.opening import DrawnOpening
from route3d.model.run import FittedRun
from route3d.model.support import Support, Termination
from route3d.model.zone import ZoneStretch
from route3d.rules.bend import BendRequirement, required_bend
from route3d.rules.rulebook import RuleBook
from route3d.strapping import Place, places_of
from route3d.surroundings import Surroundings
from route3d.units import TOLERANCE_M, both_units


@dataclass(frozen=True, slots=True, eq=False)
class Alone:
    """One run as it lies in the building, before it is looked at among other runs."""

    fitted: FittedRun
    need: BendRequirement
    start: Termination
    end: Termination
    supports: tuple[Support, ...]  # without framing; sorted by distance
    held: tuple[Held, ...]  # straps and hangers that are drawn near it
    places: tuple[Place, ...]  # of its straps and hangers: what is near that could hold them
    framing: tuple[Support, ...]
    gaps: tuple[Gap, ...]  # to elements
    openings: tuple[DrawnOpening, ...]  # of framing, that it passes through
    smallest_m: float
    zones: tuple[ZoneStretch, ...]


def with_gaps(
    job: Job, alone: Sequence[Alone], gaps: Sequence[tuple[tuple[Gap, ...], float]], around: Surroundings
) -> list[Alone]:
    """Return runs with other gaps to elements and other smallest gaps, and what follows from these."""
    openings = openings_of(job, [one.fitted for one in alone], [mine for mine, _ in gaps], around)
    return [
        replace(
            one,
            gaps=mine,
            smallest_m=smallest,
            openings=opened,
            framing=framing_of(job, one.fitted, mine, opened, around.elements),
        )
        for one, (mine, smallest), opened in zip(alone, gaps, openings, strict=True)
    ]


def examine_alone(
    job: Job,
    rules: RuleBook,
    around: Surroundings,
    which: Sequence[int],
    say: Callable[[str], None] = lambda _: None,
) -> list[Alone]:
    """Examine some runs of a job, by their numbers, in the building; what is told of one does not depend on others.

    Raises
    ------
    InputError
        A strap is placed beyond the end of its run.
    """
    say("fitting bends")
    runs = [job.runs[i] for i in which]
    needs = {name: required_bend(job.cables[name], rules) for name in {run.cable_id for run in runs}}
    target = job.settings.bend_target
    fitted = [fit_as_required(run, job.cables[run.cable_id], needs[run.cable_id], target) for run in runs]
    _keep_boxes(fitted)
    for run in fitted:
        _refuse_straps_beyond(run)
    say("finding supports")
    ends = ends_of(job, fitted, around)
    held = holders_near(job, fitted, around)
    supports = [
        supports_of(run, start, end, mine, around.elements)
        for run, (start, end), mine in zip(fitted, ends, held, strict=True)
    ]
    places = places_of(job, fitted, supports, around)
    say("measuring gaps")
    gaps = gaps_to_elements(job, which, fitted, ends, around)
    openings = openings_of(job, fitted, [mine for mine, _ in gaps], around)
    say("finding zones")
    zones = _zone_stretches(fitted, around)
    return [
        Alone(
            fitted=fitted[k],
            need=needs[runs[k].cable_id],
            start=ends[k][0],
            end=ends[k][1],
            supports=supports[k],
            held=held[k],
            places=places[k],
            framing=framing_of(job, fitted[k], gaps[k][0], openings[k], around.elements),
            gaps=gaps[k][0],
            openings=openings[k],
            smallest_m=gaps[k][1],
            zones=zones[k],
        )
        for k in range(len(runs))
    ]


def _keep_boxes(fitted: Sequence[FittedRun]) -> None:
    """Find the boxes of all pieces at once, which is faster than run by run."""
    pieces, starts = concatenated([run.pieces for run in fitted])
    boxes = path_boxes(pieces)
    boxes.setflags(write=False)
    for run, begin, end in zip(fitted, starts[:-1].tolist(), starts[1:].tolist(), strict=True):
        run.keep_boxes(boxes[begin:end])


def _refuse_straps_beyond(fitted: FittedRun) -> None:
    for key, places in (("straps", fitted.run.straps_at_m), ("supports", fitted.run.supports_at_m)):
        for number, at_m in enumerate(places, start=1):
            if at_m > fitted.length_m + TOLERANCE_M:
                raise InputError(
                    fitted.run.file,
                    f"{both_units(at_m)} is beyond the end of the run, whose fitted length is "
                    f"{both_units(fitted.length_m)}; correct the distance",
                    f"{fitted.run.where} {key}[{number}]",
                )


def _zone_stretches(fitted: Sequence[FittedRun], around: Surroundings) -> list[tuple[ZoneStretch, ...]]:
    """Return for each run where it is inside which zone, sorted by distance; solids of one zone are one."""
    solids = around.solids
    if not len(solids.zone) or not fitted:
        return [() for _ in fitted]
    result: list[list[ZoneStretch]] = [[] for _ in fitted]
    pieces, starts = concatenated([run.pieces for run in fitted])
    low = np.array([run.boxes_m[:, :3].min(axis=0) for run in fitted])
    high = np.array([run.boxes_m[:, 3:].max(axis=0) for run in fitted])
    meet = ((low[:, None] <= solids.high_m[None]) & (high[:, None] >= solids.low_m[None])).all(axis=2)
    run, solid = np.nonzero(meet)
    found = inside_stretches(solids.index, pieces, starts, run, solid)
    inside: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for pair, a, b in zip(found.pair.tolist(), found.from_m.tolist(), found.to_m.tolist(), strict=True):
        inside.setdefault((int(run[pair]), int(solids.zone[solid[pair]])), []).append((a, b))
    for (i, z), stretches in inside.items():
        result[i].extend(ZoneStretch(around.zones[z], a, b) for a, b in united(stretches, TOLERANCE_M))
    return [tuple(sorted(stretches, key=lambda s: (s.from_m, s.to_m))) for stretches in result]
