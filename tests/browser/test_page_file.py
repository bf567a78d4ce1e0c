"""The report that is one file: opened from disk, with the network away, it shows all and changes nothing."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from playwright.sync_api import Browser, expect

from route3d.cli.main import route3d
from route3d.model.finding import CAUTION
from tests.browser.conftest import SAMPLE

pytestmark = pytest.mark.browser
ROWS = "#findings .tabulator-row"


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    shutil.copytree(SAMPLE, folder / "job")
    text = (folder / "job" / "route3d.toml").read_text(encoding="utf-8")
    hostile = 'Quarry Lane </script><img src=x onerror=\\"document.title=1\\">'
    (folder / "job" / "route3d.toml").write_text(text.replace("Quarry Lane", hostile, 1), encoding="utf-8")
    file = folder / "report.html"
    done = CliRunner().invoke(route3d, ["report", str(folder / "job"), "--html", str(file)], standalone_mode=False)
    assert done.exception is None, done.output
    shutil.rmtree(folder / "job")
    return file


def test_the_report_opens_from_disk_without_network(report: Path, browser: Browser) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 720}, offline=True)
    page = context.new_page()
    asked: list[str] = []
    wrong: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
    page.goto(report.as_uri())
    page.wait_for_selector("body[data-ready=yes]", timeout=60_000)
    expect(page.locator("#caution")).to_have_text(CAUTION)
    expect(page.locator("#bar .counts")).to_contain_text("52 runs")
    page.locator(ROWS).first.click()
    expect(page.locator("#panel-run")).to_contain_text("L1-")
    assert "onerror" in page.title()  # the name is text
    assert page.locator("img[src=x]").count() == 0
    assert [url for url in asked if not url.startswith(("file:", "data:", "blob:"))] == []
    assert wrong == []
    page.screenshot(path=str(report.with_suffix(".png")))
    context.close()


def test_the_report_names_no_folder_of_this_machine(report: Path) -> None:
    text = report.read_text(encoding="utf-8")
    assert str(report.parent) not in text and sys.prefix not in text
