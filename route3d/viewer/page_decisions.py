"""Decisions and trend as the page gets them: plain dictionaries, by the ids of the findings that it shows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from route3d.model.decision import Checkpoint, Decision, Event, Kept, Matter, by_finding
from route3d.model.finding import Finding

Block = dict[str, Any]

PAST_MAX = 500  # matters that no check finds any more: the newest; the rest are counted
HISTORY_MAX = 200  # lines of one history: the newest; the rest are counted
_SAME_M = 1e-6


def page_decisions(kept: Kept, findings: Mapping[str, Finding]) -> Block:
    """Return what review.json says of decisions on these findings (by id).

    A matter goes to the finding of its id only if that is the same finding: somebody may have recorded a check of newer
    files, in which an id means another one. How many could not be told is in ``"decisions_elsewhere"``.
    """
    found = by_finding(kept.matters)
    here = {key: m for key, m in found.items() if key in findings and is_same(m.finding, findings[key])}
    past = [matter for matter in kept.matters if matter.presence != "found"]
    past.sort(key=lambda m: (m.mended or "", m.number), reverse=True)
    return {
        "decisions": {key: _entry(kept, matter) for key, matter in here.items()},
        "decisions_elsewhere": len(found) - len(here),
        "past": [_past(kept, matter) for matter in past[:PAST_MAX]],
        "past_count": len(past),
        "mended_count": sum(matter.presence == "mended" for matter in past),
        "trend": [_checkpoint(point) for point in kept.trend],
    }


def is_same(kept: Finding, shown: Finding) -> bool:
    """Tell whether a finding that is kept and one that is shown are one and the same, not only of one name."""
    if (kept.check, kept.run, kept.other, kept.rule) != (shown.check, shown.run, shown.other, shown.rule):
        return False
    if kept.point_m is None or shown.point_m is None:
        return kept.point_m is None and shown.point_m is None
    return all(abs(a - b) <= _SAME_M for a, b in zip(kept.point_m, shown.point_m, strict=True))


def _entry(kept: Kept, matter: Matter) -> Block:
    decisions = kept.decisions.get(matter.number, ())
    history = _history(decisions, kept.events.get(matter.number, ()))
    return {
        "number": matter.number,
        "decided": matter.decided,
        "by": matter.by,
        "at": decisions[-1].at if decisions else "",
        "note": matter.note,
        "owner": matter.owner,
        "due": matter.due,
        "since": matter.since,
        "doubtful": matter.ambiguous,
        "settled": matter.is_settled,
        "history": history[-HISTORY_MAX:],
        "history_count": len(history),
    }


def _past(kept: Kept, matter: Matter) -> Block:
    finding = matter.finding
    about = {"check": finding.check, "severity": finding.severity, "run": finding.run, "message": finding.message}
    return {**_entry(kept, matter), "presence": matter.presence, "mended": matter.mended, **about}


def _history(decisions: tuple[Decision, ...], events: tuple[Event, ...]) -> list[Block]:
    """Return what was decided and what checks said, oldest first; that it was found at all goes without saying."""
    lines: list[Block] = [
        {"at": d.at, "by": d.by, "decided": d.decided, "note": d.note, "owner": d.owner, "due": d.due}
        for d in decisions
    ]  # fmt: skip
    lines += [{"at": e.at, "event": e.kind, "why": e.why} for e in events if e.kind != "first-found"]
    return sorted(lines, key=lambda line: line["at"])


def _checkpoint(point: Checkpoint) -> Block:
    counts = point.counts
    return {
        "number": point.number,
        "made": point.made,
        "rules": point.rules,
        "violations": counts.get("violation", 0),
        "cautions": counts.get("caution", 0),
        "runs_pass": counts.get("runs pass", 0),
        "runs_fail": counts.get("runs fail", 0),
        "runs_unchecked": counts.get("runs unchecked", 0),
        "unread": point.unread,
        "new": point.fresh,
        "mended": point.mended,
        "lost": point.lost,
        "returned": point.returned,
    }
