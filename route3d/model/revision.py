"""What one check left behind, as far as a later one is compared with it: read from results, or made from a review."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.arrays import frozen
from route3d.model.finding import Finding, Review

_EDITION = re.compile(r"^(\D+?) (?:19|20)\d\d (?=\S)")
_NUMBER = re.compile(r"[-+]?\d[\d.,]*")


@dataclass(frozen=True, slots=True, eq=False)
class RunMark:
    """One run of a revision; ``corners_m`` is empty where the results do not tell them."""

    run_id: str
    cable_id: str
    verdict: str
    length_m: float
    corners_m: NDArray[np.float64]  # (n, 3) as drawn

    def __post_init__(self) -> None:
        object.__setattr__(self, "corners_m", frozen(self.corners_m, (-1, 3)))


@dataclass(frozen=True, slots=True)
class Revision:
    """The findings and runs of one check of a project."""

    project: str
    rules: str
    made: str
    runs: tuple[RunMark, ...]
    findings: tuple[Finding, ...]
    inputs: tuple[tuple[str, str], ...]  # file, sha256
    unread: int
    notes: tuple[str, ...] = ()  # on how it was read, if there is something to say


def revision_of(review: Review) -> Revision:
    """Return what a later check is compared with."""
    return Revision(
        project=review.project,
        rules=review.rules,
        made=review.made,
        runs=tuple(
            RunMark(r.fitted.run.run_id, r.fitted.run.cable_id, r.verdict, r.fitted.length_m, r.fitted.run.corners_m)
            for r in review.runs
        ),
        findings=review.findings,
        inputs=tuple((source.file, source.sha256) for source in review.inputs),
        unread=len(review.unread),
    )


def section(rule: str) -> str:
    """Return a cited rule without the year of its edition.

    >>> section("NEC 2023 330.24(B)")
    'NEC 330.24(B)'
    """
    return _EDITION.sub(r"\1 ", rule)


def wording(message: str) -> str:
    """Return a message without its numbers, which is how a finding without a place is known again."""
    return _NUMBER.sub("#", message)
