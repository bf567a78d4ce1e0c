"""Strap plans as JSON (schema ``route3d-straps/1``, metres) and as CSV, one row per strap."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from typing import Any

from route3d.model.finding import CAUTION
from route3d.model.job import Job
from route3d.model.plan import StrapPlace, StrapPlan, StuckStretch
from route3d.plans.without_route import left_out
from route3d.reports.formats import stamp
from route3d.reports.takeoff_csv import safe
from route3d.units import feet_inches

_DECIMALS = 6  # a micrometre

HEADINGS = (
    "run", "cable", "strap", "at m", "at ft in", "x m", "y m", "z m", "state", "held by", "role", "reach m",
    "shared with", "note",
)  # fmt: skip


def straps_text(plans: Sequence[StrapPlan], job: Job, rules: str, made: str) -> str:
    """Return strap plans as JSON text."""
    cables = {run.run_id: run.cable_id for run in job.runs}
    content = {
        **stamp("straps"),
        "project": job.name,
        "rules": rules,
        "made": made,
        "caution": CAUTION,
        "inputs": [{"file": source.file, "sha256": source.sha256, "unit": source.unit} for source in job.inputs],
        "unread": len(job.unread),
        "runs": [_plan(plan, cables) for plan in plans],
        "not_routed": [run.run_id for run in job.unrouted],
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def straps_csv(plans: Sequence[StrapPlan], job: Job) -> str:
    """Return all straps as CSV text, those to be taken out and stretches without a place with them."""
    cables = {run.run_id: run.cable_id for run in job.runs}
    lines: list[list[str]] = [list(HEADINGS)]
    for plan in plans:
        head = [safe(plan.run_id), safe(cables[plan.run_id])]
        for number, strap in enumerate(plan.straps, start=1):
            lines.append(
                [
                    *head,
                    str(number),
                    f"{strap.at_m:.4f}",
                    feet_inches(strap.at_m),
                    *(f"{x:.4f}" for x in strap.point_m),
                    "kept" if strap.existing else "add",
                    safe("" if strap.holder is None else strap.holder),
                    "" if strap.holder_role is None else strap.holder_role,
                    "" if strap.reach_m is None else f"{strap.reach_m:.4f}",
                    safe(" ".join(strap.shared_with)),
                    safe(strap.note),
                ]
            )
        for at_m in (*plan.refused_at_m, *plan.refused_supports_at_m):
            lines.append([*head, "", f"{at_m:.4f}", feet_inches(at_m), "", "", "", "take out"])
        for name, at_m in plan.refused_drawn:
            state = ["", "", "", "take out of its drawing", safe(name)]
            lines.append([*head, "", f"{at_m:.4f}", feet_inches(at_m), *state])
        for stuck in plan.stuck:
            text = safe(f"{stuck.why} {stuck.remedy}")
            where = f"{stuck.from_m:.4f} to {stuck.to_m:.4f}"
            lines.append([*head, "", where, "", "", "", "", "no place", "", "", "", "", text])
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerows(
        [*lines, *([f"{said}."] for said in left_out([run.run_id for run in job.unrouted], "these plans")), [CAUTION]]
    )
    return f"\ufeff{out.getvalue()}"  # the mark tells spreadsheets that this is UTF-8


def _plan(plan: StrapPlan, cables: Mapping[str, str]) -> dict[str, Any]:
    return {
        "id": plan.run_id,
        "cable": cables[plan.run_id],
        "length_m": round(plan.length_m, _DECIMALS),
        "margin": plan.margin,
        "added": plan.added,
        "fewest": plan.fewest,
        "straps": [_strap(strap) for strap in plan.straps],
        "take_out_at_m": [round(at_m, _DECIMALS) for at_m in plan.refused_at_m],
        "take_out_supports_at_m": [round(at_m, _DECIMALS) for at_m in plan.refused_supports_at_m],
        "take_out_of_drawing": [{"element": name, "at_m": round(at_m, _DECIMALS)} for name, at_m in plan.refused_drawn],
        "stuck": [_stuck(stuck) for stuck in plan.stuck],
        "notes": list(plan.notes),
    }


def _strap(strap: StrapPlace) -> dict[str, Any]:
    return {
        "at_m": round(strap.at_m, _DECIMALS),
        "point_m": [round(x, _DECIMALS) for x in strap.point_m],
        "existing": strap.existing,
        "holder": strap.holder,
        "holder_role": strap.holder_role,
        "reach_m": None if strap.reach_m is None else round(strap.reach_m, _DECIMALS),
        "shared_with": list(strap.shared_with),
        "note": strap.note,
    }


def _stuck(stuck: StuckStretch) -> dict[str, Any]:
    return {
        "check": stuck.check,
        "from_m": round(stuck.from_m, _DECIMALS),
        "to_m": round(stuck.to_m, _DECIMALS),
        "rule": stuck.rule,
        "why": stuck.why,
        "remedy": stuck.remedy,
    }
