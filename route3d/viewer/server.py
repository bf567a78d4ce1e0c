"""The viewer's server: the page, its two payloads and the live socket, for this machine unless told otherwise."""

from __future__ import annotations

import asyncio
import hashlib
import socket
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp

from route3d.errors import Route3DError
from route3d.viewer.access import Access, Door, is_loopback
from route3d.viewer.desk import Desk
from route3d.viewer.inputs import watch_inputs
from route3d.viewer.page_data import page_json
from route3d.viewer.windows import MESSAGE_MAX, Windows

BUILT = Path(__file__).parent / "page" / "built"
FIRST_PORT = 7410
PORTS_TRIED = 20
_SERVED = {".html": "text/html", ".js": "text/javascript", ".css": "text/css", ".txt": "text/plain"}
_PAYLOADS = {"/review.json": ("review", "application/json"), "/building.bin": ("building", "application/octet-stream")}
_SHUTDOWN_S = 3


def viewer_app(
    desk: Desk,
    access: Access,
    *,
    built: Path | None = None,
    why_not_editable: str | None = None,
    shown: Callable[[str], str] = str,
) -> ASGIApp:
    """Return the application.

    Parameters
    ----------
    built : folder of the bundled page; None: the one that comes with the program.
    why_not_editable : a sentence where nobody may edit, for example because the folder cannot be written to.
    shown : takes folders of this machine out of a text.

    Raises
    ------
    Route3DError
        The page has not been built.
    """
    folder = BUILT if built is None else built
    page = _static_files(folder)
    windows = Windows(desk, access, why_not_editable, shown)

    async def static(request: Request) -> Response:
        path = "/index.html" if request.url.path == "/" else request.url.path
        if path == "/favicon.ico":
            return Response(status_code=204)
        kind = page.get(path)
        if kind is None:
            return PlainTextResponse("There is nothing here.\n", 404)
        try:
            content = await run_in_threadpool((folder / path[1:]).read_bytes)
        except OSError:
            return PlainTextResponse("There is nothing here.\n", 404)
        return _tagged(request, f'"{hashlib.sha256(content).hexdigest()[:20]}"', content, kind, {})

    async def payload(request: Request) -> Response:
        which, kind = _PAYLOADS[request.url.path]
        tag = desk.etag(which)
        if _has(request.headers, tag):
            return Response(status_code=304, headers={"etag": tag, "cache-control": "no-cache"})
        # on this machine packing costs more than it saves
        client = request.client
        near = client is not None and is_loopback(client.host)
        editable = access.may_edit(request.scope) and why_not_editable is None
        packed = not near and "gzip" in request.headers.get("accept-encoding", "")
        content = await run_in_threadpool(lambda: desk.payload(which, packed=packed, editable=editable))
        return _tagged(request, tag, content, kind, {"content-encoding": "gzip"} if packed else {})

    async def chain(request: Request) -> Response:
        content = await run_in_threadpool(desk.chain, request.query_params.get("finding", ""))
        if content is None:
            return PlainTextResponse("There is no such finding now.\n", 404)
        return Response(content, media_type="application/json")

    async def decisions(_: Request) -> Response:
        content = await run_in_threadpool(lambda: shown(page_json(desk.ledger.block()).decode()))
        return Response(content, media_type="application/json")

    @asynccontextmanager
    async def living(_: Starlette) -> AsyncIterator[None]:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        loop.run_in_executor(None, desk.payload, "building")  # the browser will ask for it in a moment
        tasks = [
            asyncio.create_task(windows.work()),
            asyncio.create_task(watch_inputs(lambda: desk.opened.watched, windows.input_changed, stop)),
            asyncio.create_task(windows.watch_decisions()),
        ]
        yield
        stop.set()
        await windows.close()
        tasks[0].cancel()
        tasks[2].cancel()
        for task in tasks:
            with suppress(asyncio.CancelledError, TimeoutError):
                await asyncio.wait_for(task, 2.0)

    routes = [
        *(Route(path, payload) for path in _PAYLOADS),
        Route("/chain.json", chain),
        Route("/decisions.json", decisions),
        WebSocketRoute("/live", windows.serve),
        Route("/{path:path}", static),
    ]
    return Door(Starlette(routes=routes, lifespan=living), access)


