"""How the inner loops are compiled, where the result is kept, and how they are spread over the processor's cores.

The loops are compiled on first use and kept on disk, in folders that are named by a digest of the source and of all
that it imports: a compiled function holds copies of those it calls in other files, and the compiler alone would not
notice that one of these has changed. The loops hold no lock of the interpreter, so plain threads spread them: unlike
the compiler's own threading layers these need no further library, may be used from several threads at once, and never
spin while they wait.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, cast

import numba
import numpy as np
from numba.core import event
from numpy.typing import NDArray

P = ParamSpec("P")
R = TypeVar("R")

_config: Any = numba.config  # its names are set at run time
_njit: Any = numba.njit  # some of its options are not in its annotations

_thread_limit: list[int] = []


class _Notice(event.Listener):
    """Tells when compiling begins and when it is over; loops that call others are compiled inside each other."""

    def __init__(self, tell: Callable[[bool], None]) -> None:
        self._tell, self._under_way = tell, 0

    def on_start(self, event: object) -> None:
        self._under_way += 1
        if self._under_way == 1:
            self._tell(True)

    def on_end(self, event: object) -> None:
        self._under_way -= 1
        if self._under_way == 0:
            self._tell(False)


@contextmanager
def compile_notice(tell: Callable[[bool], None]) -> Iterator[None]:
    """Call ``tell(True)`` whenever loops begin to be compiled inside the ``with`` block, ``tell(False)`` when done.

    Loops that are found on disk are not compiled.
    """
    with event.install_listener("numba:compile", _Notice(tell)):
        yield


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function of numbers and arrays on its first call, and keep the machine code between sessions."""
    return _compiled(function)


def compiled_bare(function: Callable[P, R]) -> Callable[P, R]:
    """As ``compiled``, for inner loops that make no array, nor a view of one: who holds those given is not counted.

    Counting takes two locked instructions for each array of each call, a tenth of the time of the innermost loops.
    """
    return _compiled(function, _nrt=False)


def _compiled(function: Callable[P, R], **options: bool) -> Callable[P, R]:
    before = _config.CACHE_DIR
    if not before:  # an explicit NUMBA_CACHE_DIR wins
        _config.CACHE_DIR = str(_cache_folder(Path(function.__code__.co_filename).stem))
    try:
        # contract lets the processor fuse a multiplication and an addition; nothing may assume away NaN or infinity
        made: Any = _njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"}, **options)(function)
        # a constant among the arguments would be a type of its own, and the same loop be compiled again for it
        choose = made.get_call_template
        made.get_call_template = lambda args, kws: choose(tuple(map(numba.types.unliteral, args)), kws)
        return cast("Callable[P, R]", made)
    finally:
        _config.CACHE_DIR = before


def kept_on_disk() -> bool:
    """Return whether what is compiled is found again by the next session."""
    return bool(_config.CACHE_DIR) or _cache_folder("path").parent in _cache_parents()


@cache
def _cache_folder(module: str) -> Path:
    name = f"{module}-{_digest(module)[:16]}"
    for parent in _cache_parents():
        folder = parent / name
        if _writable(folder):
            return folder
    return Path(tempfile.mkdtemp(prefix="route3d-kernel-"))


def _writable(folder: Path) -> bool:
    """Tell whether we can keep machine code in a folder, and nobody else can: it is run as it is found there."""
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        found = folder.stat()
    except OSError:
        return False
    # under sudo the home folder may still be that of another user
    ours = not hasattr(os, "geteuid") or (found.st_uid == os.geteuid() and not found.st_mode & 0o022)
    return ours and os.access(folder, os.W_OK | os.X_OK)


@cache
def _digest(module: str) -> str:
    """Return a digest of the source of a module of the kernel, and of those that it imports."""
    source = (Path(__file__).parent / f"{module}.py").read_bytes()
    parts = [
        _digest(name.decode()) for name in re.findall(rb"^from route3d\.kernel\.(\w+) import", source, re.MULTILINE)
    ]
    return hashlib.sha256(source + "".join(parts).encode()).hexdigest()


def _cache_parents() -> Iterator[Path]:
    for variable in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
        if os.environ.get(variable):
            yield Path(os.environ[variable]) / "route3d" / "kernel"
    try:
        yield Path.home() / ".cache" / "route3d" / "kernel"
    except RuntimeError:  # no home folder is known
        return


@contextmanager
def thread_limit(count: int) -> Iterator[None]:
    """Use at most ``count`` threads inside the ``with`` block; results do not depend on it."""
    if count < 1:
        raise ValueError("at least one thread is needed")
    _thread_limit.append(count)
    try:
        yield
    finally:
        _thread_limit.pop()


def thread_count() -> int:
    """Return how many threads the kernel uses: the cores that this process may run on, or the limit set around it."""
    if _thread_limit:
        return _thread_limit[-1]
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def in_parts(task: Callable[[int, int], R], work: NDArray[np.int64], smallest: int) -> list[R]:
    """Call ``task(first, last)`` on neighbouring ranges that cover ``range(len(work))``; return the answers in order.

    Parameters
    ----------
    task
        A call into compiled code; each range is handled by one thread.
    work : (n,) int64
        How much work each entry is, in any unit; ranges get about equal shares.
    smallest
        Less work than this is not worth a thread.
    """
    count = len(work)
    threads = thread_count()
    total = int(work.sum())
    # several parts a thread, as equal shares of work are only a guess
    parts = min(count, 8 * threads, max(1, total // max(smallest, 1))) if threads > 1 else 1
    if parts <= 1:
        return [task(0, count)]
    done = np.concatenate([[0], np.cumsum(work)])
    cuts = np.searchsorted(done, np.linspace(0, total, parts + 1)[1:-1])
    edges = np.unique(np.concatenate([[0], cuts, [count]])).tolist()
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(task, edges[:-1], edges[1:]))
