"""Data and other limited-energy cable too near to power conductors in the open."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from route3d.checks.wording import along, direction
from route3d.kernel.between import nearest_paths, stretches_between
from route3d.kernel.path import concatenated, points_at
from route3d.model.finding import Finding
from route3d.model.gap import Stretch
from route3d.rules.separation import SIGNAL_METHODS, Separation, separation
from route3d.scene import Outcome, Scene
from route3d.units import TOLERANCE_M, both_units


def check(scene: Scene) -> Outcome:
    """Report each pair of a limited-energy cable and an unrelieved power cable that are too near, once."""
    cables = [scene.job.cables[fitted.run.cable_id] for fitted in scene.fitted]
    signals = [cable for cable in scene.job.cables.values() if cable.method in SIGNAL_METHODS]
    asked = {
        (signal.cable_id, power.cable_id): separation(signal, power, scene.rules)
        for signal in signals
        for power in scene.job.cables.values()
    }
    concerned = {name for pair, need in asked.items() if need is not None for name in pair}
    members = [i for i, cable in enumerate(cables) if cable.cable_id in concerned and len(scene.fitted[i].pieces)]
    if len(members) < 2:
        return Outcome()
    radii = [cables[i].radius_m for i in members]
    radius = np.array([0.0 if r is None else r for r in radii])
    pieces, starts = concatenated([scene.fitted[i].pieces for i in members])
    widest = max(need.gap_m for need in asked.values() if need is not None)
    near = nearest_paths(pieces, starts, radius, widest)

    pairs: list[tuple[int, int, float, float, float, Separation]] = []
    columns = (near.first, near.second, near.distance_m, near.first_at_m, near.second_at_m)
    for one, two, distance, at_one, at_two in zip(*(column.tolist() for column in columns), strict=True):
        for signal, power, at, at_power in ((one, two, at_one, at_two), (two, one, at_two, at_one)):
            need = asked.get((cables[members[signal]].cable_id, cables[members[power]].cable_id))
            gap = distance - radius[signal] - radius[power]
            if need is not None and gap < need.gap_m - TOLERANCE_M:
                pairs.append((signal, power, gap, at, at_power, need))
                break
    if not pairs:
        return Outcome()
    first = np.array([pair[0] for pair in pairs])
    second = np.array([pair[1] for pair in pairs])
    limit = radius[first] + radius[second] + np.array([pair[5].gap_m for pair in pairs])
    found = stretches_between(pieces, starts, first, second, limit)
    stretches: list[list[Stretch]] = [[] for _ in pairs]
    for k, low, high in zip(found.pair.tolist(), found.from_m.tolist(), found.to_m.tolist(), strict=True):
        stretches[k].append((low, high))
    return Outcome(findings=tuple(_findings(scene, members, pairs, stretches)))


def _findings(
    scene: Scene,
    members: list[int],
    pairs: list[tuple[int, int, float, float, float, Separation]],
    stretches: list[list[Stretch]],
) -> Iterable[Finding]:
    for (signal, power, gap, at_m, at_power_m, need), near in zip(pairs, stretches, strict=True):
        run, other = scene.fitted[members[signal]], scene.fitted[members[power]]
        point = points_at(run.pieces, np.array([at_m]))[0]
        toward = points_at(other.pieces, np.array([at_power_m]))[0]
        worst = next((s for s in near if s[0] - 1e-6 <= at_m <= s[1] + 1e-6), (at_m, at_m))
        others = [along(s) for s in near if s != worst]
        also = f" (and at {', '.join(others[:4])}{' …' if len(others) > 4 else ''})" if others else ""
        cable = scene.job.cables[other.run.cable_id]
        signal_cable = scene.job.cables[run.run.cable_id]
        here = (float(point[0]), float(point[1]), float(point[2]))
        away = direction((float(toward[0]), float(toward[1]), float(toward[2])), here, need.gap_m - gap)
        doubt = "" if need.sure else _doubt(cable.method, signal_cable.method)
        yield Finding(
            check="separation",
            severity="violation" if need.sure else "caution",
            run=run.run.run_id,
            other=other.run.run_id,
            rule=need.rule,
            at_m=worst,
            point_m=here,
            measured=gap,
            required=need.gap_m,
            unit="m",
            message=f"{signal_cable.cable_id} ({signal_cable.method}) is {both_units(gap)} from {cable.cable_id} "
            f"({cable.method}) of run {other.run.run_id} at {along(worst)}{also}; {both_units(need.gap_m)} is asked of "
            f"power that is neither in a raceway nor metal-clad, nonmetallic-sheathed or the like.{doubt}",
            remedy=f"Move the run there at least {away}, or put one of the two in a raceway, or fix a barrier between.",
            unchecked=not need.sure,
        )


def _doubt(power_method: str, signal_method: str) -> str:
    if power_method == "other":
        return " Whether the power cable's construction relieves this is not known."
    return f" Whether this concerns {signal_method} with metal in it is to be confirmed with its listing."
