"""Proposed changes and routes as JSON (schema ``route3d-proposals/1``, metres)."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np

from route3d.mending.mend import Mended
from route3d.mending.propose import Alternative, Proposed
from route3d.mending.trial import Trial
from route3d.model.finding import CAUTION, Finding
from route3d.model.job import Job
from route3d.model.run import Run
from route3d.reports.formats import stamp

_DECIMALS = 6  # a micrometre


def mended_text(answers: Sequence[Mended], job: Job, rules: str, made: str) -> str:
    """Return what became of the runs that were to be mended, in that order, as JSON text."""
    return _text(job, rules, made, [_mended(answer) for answer in answers])


def proposed_text(answers: Sequence[Proposed], job: Job, rules: str, made: str) -> str:
    """Return the routes that were found for runs given by their ends as JSON text."""
    runs = [
        {
            "id": answer.run_id,
            "outcome": "routed" if answer.alternatives else "blocked",
            "alternatives": [_alternative(one) for one in answer.alternatives],
            "blocked_by": [_finding(f) for f in answer.blocked],
            "why": answer.why,
            "lower_bound_m": _number(answer.least_m),
            "seconds": round(answer.seconds, 3),
        }
        for answer in answers
    ]
    return _text(job, rules, made, runs)


def _text(job: Job, rules: str, made: str, runs: list[dict[str, Any]]) -> str:
    content = {
        **stamp("proposals"),
        "project": job.name,
        "rules": rules,
        "made": made,
        "caution": CAUTION,
        "inputs": [{"file": source.file, "sha256": source.sha256, "unit": source.unit} for source in job.inputs],
        "unread": len(job.unread),
        "runs": runs,
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _mended(answer: Mended) -> dict[str, Any]:
    change = answer.change
    return {
        "id": answer.run_id,
        "outcome": answer.outcome,
        "how": answer.how,
        "before": numbers_of(answer.before),
        "after": None if answer.after is None else numbers_of(answer.after),
        "change": None
        if change is None
        else {
            "moved_m": _number(change.moved_m),
            "points_moved": change.moved,
            "new_corners": change.new_corners,
            "corners_gone": change.corners_gone,
            "longer_m": _number(change.longer_m),
        },
        "straps_added": answer.straps_added,
        "drawn_arcs_redrawn": answer.redraws_arcs,
        "why_blocked": answer.why,
        "to_look_at": list(answer.to_look_at),
        "proposal": None if answer.run is None else _drawn(answer.run),
        "blocked_by": [_finding(f) for f in answer.blocked],
        "nothing_holds": [{"from_m": _number(s.from_m), "to_m": _number(s.to_m), "why": s.why} for s in answer.stuck],
        "not_checked": [_finding(f) for f in answer.unknown],
        "seconds": round(answer.seconds, 3),
    }


def _alternative(one: Alternative) -> dict[str, Any]:
    return {
        **numbers_of(one.trial),
        "holes": one.holes,
        "elements_passed": list(one.passed),
        "straps": one.straps,
        "proposal": _drawn(one.trial.run),
        "not_checked": [_finding(f) for f in one.trial.unknown],
    }


def numbers_of(trial: Trial) -> dict[str, Any]:
    """Return the numbers by which lines of one run are compared."""
    ratios = [bend.ratio for bend in trial.review.bends if bend.ratio is not None]
    gap = trial.review.smallest_gap_m
    return {
        "verdict": trial.review.verdict,
        "violations": len(trial.wrong),
        "length_m": _number(trial.review.fitted.length_m),
        "bends": len(trial.review.bends),
        "worst_bend_ratio": None if not ratios else round(min(ratios), 4),
        "smallest_gap_m": None if gap is None else _number(gap),
    }


def _drawn(run: Run) -> dict[str, Any]:
    return {
        "path_m": np.round(run.corners_m, _DECIMALS).tolist(),
        "straps_at_m": [_number(at_m) for at_m in run.straps_at_m],
        "supports_at_m": [_number(at_m) for at_m in run.supports_at_m],
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "id": finding.finding_id,
        "check": finding.check,
        "run": finding.run,
        "other": finding.other,
        "rule": finding.rule,
        "measured": finding.measured,
        "required": finding.required,
        "point_m": None if finding.point_m is None else [round(v, _DECIMALS) for v in finding.point_m],
        "message": finding.message,
    }


def _number(value: float) -> float:
    return round(value, _DECIMALS)
