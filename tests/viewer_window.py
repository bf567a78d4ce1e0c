"""A viewer's server in a thread, and a window that talks to it as a browser would."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
from websockets.sync.client import connect

from route3d.cli.deciding import ProjectStore
from route3d.cli.viewing import open_project
from route3d.reports.results_json import results
from route3d.viewer.access import Access
from route3d.viewer.deciding import Ledger
from route3d.viewer.desk import Desk, Opened
from route3d.viewer.discreet import Discreet
from route3d.viewer.journal import Journal
from route3d.viewer.server import listen, server_for, viewer_app

PATIENCE_S = 30.0


class Served:
    """A running server and the way in."""

    def __init__(self, access: Access, desk: Desk) -> None:
        self.access, self.desk = access, desk
        self.host = f"127.0.0.1:{access.port}"
        self.url = f"http://{self.host}"
        self.cookie = f"{access.cookie}={access.token}"

    def get(self, path: str, *, cookie: str | None = "", **headers: str) -> httpx.Response:
        """Ask for a path, exactly as written; with the cookie, unless another one (or None) is given."""
        sent = {"cookie": self.cookie} if cookie == "" else {} if cookie is None else {"cookie": cookie}
        with httpx.Client(trust_env=False) as client:
            request = client.build_request("GET", self.url, headers={**sent, **headers})
            request.url = request.url.copy_with(raw_path=path.encode())
            return client.send(request)

    def review(self) -> dict:
        return self.get("/review.json").json()

    @contextmanager
    def window(self, **changed: str | None) -> Iterator[Window]:
        headers = {"Cookie": self.cookie, "Origin": self.url} | changed
        origin = headers.pop("Origin")
        given = {name: value for name, value in headers.items() if value is not None}
        with connect(
            f"ws://{self.host}/live", additional_headers=given, origin=origin, max_size=None, proxy=None
        ) as socket:
            yield Window(socket)


class Window:
    """One open page."""

    def __init__(self, socket) -> None:
        self.socket = socket
        self.heard: list[dict] = []
        self._seq = 100

    def tell(self, message: dict) -> None:
        self.socket.send(json.dumps(message))

    def hear(self, say: str, **also) -> dict:
        """Return the next message of that kind (and with those values), leaving out all before it."""
        end = time.monotonic() + PATIENCE_S
        while True:
            message = json.loads(self.socket.recv(timeout=max(end - time.monotonic(), 0.01)))
            self.heard.append(message)
            if message["say"] == say and all(message.get(key) == value for key, value in also.items()):
                return message

    def ask(self, do: str, **more) -> dict:
        """Ask for something and return the answer to it."""
        return self._asked(do, more, ())

    def ask_for(self, do: str, **more) -> dict:
        """Ask for a search and return what came of it, leaving out how it goes on."""
        return self._asked(do, more, ("searching",))

    def _asked(self, do: str, more: dict, but: tuple[str, ...]) -> dict:
        self._seq += 1
        self.tell({"do": do, "seq": self._seq, **more})
        end = time.monotonic() + PATIENCE_S
        while True:
            message = json.loads(self.socket.recv(timeout=max(end - time.monotonic(), 0.01)))
            self.heard.append(message)
            if message.get("seq") == self._seq and message["say"] not in but:
                return message


@contextmanager
def served(folder: Path, *, host: str = "127.0.0.1", edit: bool = False, page: Path | None = None) -> Iterator[Served]:
    """Serve the project in ``folder``."""
    path = folder / "route3d.toml"
    built = placeholder(folder) if page is None else page
    listening = listen("127.0.0.1", 0)
    access = Access.of(host, listening.getsockname()[1], edit)
    shown = Discreet(folder)
    store = ProjectStore(path)

    def read(say: Callable[..., None] = lambda *_: None) -> Opened:
        store.reading()
        return open_project(path, say, cached=False)

    desk = Desk(read(), read, results, Journal(path), shown, Ledger(store))
    server = server_for(viewer_app(desk, access, built=built, shown=shown))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield Served(access, desk)
    finally:
        server.should_exit = True
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def placeholder(folder: Path) -> Path:
    """Write the least page that can be served."""
    built = folder / "page"
    built.mkdir(exist_ok=True)
    (built / "index.html").write_text('<!doctype html><script src="/app.js"></script>', encoding="utf-8")
    (built / "app.js").write_text("document.title = 'route3d'", encoding="utf-8")
    (built / "app.css").write_text("body { margin: 0 }", encoding="utf-8")
    (built / "notes.md").write_text("not for the page", encoding="utf-8")
    return built
