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
from tests.scratch_project import call

pytestmark = pytest.mark.browser
ROWS = "#findings .tabulator-row"
HOSTILE = '</script><img src=x onerror="document.title=1">'


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    shutil.copytree(SAMPLE, folder / "job")
    text = (folder / "job" / "route3d.toml").read_text(encoding="utf-8")
    hostile = 'Quarry Lane </script><img src=x onerror=\\"document.title=1\\">'
    (folder / "job" / "route3d.toml").write_text(text.replace("Quarry Lane", hostile, 1), encoding="utf-8")
    for number, word in enumerate(("to-mend", "accepted"), start=1):
        call("decide", str(number), "--project", str(folder / "job"), "--as", word, "--by", HOSTILE, "--note", HOSTILE,
             "--owner", "crew two", "--due", "2026-01-31")  # fmt: skip
    text = (folder / "job" / "route3d.toml").read_text(encoding="utf-8")
    (folder / "job" / "route3d.toml").write_text(text.replace("hot-pipe  = 150", "hot-pipe  = 40"), encoding="utf-8")
    call("check", str(folder / "job"))
    plain = str(folder / "plain.html")
    call("report", str(folder / "job"), "--plain-html", plain)
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


def test_the_report_shows_decisions_and_trend_and_makes_none(report: Path, browser: Browser) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 800}, offline=True)
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
    page.goto(report.as_uri())
    page.wait_for_selector("body[data-ready=yes]", timeout=60_000)
    overview = page.locator("#panel-overview")
    expect(overview.locator("[data-key=decided-to-mend]")).to_contain_text("1")
    expect(overview).to_contain_text("1 mended so far")
    expect(overview.locator("svg.trend g")).to_have_count(2)
    assert "The last one" in str(overview.locator("svg.trend").get_attribute("aria-label"))
    overview.locator("[data-key=trend]").click()
    expect(overview.locator(".trend-table tbody tr")).to_have_count(2)
    overview.locator("[data-key=decided-accepted]").click()
    expect(page.locator(ROWS)).to_have_count(1)
    page.locator(ROWS).first.click()
    part = page.locator("#panel-run .decision")
    expect(part.locator(".stands")).to_contain_text(f"accepted by {HOSTILE}")
    expect(part).to_contain_text("crew two")
    expect(part).to_contain_text("changes nothing")
    expect(part.locator("form")).to_have_count(0)
    assert page.locator("img[src=x]").count() == 0 and page.title() != "1" and wrong == []
    context.close()


def test_the_plain_report_shows_them_without_any_script(report: Path, browser: Browser) -> None:
    context = browser.new_context(java_script_enabled=False, offline=True)
    page = context.new_page()
    page.goto(report.with_name("plain.html").as_uri())
    expect(page.locator("table.trend tbody tr")).to_have_count(2)
    expect(page.locator("td.decided b", has_text="to mend")).to_have_count(1)
    expect(page.locator("td.decided", has_text="accepted")).to_contain_text(f"by {HOSTILE}")
    expect(page.locator("h2", has_text="No longer found (1)")).to_be_visible()
    assert page.locator("img[src=x]").count() == 0
    context.close()
