"""Judged runs put together as a review: in the job's order, findings worst first, whatever order they come in."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from route3d.checks import CHECKS
from route3d.checks.judging import Judged
from route3d.model.finding import CHECKS as CHECK_NAMES
from route3d.model.finding import SEVERITIES, Finding, Review, RunReview, Step
from route3d.model.job import Job
from route3d.rules.provenance import provenance
from route3d.rules.rulebook import RuleBook

_SEVERITY = {name: k for k, name in enumerate(SEVERITIES)}
_CHECK = {name: k for k, name in enumerate(CHECK_NAMES)}


def collect(
    job: Job,
    rules: RuleBook,
    made: str,
    judged: Sequence[Judged],
    whole: Sequence[Finding],
    chains: Mapping[str, tuple[Step, ...]],
) -> Review:
    """Return the review of a job: ``judged`` are all of its runs in its order, ``whole`` what is said of the job."""
    ordered = worst_first((*whole, *(f for one in judged for f in one.findings)))
    blamed = {name for f in ordered for name in blames(f)}
    runs = tuple(run_review(one, one.run_id in blamed) for one in judged)
    return review_of(job, rules, made, runs, ordered, chains)


def review_of(
    job: Job,
    rules: RuleBook,
    made: str,
    runs: tuple[RunReview, ...],
    findings: tuple[Finding, ...],
    chains: Mapping[str, tuple[Step, ...]],
) -> Review:
    """Return a review of runs whose verdicts stand and of findings that are in order."""
    return Review(
        project=job.name,
        rules=rules.name,
        made=made,
        runs=runs,
        findings=findings,
        inputs=job.inputs,
        unread=job.unread,
        notes=(*job.notes, *_left_out(job)),
        summary=summary_of(
            [run.verdict for run in runs],
            sum(f.severity == "violation" for f in findings),
            sum(f.severity == "caution" for f in findings),
        ),
        chains=chains,
        sources=_sources(rules, runs, findings),
        not_routed=job.unrouted,
    )


def run_review(judged: Judged, blamed: bool) -> RunReview:
    """Return one run with its verdict; ``blamed``: a violation names it, be it of another run."""
    return RunReview(
        fitted=judged.fitted,
        attachment=judged.attachment,
        verdict=verdict_of(judged, blamed),
        bends=judged.bends,
        spans=judged.spans,
        zones=judged.zones,
        smallest_gap_m=judged.smallest_gap_m,
    )


def verdict_of(judged: Judged, blamed: bool) -> str:
    """Return pass, fail or unchecked."""
    return "fail" if blamed or judged.violations else "unchecked" if judged.unchecked else "pass"


def blames(finding: Finding) -> Iterable[str]:
    """Return what a finding makes fail besides its own run."""
    if finding.severity == "violation":
        yield from (name for name in (finding.run, finding.other) if name is not None)


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings in the order in which they are read."""
    return tuple(sorted(findings, key=_badness))


def summary_of(verdicts: Sequence[str], violations: int, cautions: int) -> Mapping[str, int]:
    """Return the counts that a review gives."""
    return {
        "runs": len(verdicts),
        "runs_passed": verdicts.count("pass"),
        "runs_failed": verdicts.count("fail"),
        "runs_unchecked": verdicts.count("unchecked"),
        "violations": violations,
        "cautions": cautions,
    }


def _badness(finding: Finding) -> tuple[int, int, float, str, str]:
    lacking = 0.0
    if finding.measured is not None and finding.required is not None:
        lacking = abs(finding.required - finding.measured)
    return (
        _SEVERITY[finding.severity],
        _CHECK[finding.check],
        -lacking,
        finding.run if finding.run is not None else "",
        finding.finding_id,
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
