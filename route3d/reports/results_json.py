"""The results as JSON, schema ``route3d-results/1``; every length in metres."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from route3d.model.finding import Finding, JudgedBend, Review, RunReview, Step
from route3d.model.span import Span
from route3d.reports.formats import stamp

_DECIMALS = 6  # a micrometre


def results(review: Review) -> dict[str, Any]:
    """Return the results of a review as plain dictionaries and lists."""
    return {
        **stamp("results"),
        "project": review.project,
        "rules": review.rules,
        "made": review.made,
        "caution": review.caution,
        "inputs": [
            {
                "file": source.file,
                "sha256": source.sha256,
                "unit": source.unit,
                "entities": source.entities,
                "triangles": source.triangles,
                "notes": list(source.notes),
            }
            for source in review.inputs
        ],
        "unread": [
            {
                "file": unread.file,
                "handle": unread.handle,
                "layer": unread.layer,
                "kind": unread.kind,
                "reason": unread.reason,
                "box_m": None if unread.box_m is None else [_rounded(corner) for corner in unread.box_m],
            }
            for unread in review.unread
        ],
        "notes": list(review.notes),
        "summary": dict(review.summary),
        "runs": [_run(run, review.sources) for run in review.runs],
        "not_routed": [
            {
                "id": run.run_id,
                "cable": run.cable_id,
                "from_m": _rounded(run.corners_m[0]),
                "to_m": _rounded(run.corners_m[-1]),
            }
            for run in review.not_routed
        ],
        "findings": [_finding(finding, review.chains.get(finding.finding_id, ())) for finding in review.findings],
    }


def results_text(review: Review) -> str:
    """Return the results of a review as JSON text."""
    return json.dumps(results(review), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _rounded(value: Any) -> Any:
    if value is None:
        return None
    if isinstance(value, tuple | list | np.ndarray):
        return [_rounded(v) for v in value]
    return round(float(value), _DECIMALS)


def _run(run: RunReview, sources: Mapping[str, str]) -> dict[str, Any]:
    drawn = run.fitted.run
    return {
        "id": drawn.run_id,
        "cable": drawn.cable_id,
        "verdict": run.verdict,
        "length_m": _rounded(run.fitted.length_m),
        "corners_m": _rounded(drawn.corners_m),
        "smallest_gap_m": _rounded(run.smallest_gap_m),
        "start": {"kind": run.attachment.start.kind, "element": run.attachment.start.element_id},
        "end": {"kind": run.attachment.end.kind, "element": run.attachment.end.element_id},
        "bends": [_bend(bend, sources) for bend in run.bends],
        "supports": [
            {"at_m": _rounded(s.at_m), "kind": s.kind, "secures": s.secures, "source": s.source}
            for s in run.attachment.supports
        ],
        "spans": [_span(span, sources) for span in run.spans],
        "zones": [
            {"zone": z.zone.name, "kind": z.zone.kind, "from_m": _rounded(z.from_m), "to_m": _rounded(z.to_m)}
            for z in run.zones
        ],
    }


def _bend(judged: JudgedBend, sources: Mapping[str, str]) -> dict[str, Any]:
    return {
        "at_m": _rounded(judged.bend.at_m),
        "point_m": _rounded(judged.bend.point_m),
        "angle_deg": _rounded(np.degrees(judged.bend.turn_rad)),
        "inner_radius_m": _rounded(judged.inner_radius_m),
        "required_m": _rounded(judged.required_inner_m),
        "ratio": _rounded(judged.ratio),
        "rule": judged.rule,
        "source": sources.get(judged.rule, ""),
    }


def _span(span: Span, sources: Mapping[str, str]) -> dict[str, Any]:
    return {
        "check": span.check,
        "from_m": _rounded(span.from_m),
        "to_m": _rounded(span.to_m),
        "length_m": _rounded(span.length_m),
        "limit_m": _rounded(span.limit_m),
        "exempt": span.exempt,
        "rule": span.rule,
        "source": sources.get(span.rule, ""),
        "ok": span.ok,
        "why": span.why,
    }


def _finding(finding: Finding, chain: Sequence[Step]) -> dict[str, Any]:
    return {
        "id": finding.finding_id,
        "check": finding.check,
        "severity": finding.severity,
        "run": finding.run,
        "other": finding.other,
        "rule": finding.rule,
        "source": finding.source,
        "at_m": _rounded(finding.at_m),
        "point_m": _rounded(finding.point_m),
        "measured": _rounded(finding.measured),
        "required": _rounded(finding.required),
        "unit": finding.unit,
        "message": finding.message,
        "remedy": finding.remedy,
        "unchecked": finding.unchecked,
        "chain": [{"step": step.step, "text": step.text} for step in chain],
    }
