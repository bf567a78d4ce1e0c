"""Searches for proposals beside the bench: in a thread of their own that gives way whenever something is checked."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from threading import Event
from typing import Any

from route3d.errors import Route3DError
from route3d.mending.pauses import pausing
from route3d.viewer.desk import Desk, Message
from route3d.viewer.proposals import Proposals

log = logging.getLogger(__name__)

SEARCHES = ("mend", "routes")
LIMIT_S = 60.0  # a search that has found nothing by then ends: the median takes a third of a second
_GIVE_WAY_S = 0.25  # a check takes some milliseconds; for longer work, such as reading files, nobody waits
_SAY_EVERY_S = 0.3
_NAME_MAX = 200
_WAITING_MAX = 8

Send = Callable[[Any, Message], None]


class _StoppedError(Exception):
    """The window does not want it any more."""


class _LateError(Exception):
    """The time is over."""


@dataclass(eq=False, slots=True)
class Search:
    """One search that a window asked for."""

    window: Any
    seq: int
    what: str
    run: str
    stop: Event = field(default_factory=Event)
    began: float = 0.0
    steps: int = 0
    said: float = 0.0


class Proposing:
    """The searches of all windows, one after the other; a window's new one takes the place of its last."""

    def __init__(self, desk: Desk, send: Send) -> None:
        """``send`` takes a window and a message for it; it is called on the event loop."""
        self._desk, self._send = desk, send
        self.proposals = Proposals(desk)
        self._worker = ThreadPoolExecutor(1, "proposals")
        self._quiet = Event()
        self._quiet.set()
        self._searches: list[Search] = []
        self._tasks: set[asyncio.Task[None]] = set()

    # --- on the event loop ------------------------------------------------------------------------------------------

    def busy(self, yes: bool) -> None:
        """Say that the bench begins or ends its work: searches give way to it."""
        if yes:
            self._quiet.clear()
        else:
            self._quiet.set()

    def search(self, window: Any, what: str, seq: int | None, run: object) -> str | None:
        """Begin a search; return why not, where it cannot begin."""
        if seq is None:
            return "a search needs a number (seq), so that its answer can be told"
        if not isinstance(run, str) or not run.strip() or len(run) > _NAME_MAX:
            return "a search must name its run"
        if len(self._searches) >= _WAITING_MAX:
            return "too many searches are waiting already; try again in a moment"
        self.forget(window)
        search = Search(window, seq, what, run)
        waiting = bool(self._searches)
        self._searches.append(search)
        if waiting:
            self._send(
                window, {"say": "searching", "seq": seq, "run": run, "waiting": True, "steps": 0, "seconds": 0.0}
            )
        task = asyncio.create_task(self._serve(search))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return None

    def stop(self, window: Any, of: object) -> str | None:
        """End a search of a window; its answer says so. Return why not, where there is none."""
        for search in self._searches:
            if search.window is window and search.seq == of:
                search.stop.set()
                return None
        return "there is no such search any more"

    def forget(self, window: Any) -> None:
        """End all searches of a window."""
        for search in self._searches:
            if search.window is window:
                search.stop.set()

    async def close(self) -> None:
        """End all searches, and wait until they have ended."""
        for search in self._searches:
            search.stop.set()
        self._quiet.set()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=5.0)
        self._worker.shutdown(wait=False, cancel_futures=True)

    async def _serve(self, search: Search) -> None:
        loop = asyncio.get_running_loop()
        answer: Message
        try:
            answer = await loop.run_in_executor(self._worker, self._found, search, loop)
        except _StoppedError:
            answer = _ended(search, "stopped", "")
        except _LateError:
            answer = _ended(search, "late", f"nothing was found within {LIMIT_S:.0f} s")
        except (Route3DError, ValueError) as error:
            answer = {"say": "failed", "why": str(error)}
        except Exception:  # a fault of ours must not leave the window without an answer
            log.exception("the search for a proposal failed")
            answer = {"say": "failed", "why": "a fault in route3d itself; nothing was changed"}
        finally:
            self._searches.remove(search)
        if answer.get("say") == "proposed":
            answer["stale"] = "revision" in answer and answer["revision"] != self._desk.revision
        self._send(search.window, {**answer, "seq": search.seq})

    # --- in the thread of the searches ------------------------------------------------------------------------------

    def _found(self, search: Search, loop: asyncio.AbstractEventLoop) -> Message:
        search.began = time.perf_counter()

        def between() -> None:
            if search.stop.is_set():
                raise _StoppedError
            self._quiet.wait(_GIVE_WAY_S)
            now = time.perf_counter()
            if now - search.began > LIMIT_S:
                raise _LateError
            search.steps += 1
            if now - search.said >= _SAY_EVERY_S:
                search.said = now
                loop.call_soon_threadsafe(self._send, search.window, _progress(search, now))

        with pausing(between):
            between()
            look = self.proposals.mend if search.what == "mend" else self.proposals.routes
            return look(search.run)


def _progress(search: Search, now: float) -> Message:
    return {
        "say": "searching",
        "seq": search.seq,
        "run": search.run,
        "waiting": False,
        "steps": search.steps,
        "seconds": round(now - search.began, 1),
    }


def _ended(search: Search, outcome: str, why: str) -> Message:
    seconds = round(time.perf_counter() - search.began, 2) if search.began else 0.0
    return {
        "say": "proposed",
        "run": search.run,
        "what": search.what,
        "outcome": outcome,
        "why": why,
        "seconds": seconds,
        "before": None,
        "options": [],
        "blocked": [],
        "stuck": [],
        "notes": [],
    }
