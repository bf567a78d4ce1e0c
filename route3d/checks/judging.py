"""Runs judged by the chosen checks, each apart from the others, so that parts of a job can be put together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from route3d.checks import CHECKS, Check
from route3d.model.finding import Finding, JudgedBend, not_known, with_ids
from route3d.model.job import Job
from route3d.model.run import FittedRun, same_run
from route3d.model.span import Span
from route3d.model.support import Attachment
from route3d.model.zone import ZoneStretch
from route3d.rules.provenance import provenance
from route3d.rules.rulebook import RuleBook
from route3d.scene import Outcome, Scene


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """One run, judged: by itself, and in company."""

    fitted: FittedRun
    attachment: Attachment
    zones: tuple[ZoneStretch, ...]
    own: tuple[Finding, ...]  # without ids: of what holds it, then of the checks that do not look at other runs
    shared: tuple[Finding, ...]  # without ids: of the checks that do
    findings: tuple[Finding, ...]  # all of them, with ids and sources
    bends: tuple[JudgedBend, ...]
    spans: tuple[Span, ...]
    smallest_gap_m: float | None
    violations: int
    cautions: int
    unchecked: bool

    @property
    def run_id(self) -> str:
        """The run's id."""
        return self.fitted.run.run_id


def judge_runs(scene: Scene, held: Mapping[int, tuple[Finding, ...]]) -> dict[int, Judged]:
    """Judge the runs that ``Scene.judged`` names; ``held`` is what was found while attaching them, by run."""
    alone = replace(scene, sections={}, approaches={}, holding={})
    apart = [check.runs(alone) for check in _chosen(scene.job) if not check.company]
    by_run = _by_run(scene, apart)
    shared = _by_run(scene, [check.runs(scene) for check in _chosen(scene.job) if check.company])
    judged = {}
    for i in scene.judged:
        run_id = scene.fitted[i].run.run_id
        own = (*(f for f in held.get(i, ()) if _asked(f, scene.job)), *by_run[run_id])
        judged[i] = Judged(
            fitted=scene.fitted[i],
            attachment=scene.attached[i],
            zones=scene.zones[i],
            own=own,
            **_said(own, shared[run_id], scene.rules),
            bends=tuple(b for o in apart for b in o.bends.get(run_id, ())),
            spans=tuple(s for o in apart for s in o.spans.get(run_id, ())),
            smallest_gap_m=next((o.smallest_gap_m[run_id] for o in apart if run_id in o.smallest_gap_m), None),
        )
    return judged


def judge_company(scene: Scene, before: Mapping[int, Judged]) -> dict[int, Judged]:
    """Judge runs anew of which nothing has changed but the company that they keep."""
    shared = _by_run(scene, [check.runs(scene) for check in _chosen(scene.job) if check.company])
    return {i: replace(before[i], **_said(before[i].own, shared[before[i].run_id], scene.rules)) for i in scene.judged}


def same_outcome(one: Judged, other: Judged) -> bool:
    """Tell whether two judgements say the same of the same line; the verdict may rest on other runs too."""
    return (
        one.findings == other.findings
        and one.attachment == other.attachment
        and one.bends == other.bends
        and one.spans == other.spans
        and one.zones == other.zones
        and one.smallest_gap_m == other.smallest_gap_m
        and same_run(one.fitted.run, other.fitted.run)
    )


def judge_job(scene: Scene, held: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return what is to be said of the job as a whole; ``held`` is what was found of it while attaching its runs.

    ``Scene.judged`` are all runs that there are.
    """
    said = [f for check in _chosen(scene.job) if check.whole is not None for f in check.whole(scene)]
    return _finished((*(f for f in held if _asked(f, scene.job)), *_unstated(scene), *said), scene.rules)


def _chosen(job: Job) -> list[Check]:
    return [check for name, check in CHECKS.items() if name in job.checks or name == "input"]


def _asked(finding: Finding, job: Job) -> bool:
    return finding.check == "input" or (finding.check in CHECKS and finding.check in job.checks)


def _by_run(scene: Scene, outcomes: Sequence[Outcome]) -> dict[str, list[Finding]]:
    """Sort findings by run; one about another run would be lost when that one is judged, so it is an error."""
    found: dict[str, list[Finding]] = {scene.fitted[i].run.run_id: [] for i in scene.judged}
    for outcome in outcomes:
        for finding in outcome.findings:
            if finding.run is None or finding.run not in found:
                raise AssertionError(f"check {finding.check!r} spoke of {finding.run!r}, which it was not to judge")
            found[finding.run].append(finding)
    return found


def _finished(findings: Iterable[Finding], rules: RuleBook) -> tuple[Finding, ...]:
    """Return findings with ids and sources."""
    named = with_ids(tuple(findings))
    return tuple(f.named(f.finding_id, provenance(rules, f.rule, f.message)) for f in named)


def _said(own: Sequence[Finding], shared: Sequence[Finding], rules: RuleBook) -> dict[str, Any]:
    findings = _finished((*own, *shared), rules)
    return {
        "shared": tuple(shared),
        "findings": findings,
        "violations": sum(f.severity == "violation" for f in findings),
        "cautions": sum(f.severity == "caution" for f in findings),
        "unchecked": any(f.unchecked for f in findings),
    }


def _unstated(scene: Scene) -> Iterable[Finding]:
    """Say what the rule set leaves out, so that nobody takes its silence for a pass."""
    checked = {"first_strap": "securing"}
    missing = [g for g in scene.rules.unstated if checked.get(g, g) in scene.job.checks]
    if missing:
        named = ", ".join(group.replace("_", " ") for group in missing)
        yield not_known(
            None,
            None,
            scene.rules.code,
            f"The rule set {scene.rules.name} has no rule for: {named}. None of that was judged.",
            "Add such rules to a rule file of your own, or leave those checks out with checks = […].",
        )
