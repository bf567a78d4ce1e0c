"""Handing a check to the database of decisions, and saying in a line what that changed."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from route3d.clock import now
from route3d.errors import StoreError
from route3d.model.decision import Matter
from route3d.model.finding import Review
from route3d.model.revision import revision_of
from route3d.project import Project
from route3d.reports.console import Console
from route3d.store.decisions import matters
from route3d.store.opening import store_path

if TYPE_CHECKING:
    from route3d.store.recording import Recorded


def keep(project: Project, review: Review) -> Recorded:
    """Record a whole check of a project beside it; errors as ``route3d.store.recording.record``."""
    from route3d.store.recording import record  # brings an optimiser, for which projects without decisions do not wait

    return record(store_path(project.path), revision_of(review), project.job.checks, now())


def keep_if_kept(project: Project, review: Review, console: Console) -> None:
    """Record a check where decisions are kept on this project, and print what changed since the last one.

    A database that cannot be used is said; it does not take away what the check itself has found.
    """
    path = store_path(project.path)
    if not path.exists():
        return
    try:
        recorded = keep(project, review)
    except StoreError as error:
        console.print(f"decisions were not brought up to date: {error}", markup=False, style="yellow")
        return
    counts = [
        (recorded.fresh, "new"),
        (recorded.mended, "mended"),
        (recorded.found_again, "found again"),
        (recorded.asked_again, "to be decided again"),
        (recorded.not_judged, "no longer found but not shown to be mended"),
        (recorded.ambiguous, "matched with doubt"),
    ]
    told = ", ".join(f"{len(numbers)} {words}" for numbers, words in counts if numbers)
    since = told if told else "nothing changed"
    console.print(f"Since the last check: {since}. {summary_line(matters(path))}", markup=False)


def summary_line(known: tuple[Matter, ...], today: date | None = None) -> str:
    """Return in a sentence where the matters stand."""
    today = datetime.now(UTC).date() if today is None else today
    there = [m for m in known if m.presence != "mended"]
    parts = [f"{sum(m.decided == what for m in there)} {words}" for what, words in _WORDS.items()]
    overdue = sum(bool(m.due) and date.fromisoformat(m.due) < today and not m.is_settled for m in there)
    late = f" ({overdue} overdue)" if overdue else ""
    return f"Decisions: {', '.join(parts)}{late}; {sum(m.presence == 'mended' for m in known)} mended so far."


_WORDS = {"open": "open", "to-mend": "to mend", "accepted": "accepted", "not-ours": "not ours"}
