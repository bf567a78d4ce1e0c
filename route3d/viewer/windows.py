"""The live socket: every open page is a window; they follow each other, and one bench does their work in turn.

Nothing that takes time happens on the event loop: drafts, saving and reading again go through one queue to one worker
thread. While a check is running, drafts that come in wait and are then checked together, so that the latest wins.
"""

from __future__ import annotations

import asyncio
import json
import logging
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any, TypeVar

from starlette.websockets import WebSocket, WebSocketDisconnect, WebSocketState

from route3d.errors import Route3DError
from route3d.viewer.access import Access
from route3d.viewer.desk import Desk, Message
from route3d.viewer.inputs import changed_files
from route3d.viewer.proposing import SEARCHES, Proposing

log = logging.getLogger(__name__)
T = TypeVar("T")

MESSAGE_MAX = 1_000_000  # characters; the server closes a socket at 16 times that
_WAITING_MAX = 64  # messages that a window has not taken yet: then it is told to load all anew instead
_ASKED_MAX = 500  # of all windows, waiting: a page sends one draft at a time, so more is not the page
_SELECTED = ("finding", "run", "element", "camera")
_SELECTION_MAX = 4_000
_CHANGING = ("draft", "save", "take-drafts", "drop-drafts", "reload")
_SYNC_AFTER_S = 0.1
_SAY_EVERY_S = 0.2
_LOOK_EVERY_S = 1.0
_SETTLE_S = 0.5  # after a file has changed, until it is read anew
_PATIENCE_S = 10.0  # a file that cannot be used for longer is told
_READ_ONLY = "this page is read-only: whoever started the viewer has not allowed others to edit"


@dataclass(eq=False, slots=True)
class Window:
    """One open page."""

    socket: WebSocket
    may_edit: bool
    out: asyncio.Queue[Message] = field(default_factory=asyncio.Queue)


@dataclass(frozen=True, slots=True)
class Asked:
    """One thing that a window asked for and that the bench has to do."""

    window: Window
    do: str
    seq: int | None
    said: Message


