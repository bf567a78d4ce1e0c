"""Drafts on disk: every change is appended as it is made, so that none is lost when browser or server dies.

A journal is a file of JSON lines in a folder beside the project. Each line says what is now drafted of the runs that
it names, so that reading it means: take the last word on each run. A line that is torn is the last one, and is left
out; any other that cannot be read is counted and said. A living server holds a lock on its journal; what is not locked
was left behind by one that died, and is offered again.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from route3d.clock import now
from route3d.errors import InputError
from route3d.viewer.draft_files import FORMAT, Left, create, line_of, locked, read_journal
from route3d.viewer.edits import Edit

FOLDER = ".route3d-drafts"
_ENDING = ".jsonl"
_COMPACT_BYTES = 2_000_000


class Journal:
    """The journal of one server; nothing is written before the first draft.

    Raises
    ------
    InputError
        On writing: the folder cannot be written to.
    """

    def __init__(self, project: Path) -> None:
        self._folder = project.parent / FOLDER
        self._stem = project.stem
        self._path: Path | None = None
        self._file = -1
        self._dirty = False
        self._cut_short = False
        self._now: dict[str, Edit] = {}

    # --- writing ---------------------------------------------------------------------------------------------------

    def record(self, drafts: Mapping[str, Edit]) -> None:
        """Append what differs from what was recorded last; on disk after ``sync``, safe from a kill at once."""
        changed = {run: edit for run, edit in drafts.items() if self._now.get(run) != edit}
        gone = self._now.keys() - drafts.keys()
        if not changed and not gone:
            return
        runs: dict[str, Any] = {run: edit.as_json() for run, edit in changed.items()}
        runs |= dict.fromkeys(gone)
        self._append({"at": now(), "runs": runs})
        self._now = dict(drafts)
        if os.fstat(self._file).st_size > _COMPACT_BYTES:
            self._compact()

    @property
    def dirty(self) -> bool:
        """Tell whether something has been written that a power failure could still take."""
        return self._dirty

    def sync(self) -> None:
        """Wait until everything is on the disk."""
        if self._dirty and self._file >= 0:
            os.fsync(self._file)
            self._dirty = False

    def close(self) -> None:
        """Leave the journal for the next server, or remove it where it holds nothing."""
        if self._file < 0:
            return
        self.sync()
        assert self._path is not None
        if not self._now:
            self._path.unlink(missing_ok=True)
        os.close(self._file)
        self._file = -1
        self._remove_empty_folder()

    def _append(self, line: Mapping[str, Any]) -> None:
        try:
            if self._file < 0:
                self._open()
            text = line_of(line)
            # a line that was cut short, on a full disk, must not take the next one with it
            written = os.write(self._file, b"\n" * self._cut_short + text)
            self._cut_short = written < len(text)
            if self._cut_short:
                raise OSError(0, "the disk is full")
        except OSError as error:
            self._cut_short = True
            raise InputError(
                FOLDER, f"drafts cannot be kept ({error.strerror}), so nothing was changed; mend that and try again"
            ) from error
        self._dirty = True

    def _open(self) -> None:
        if self._folder.is_symlink():
            raise InputError(FOLDER, "is a link to another place; remove it, drafts are kept beside the project only")
        self._folder.mkdir(exist_ok=True)
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S")
        self._path = self._folder / f"{self._stem}-{stamp}-{secrets.token_hex(3)}{_ENDING}"
        self._file = create(self._path)
        os.write(self._file, line_of({"format": FORMAT, "project": self._stem, "at": now()}))

    def _compact(self) -> None:
        """Write the journal anew with the last word on each run only."""
        assert self._path is not None
        fresh = self._path.with_name(f"{self._stem}-{secrets.token_hex(6)}.part")
        file = create(fresh)
        os.write(file, line_of({"format": FORMAT, "project": self._stem, "at": now()}))
        os.write(file, line_of({"at": now(), "runs": {run: edit.as_json() for run, edit in self._now.items()}}))
        os.fsync(file)
        os.replace(fresh, self._path)
        os.close(self._file)
        self._file, self._dirty = file, False

    def _remove_empty_folder(self) -> None:
        with suppress(OSError):  # somebody else's drafts may be in it
            self._folder.rmdir()

    # --- what was left behind ---------------------------------------------------------------------------------------

    def left(self) -> Left | None:
        """Return what servers that are gone left behind for this project, the latest word on each run; None if nothing.

        Files stay where they are until ``done_with``; other servers do not offer them meanwhile.
        """
        if not self._folder.is_dir() or self._folder.is_symlink():
            return None
        edits: dict[str, Edit] = {}
        since: list[str] = []
        paths: list[Path] = []
        held: list[int] = []
        unreadable = 0
        for path in sorted(self._folder.glob(f"{_escaped(self._stem)}-*{_ENDING}"), key=_modified):
            if path == self._path or path.is_symlink():
                continue
            lock = locked(path)
            if lock is None:
                continue  # another viewer has this project open; its drafts are its own
            found = read_journal(path, self._stem)
            if found is None:
                os.close(lock)
                continue  # of another project in the same folder
            if not found.edits and not found.unreadable:
                path.unlink(missing_ok=True)
                os.close(lock)
                continue
            edits |= found.edits
            unreadable += found.unreadable
            since.append(found.since)
            paths.append(path)
            held.append(lock)
        if not paths:
            self._remove_empty_folder()
            return None
        return Left(edits, min(since), unreadable, tuple(paths), tuple(held))

    def let_go(self, left: Left) -> None:
        """Let other servers offer what was left behind; its files stay."""
        for lock in left.held:
            os.close(lock)

    def done_with(self, left: Left) -> None:
        """Remove files that were left behind, after their drafts were taken or dropped; call ``sync`` before.

        A file with lines that could not be read is kept under another name.
        """
        self.let_go(left)
        for path in left.paths:
            if left.unreadable:
                path.rename(path.with_name(path.name + ".unreadable"))
            else:
                path.unlink(missing_ok=True)
        self._remove_empty_folder()


def _modified(path: Path) -> tuple[int, str]:
    try:
        return path.stat().st_mtime_ns, path.name
    except OSError:
        return 0, path.name


def _escaped(stem: str) -> str:
    return "".join(f"[{c}]" if c in "*?[" else c for c in stem)
