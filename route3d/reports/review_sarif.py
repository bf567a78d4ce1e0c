"""A review as SARIF 2.1.0 (OASIS), which code servers read."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote

from route3d.model.element import Element
from route3d.model.finding import Finding, Review
from route3d.reports.bcf_topic import plain
from route3d.reports.rows import counts_of
from route3d.version import VERSION

SCHEMA = "https://json.schemastore.org/sarif-2.1.0.json"
_LEVELS = {"violation": "error", "caution": "warning", "note": "note"}


def sarif(review: Review, checks: Sequence[str], elements: Mapping[str, Element], project_file: str) -> str:
    """Return the review as SARIF: a result per finding, its place a run and a file; what was not read is a warning.

    ``project_file`` is the name of the project file, where findings are placed that no drawing holds.
    """
    log = {
        "$schema": SCHEMA,
        "version": "2.1.0",
        "runs": [
            {
                "tool": {
                    "driver": {
                        "name": "route3d",
                        "version": VERSION,
                        "fullDescription": {"text": review.caution},
                        "rules": [{"id": check, "shortDescription": {"text": f"Check {check}."}} for check in checks],
                    }
                },
                "columnKind": "unicodeCodePoints",
                "invocations": [
                    {
                        "executionSuccessful": True,
                        "endTimeUtc": review.made,
                        "toolExecutionNotifications": _unread(review),
                    }
                ],
                "results": [_result(f, checks, elements, project_file) for f in review.findings],
                "properties": {"project": plain(review.project), "rules": review.rules, **counts_of(review)},
            }
        ],
    }
    return json.dumps(log, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _unread(review: Review) -> list[dict[str, Any]]:
    return [
        {
            "level": "warning",
            "message": {"text": plain(f"not read: {u.kind} {u.handle} on {u.layer}: {u.reason}")},
            "locations": [{"physicalLocation": {"artifactLocation": {"uri": _uri(u.file)}}}],
        }
        for u in review.unread
    ]


def _result(
    finding: Finding, checks: Sequence[str], elements: Mapping[str, Element], project_file: str
) -> dict[str, Any]:
    element = None if finding.other is None else elements.get(finding.other)
    file = element.file if element is not None and element.file else project_file
    logical = [] if finding.run is None else [{"name": plain(finding.run), "kind": "object"}]
    result: dict[str, Any] = {
        "ruleId": finding.check,
        "level": _LEVELS[finding.severity],
        "message": {"text": f"{plain(finding.message)} Rule: {plain(finding.rule)}. Remedy: {plain(finding.remedy)}"},
        "locations": [
            {
                "physicalLocation": {"artifactLocation": {"uri": _uri(file)}},
                **({"logicalLocations": logical} if logical else {}),
            }
        ],
        "partialFingerprints": {"route3dFinding/v1": finding.finding_id},
        "properties": {
            "other": None if finding.other is None else plain(finding.other),
            "atM": None if finding.at_m is None else list(finding.at_m),
            "pointM": None if finding.point_m is None else list(finding.point_m),
            "measured": finding.measured,
            "required": finding.required,
            "unit": finding.unit,
            "valueFrom": finding.source,
            "unchecked": finding.unchecked,
        },
    }
    if finding.check in checks:
        result["ruleIndex"] = list(checks).index(finding.check)
    return result


def _uri(file: str) -> str:
    """Return a relative reference: names of files may hold anything, and no scheme may come of them."""
    return quote(file.replace("\\", "/").lstrip("/").encode("utf-8", "backslashreplace"), safe="/")
