"""The viewer's page in a real browser, before a real server on a copy of the sample project."""

from __future__ import annotations

import ctypes
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import BrowserContext, ConsoleMessage, Page

CHROMIUM = Path("/usr/bin/chromium")
SAMPLE = Path(__file__).parents[2] / "sample_models" / "workshop"
BUILT = Path(__file__).parents[2] / "route3d" / "viewer" / "page" / "built" / "index.html"
START_S, LOAD_MS = 180, 60_000
_PR_SET_PDEATHSIG = 1


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    reason = ""
    if not CHROMIUM.exists():
        reason = f"{CHROMIUM} is not there: apt-get install chromium"
    elif not BUILT.exists():
        reason = "the page is not built: npm ci && npm run build in route3d/viewer/page"
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.browser)
            if reason:
                item.add_marker(pytest.mark.skip(reason=reason))


@pytest.fixture(scope="session")
def browser_type_launch_args() -> dict[str, object]:
    flags = (
        "--no-sandbox --disable-quic --no-first-run --disable-background-networking --disable-component-update "
        "--disable-sync --use-angle=swiftshader --enable-unsafe-swiftshader"
    )
    return {"executable_path": str(CHROMIUM), "args": flags.split()}


@pytest.fixture(scope="session")
def browser_context_args() -> dict[str, object]:
    return {"viewport": {"width": 1280, "height": 720}}


def _die_with_parent() -> None:
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)


class Viewer:
    """``route3d view`` as a process of its own."""

    def __init__(self, project: Path, *options: str) -> None:
        self.project = project
        command = [sys.executable, "-m", "route3d", "view", str(project), "--no-browser", "--port", "0", *options]
        self.process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            preexec_fn=_die_with_parent,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        assert self.process.stdout is not None
        said = []
        for line in self.process.stdout:
            said.append(line)
            if line.startswith("http://"):
                self.url = line.strip()
                return
        raise AssertionError(f"route3d view did not start: {''.join(said)}")

    @property
    def root(self) -> str:
        parts = urlsplit(self.url)
        return f"{parts.scheme}://{parts.netloc}/"

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        self.process.send_signal(how)
        self.process.wait(timeout=20)
        if self.process.stdout is not None:
            self.process.stdout.close()


def copy_of_sample(folder: Path) -> Path:
    shutil.copytree(SAMPLE, folder)
    return folder


@pytest.fixture(scope="module")
def viewer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Viewer]:
    """One server for tests that change nothing."""
    served = Viewer(copy_of_sample(tmp_path_factory.mktemp("project") / "workshop"))
    yield served
    served.stop()


@pytest.fixture
def serve() -> Iterator[Callable[..., Viewer]]:
    """Start servers of the test's own."""
    started: list[Viewer] = []

    def start(project: Path, *options: str) -> Viewer:
        started.append(Viewer(project, *options))
        return started[-1]

    yield start
    for one in started:
        if one.process.poll() is None:
            one.stop(signal.SIGKILL)


class Watched:
    """Everything that a page must not do: errors on the console, requests to anybody else, dialogs."""

    def __init__(self, context: BrowserContext) -> None:
        self.troubles: list[str] = []
        self.roots: list[str] = []
        context.on("request", self._asked)
        context.on("console", self._said)
        context.on("weberror", lambda error: self.troubles.append(f"error: {error.error}"))
        context.on("dialog", self._dialog)

    def _asked(self, request: object) -> None:
        url: str = request.url  # type: ignore[attr-defined]
        own = [*self.roots, *(f"blob:{root}" for root in self.roots), "data:"]
        if not url.startswith(tuple(own)):
            self.troubles.append(f"asked for {url}")

    def _said(self, message: ConsoleMessage) -> None:
        # the driver of the software rasteriser complains about its own slowness, and a page from another machine over
        # plain http about a header that only others heed
        harmless = ("GPU stall", "Cross-Origin-Opener-Policy header has been ignored")
        if message.type in ("error", "warning") and not any(words in message.text for words in harmless):
            self.troubles.append(f"{message.type}: {message.text}")

    def _dialog(self, dialog: object) -> None:
        self.troubles.append("a dialog was opened")
        dialog.dismiss()  # type: ignore[attr-defined]


@pytest.fixture
def opened(context: BrowserContext) -> Iterator[Callable[..., Page]]:
    """Open the page of a server and wait until it is there; at the end nothing may have gone wrong."""
    watched = Watched(context)

    def open_page(served: Viewer, place: str = "") -> Page:
        watched.roots.append(served.root)
        page = context.new_page()
        page.goto(served.url)
        if place:
            page.goto(f"{served.root}#{place}")
            page.reload()
        page.wait_for_selector("body[data-ready=yes]", timeout=LOAD_MS)
        return page

    yield open_page
    assert watched.troubles == []
