"""The child processes that run the IFC library, from outside: asked, timed, and replaced when they hang or crash."""

from __future__ import annotations

import json
import logging
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from route3d.errors import MissingExtraError, UnreadableFileError

log = logging.getLogger(__name__)

ELEMENT_SECONDS = 30.0  # what one element may take; a sound one takes milliseconds
WHOLE_SECONDS = 10.0  # what it may take without its openings and cuts, for a box around it
WASTED_SECONDS = 240.0  # once so much is lost on elements that hang, the rest gets HURRIED_SECONDS each
HURRIED_SECONDS = 2.0
OPEN_SECONDS, OPEN_SECONDS_PER_MB = 60.0, 3.0
CRASHES_MAX = 100
CHUNK = 24  # elements that a child is given at a time
CHILDREN_MAX = 4
FEW = 150  # so few elements are not worth a second child

# The child needs its own modules of this package, and none of the other readers, which take a second to load.
_START = """
import sys, types
package = sys.modules["importers"] = types.ModuleType("importers")
package.__path__ = [sys.argv[1]]
from importers.ifc_child import main
main()
"""
_MEMORY_SHARE = 0.75
_SIZES = 8  # bytes before every answer, see importers.ifc_child.SIZES
_MEMORY_UNKNOWN = 8 << 30


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """What became of one element: its shape, or why there is none."""

    number: int
    corners: NDArray[np.float64]  # (n, 3) in metres as the file declares them
    faces: NDArray[np.int32]  # (m, 3)
    parts: NDArray[np.int32]  # (m,) entity that each face comes from
    lost: tuple[str, ...] = ()  # what of it is missing
    failed: str | None = None
    box: NDArray[np.float64] | None = None  # (2, 3) in metres, around all of it where something failed or is lost
    again: bool = False  # it took too long or crashed: another try may go better
    uncut: str | None = None  # a hole or cut that was not made, so that it is larger than in truth


@dataclass(slots=True)
class Wasted:
    """Time and processes lost so far on one file."""

    seconds: float = 0.0
    crashes: int = 0


class ChildDiedError(Exception):
    """The child process ended, or was ended because it took too long; ``hung`` tells which."""

    def __init__(self, hung: bool) -> None:
        super().__init__("took too long" if hung else "crashed")
        self.hung = hung


def require_library() -> None:
    """Refuse to go on without the IFC library.

    Raises
    ------
    MissingExtraError
    """
    if find_spec("ifcopenshell") is None:
        raise MissingExtraError("reading IFC files needs an optional part: pip install 'route3d[ifc]'")


class Child:
    """One process with one file open in it."""

    def __init__(self, path: Path, facts: bool) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", _START, str(Path(__file__).resolve().parent)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "OMP_NUM_THREADS": "1"},
        )
        assert self._process.stdin is not None and self._process.stdout is not None
        self._answers: queue.Queue[tuple[dict[str, Any], bytes] | None] = queue.Queue(maxsize=2 * CHUNK)
        self._stdin: IO[bytes] = self._process.stdin
        self._stdout: IO[bytes] = self._process.stdout
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        self.ask(path=str(path), facts=facts, memory=_memory())

    def ask(self, **request: Any) -> None:
        """Send a request; a child that is gone is noticed when the answer is waited for."""
        try:
            self._stdin.write(json.dumps(request).encode() + b"\n")
            self._stdin.flush()
        except OSError:
            log.debug("the child process is gone")

    def answer(self, seconds: float) -> tuple[dict[str, Any], bytes]:
        """Return the next answer.

        Raises
        ------
        ChildDiedError
        """
        try:
            answer = self._answers.get(timeout=seconds)
        except queue.Empty as error:
            raise ChildDiedError(hung=True) from error
        if answer is None:
            raise ChildDiedError(hung=False)
        return answer

    def end(self) -> None:
        """End the process, whatever it is doing."""
        self._process.kill()
        while self._reader.is_alive():  # it may be waiting for room in the queue
            try:
                self._answers.get(timeout=0.05)
            except queue.Empty:
                continue
        self._process.wait()
        for pipe in (self._stdin, self._stdout):
            try:
                pipe.close()
            except OSError:
                log.debug("pipe of an ended child")

    def _read(self) -> None:
        while (sizes := self._exactly(_SIZES)) is not None:
            head_size, blob_size = (int.from_bytes(sizes[at : at + 4], "little") for at in (0, 4))
            head, blob = self._exactly(head_size), self._exactly(blob_size)
            if head is None or blob is None:
                break
            self._answers.put((json.loads(head), blob))
        self._answers.put(None)

    def _exactly(self, size: int) -> bytes | None:
        try:
            data = self._stdout.read(size)
        except (OSError, ValueError):
            return None
        return data if len(data) == size else None


