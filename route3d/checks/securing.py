"""Whether every run is fastened often enough, and near enough to its terminations."""

from __future__ import annotations

from route3d.model.finding import Finding
from route3d.model.span import Span
from route3d.rules.held import held_run
from route3d.rules.hold_findings import securing_findings
from route3d.rules.securing import judge_holding
from route3d.scene import Outcome, Scene


def check(scene: Scene) -> Outcome:
    """Judge the stretches between what secures each run, and its first straps.

    Where a stretch is not supported either, the finding here says both, and the supporting check keeps silent on it.
    """
    findings: list[Finding] = []
    spans: dict[str, tuple[Span, ...]] = {}
    for fitted, attachment, stretches in zip(scene.fitted, scene.attached, scene.zones, strict=True):
        run_id, cable = fitted.run.run_id, scene.job.cables[fitted.run.cable_id]
        run = held_run(cable, scene.job.occupancy, fitted.pieces, attachment, stretches, scene.job.zones)
        holding = judge_holding(run, scene.rules)
        spans[run_id] = holding.securing
        findings.extend(securing_findings(run_id, run, holding))
    return Outcome(findings=tuple(findings), spans=spans)
