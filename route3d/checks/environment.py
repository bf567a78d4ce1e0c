"""What each run passes through and ends in: wet, buried, air-handling and other zones, ceilings, and its fittings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from route3d.checks.burial import burial_findings
from route3d.checks.placing import listed, point_of, without
from route3d.checks.terminations import termination_findings
from route3d.model.finding import Finding
from route3d.model.run import FittedRun
from route3d.model.zone import Zone, ZoneStretch
from route3d.rules.environment import EnvironmentJudgement, judge_environment
from route3d.scene import Outcome, Scene
from route3d.units import TOLERANCE_M


def check(scene: Scene) -> Outcome:
    """Judge each run's cable in each zone that it enters, one finding per run and zone; then its ends and its cover."""
    findings: list[Finding] = []
    for i in scene.judged:
        fitted, stretches = scene.fitted[i], scene.zones[i]
        by_zone: dict[int, tuple[Zone, list[ZoneStretch]]] = {}
        for stretch in stretches:
            by_zone.setdefault(id(stretch.zone), (stretch.zone, []))[1].append(stretch)
        for zone, inside in by_zone.values():
            findings.extend(_judged(scene, fitted, zone, inside, stretches))
    return Outcome(findings=(*findings, *termination_findings(scene), *burial_findings(scene)))


def _judged(
    scene: Scene, fitted: FittedRun, zone: Zone, inside: list[ZoneStretch], everywhere: Sequence[ZoneStretch]
) -> Iterable[Finding]:
    judged = _in(scene, fitted, zone.kind)
    if judged.allowed is not True:
        unknown = judged.allowed is None
        remedy = (
            "Confirm with the listing of the cable."
            if unknown
            else f"Use a cable that is allowed in this zone, or route the run around {zone.name!r}."
        )
        yield _finding(scene, fitted, zone, inside, judged, remedy)
        return
    if zone.kind != "accessible-ceiling" or zone.moves_air is False:
        return
    as_plenum = _in(scene, fitted, "plenum")
    if as_plenum.allowed is True or _overlap_plenum(inside, everywhere):
        return  # it does not matter whether it moves air, or a plenum zone says it
    if zone.moves_air:
        remedy = f"Use a cable that is allowed in a plenum, or route the run around {zone.name!r}."
        yield _finding(scene, fitted, zone, inside, as_plenum, remedy)
    elif scene.job.occupancy == "other":
        told = EnvironmentJudgement(
            None,
            as_plenum.rule,
            f"whether this space returns air is not said, and if it does: {as_plenum.why}",
        )
        remedy = f"Say moves_air = false of the zone {zone.name!r}, or true, or draw a zone of kind plenum."
        yield _finding(scene, fitted, zone, inside, told, remedy)


def _in(scene: Scene, fitted: FittedRun, kind: str) -> EnvironmentJudgement:
    cable = scene.job.cables[fitted.run.cable_id]
    return judge_environment(cable, kind, scene.job.occupancy, scene.rules, fitted.run.serves_duct)


def _overlap_plenum(inside: list[ZoneStretch], everywhere: Sequence[ZoneStretch]) -> bool:
    """Tell whether all of these stretches are inside zones that are said to be plenums."""
    plenums = [(s.from_m, s.to_m) for s in everywhere if s.zone.kind == "plenum"]
    rest = without([(s.from_m, s.to_m) for s in inside], plenums)
    return not any(b - a > TOLERANCE_M for a, b in rest)


def _finding(
    scene: Scene, fitted: FittedRun, zone: Zone, inside: list[ZoneStretch], judged: EnvironmentJudgement, remedy: str
) -> Finding:
    cable = scene.job.cables[fitted.run.cable_id]
    longest = max(inside, key=lambda s: s.to_m - s.from_m)
    unknown = judged.allowed is None
    places = listed([(s.from_m, s.to_m) for s in inside])
    return Finding(
        check="environment",
        severity="caution" if unknown else "violation",
        run=fitted.run.run_id,
        rule=judged.rule,
        at_m=(inside[0].from_m, inside[-1].to_m),
        point_m=point_of(fitted, (longest.from_m + longest.to_m) / 2.0),
        message=f"{cable.cable_id} ({cable.method}) in the {zone.kind} zone {zone.name!r} at {places}: {judged.why}",
        remedy=remedy,
        unchecked=unknown,
    )