def _static_files(built: Path) -> dict[str, str]:
    """Return the files of the page by the path they are asked for: nothing else can be, whatever the path says."""
    if not (built / "index.html").is_file():
        raise Route3DError(
            "the page has not been built: install route3d from its wheel, or run `npm ci && npm run build` in "
            "route3d/viewer/page; `view --window` shows the review without it"
        )
    return {f"/{path.name}": _SERVED[path.suffix] for path in built.iterdir() if path.suffix in _SERVED}


def _has(headers: Headers, tag: str) -> bool:
    return tag in [given.strip() for given in headers.get("if-none-match", "").split(",")]


def _tagged(request: Request, tag: str, content: bytes, kind: str, more: dict[str, str]) -> Response:
    headers = {"etag": tag, "cache-control": "no-cache", "vary": "accept-encoding", **more}
    if _has(request.headers, tag):
        return Response(status_code=304, headers=headers)
    return Response(content, media_type=kind, headers=headers)


def listen(host: str, port: int | None) -> socket.socket:
    """Return a socket that listens; where no port is asked for, the first free one.

    Raises
    ------
    Route3DError
        The port is taken, or the host is not one of this machine.
    """
    try:
        family = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)[0][0]
    except OSError as error:
        raise Route3DError(f"{host!r} is no address of this machine; leave out --host, or give one that is") from error
    candidates = range(FIRST_PORT, FIRST_PORT + PORTS_TRIED) if port is None else (port,)
    for candidate in (*candidates, *((0,) if port is None else ())):
        try:
            return socket.create_server((host, candidate), family=family)
        except PermissionError as error:
            raise Route3DError(f"port {candidate} is not allowed to you; give one above 1023 with --port") from error
        except OSError as error:
            failure = error
    if port is not None and failure.errno is not None and "in use" in str(failure.strerror):
        raise Route3DError(f"port {port} is taken by another program; give another one with --port") from failure
    raise Route3DError(f"cannot listen at {host} ({failure.strerror}); leave out --host and --port") from failure


def address_of(listening: socket.socket, host: str, token: str) -> str:
    """Return the address to open, with the token; where the server listens everywhere, one that others can reach."""
    port = listening.getsockname()[1]
    name = _reachable() if host in ("0.0.0.0", "::", "") else host  # noqa: S104 - asked for, not bound
    return f"http://{f'[{name}]' if ':' in name else name}:{port}/?token={token}"


def _reachable() -> str:
    # connecting a datagram socket sends nothing: it only asks which of our addresses would be used
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        asking.connect(("192.0.2.1", 9))
        return str(asking.getsockname()[0])
    return socket.gethostname()


def serve(app: ASGIApp, listening: socket.socket, ready: Callable[[], None] = lambda: None) -> None:
    """Serve until Ctrl-C; ``ready`` is called once the page can be opened, in a thread of its own."""
    with suppress(KeyboardInterrupt):
        server_for(app, ready).run(sockets=[listening])


def server_for(app: ASGIApp, ready: Callable[[], None] = lambda: None) -> uvicorn.Server:
    """Return a server for the application that is not running yet; nothing of a request is ever logged."""
    config = uvicorn.Config(
        app,
        log_level="error",
        access_log=False,
        server_header=False,
        ws="websockets-sansio",
        ws_max_size=16 * MESSAGE_MAX,
        lifespan="on",
        timeout_graceful_shutdown=_SHUTDOWN_S,
    )
    return _Server(config, ready)


class _Server(uvicorn.Server):
    """Says when it is ready."""

    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to listen."""
        await super().startup(sockets)
        if self.started:
            threading.Thread(target=self._ready, daemon=True).start()
