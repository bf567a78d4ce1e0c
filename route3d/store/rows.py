"""What the database holds, read back with distrust: files travel, and other programs can write into this one."""

from __future__ import annotations

import math
import re
import sqlite3
from collections.abc import Sequence
from datetime import date
from typing import Any, TypeVar

import numpy as np
from pydantic import TypeAdapter, ValidationError

from route3d.model.decision import DECISIONS, PRESENCE, Decision, Event, Matter
from route3d.model.finding import Finding
from route3d.model.revision import RunMark

SEVERITIES = ("violation", "caution", "note")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_Made = TypeVar("_Made")

_FINDING = TypeAdapter(Finding)
_CORNERS = TypeAdapter(list[tuple[float, float, float]])
_COUNTS = TypeAdapter(dict[str, int])


class SenselessRowError(sqlite3.DatabaseError):
    """A row that this program has not written: told of the file as any other damage is."""

    def __init__(self, table: str) -> None:
        super().__init__(f"a row of its table {table!r} makes no sense")


def matter_of(row: Sequence[Any]) -> Matter:
    """Return a matter: number, finding, presence, since, mended, ambiguous, topic, decided, note, owner, due and by."""
    number, finding, presence, since, mended, ambiguous, topic, decided, note, owner, due, by = row
    _texts((since, topic, note, owner, by), "matter")
    if presence not in PRESENCE or decided not in DECISIONS or not _is_due(due) or not isinstance(mended, str | None):
        raise SenselessRowError("matter")
    return Matter(
        number=number,
        finding=finding_from(finding),
        decided=decided,
        presence=presence,
        since=since,
        mended=mended,
        note=note,
        owner=owner,
        due=due,
        by=by,
        ambiguous=bool(ambiguous),
        topic=topic,
    )


def decision_of(row: Sequence[Any]) -> Decision:
    """Return a decision from at, by, decided, note, owner and due."""
    _texts(row, "decision")
    decision = Decision(*row)
    if decision.decided not in DECISIONS or not _is_due(decision.due):
        raise SenselessRowError("decision")
    return decision


def event_of(row: Sequence[Any]) -> Event:
    """Return an event from at, kind and why."""
    _texts(row, "event")
    return Event(*row)


def run_of(row: Sequence[Any]) -> RunMark:
    """Return a run from id, cable, verdict, length and corners."""
    run, cable, verdict, length_m, corners = row
    _texts((run, cable, verdict), "latest")
    if not isinstance(length_m, float):
        raise SenselessRowError("latest")
    points = np.array(_read(_CORNERS, corners, "latest"), dtype=float).reshape(-1, 3)
    if not np.isfinite(points).all() or not math.isfinite(length_m):
        raise SenselessRowError("latest")
    return RunMark(run, cable, verdict, length_m, points)


def counts_from(text: object) -> dict[str, int]:
    """Return the counts of a revision."""
    return _read(_COUNTS, text, "revision")


def finding_from(text: object) -> Finding:
    """Return a finding as ``decisions.finding_text`` gave it."""
    finding = _read(_FINDING, text, "matter")
    places = (*(finding.at_m or ()), *(finding.point_m or ()), finding.measured, finding.required)
    if finding.severity not in SEVERITIES or any(x is not None and not math.isfinite(x) for x in places):
        raise SenselessRowError("matter")
    return finding


def _read(adapter: TypeAdapter[_Made], text: object, table: str) -> _Made:
    if not isinstance(text, str):
        raise SenselessRowError(table)
    try:
        return adapter.validate_json(text, strict=True)
    except (ValidationError, UnicodeError) as error:
        raise SenselessRowError(table) from error


def _texts(values: Sequence[object], table: str) -> None:
    if not all(isinstance(value, str) for value in values):
        raise SenselessRowError(table)


def _is_due(text: object) -> bool:
    if not isinstance(text, str):
        return False
    if not text:
        return True
    try:
        return _DAY.fullmatch(text) is not None and date.fromisoformat(text) is not None
    except ValueError:
        return False
