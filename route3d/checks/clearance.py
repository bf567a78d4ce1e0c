"""Gaps smaller than the project asks for."""

from __future__ import annotations

from route3d.checks import panel_space
from route3d.checks.wording import called, direction, places
from route3d.model.finding import Finding
from route3d.model.gap import Gap
from route3d.scene import Outcome, Scene
from route3d.units import TOLERANCE_M, both_units


def check(scene: Scene) -> Outcome:
    """Report each run and element that do not overlap but are nearer than the clearance of the element's role."""
    near = tuple(
        _finding(scene, gap)
        for gap in scene.gaps.pairs
        if gap.element is not None and gap.gap_m >= -TOLERANCE_M and not gap.through
    )
    return Outcome(findings=near + panel_space.findings(scene))


def whole(scene: Scene) -> tuple[Finding, ...]:
    """Report what stands in the space that panels need, whatever the runs do."""
    return panel_space.building_findings(scene)


def _finding(scene: Scene, gap: Gap) -> Finding:
    assert gap.element is not None
    element = scene.job.elements[gap.element]
    lacking = gap.allowed_m - gap.gap_m
    return Finding(
        check="clearance",
        severity="violation",
        run=scene.fitted[gap.run].run.run_id,
        other=element.element_id,
        rule=f"project clearance.{element.role}",
        at_m=gap.stretch_m,
        point_m=gap.point_m,
        measured=gap.gap_m,
        required=gap.allowed_m,
        unit="m",
        message=f"{both_units(gap.gap_m)} from {called(element)} at {places(gap)}; "
        f"the project asks for {both_units(gap.allowed_m)}.",
        remedy=f"Move the run there at least {direction(gap.toward_m, gap.point_m, lacking)}.",
    )
