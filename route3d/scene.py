"""What every check looks at: the job, its fitted runs, and what was measured once for all of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from route3d.model.finding import Finding, JudgedBend
from route3d.model.gap import Gaps
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.model.span import Span
from route3d.model.support import Attachment
from route3d.model.zone import ZoneStretch
from route3d.rules.bend import BendRequirement
from route3d.rules.rulebook import RuleBook


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """All parallel tuples have one entry per run of the job, in its order."""

    job: Job
    rules: RuleBook
    fitted: tuple[FittedRun, ...]
    bend_required: tuple[BendRequirement, ...]
    attached: tuple[Attachment, ...]
    zones: tuple[tuple[ZoneStretch, ...], ...]  # sorted by distance
    gaps: Gaps


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What one check gives: findings, and per run id what the results show besides."""

    findings: tuple[Finding, ...] = ()
    bends: Mapping[str, tuple[JudgedBend, ...]] = field(default_factory=dict)
    spans: Mapping[str, tuple[Span, ...]] = field(default_factory=dict)
    smallest_gap_m: Mapping[str, float] = field(default_factory=dict)
