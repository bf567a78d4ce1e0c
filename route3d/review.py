"""A job in, a review out: examine every run, run the checks, collect."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from route3d.checks.collecting import collect, summary_of
from route3d.checks.judging import judge_job, judge_runs
from route3d.examine import Examined, examine
from route3d.explain import Chains
from route3d.model.finding import Review
from route3d.model.job import Job
from route3d.rules.rulebook import RuleBook


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
    scene, related = examined.scene, examined.relations.related
    judged = judge_runs(scene, {i: one.findings for i, one in related.items()})
    whole = judge_job(scene, examined.relations.whole(scene.job, examined.around))
    return collect(scene.job, scene.rules, made, list(judged.values()), whole, Chains(scene, judged, whole))


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
        summary=summary_of(
            [run.verdict for run in runs],
            sum(f.severity == "violation" for f in findings),
            sum(f.severity == "caution" for f in findings),
        ),
        chains={f.finding_id: review.chains[f.finding_id] for f in findings},
        sources=review.sources,
        not_routed=tuple(run for run in review.not_routed if run.run_id in wanted),
    )


def nothing_unchecked(review: Review) -> bool:
    """Tell whether everything was read and could be judged, so that "nothing violated" means what it says."""
    return not review.unread and not any(finding.unchecked for finding in review.findings)
