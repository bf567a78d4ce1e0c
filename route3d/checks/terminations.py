"""The fittings at a run's ends: made for the place where they are, and with bushings where these are required."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from route3d.checks.placing import point_of
from route3d.model.cable import Cable
from route3d.model.finding import Finding
from route3d.model.run import FittedRun
from route3d.rules.connectors import Connector, connectors_of
from route3d.rules.protection import of_family
from route3d.scene import Scene


def termination_findings(scene: Scene) -> Iterable[Finding]:
    """Judge the connectors of every run: one finding per end in a damp or wet place, one per run for bushings."""
    for i in scene.judged:
        fitted, attachment, zones = scene.fitted[i], scene.attached[i], scene.zones[i]
        cable = scene.job.cables[fitted.run.cable_id]
        connectors = connectors_of(cable, attachment, zones, fitted.length_m, scene.rules)
        for connector in connectors:
            yield from _in_the_wet(scene, fitted, cable, connector)
        wet = [s for s in zones if s.zone.kind == "wet"]
        dry = [c for c in connectors if c.location == "dry"]
        if wet and dry and cable.jacketed and cable.wet_rated:
            yield _dry_ends(scene, fitted, dry, wet[0].zone.name)
        yield from _bushings(scene, fitted, cable, connectors)


def _in_the_wet(scene: Scene, fitted: FittedRun, cable: Cable, connector: Connector) -> Iterable[Finding]:
    rule = scene.rules.limit("wet-fitting")
    if connector.location == "dry" or rule is None or cable.fitting == "wet":
        return
    wrong = connector.location == "wet" and cable.fitting == "dry"
    what = f"The {connector.termination} at the {'end' if connector.at_end else 'start'} is in the {connector.location}"
    what += f" zone {connector.zone!r}"
    if connector.location == "wet":
        said = f"cable.{cable.cable_id}.fitting is dry" if wrong else "its box and its fitting are to be listed for it"
        remedy = 'Use a fitting and a box listed for wet places, and say fitting = "wet" of the cable.'
    else:
        said = "its box and its fitting are to keep water from entering or collecting"
        remedy = "Use a fitting and a box that keep water out, or drain it."
    yield Finding(
        check="environment",
        severity="violation" if wrong else "caution",
        run=fitted.run.run_id,
        other=connector.element_id,
        rule=rule.cite,
        at_m=(connector.at_m, connector.at_m),
        point_m=point_of(fitted, connector.at_m),
        message=f"{what}: {said} ({rule.title}).",
        remedy=remedy,
    )


def _dry_ends(scene: Scene, fitted: FittedRun, dry: Sequence[Connector], zone: str) -> Finding:
    rule = scene.rules.limit("wet-fitting")
    ends = " and ".join(f"{c.termination} at the {'end' if c.at_end else 'start'}" for c in dry)
    return Finding(
        check="environment",
        severity="note",
        run=fitted.run.run_id,
        rule="practice" if rule is None else rule.cite,
        at_m=(dry[0].at_m, dry[-1].at_m),
        point_m=point_of(fitted, dry[0].at_m),
        message=f"The run passes through the wet zone {zone!r} and ends dry, at the {ends}: an ordinary fitting made "
        "for jacketed cable does there, since fittings go by the place of the termination.",
        remedy="Strip the jacket back at the fitting, or use one listed over the jacket.",
    )


def _bushings(scene: Scene, fitted: FittedRun, cable: Cable, connectors: Sequence[Connector]) -> Iterable[Finding]:
    rule = of_family(scene.rules, "end-bushing", cable.method)
    required = [c for c in connectors if c.bushing == "required"]
    if rule is None or not required or cable.bushings is True:
        return
    missing = cable.bushings is False
    yield Finding(
        check="environment",
        severity="violation" if missing else "note",
        run=fitted.run.run_id,
        rule=rule.cite,
        at_m=(required[0].at_m, required[-1].at_m),
        point_m=point_of(fitted, required[0].at_m),
        measured=0.0 if missing else None,
        required=float(len(required)),
        message=f"{cable.cable_id} ({cable.method}) takes an insulating bushing at each of its {len(required)} cut "
        "end(s)" + (f", and cable.{cable.cable_id}.bushings says that there are none." if missing else "."),
        remedy=f"Set the bushings, and say bushings = true of cable.{cable.cable_id}.",
    )
