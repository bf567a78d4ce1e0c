"""What joins the viewer's record book to the project's database of decisions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from threading import RLock

from route3d.clock import now
from route3d.errors import StoreError
from route3d.model.decision import Kept
from route3d.model.finding import Review
from route3d.model.revision import Revision, revision_of
from route3d.store.decisions import decide
from route3d.store.opening import store_path
from route3d.store.recording import kept, last_revision, record
from route3d.viewer.deciding import decision_of

_UNKNOWN = -1


class ProjectStore:
    """The database beside a project file, as the viewer uses it; what the viewer checks is recorded as by ``check``."""

    def __init__(self, project_file: Path) -> None:
        self.path = store_path(project_file)
        self._lock = RLock()
        self._followed: tuple[Revision, tuple[str, ...]] | None = None
        self._recorded = False
        self._before = 0

    def reading(self) -> None:
        """Take note that the files are about to be read: a check recorded after this may speak of newer ones."""
        with self._lock:
            try:
                self._before = last_revision(self.path)
            except StoreError:
                self._before = _UNKNOWN  # said when the check is to be recorded

    def stamp(self) -> object:
        """Return what changes with every write: size and time of the database and of the log beside it."""
        stamps = []
        for path in (self.path, self.path.with_name(self.path.name + "-wal")):
            try:
                status = path.stat()
            except OSError:
                stamps.append((0, 0))
                continue
            # an empty log is only somebody who looks
            stamps.append((status.st_size, status.st_mtime_ns) if status.st_size else (0, 0))
        return tuple(stamps)

    def kept(self) -> Kept:
        """Return all that is kept."""
        return kept(self.path)

    def follow(self, review: Review, checks: Sequence[str]) -> None:
        """Take note of a saved check, and record it where decisions are kept already."""
        with self._lock:
            self._followed, self._recorded = (revision_of(review), tuple(checks)), False
            if self.path.exists():
                self._record()

    def begin(self) -> None:
        """Record the check that was followed, if that has not been done; this makes the database."""
        with self._lock:
            if not self.path.exists():  # it never was, or was moved away meanwhile
                self._before, self._recorded = 0, False
            if not self._recorded:
                self._record()

    def decide(self, numbers: Sequence[int], said: Mapping[str, str]) -> None:
        """Add a decision to the histories of matters."""
        decide(self.path, numbers, decision_of(said, now()))

    def _record(self) -> None:
        if self._followed is not None:
            recorded = record(self.path, *self._followed, now(), after=self._before)
            if recorded.overtaken and self._before == _UNKNOWN:
                raise StoreError(f"{self.path}: could not be read before this check; have the files read anew")
            self._recorded = True
