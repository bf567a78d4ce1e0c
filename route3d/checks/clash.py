"""Bodies that overlap: run and element, run and run."""

from __future__ import annotations

from route3d.checks.wording import called, direction, places
from route3d.model.finding import Finding
from route3d.model.gap import Gap
from route3d.scene import Outcome, Scene
from route3d.units import TOLERANCE_M, both_units


def check(scene: Scene) -> Outcome:
    """Report each pair whose bodies overlap, once, at its worst place."""
    least = scene.gaps.smallest_m.tolist()
    smallest = {scene.fitted[i].run.run_id: least[i] for i in scene.judged if least[i] < 1e6}
    findings = []
    for gap in scene.gaps.pairs:
        if gap.gap_m < -TOLERANCE_M and not gap.through:
            findings.append(_finding(scene, gap))
    return Outcome(findings=tuple(findings), smallest_gap_m=smallest)


def _finding(scene: Scene, gap: Gap) -> Finding:
    run = scene.fitted[gap.run].run
    stretch = gap.stretch_m
    place = places(gap)
    if gap.element is None:
        assert gap.other_run is not None
        other = scene.fitted[gap.other_run].run.run_id
        what = f"run {other}"
    else:
        other = scene.job.elements[gap.element].element_id
        what = called(scene.job.elements[gap.element])
    depth = -gap.gap_m
    if gap.inside:
        message = f"Runs inside {what} at {place}, {both_units(depth)} deep."
        towards = direction(gap.point_m, gap.toward_m, depth)
    else:
        message = f"Overlaps {what} by {both_units(depth)} at {place}."
        towards = direction(gap.toward_m, gap.point_m, depth)
    return Finding(
        check="clash",
        severity="violation",
        run=run.run_id,
        other=other,
        rule="bodies must not overlap",
        at_m=stretch,
        point_m=gap.point_m,
        measured=gap.gap_m,
        required=0.0,
        unit="m",
        message=message,
        remedy=f"Move the run there at least {towards}, or move the other one.",
    )
