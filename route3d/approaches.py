"""Which limited-energy runs come too near to power runs."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.between import nearest_paths, stretches_between
from route3d.kernel.path import concatenated
from route3d.model.company import Approach
from route3d.model.gap import Stretch
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.rules.rulebook import RuleBook
from route3d.rules.separation import SIGNAL_METHODS, Separation, separation
from route3d.units import TOLERANCE_M


def separations(job: Job, rules: RuleBook) -> Mapping[tuple[str, str], Separation]:
    """Return what is asked between cables of the job, by the id of the limited-energy one and of the power one."""
    signals = [cable for cable in job.cables.values() if cable.method in SIGNAL_METHODS]
    asked = {
        (signal.cable_id, power.cable_id): separation(signal, power, rules)
        for signal in signals
        for power in job.cables.values()
    }
    return {pair: need for pair, need in asked.items() if need is not None}


def approaches(
    job: Job,
    rules: RuleBook,
    numbers: Sequence[int],
    fitted: Sequence[FittedRun],
    origin_m: NDArray[np.float64],
    only: Collection[int] | None = None,
) -> list[Approach]:
    """Return each pair of a limited-energy run and a power run that are nearer than asked, once.

    ``numbers`` are those of the runs in the job, rising; ``only`` leaves out pairs that have none of these places in
    it.
    """
    asked = separations(job, rules)
    concerned = {name for pair in asked for name in pair}
    members = [k for k, run in enumerate(fitted) if run.run.cable_id in concerned and len(run.pieces)]
    these = None if only is None else [m for m, k in enumerate(members) if k in only]
    if len(members) < 2 or these == []:
        return []
    cables = [job.cables[fitted[k].run.cable_id] for k in members]
    radius = np.array([0.0 if cable.radius_m is None else cable.radius_m for cable in cables])
    pieces, starts = concatenated([fitted[k].pieces for k in members])
    widest = max(need.gap_m for need in asked.values())
    near = nearest_paths(pieces, starts, radius, widest, only=these, origin_m=origin_m)

    pairs: list[tuple[int, int, float, float, float, Separation]] = []
    columns = (near.first, near.second, near.distance_m, near.first_at_m, near.second_at_m)
    for one, two, distance, at_one, at_two in zip(*(column.tolist() for column in columns), strict=True):
        for signal, power, at, at_power in ((one, two, at_one, at_two), (two, one, at_two, at_one)):
            need = asked.get((cables[signal].cable_id, cables[power].cable_id))
            gap = distance - float(radius[signal]) - float(radius[power])
            if need is not None and gap < need.gap_m - TOLERANCE_M:
                pairs.append((signal, power, gap, at, at_power, need))
                break
    first = np.array([pair[0] for pair in pairs], dtype=np.int64)
    second = np.array([pair[1] for pair in pairs], dtype=np.int64)
    limit = radius[first] + radius[second] + np.array([pair[5].gap_m for pair in pairs])
    found = stretches_between(pieces, starts, first, second, limit, origin_m)
    stretches: list[list[Stretch]] = [[] for _ in pairs]
    for k, low, high in zip(found.pair.tolist(), found.from_m.tolist(), found.to_m.tolist(), strict=True):
        stretches[k].append((low, high))
    return [
        Approach(numbers[members[signal]], numbers[members[power]], gap, at, at_power, tuple(near_there))
        for (signal, power, gap, at, at_power, _), near_there in zip(pairs, stretches, strict=True)
    ]
