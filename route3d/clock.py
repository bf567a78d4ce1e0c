"""The time as everything that is written carries it."""

from __future__ import annotations

from datetime import UTC, datetime


def written(moment: datetime) -> str:
    """Return a moment of UTC as results, decisions and drafts carry it: ``2026-01-31T12:00:00Z``."""
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def now() -> str:
    """Return the time as results, decisions and drafts carry it."""
    return written(datetime.now(UTC))
