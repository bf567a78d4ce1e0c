"""The files of drafts: JSON lines, locked while their server lives; read with distrust, since folders travel."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from route3d.clock import now
from route3d.viewer.edits import Edit, EditError, read_changes

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

FORMAT = 1
_READ_MAX_BYTES = 64_000_000


@dataclass(frozen=True, slots=True)
class Left:
    """Drafts that an earlier server left behind."""

    edits: Mapping[str, Edit]
    since: str  # when the first of them was made
    unreadable: int = 0  # lines that could not be read
    paths: tuple[Path, ...] = ()
    held: tuple[int, ...] = field(default=(), repr=False)  # open files with their locks


def read_journal(path: Path, stem: str) -> Left | None:
    """Return what a journal says; None where it belongs to another project."""
    try:
        with path.open("rb") as file:
            raw = file.read(_READ_MAX_BYTES + 1)
    except OSError:
        return Left({}, now(), 1)
    lines = raw.split(b"\n")
    lines.pop()  # what stands behind the last line feed was being written when the server died
    unreadable = int(len(raw) > _READ_MAX_BYTES)
    edits: dict[str, Edit] = {}
    since = ""
    for number, line in enumerate(lines):
        if not line:
            continue
        try:
            said = json.loads(line)
            if number == 0 and said.get("format") == FORMAT:
                if said.get("project") != stem:
                    return None
                continue
            since = _read_line(said, edits, since)
        except (ValueError, KeyError, AttributeError, TypeError, RecursionError, EditError):
            unreadable += 1
    return Left(edits, since if since else now(), unreadable)


def _read_line(said: Mapping[str, Any], edits: dict[str, Edit], since: str) -> str:
    at = str(said["at"])[:40]
    if not edits:
        since = at
    for run, change in said["runs"].items():
        if change is None:
            edits.pop(run, None)
        else:
            edits[run] = edit_from({**change, "run": run})
    return since


def edit_from(value: Mapping[str, Any]) -> Edit:
    """Return the edit that ``Edit.as_json`` gave; whoever wrote the file, it is checked like a message.

    Raises
    ------
    EditError
        It is no such edit.
    """
    change = read_changes([dict(value)], np.zeros(3), {})[0]
    return replace(Edit(change["run"]), **{k: v for k, v in change.items() if k != "run"})


def line_of(value: Mapping[str, Any]) -> bytes:
    """Return a value as one line."""
    return json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":")).encode() + b"\n"


def create(path: Path) -> int:
    """Return a new file, open for appending and locked."""
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    file = os.open(path, flags, 0o600)
    if not _lock(file):
        raise OSError(0, "its lock is taken")
    return file


def locked(path: Path) -> int | None:
    """Return a handle that holds the lock of a journal, or None where a living server has it."""
    try:
        file = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    except OSError:
        return None
    if _lock(file):
        return file
    os.close(file)
    return None


def _lock(file: int) -> bool:
    try:
        if sys.platform == "win32":
            # far behind the text, which others may read
            os.lseek(file, 1 << 30, os.SEEK_SET)
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
            os.lseek(file, 0, os.SEEK_END)
        else:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