def _memory() -> int:
    try:
        return int(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") * _MEMORY_SHARE)
    except (AttributeError, ValueError, OSError):
        return _MEMORY_UNKNOWN


def opened(path: Path, name: str, facts: bool) -> tuple[Child, dict[str, Any]]:
    """Return a child process with the file open, and its facts if asked for.

    Raises
    ------
    MissingExtraError, UnreadableFileError
    """
    require_library()
    seconds = OPEN_SECONDS + OPEN_SECONDS_PER_MB * path.stat().st_size / 1e6
    child = Child(path, facts)
    try:
        head, _ = child.answer(seconds)
    except ChildDiedError as error:
        child.end()
        raise UnreadableFileError(
            name, f"is damaged so badly that the IFC library {error} while opening it: export it again"
        ) from error
    except BaseException:
        child.end()
        raise
    if "failed" in head:
        child.end()
        raise UnreadableFileError(name, f"is damaged and cannot be opened ({head['failed']}): export it again")
    return child, head


def shapes(
    path: Path,
    name: str,
    tolerance_m: float,
    numbers: Sequence[int],
    first: Child,
    element_seconds: float = ELEMENT_SECONDS,
) -> Iterator[Made]:
    """Yield what became of each element, in no particular order; every number comes back exactly once.

    ``first`` has the file open and is ended here; more children are started where they pay. A child that crashes, or
    takes longer than ``element_seconds`` over one element, is replaced, and that element is said to have failed.
    """
    work: queue.SimpleQueue[Sequence[int]] = queue.SimpleQueue()
    for at in range(0, len(numbers), CHUNK):
        work.put(numbers[at : at + CHUNK])
    results: queue.Queue[Made | BaseException | None] = queue.Queue(maxsize=4 * CHUNK)
    wasted = Wasted()
    stop = threading.Event()
    count = min(CHILDREN_MAX, os.cpu_count() or 1) if len(numbers) > FEW else 1
    workers = [
        _Worker(path, name, tolerance_m, element_seconds, first if k == 0 else None, work, results, wasted, stop)
        for k in range(count)
    ]
    threads = [threading.Thread(target=worker.run, daemon=True) for worker in workers]
    try:
        for thread in threads:
            thread.start()
        running = count
        while running:
            made = results.get()
            if made is None:
                running -= 1
            elif isinstance(made, BaseException):
                raise made
            else:
                yield made
    finally:
        stop.set()
        while any(thread.is_alive() for thread in threads):
            try:
                results.get(timeout=0.05)
            except queue.Empty:
                continue


@dataclass(slots=True)
class _Worker:
    """A thread that keeps one child busy."""

    path: Path
    name: str
    tolerance_m: float
    element_seconds: float
    child: Child | None
    work: queue.SimpleQueue[Sequence[int]]
    results: queue.Queue[Made | BaseException | None]
    wasted: Wasted
    stop: threading.Event
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def run(self) -> None:
        try:
            while not self.stop.is_set():
                try:
                    numbers = self.work.get_nowait()
                except queue.Empty:
                    break
                self._chunk(list(numbers))
        except BaseException as error:
            self.results.put(error)
        finally:
            if self.child is not None:
                self.child.end()
            self.results.put(None)

    def _chunk(self, left: list[int]) -> None:
        while left and not self.stop.is_set():
            if self.wasted.crashes > CRASHES_MAX:
                self.results.put(_failed(left.pop(0), "too many elements of this file crash the IFC library"))
                continue
            child = self._child()
            child.ask(want="shape", whole=False, ids=left, tolerance=self.tolerance_m)
            while left and not self.stop.is_set():
                try:
                    made = _made(*child.answer(self._patience()))
                except ChildDiedError as error:
                    self._replace()
                    self.results.put(self._bounded(left.pop(0), error))
                    break
                self.results.put(made)
                left.remove(made.number)

    def _patience(self) -> float:
        hurried = self.wasted.seconds > WASTED_SECONDS
        return min(self.element_seconds, HURRIED_SECONDS) if hurried else self.element_seconds

    def _bounded(self, number: int, error: ChildDiedError) -> Made:
        """Return the failure of an element that its child died of, with a box from its shape without openings."""
        if error.hung:
            self.wasted.seconds += self._patience()
            reason = f"its shape takes longer than {self._patience():g} s: simplify it, or remove its openings"
        else:
            self.wasted.crashes += 1
            reason = "its shape crashes the IFC library: draw it again"
        if self.wasted.seconds > WASTED_SECONDS:
            return _failed(number, reason)
        child = self._child()
        child.ask(want="shape", whole=True, ids=[number], tolerance=self.tolerance_m)
        began = time.monotonic()
        try:
            whole = _made(*child.answer(min(WHOLE_SECONDS, self.element_seconds)))
        except ChildDiedError:
            self.wasted.seconds += time.monotonic() - began
            self._replace()
            return _failed(number, reason)
        if whole.failed is not None or whole.lost:
            return _failed(number, reason)
        box = np.array([whole.corners.min(axis=0), whole.corners.max(axis=0)])
        return _failed(number, reason, box)

    def _child(self) -> Child:
        if self.child is None:
            self.child, _ = opened(self.path, self.name, facts=False)
        return self.child

    def _replace(self) -> None:
        if self.child is not None:
            self.child.end()
        self.child = None


def _failed(number: int, reason: str, box: NDArray[np.float64] | None = None, again: bool = True) -> Made:
    nothing = np.empty((0, 3))
    faces, parts = np.empty((0, 3), np.int32), np.empty(0, np.int32)
    return Made(number, nothing, faces, parts, failed=reason, box=box, again=again)


def _made(head: dict[str, Any], blob: bytes) -> Made:
    box = None if head.get("box") is None else np.array(head["box"], dtype=np.float64)
    if "failed" in head:
        return _failed(int(head["id"]), head["failed"], box, again=False)
    corners, faces = int(head["corners"]), int(head["faces"])
    at = 24 * corners
    return Made(
        int(head["id"]),
        np.frombuffer(blob, np.float64, 3 * corners).reshape(-1, 3),
        np.frombuffer(blob, np.int32, 3 * faces, at).reshape(-1, 3),
        np.frombuffer(blob, np.int32, faces, at + 12 * faces),
        tuple(head["lost"]),
        box=box,
        uncut=head.get("uncut"),
    )


def lines(child: Child, numbers: Sequence[int], tell: Callable[[int], None]) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield the centre line of each element, see ``importers.ifc_lines``; ``child`` is left open.

    Raises
    ------
    ChildDiedError
    """
    child.ask(want="line", ids=list(numbers), tolerance=1.0)
    for done, number in enumerate(numbers):
        head, _ = child.answer(ELEMENT_SECONDS)
        tell(done + 1)
        yield number, head
