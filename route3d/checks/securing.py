"""Whether every run is fastened often enough, and near enough to its terminations."""

from __future__ import annotations

from route3d.checks.holding import held
from route3d.model.finding import Finding
from route3d.model.span import Span
from route3d.rules.hold_findings import securing_findings
from route3d.scene import Outcome, Scene


def check(scene: Scene) -> Outcome:
    """Judge the stretches between what secures each run, and its first straps.

    Where a stretch is not supported either, the finding here says both, and the supporting check keeps silent on it.
    """
    findings: list[Finding] = []
    spans: dict[str, tuple[Span, ...]] = {}
    for i in scene.judged:
        run_id = scene.fitted[i].run.run_id
        run, holding = held(scene, i)
        spans[run_id] = holding.securing
        findings.extend(securing_findings(run_id, run, holding))
    return Outcome(findings=tuple(findings), spans=spans)
