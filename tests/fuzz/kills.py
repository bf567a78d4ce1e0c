"""A command that dies (as of ``kill -9``) or finds the disk full right before its n-th step that changes a file.

Steps are what the interpreter tells its audit hooks: opening to write, renaming, removing, making folders. A hook
cannot be taken out again, so each try is a child process.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
SURVIVED = 77  # exit status of a child that did less than n steps
_CHANGES = frozenset(
    f"os.{name}" for name in ("rename", "remove", "mkdir", "rmdir", "truncate", "link", "symlink", "chmod")
)


def struck(words: tuple[str, ...], folder: Path, step: int, *, full: bool = False) -> tuple[int, str]:
    """Run a command that is struck at its ``step``-th change below ``folder``; return its status and what it said.

    ``full``: instead of dying, that change and all later ones meet a full disk. ``SURVIVED`` where there are fewer.
    """
    from tests.scratch_project import call

    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        status, said = 99, ""
        try:
            counted = [0]
            sys.addaudithook(_hook(str(folder), step, counted, full))
            status, said = call(*words)
            if counted[0] < step:
                status, said = SURVIVED, f"{status} {said}"
        except BaseException:
            said = traceback.format_exc()
        with contextlib.suppress(BaseException):
            os.write(writing, said.encode("utf-8", "replace")[-60_000:])
        os._exit(status)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        said = pipe.read().decode("utf-8", "replace")
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), said


def _hook(folder: str, step: int, counted: list[int], full: bool) -> Callable[[str, tuple[Any, ...]], None]:
    def hook(event: str, given: tuple[Any, ...]) -> None:
        if event == "open":
            path, mode, flags = given
            changes = bool((flags or 0) & _WRITING) or (isinstance(mode, str) and any(c in mode for c in "wax+"))
        else:
            path, changes = (given[0] if given else None), event in _CHANGES
        if not changes or not isinstance(path, str | bytes | os.PathLike):
            return
        if not os.path.abspath(os.fsdecode(path)).startswith(folder):
            return
        counted[0] += 1
        if full and counted[0] >= step and event not in ("os.remove", "os.rmdir"):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), os.fsdecode(path))
        if not full and counted[0] == step:
            os._exit(137)

    return hook
