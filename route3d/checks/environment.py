"""What each run passes through: wet, damp, corrosive, damage-prone and air-handling zones, and ceilings."""

from __future__ import annotations

import numpy as np

from route3d.checks.wording import along
from route3d.kernel.path import points_at
from route3d.model.finding import Finding
from route3d.model.run import FittedRun
from route3d.model.zone import Zone, ZoneStretch
from route3d.rules.environment import judge_environment
from route3d.scene import Outcome, Scene


def check(scene: Scene) -> Outcome:
    """Judge each run's cable in each zone that it enters; one finding per run and zone."""
    findings: list[Finding] = []
    for fitted, stretches in zip(scene.fitted, scene.zones, strict=True):
        by_zone: dict[int, tuple[Zone, list[ZoneStretch]]] = {}
        for stretch in stretches:
            by_zone.setdefault(id(stretch.zone), (stretch.zone, []))[1].append(stretch)
        for zone, inside in by_zone.values():
            finding = _judged(scene, fitted, zone, inside)
            if finding is not None:
                findings.append(finding)
    return Outcome(findings=tuple(findings))


def _judged(scene: Scene, fitted: FittedRun, zone: Zone, inside: list[ZoneStretch]) -> Finding | None:
    cable = scene.job.cables[fitted.run.cable_id]
    judged = judge_environment(cable, zone.kind, scene.job.occupancy, scene.rules)
    if judged.allowed is True:
        return None
    longest = max(inside, key=lambda s: s.to_m - s.from_m)
    places = ", ".join(along((s.from_m, s.to_m)) for s in inside[:4]) + (" …" if len(inside) > 4 else "")
    middle = points_at(fitted.pieces, np.array([(longest.from_m + longest.to_m) / 2.0]))[0]
    unknown = judged.allowed is None
    return Finding(
        check="environment",
        severity="caution" if unknown else "violation",
        run=fitted.run.run_id,
        other=None,
        rule=judged.rule,
        at_m=(inside[0].from_m, inside[-1].to_m),
        point_m=(float(middle[0]), float(middle[1]), float(middle[2])),
        measured=None,
        required=None,
        unit="",
        message=f"{cable.cable_id} ({cable.method}) in the {zone.kind} zone {zone.name!r} at {places}: {judged.why}",
        remedy="Confirm with the listing of the cable."
        if unknown
        else f"Use a cable that is allowed in this zone, or route the run around {zone.name!r}.",
        unchecked=unknown,
    )
