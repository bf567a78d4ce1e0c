"""A take-off as JSON, schema ``route3d-takeoff/1``; every length in metres."""

from __future__ import annotations

import json
from typing import Any

from route3d.model.finding import CAUTION
from route3d.model.plan import CableCut, CutLength, TakeOff
from route3d.reports.formats import stamp

_DECIMALS = 6


def takeoff_text(takeoff: TakeOff, project: str, made: str, unsure: int) -> str:
    """Return a take-off as JSON text; ``unsure`` is the number of things that it had to assume."""
    told = {
        **stamp("takeoff"),
        "project": project,
        "made": made,
        "caution": CAUTION,
        "summary": {
            "runs": len(takeoff.lengths),
            "cut_m": _rounded(sum(length.total_m for length in takeoff.lengths)),
            "bought_m": _rounded(sum(cut.bought_m for cut in takeoff.cables)),
            "too_long": sum(len(cut.too_long) for cut in takeoff.cables),
            "unsure": unsure,
            "not_routed": len(takeoff.not_routed),
        },
        "lengths": [_length(length) for length in takeoff.lengths],
        "cables": [_cable(cut) for cut in takeoff.cables],
        "material": [
            {
                "kind": m.kind,
                "size": m.size,
                "detail": m.detail,
                "count": m.count,
                "by_run": dict(m.by_run),
                "source": m.source,
            }
            for m in takeoff.material
        ],
        "not_routed": list(takeoff.not_routed),
        "notes": list(takeoff.notes),
    }
    return json.dumps(told, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(float(value), _DECIMALS)


def _length(length: CutLength) -> dict[str, Any]:
    return {
        "run": length.run_id,
        "cable": length.cable_id,
        "storey": length.storey,
        "panel": length.group,
        "feeder": length.feeder,
        "fitted_m": _rounded(length.fitted_m),
        "parts": [{"name": p.name, "length_m": _rounded(p.length_m), "source": p.source} for p in length.parts],
        "cut_m": _rounded(length.total_m),
        "weight_kg": _rounded(length.weight_kg),
        "weight_source": length.weight_source,
        "pull_from": length.pull_from,
        "pull_why": length.pull_why,
        "unsure": list(length.unsure),
    }


def _cable(cut: CableCut) -> dict[str, Any]:
    return {
        "cable": cut.cable_id,
        "stock": cut.stock_source,
        "minimised": cut.minimised,
        "bought_m": _rounded(cut.bought_m),
        "bought_bound_m": _rounded(cut.bought_bound_m),
        "cost": _rounded(cut.cost),
        "cost_bound": _rounded(cut.cost_bound),
        "proven": cut.proven,
        "too_long": list(cut.too_long),
        "too_long_advice": cut.too_long_advice,
        "unsure": list(cut.unsure),
        "coils": [
            {
                "number": coil.number,
                "stock": coil.stock,
                "length_m": _rounded(coil.length_m),
                "cuts": [{"run": run_id, "length_m": _rounded(length)} for run_id, length in coil.cuts],
                "left_m": _rounded(coil.left_m),
                "reusable": coil.reusable,
            }
            for coil in cut.coils
        ],
    }
