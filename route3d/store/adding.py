"""Many entries of others added to the histories of matters at once: all of them or none, and none twice."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from route3d.model.decision import Decision
from route3d.store.decisions import insert_decision, refuse_incomplete
from route3d.store.opening import opened, writing


def add_all(path: Path, entries: Sequence[tuple[int, Decision]]) -> int:
    """Add entries (number of the matter, what is said) and return how many were not there yet.

    Raises
    ------
    StoreError
        One lacks a name or a reason, or the database cannot be used; nothing has changed then.
    """
    added = 0
    with opened(path) as connection, writing(connection):
        for number, entry in entries:
            refuse_incomplete(entry)
            there = connection.execute(
                "SELECT 1 FROM decision WHERE matter = ? AND at = ? AND by = ? AND note = ?",
                (number, entry.at, entry.by, entry.note),
            ).fetchone()
            if there is None:
                insert_decision(connection, number, entry)
                added += 1
    return added
