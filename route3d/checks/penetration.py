"""Runs through walls and rated floors: sleeves, and openings to be fire-stopped.

How that is read: as long as the project states no fire-stop at all, each rated crossing is a caution. Where it states
some, one that is stated is a note, and one that is not a violation.
"""

from __future__ import annotations

from route3d.checks.wording import along, called, places
from route3d.model.element import Element
from route3d.model.finding import Finding
from route3d.model.gap import Gap
from route3d.model.job import FireStop
from route3d.scene import Outcome, Scene

# Practice: a wall thicker than this along the run is rather a run inside the wall.
LONGEST_SLEEVE_M = 0.6


def check(scene: Scene) -> Outcome:
    """List each run and wall that it passes through; fire-rated ones are to be fire-stopped."""
    findings = []
    for gap in scene.gaps.pairs:
        if gap.element is None or not gap.through or scene.job.elements[gap.element].role == "framing":
            continue
        element = scene.job.elements[gap.element]
        findings.append(_rated(scene, gap, element) if element.role == "fire-wall" else _plain(scene, gap, element))
    return Outcome(findings=tuple(findings))


def _plain(scene: Scene, gap: Gap, element: Element) -> Finding:
    concealed = _concealed(gap)
    message = f"Passes through {called(element)} at {places(gap)}.{concealed}"
    remedy = "Provide a sleeve or a hole with the edges protected."
    return _finding(scene, gap, element, "caution" if concealed else "note", "practice", message, remedy)


def _rated(scene: Scene, gap: Gap, element: Element) -> Finding:
    rule = scene.rules.limit("fire-stop")
    cite = "practice" if rule is None else rule.cite
    stated = scene.job.firestops
    message = (
        f"Passes through {called(element)} at {places(gap)}. It is fire-rated: the opening around the cable is to be "
    )
    message += "fire-stopped."
    remedy = "Fire-stop it with a listed system that keeps the rating, and note the system's number."
    severity = "caution"
    if stated is not None and rule is not None:
        systems = [_system(scene, gap, s, stated) for s in gap.stretches_m]
        named = list(dict.fromkeys(system for system in systems if system is not None))
        if all(system is not None for system in systems):
            severity = "caution" if _concealed(gap) else "note"
            message = f"Passes through {called(element)} at {places(gap)}, fire-stopped with {', '.join(named)}."
            remedy = "Confirm that the system is listed for this wall and this cable."
        else:
            severity = "violation"
            bare = [s for s, system in zip(gap.stretches_m, systems, strict=True) if system is None]
            message += f" The project states fire-stops, but none at {', '.join(along(s) for s in bare)}."
            remedy = "Fire-stop it with a listed system that keeps the rating, and state it in a [[firestop]]."
    return _finding(scene, gap, element, severity, cite, message + _concealed(gap), remedy)


def _system(scene: Scene, gap: Gap, stretch: tuple[float, float], stated: tuple[FireStop, ...]) -> str | None:
    """Return the fire-stop that the project states for one crossing; its place may be off by ``attach``."""
    run_id, reach = scene.fitted[gap.run].run.run_id, scene.job.settings.attach_m
    for stop in stated:
        if stop.run == run_id and (stop.at_m is None or stretch[0] - reach <= stop.at_m <= stretch[1] + reach):
            return stop.system
    return None


def _concealed(gap: Gap) -> str:
    long = [s for s in gap.inside_m if s[1] - s[0] > LONGEST_SLEEVE_M]
    return f" It stays inside the wall for {along(long[0])}: confirm that this is a concealed run." if long else ""


def _finding(scene: Scene, gap: Gap, element: Element, severity: str, rule: str, message: str, remedy: str) -> Finding:
    return Finding(
        check="penetration",
        severity=severity,
        run=scene.fitted[gap.run].run.run_id,
        other=element.element_id,
        rule=rule,
        at_m=gap.stretch_m,
        point_m=gap.point_m,
        message=message,
        remedy=remedy,
    )
