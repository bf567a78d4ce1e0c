"""The rows that every table of runs shows, as text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from route3d.model.finding import Review, RunReview
from route3d.model.run import Run
from route3d.model.span import Span


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run, as tables show it."""

    run: str
    cable: str
    length: str
    bend: str
    gap: str
    held: str
    verdict: str


HEADINGS = RunRow("run", "cable", "length m", "bend mm", "gap mm", "span m", "verdict")

# What a reader needs to know about the headings.
LEGEND = (
    "bend: tightest inner radius / required · gap: smallest, to anything within reach · "
    "span: the one nearest its limit / limit"
)


def run_row(run: RunReview) -> RunRow:
    """Return one run in words: its tightest bend, smallest gap, longest span against its limit, and verdict."""
    return RunRow(
        run=run.fitted.run.run_id,
        cable=run.fitted.run.cable_id,
        length=f"{run.fitted.length_m:.2f}",
        bend=_bend(run),
        gap="–" if run.smallest_gap_m is None else f"{run.smallest_gap_m * 1000.0:.1f}",
        held=_held(run),
        verdict=run.verdict,
    )


NOT_ROUTED = "not routed"
_ORDER = {"fail": 0, "unchecked": 1, "pass": 2}


def run_rows_worst_first(review: Review) -> list[RunRow]:
    """Return all runs in words, those that fail first; runs without a route, which are no passes, before those."""
    judged = sorted(review.runs, key=lambda run: _ORDER[run.verdict])
    rows = [run_row(run) for run in judged]
    passes = next((k for k, run in enumerate(judged) if run.verdict == "pass"), len(judged))
    return [*rows[:passes], *(not_routed_row(run) for run in review.not_routed), *rows[passes:]]


def not_routed_row(run: Run) -> RunRow:
    """Return a run that is given by its ends only, in words."""
    return RunRow(run.run_id, run.cable_id, "–", "–", "–", "–", NOT_ROUTED)


def counts_of(review: Review) -> Mapping[str, int]:
    """Return what a review counts, runs without a route included where there are any."""
    more = {"runs_not_routed": len(review.not_routed)} if review.not_routed else {}
    return {**review.summary, **more}


def _bend(run: RunReview) -> str:
    judged = [b for b in run.bends if b.ratio is not None]
    if not judged:
        return "–" if not run.bends else "not known"
    worst = min(judged, key=lambda b: b.ratio if b.ratio is not None else 0.0)
    assert worst.required_inner_m is not None
    return f"{worst.inner_radius_m * 1000.0:.1f} / {worst.required_inner_m * 1000.0:.1f}"


def _held(run: RunReview) -> str:
    """The span that is worst against its limit; an exempt one only where there is no other."""
    judged = [s for s in run.spans if s.exempt is None and s.limit_m is not None]
    if judged:
        worst = max(judged, key=_share)
        return f"{worst.length_m:.2f} / {worst.limit_m:.2f}"
    exempt = sorted({s.exempt for s in run.spans if s.exempt is not None})
    return ", ".join(exempt) if exempt else "no limit"


def _share(span: Span) -> float:
    assert span.limit_m is not None
    return span.length_m / span.limit_m if span.limit_m > 0.0 else float("inf")
