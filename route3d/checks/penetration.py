"""Runs through walls: sleeves, and openings to be fire-stopped."""

from __future__ import annotations

from route3d.checks.wording import along, called, places
from route3d.model.finding import Finding
from route3d.scene import Outcome, Scene

# Practice: a wall thicker than this along the run is rather a run inside the wall.
LONGEST_SLEEVE_M = 0.6


def check(scene: Scene) -> Outcome:
    """List each run and wall that it passes through; fire-rated ones are to be fire-stopped."""
    fire_stop = scene.rules.limit("fire-stop")
    findings = []
    for gap in scene.gaps.pairs:
        if gap.element is None or not gap.through or scene.job.elements[gap.element].role == "framing":
            continue
        element = scene.job.elements[gap.element]
        rated = element.role == "fire-wall"
        long = [s for s in gap.inside_m if s[1] - s[0] > LONGEST_SLEEVE_M]
        message = f"Passes through {called(element)} at {places(gap)}."
        remedy = "Provide a sleeve or a hole with the edges protected."
        if rated:
            message += " It is fire-rated: the opening around the cable is to be fire-stopped."
            remedy = "Fire-stop it with a listed system that keeps the wall's rating, and note the system's number."
        if long:
            message += f" It stays inside the wall for {along(long[0])}: confirm that this is a concealed run."
        findings.append(
            Finding(
                check="penetration",
                severity="caution" if rated or long else "note",
                run=scene.fitted[gap.run].run.run_id,
                other=element.element_id,
                rule=fire_stop.cite if rated and fire_stop is not None else "practice",
                at_m=gap.stretch_m,
                point_m=gap.point_m,
                measured=None,
                required=None,
                unit="",
                message=message,
                remedy=remedy,
            )
        )
    return Outcome(findings=tuple(findings))