class Windows:
    """All windows, and the bench."""

    def __init__(self, desk: Desk, access: Access, why_not_editable: str | None, shown: Callable[[str], str]) -> None:
        self._desk, self._access, self._shown = desk, access, shown
        self._why_not = why_not_editable
        self._open: set[Window] = set()
        self._asked: asyncio.Queue[Asked] = asyncio.Queue()
        self._worker = ThreadPoolExecutor(1, "bench")
        self._clerk = ThreadPoolExecutor(1, "clerk")  # a database may keep others waiting; drafts shall not wait for it
        self._deciding: set[asyncio.Task[None]] = set()
        self._input_changed: list[str] = []
        self._refreshing: asyncio.Task[None] | None = None
        self._said_at = 0.0
        self._proposing = Proposing(desk, self._send_if_open)

    # --- one window -------------------------------------------------------------------------------------------------

    async def serve(self, socket: WebSocket) -> None:
        """Talk to one window until it closes."""
        await socket.accept()
        window = Window(socket, self._access.may_edit(socket.scope) and self._why_not is None)
        self._open.add(window)
        self._hello(window)
        self._refresh_soon()
        writer = asyncio.create_task(self._write(window))
        try:
            while True:
                self._heard(window, await _text_of(socket))
        except (WebSocketDisconnect, RuntimeError):
            pass
        finally:
            self._open.discard(window)
            self._proposing.forget(window)
            writer.cancel()

    def _hello(self, window: Window) -> None:
        why = self._why_not if self._why_not is not None else None if window.may_edit else _READ_ONLY
        self._send(
            window,
            {
                "say": "hello",
                "revision": self._desk.revision,
                "editable": window.may_edit,
                "why_not_editable": why,
                "drafts": self._desk.offered() if window.may_edit else None,
                "unsaved": self._desk.unsaved,
                "input_changed": self._input_changed,
                "decisions_number": self._desk.ledger.number,
            },
        )

    async def _write(self, window: Window) -> None:
        while True:
            message = await window.out.get()
            text = self._shown(json.dumps(message, ensure_ascii=False, allow_nan=False, separators=(",", ":")))
            try:
                await window.socket.send_text(text)
            except (WebSocketDisconnect, RuntimeError, OSError):
                return  # the reader notices too, and closes

    def _heard(self, window: Window, text: str | None) -> None:
        """Answer a message, or put it on the bench; whatever it is, the window gets an answer and stays open."""
        if text is None or len(text) > MESSAGE_MAX:
            self._fail(window, None, "a message must be text of at most a million characters")
            return
        try:
            said = json.loads(text, parse_constant=_no_number)
        except (ValueError, RecursionError):
            said = None
        if not isinstance(said, dict):
            self._fail(window, None, "a message must be a JSON object")
            return
        do, seq = said.get("do"), said.get("seq")
        number = seq if isinstance(seq, int) and not isinstance(seq, bool) and abs(seq) < 2**53 else None
        if do == "select":
            self._select(window, number, said)
        elif do == "decide":
            self._begin_to_decide(window, number, said)
        elif do == "distance":
            self._ask(Asked(window, do, number, said))
        elif do in (*_CHANGING, "try", "stop", *SEARCHES):
            if not window.may_edit:
                self._fail(window, number, self._why_not if self._why_not is not None else _READ_ONLY)
            elif do in ("stop", *SEARCHES):
                self._search(window, do, number, said)
            else:
                self._ask(Asked(window, do, number, said))
        else:
            self._fail(window, number, "a message must say what to do: draft, save, decide, select …")

    def _ask(self, asked: Asked) -> None:
        if self._asked.qsize() < _ASKED_MAX:
            self._asked.put_nowait(asked)
        else:
            self._fail(asked.window, asked.seq, "more is asked than can be done; wait for the answers")

    def _search(self, window: Window, do: str, seq: int | None, said: Message) -> None:
        if do == "stop":
            why = self._proposing.stop(window, said.get("of"))
            if why is None:
                self._send(window, {"say": "stopped", "seq": seq, "of": said.get("of")})
        else:
            why = self._proposing.search(window, do, seq, said.get("run"))
        if why is not None:
            self._fail(window, seq, why)

    def _select(self, window: Window, seq: int | None, said: Message) -> None:
        shown = {key: said.get(key) for key in _SELECTED}
        words = [shown[key] for key in ("finding", "run", "element")]
        camera = shown["camera"]
        if not all(word is None or isinstance(word, str) for word in words) or not isinstance(camera, dict | None):
            self._fail(window, seq, "a selection holds names and a camera")
        elif len(json.dumps(shown)) > _SELECTION_MAX:
            self._fail(window, seq, "this selection is too large")
        elif window.may_edit or not self._access.public:
            # where others only look on, they follow and do not lead
            self._tell({"say": "selected", **shown}, but=window)

    # --- decisions --------------------------------------------------------------------------------------------------

    def _begin_to_decide(self, window: Window, seq: int | None, said: Message) -> None:
        if not window.may_edit:
            self._fail(window, seq, self._why_not if self._why_not is not None else _READ_ONLY)
            return
        task = asyncio.create_task(self._decide(Asked(window, "decide", seq, said)))
        self._deciding.add(task)
        task.add_done_callback(self._deciding.discard)

    async def _decide(self, asked: Asked) -> None:
        try:
            changed = await self._by_clerk(self._desk.ledger.decide, asked.said)
        except Route3DError as error:
            self._fail(asked.window, asked.seq, str(error))
        except Exception:
            log.exception("the viewer could not decide")
            self._fail(asked.window, asked.seq, "a fault in route3d itself; see whether the decision is listed")
        else:
            self._answer(asked, {"say": "decided", **changed})

    async def watch_decisions(self) -> None:
        """Tell all windows what others decided, on the command line or in another viewer, until cancelled."""
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            if not self._open:
                continue
            try:
                changed = await self._by_clerk(self._desk.ledger.refresh)
            except Exception:
                log.exception("the viewer could not read the decisions")
                continue
            if changed is not None:
                self._tell({"say": "decided", "seq": None, **changed})

    async def _by_clerk(self, do: Callable[..., T], *given: Any) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._clerk, do, *given)

    # --- telling windows --------------------------------------------------------------------------------------------

    def _send(self, window: Window, message: Message) -> None:
        if window.out.qsize() >= _WAITING_MAX:
            while not window.out.empty():
                window.out.get_nowait()
            message = {"say": "review-changed", "revision": self._desk.revision}
        window.out.put_nowait(message)

    def _send_if_open(self, window: Window, message: Message) -> None:
        if window in self._open:
            self._send(window, message)

    def _tell(self, message: Message, but: Window | None = None) -> None:
        for window in self._open:
            if window is not but:
                self._send(window, message)

    def _answer(self, asked: Asked, message: Message) -> None:
        """Send an answer to the window that asked, and without its number to all others."""
        self._send(asked.window, {**message, "seq": asked.seq})
        self._tell({**message, "seq": None}, but=asked.window)

    def _fail(self, window: Window, seq: int | None, why: str) -> None:
        self._send(window, {"say": "failed", "seq": seq, "why": why})

    async def input_changed(self, files: list[str]) -> None:
        """Tell all windows which files are no longer what was read."""
        self._input_changed = files
        self._tell({"say": "input-changed", "files": files})
        self._refresh_soon()

    def _refresh_soon(self) -> None:
        if self._input_changed and (self._refreshing is None or self._refreshing.done()):
            self._refreshing = asyncio.create_task(self._refresh())

    async def _refresh(self) -> None:
        """Read changed files anew without being asked, unless somebody has unsaved changes or nobody looks.

        Programs write files in several steps: what cannot be read yet is tried again for a while.
        """
        until = time.monotonic() + _PATIENCE_S
        while True:
            await asyncio.sleep(_SETTLE_S)
            if self._desk.unsaved or not self._open:
                return
            changed = await asyncio.to_thread(changed_files, self._desk.opened.watched)
            if not changed:
                return
            try:
                await self._read_again()
                return
            except (Route3DError, ValueError, OSError) as error:
                if time.monotonic() > until:
                    why = f"changed on disk, but what is there cannot be used: {error}"
                    self._tell({"say": "failed", "seq": None, "why": why})
                    return
            except Exception:
                log.exception("changed files could not be read anew")
                return

    # --- the bench --------------------------------------------------------------------------------------------------

    async def work(self) -> None:
        """Do what windows ask for, in turn, until cancelled."""
        while True:
            asked = [await self._next()]
            while asked[0].do == "draft" and not self._asked.empty():
                asked.append(self._asked.get_nowait())
            for batch in _batches(asked):
                try:
                    await self._do(batch)
                except Exception:  # a fault of ours must not leave windows without an answer
                    log.exception("the viewer could not do what was asked")
                    for one in batch:
                        self._fail(one.window, one.seq, "a fault in route3d itself; what was drafted is kept")

    async def _next(self) -> Asked:
        if self._desk.dirty and self._asked.empty():
            try:
                return await asyncio.wait_for(self._asked.get(), _SYNC_AFTER_S)
            except TimeoutError:
                await self._on_bench(self._desk.sync)
        return await self._asked.get()

    async def _on_bench(self, do: Callable[..., T], *given: Any) -> T:
        self._proposing.busy(True)
        try:
            return await asyncio.get_running_loop().run_in_executor(self._worker, do, *given)
        finally:
            self._proposing.busy(False)

    async def _do(self, batch: list[Asked]) -> None:
        if batch[0].do == "draft":
            await self._draft(batch)
            return
        asked = batch[0]
        try:
            await getattr(self, f"_{asked.do.replace('-', '_')}")(asked)
        except (Route3DError, ValueError, OSError) as error:
            self._fail(asked.window, asked.seq, str(error))

    async def _draft(self, batch: list[Asked]) -> None:
        started = time.perf_counter()
        names: set[str] = set()
        good: list[Asked] = []
        for asked in batch:
            try:
                names |= await self._on_bench(self._desk.draft, asked.said.get("edits"))
                good.append(asked)
            except (Route3DError, ValueError) as error:
                self._fail(asked.window, asked.seq, str(error))
        if not good:
            return
        try:
            told = await self._on_bench(self._desk.check, names)
        except (Route3DError, ValueError) as error:
            for asked in good:
                self._fail(asked.window, asked.seq, str(error))
            return
        told["ms"] = round((time.perf_counter() - started) * 1000.0, 1)
        latest = {asked.window: asked.seq for asked in good}
        for window in self._open:
            self._send(window, {**told, "seq": latest.get(window)})

    async def _take_drafts(self, asked: Asked) -> None:
        started = time.perf_counter()
        told = await self._on_bench(self._desk.take)
        told["ms"] = round((time.perf_counter() - started) * 1000.0, 1)
        self._answer(asked, told)
        self._tell({"say": "drafts", "drafts": None})

    async def _drop_drafts(self, asked: Asked) -> None:
        changed = await self._on_bench(self._desk.drop, asked.said.get("all") is True)
        self._answer(asked, {"say": "dropped", "unsaved": self._desk.unsaved})
        self._tell({"say": "drafts", "drafts": None})
        if changed:
            self._tell({"say": "review-changed", "revision": self._desk.revision})

    async def _save(self, asked: Asked) -> None:
        files, notes = await self._on_bench(self._desk.save)
        self._answer(asked, {"say": "saved", "files": files, "notes": notes, "unsaved": self._desk.unsaved})
        try:
            await self._read_again()
        except (Route3DError, ValueError, OSError) as error:
            self._tell({"say": "failed", "seq": None, "why": f"saved, but it cannot be read again: {error}"})

    async def _try(self, asked: Asked) -> None:
        told = await self._on_bench(self._proposing.proposals.again, asked.said.get("proposal"))
        self._send(asked.window, {**told, "stale": False, "seq": asked.seq})

    async def _distance(self, asked: Asked) -> None:
        told = await self._on_bench(self._desk.distance, asked.said.get("from"), asked.said.get("to"))
        self._send(asked.window, {**told, "seq": asked.seq})

    async def _reload(self, asked: Asked) -> None:
        await self._read_again()

    async def _read_again(self) -> None:
        loop = asyncio.get_running_loop()

        def say(doing: str, share: float | None = None) -> None:
            now = time.monotonic()
            if now - self._said_at >= _SAY_EVERY_S:
                self._said_at = now
                loop.call_soon_threadsafe(self._tell, {"say": "working", "doing": doing, "share": share})

        try:
            notes = await self._on_bench(self._desk.reload, say)
        finally:
            self._tell({"say": "working", "doing": None, "share": None})
        self._input_changed = []
        changed = {"say": "review-changed", "revision": self._desk.revision, "notes": notes}
        self._tell({**changed, "unsaved": self._desk.unsaved})

    async def close(self) -> None:
        """Close all windows, wait for what is on the bench, and leave the drafts for the next server."""
        for window in list(self._open):
            if window.socket.client_state is WebSocketState.CONNECTED:
                await window.socket.close(1001)
        if self._deciding:
            await asyncio.wait(self._deciding, timeout=_LOOK_EVERY_S)
        if self._refreshing is not None:
            self._refreshing.cancel()
        await self._proposing.close()
        await self._on_bench(self._desk.close)
        self._worker.shutdown(wait=False)
        self._clerk.shutdown(wait=False)


def _batches(asked: list[Asked]) -> list[list[Asked]]:
    """Return drafts that follow each other together, everything else alone, in order."""
    batches: list[list[Asked]] = []
    for one in asked:
        if one.do == "draft" and batches and batches[-1][0].do == "draft":
            batches[-1].append(one)
        else:
            batches.append([one])
    return batches


async def _text_of(socket: WebSocket) -> str | None:
    """Return the next message, None where it is no text."""
    message = await socket.receive()
    if message["type"] == "websocket.disconnect":
        raise WebSocketDisconnect(message.get("code", 1005))
    text = message.get("text")
    return text if isinstance(text, str) else None


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is no number")
