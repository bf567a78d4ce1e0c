"""Decisions on the findings of a project: what people decided, kept for good, and read back."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from pathlib import Path

from route3d.errors import StoreError
from route3d.model.decision import DECISIONS, NEEDS_REASON, Decision, Event, Matter
from route3d.model.finding import Finding
from route3d.store.opening import looked_into, opened, writing
from route3d.store.rows import decision_of, event_of, matter_of

MOST_LETTERS = 4000


def decide(path: Path, numbers: Sequence[int], decision: Decision) -> None:
    """Add a decision to the history of matters: to all of them, or to none.

    Raises
    ------
    StoreError
        There is no such matter, the decision lacks a name or a reason, or the database cannot be used.
    """
    refuse_incomplete(decision)
    with opened(path) as connection, writing(connection):
        for number in numbers:
            if connection.execute("SELECT 1 FROM matter WHERE number = ?", (number,)).fetchone() is None:
                raise StoreError(f"{path}: has no matter {number}; `route3d decide --list` shows them")
            insert_decision(connection, number, decision)


def insert_decision(connection: sqlite3.Connection, number: int, decision: Decision) -> None:
    """Add one row to the history of a matter, inside a transaction."""
    connection.execute(
        "INSERT INTO decision (matter, at, by, decided, note, owner, due) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (number, decision.at, decision.by, decision.decided, decision.note, decision.owner, decision.due),
    )


def matters(path: Path) -> tuple[Matter, ...]:
    """Return every matter with the decision that holds today, in the order in which they were first found."""
    if not path.exists():
        return ()
    with looked_into(path) as connection:
        return read_matters(connection)


def read_matters(connection: sqlite3.Connection) -> tuple[Matter, ...]:
    """Return every matter of an open database."""
    rows = connection.execute(
        """
        SELECT m.number, m.finding, m.presence, m.since, m.mended, m.ambiguous, m.topic,
               coalesce(d.decided, 'open'), coalesce(d.note, ''), coalesce(d.owner, ''), coalesce(d.due, ''),
               coalesce(d.by, '')
        FROM matter m LEFT JOIN decision d
          ON d.number = (SELECT max(number) FROM decision WHERE matter = m.number)
        ORDER BY m.number
        """
    )
    return tuple(matter_of(row) for row in rows)


def history(path: Path, number: int) -> tuple[tuple[Decision, ...], tuple[Event, ...]]:
    """Return all decisions on a matter and all events of it, oldest first."""
    with looked_into(path) as connection:
        decisions = connection.execute(
            "SELECT at, by, decided, note, owner, due FROM decision WHERE matter = ? ORDER BY number", (number,)
        )
        told = tuple(decision_of(row) for row in decisions)
        events = connection.execute("SELECT at, kind, why FROM event WHERE matter = ? ORDER BY number", (number,))
        return told, tuple(event_of(row) for row in events)


def histories(path: Path) -> dict[int, tuple[Decision, ...]]:
    """Return all decisions on all matters, by the number of the matter, oldest first."""
    if not path.exists():
        return {}
    with looked_into(path) as connection:
        return read_histories(connection)


def read_histories(connection: sqlite3.Connection) -> dict[int, tuple[Decision, ...]]:
    """Return all decisions on all matters of an open database, as `histories`."""
    told: dict[int, list[Decision]] = {}
    rows = connection.execute("SELECT matter, at, by, decided, note, owner, due FROM decision ORDER BY number")
    for number, *row in rows:
        told.setdefault(number, []).append(decision_of(row))
    return {number: tuple(decisions) for number, decisions in told.items()}


def read_events(connection: sqlite3.Connection) -> dict[int, tuple[Event, ...]]:
    """Return all events of all matters of an open database, by the number of the matter, oldest first."""
    told: dict[int, list[Event]] = {}
    for number, *row in connection.execute("SELECT matter, at, kind, why FROM event ORDER BY number"):
        told.setdefault(number, []).append(Event(*row))
    return {number: tuple(events) for number, events in told.items()}


def finding_text(finding: Finding) -> str:
    """Return a finding as it is kept."""
    return json.dumps(asdict(finding), ensure_ascii=False, allow_nan=False)


def refuse_incomplete(decision: Decision) -> None:
    """Refuse a decision without a name, or without a reason where it needs one; errors as `decide`."""
    if decision.decided not in DECISIONS:
        raise StoreError(f"{decision.decided!r} is no decision; choose one of {', '.join(DECISIONS)}")
    if not decision.by.strip():
        raise StoreError("a decision needs the name of who made it (--by)")
    if decision.decided in NEEDS_REASON and not decision.note.strip():
        raise StoreError(f"{decision.decided!r} needs a reason (--note)")
    if decision.due:
        try:
            date.fromisoformat(decision.due)
        except ValueError:
            raise StoreError(f"{decision.due!r} is no date; write it as 2026-01-31 (--due)") from None
    if any(len(text) > MOST_LETTERS for text in (decision.by, decision.note, decision.owner)):
        raise StoreError(f"a note has at most {MOST_LETTERS} letters; put longer texts beside the project")
