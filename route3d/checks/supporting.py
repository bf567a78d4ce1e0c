"""Whether the weight of every run is held often enough."""

from __future__ import annotations

from route3d.checks.holding import held
from route3d.model.finding import Finding
from route3d.model.span import Span
from route3d.rules.hold_findings import supporting_findings
from route3d.scene import Outcome, Scene


def check(scene: Scene) -> Outcome:
    """Judge the stretches between what supports each run: hangers count here, not only what fastens it."""
    also_securing = "securing" in scene.job.checks
    findings: list[Finding] = []
    spans: dict[str, tuple[Span, ...]] = {}
    for i in scene.judged:
        run_id = scene.fitted[i].run.run_id
        run, holding = held(scene, i)
        spans[run_id] = holding.supporting
        findings.extend(supporting_findings(run_id, run, holding, also_securing))
    return Outcome(findings=tuple(findings), spans=spans)
