"""A job in, a review out: examine every run, run the checks, collect."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from route3d.checks import CHECKS
from route3d.examine import Examined, examine
from route3d.explain import explain
from route3d.model.finding import CHECKS as CHECK_NAMES
from route3d.model.finding import SEVERITIES, Finding, Review, RunReview, with_ids
from route3d.model.job import Job
from route3d.rules.provenance import provenance
from route3d.rules.rulebook import RuleBook
from route3d.scene import Outcome, Scene


def check_job(job: Job, rules: RuleBook, made: str, say: Callable[[str], None] = lambda _: None) -> Review:
    """Check every run of a job.

    ``made`` is the time that the results carry; ``say`` is told what is being done, for a progress display.

    Raises
    ------
    InputError
        A strap is placed beyond the end of its run.
    """
    examined = examine(job, rules, say)
    say("judging")
    return judge(examined, made)


def judge(examined: Examined, made: str) -> Review:
    """Run the chosen checks on what was examined."""
    scene = examined.scene
    chosen = {name: check for name, check in CHECKS.items() if name in scene.job.checks or name == "input"}
    outcomes = [check(scene) for check in chosen.values()]
    held = tuple(f for f in examined.findings if f.check in chosen)
    return _collect(scene, outcomes, held, made)


def only_runs(review: Review, run_ids: Iterable[str]) -> Review:
    """Return the part of a review that speaks of some runs; all runs were measured against each other before."""
    wanted = set(run_ids)
    runs = tuple(run for run in review.runs if run.fitted.run.run_id in wanted)
    findings = tuple(f for f in review.findings if f.run is None or f.run in wanted or f.other in wanted)
    return Review(
        project=review.project,
        rules=review.rules,
        made=review.made,
        runs=runs,
        findings=findings,
        inputs=review.inputs,
        unread=review.unread,
        notes=review.notes,
        summary=_summary(runs, findings),
        chains={f.finding_id: review.chains[f.finding_id] for f in findings},
        sources=review.sources,
    )


def nothing_unchecked(review: Review) -> bool:
    """Tell whether everything was read and could be judged, so that "nothing violated" means what it says."""
    return not review.unread and not any(finding.unchecked for finding in review.findings)


def _collect(scene: Scene, outcomes: Sequence[Outcome], held: tuple[Finding, ...], made: str) -> Review:
    job = scene.job
    findings = with_ids((*held, *_unstated(scene), *(f for outcome in outcomes for f in outcome.findings)))
    findings = tuple(replace(f, source=provenance(scene.rules, f.rule, f.message)) for f in findings)
    failed = {name for f in findings if f.severity == "violation" for name in (f.run, f.other)}
    unchecked = {f.run for f in findings if f.unchecked}
    smallest = {run_id: gap for outcome in outcomes for run_id, gap in outcome.smallest_gap_m.items()}
    runs = tuple(
        RunReview(
            fitted=fitted,
            attachment=attachment,
            verdict=_verdict(fitted.run.run_id, failed, unchecked),
            bends=tuple(b for o in outcomes for b in o.bends.get(fitted.run.run_id, ())),
            spans=tuple(s for o in outcomes for s in o.spans.get(fitted.run.run_id, ())),
            zones=zones,
            smallest_gap_m=smallest.get(fitted.run.run_id),
        )
        for fitted, attachment, zones in zip(scene.fitted, scene.attached, scene.zones, strict=True)
    )
    ordered = tuple(sorted(findings, key=_worst_first))
    return Review(
        project=job.name,
        rules=scene.rules.name,
        made=made,
        runs=runs,
        findings=ordered,
        inputs=job.inputs,
        unread=job.unread,
        notes=(*job.notes, *_left_out(job)),
        summary=_summary(runs, ordered),
        chains=explain(scene, findings, outcomes),
        sources=_sources(scene.rules, runs, ordered),
    )


def _unstated(scene: Scene) -> Iterable[Finding]:
    """Say what the rule set leaves out, so that nobody takes its silence for a pass."""
    checked = {"first_strap": "securing"}
    missing = [g for g in scene.rules.unstated if checked.get(g, g) in scene.job.checks]
    if missing:
        named = ", ".join(group.replace("_", " ") for group in missing)
        yield Finding(
            check="input",
            severity="caution",
            run=None,
            other=None,
            rule=scene.rules.code,
            at_m=None,
            point_m=None,
            measured=None,
            required=None,
            unit="",
            message=f"The rule set {scene.rules.name} has no rule for: {named}. None of that was judged.",
            remedy="Add such rules to a rule file of your own, or leave those checks out with checks = […].",
            unchecked=True,
        )


def _sources(book: RuleBook, runs: Sequence[RunReview], findings: Sequence[Finding]) -> Mapping[str, str]:
    """Return where the value of each cited rule comes from."""
    cited = {f.rule for f in findings}
    cited |= {bend.rule for run in runs for bend in run.bends}
    cited |= {span.rule for run in runs for span in run.spans}
    return {rule: provenance(book, rule) for rule in sorted(cited)}


def _left_out(job: Job) -> Iterable[str]:
    """Say which checks did not run, so that nobody takes their silence for a pass."""
    asked = [name for name in CHECK_NAMES if name in CHECKS and name not in job.checks and name != "input"]
    if asked:
        yield f"not checked, as asked: {', '.join(asked)}"
    unknown = [name for name in job.checks if name not in CHECKS]
    if unknown:
        yield f"not checked by this version: {', '.join(unknown)}"


def _verdict(run_id: str, failed: set[str | None], unchecked: set[str | None]) -> str:
    if run_id in failed:
        return "fail"
    return "unchecked" if run_id in unchecked else "pass"


def _worst_first(finding: Finding) -> tuple[int, int, float, str, str]:
    lacking = 0.0
    if finding.measured is not None and finding.required is not None:
        lacking = abs(finding.required - finding.measured)
    return (
        SEVERITIES.index(finding.severity),
        CHECK_NAMES.index(finding.check),
        -lacking,
        finding.run if finding.run is not None else "",
        finding.finding_id,
    )


def _summary(runs: Sequence[RunReview], findings: Sequence[Finding]) -> Mapping[str, int]:
    verdicts = [run.verdict for run in runs]
    return {
        "runs": len(runs),
        "runs_passed": verdicts.count("pass"),
        "runs_failed": verdicts.count("fail"),
        "runs_unchecked": verdicts.count("unchecked"),
        "violations": sum(f.severity == "violation" for f in findings),
        "cautions": sum(f.severity == "caution" for f in findings),
    }
