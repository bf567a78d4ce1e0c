"""A line for one run judged by the exact check, straps planned where they are needed: nothing else accepts it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from route3d.errors import InputError
from route3d.mending.pauses import pause
from route3d.mending.site import Site
from route3d.model.finding import Finding, Review, RunReview
from route3d.model.plan import StrapPlan
from route3d.model.run import Run
from route3d.plans.straps import plan_straps
from route3d.recheck import Checked, Difference

Floats = NDArray[np.float64]

_SAME = 1e-6
HOLDING = frozenset({"securing", "supporting"})


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """One line, as the check judges it."""

    corners_m: Floats
    state: Checked  # the job with the run so
    run: Run
    review: RunReview
    wrong: tuple[Finding, ...]  # violations that make this run fail
    harm: tuple[Finding, ...]  # what gets worse for others
    unknown: tuple[Finding, ...]  # because of these it cannot be called passed
    crowds: int = 0  # bundles that lower the ampacity of cables, and did not before, or of fewer
    plan: StrapPlan | None = None  # straps that were planned for it

    @property
    def stands(self) -> bool:
        """Tell whether nothing is violated, for this run and, more than before, for others."""
        return not self.wrong and not self.harm

    @property
    def passes(self) -> bool:
        """Tell whether the check says that the run passes."""
        return self.stands and self.review.verdict == "pass"


class Trials:
    """Judges lines for one run of a checked job."""

    def __init__(self, site: Site, before: Review | None = None) -> None:
        """Judge lines beside the one in ``site``; ``before`` is the review that others may not be worse off than."""
        self.site = site
        review = site.state.review
        self._before = {f.finding_id: f for f in (review if before is None else before).findings}
        self._there = {f.finding_id: f for f in review.findings}
        run_id = site.run.run_id
        self.count = 0
        self.drawn = Trial(
            corners_m=site.corners_m,
            state=site.state,
            run=site.run,
            review=next(r for r in review.runs if r.fitted.run.run_id == run_id),
            wrong=tuple(f for f in review.findings if _fails(f, run_id)),
            harm=(),
            unknown=tuple(f for f in review.findings if f.unchecked and f.run == run_id),
        )

    def of(self, corners_m: Floats) -> Trial | None:
        """Judge a line, and again with planned straps where only these are lacking; None where it is no line."""
        try:
            trial = self._judged(self.site.drawn(corners_m), corners_m)
        except (InputError, ValueError):
            return None
        if not trial.wrong or not all(f.check in HOLDING for f in trial.wrong) or trial.harm:
            return trial
        return self.strapped(trial)

    def planned(self, trial: Trial) -> Trial:
        """Return a line with the straps that are planned for it, not judged with them."""
        (plan,) = plan_straps(trial.state.examined, only=[trial.run.run_id])
        return replace(trial, plan=plan)

    def strapped(self, trial: Trial) -> Trial:
        """Return a line with the fewest straps that it needs added, or as it was where there is no plan."""
        trial = self.planned(trial)
        plan = trial.plan
        assert plan is not None
        if plan.stuck:
            return trial
        kept = [at_m for at_m in trial.run.straps_at_m if at_m not in plan.refused_at_m]
        added = [strap.at_m for strap in plan.straps if not strap.existing]
        rests = tuple(at_m for at_m in trial.run.supports_at_m if at_m not in plan.refused_supports_at_m)
        run = replace(trial.run, straps_at_m=tuple(sorted((*kept, *added))), supports_at_m=rests)
        try:
            held = self._judged(run, trial.corners_m)
        except (InputError, ValueError):
            return trial
        return replace(held, plan=plan)

    def _judged(self, run: Run, corners_m: Floats) -> Trial:
        pause()
        self.count += 1
        run_id = run.run_id
        state, difference = self.site.state.changed({run_id: run})
        wrong = [f for f in self.drawn.wrong if f.finding_id not in _touched(difference)]
        unknown = [f for f in self.drawn.unknown if f.finding_id not in _touched(difference)]
        told = (*difference.new, *difference.altered)
        wrong += [f for f in told if _fails(f, run_id)]
        unknown += [f for f in told if f.unchecked and f.run == run_id]
        review = next((r for r in difference.runs if r.fitted.run.run_id == run_id), self.drawn.review)
        stayed = [f for name, f in self._there.items() if name not in self._before and name not in _touched(difference)]
        harm = tuple(f for f in (*stayed, *told) if not _fails(f, run_id) and f.run != run_id and self._is_worse(f))
        crowds = sum(self._is_fuller(f) for f in told)
        return Trial(corners_m, state, run, review, tuple(wrong), harm, tuple(unknown), crowds)

    def _is_fuller(self, finding: Finding) -> bool:
        """Tell whether a bundle lowers the ampacity of its cables, and did not before, or holds more of them now."""
        if finding.check != "bundle" or finding.severity == "note":
            return False
        before = self._before.get(finding.finding_id)
        was = None if before is None or before.severity == "note" else before.measured
        return was is None or (finding.measured is not None and finding.measured > was)

    def _is_worse(self, finding: Finding) -> bool:
        before = self._before.get(finding.finding_id)
        if finding.severity != "violation":
            return finding.unchecked and (before is None or not before.unchecked)
        if before is None or before.severity != "violation":
            return True
        return _lack(finding) > _lack(before) + _SAME


def _lack(finding: Finding) -> float:
    if finding.measured is None or finding.required is None:
        return 0.0
    return abs(finding.measured - finding.required)


def _fails(finding: Finding, run_id: str) -> bool:
    return finding.severity == "violation" and run_id in (finding.run, finding.other)


def _touched(difference: Difference) -> set[str]:
    return {*difference.gone, *(f.finding_id for f in difference.altered)}
