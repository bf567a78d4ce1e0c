"""Data and other limited-energy cable too near to power conductors in the open."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from route3d.approaches import separations
from route3d.checks.wording import along, direction
from route3d.kernel.path import points_at
from route3d.model.company import Approach
from route3d.model.finding import Finding
from route3d.rules.separation import Separation
from route3d.scene import Outcome, Scene
from route3d.units import both_units


def check(scene: Scene) -> Outcome:
    """Report each pair of a limited-energy cable and an unrelieved power cable that are too near, once."""
    needs = separations(scene.job, scene.rules)
    return Outcome(
        findings=tuple(_finding(scene, near, needs) for i in scene.judged for near in scene.approaches.get(i, ()))
    )


def _finding(scene: Scene, near: Approach, needs: Mapping[tuple[str, str], Separation]) -> Finding:
    run, other = scene.fitted[near.run], scene.fitted[near.other]
    need = needs[run.run.cable_id, other.run.cable_id]
    point = points_at(run.pieces, np.array([near.at_m]))[0]
    toward = points_at(other.pieces, np.array([near.other_at_m]))[0]
    worst = next((s for s in near.stretches_m if s[0] - 1e-6 <= near.at_m <= s[1] + 1e-6), (near.at_m, near.at_m))
    others = [along(s) for s in near.stretches_m if s != worst]
    also = f" (and at {', '.join(others[:4])}{' …' if len(others) > 4 else ''})" if others else ""
    cable = scene.job.cables[other.run.cable_id]
    signal_cable = scene.job.cables[run.run.cable_id]
    here = (float(point[0]), float(point[1]), float(point[2]))
    away = direction((float(toward[0]), float(toward[1]), float(toward[2])), here, need.gap_m - near.gap_m)
    doubt = "" if need.sure else _doubt(cable.method, signal_cable.method)
    return Finding(
        check="separation",
        severity="violation" if need.sure else "caution",
        run=run.run.run_id,
        other=other.run.run_id,
        rule=need.rule,
        at_m=worst,
        point_m=here,
        measured=near.gap_m,
        required=need.gap_m,
        unit="m",
        message=f"{signal_cable.cable_id} ({signal_cable.method}) is {both_units(near.gap_m)} from {cable.cable_id} "
        f"({cable.method}) of run {other.run.run_id} at {along(worst)}{also}; {both_units(need.gap_m)} is asked of "
        f"power that is neither in a raceway nor metal-clad, nonmetallic-sheathed or the like.{doubt}",
        remedy=f"Move the run there at least {away}, or put one of the two in a raceway, or fix a barrier between.",
        unchecked=not need.sure,
    )


def _doubt(power_method: str, signal_method: str) -> str:
    if power_method == "other":
        return " Whether the power cable's construction relieves this is not known."
    return f" Whether this concerns {signal_method} with metal in it is to be confirmed with its listing."
