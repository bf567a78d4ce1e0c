"""Where a run misses a rule, and the review that collects all of them."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field

from route3d.model.building import InputFile, Unread
from route3d.model.caution import CAUTION as CAUTION
from route3d.model.run import Bend, FittedRun, Run
from route3d.model.span import Span
from route3d.model.support import Attachment
from route3d.model.zone import ZoneStretch

CHECKS = (
    "bend",
    "clash",
    "clearance",
    "securing",
    "supporting",
    "environment",
    "framing",
    "deck",
    "bundle",
    "separation",
    "penetration",
    "input",
)
SEVERITIES = ("violation", "caution", "note")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to act on, confirm or know about one run (or, where ``run`` is None, about the whole job)."""

    check: str
    severity: str
    run: str | None
    rule: str
    message: str
    remedy: str
    other: str | None = None  # run id or element id
    at_m: tuple[float, float] | None = None  # the whole stretch, distances along the fitted run
    point_m: tuple[float, float, float] | None = None  # the worst place
    measured: float | None = None
    required: float | None = None
    unit: str = ""
    unchecked: bool = False  # True: because of this, the run (or the job) cannot be called passed
    finding_id: str = ""
    source: str = ""  # where the value of its rule comes from, see route3d.rules.provenance

    def named(self, finding_id: str, source: str) -> Finding:
        """Return the finding with its id and source; `dataclasses.replace` takes five times as long."""
        return Finding(
            self.check,
            self.severity,
            self.run,
            self.rule,
            self.message,
            self.remedy,
            self.other,
            self.at_m,
            self.point_m,
            self.measured,
            self.required,
            self.unit,
            self.unchecked,
            finding_id,
            source,
        )


@dataclass(frozen=True, slots=True)
class Step:
    """One link of the chain from what was measured to a verdict."""

    step: str  # one of STEPS
    text: str


STEPS = ("fact", "rule", "condition", "exemption", "verdict")


def not_known(
    run: str | None,
    other: str | None,
    rule: str,
    message: str,
    remedy: str,
    *,
    at_m: tuple[float, float] | None = None,
    point_m: tuple[float, float, float] | None = None,
) -> Finding:
    """Return the caution that something about a run (or the whole job) is not known, so that it is not passed."""
    return Finding("input", "caution", run, rule, message, remedy, other, at_m, point_m, unchecked=True)


def with_ids(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Return the findings with ids that stay the same from one check of the same project to the next.

    An id depends on check, run, other and rule, and on the order along the run where these are all equal: so the
    findings of one run may be named without those of others.
    """
    seen: dict[str, int] = {}
    named = []
    for finding in sorted(findings, key=lambda f: (f.check, f.run or "", f.other or "", f.rule, f.at_m or (0.0, 0.0))):
        key = "\x1f".join((finding.check, finding.run or "", finding.other or "", finding.rule))
        seen[key] = seen.get(key, 0) + 1
        digest = hashlib.sha256(f"{key}\x1f{seen[key]}".encode()).hexdigest()[:10]
        named.append(finding.named(f"{finding.check}-{digest}", finding.source))
    return tuple(named)


@dataclass(frozen=True, slots=True)
class JudgedBend:
    """One bend with what the rule asks of it; ``required_inner_m`` is None where no limit is known."""

    bend: Bend
    inner_radius_m: float
    required_inner_m: float | None
    ratio: float | None
    rule: str


@dataclass(frozen=True, slots=True, eq=False)
class RunReview:
    """One run, judged."""

    fitted: FittedRun
    attachment: Attachment
    verdict: str  # pass, fail, unchecked
    bends: tuple[JudgedBend, ...] = ()
    spans: tuple[Span, ...] = ()
    zones: tuple[ZoneStretch, ...] = ()
    smallest_gap_m: float | None = None  # to anything in reach of its clearance


@dataclass(frozen=True, slots=True, eq=False)
class Review:
    """Everything that one check of a job gives."""

    project: str
    rules: str
    made: str
    runs: tuple[RunReview, ...]
    findings: tuple[Finding, ...]  # worst first
    inputs: tuple[InputFile, ...]
    unread: tuple[Unread, ...]
    notes: tuple[str, ...] = ()
    caution: str = CAUTION
    summary: Mapping[str, int] = field(default_factory=dict)
    chains: Mapping[str, tuple[Step, ...]] = field(default_factory=dict)  # by finding id: why it stands
    sources: Mapping[str, str] = field(default_factory=dict)  # rule as cited -> where its value comes from
    not_routed: tuple[Run, ...] = ()  # given by their ends only: there is no route, and nothing of them was checked
