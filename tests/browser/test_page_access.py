"""The page for everybody: checked by axe-core in light and dark, and used by keys alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

AXE = Path(__file__).parents[2] / "route3d" / "viewer" / "page" / "node_modules" / "axe-core" / "axe.min.js"
needs_axe = pytest.mark.skipif(not AXE.exists(), reason="axe-core is not there: npm ci in route3d/viewer/page")
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def faults(page: Page) -> list[str]:
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("(tags) => axe.run(document, {runOnly: {type: 'tag', values: tags}})", RULES)
    return [
        f"{v['id']}: {node['html'][:260]} {node['failureSummary'][:300]}"
        for v in found["violations"]
        for node in v["nodes"][:8]
    ]


@needs_axe
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_no_panel_has_a_fault_that_axe_knows(viewer: Any, opened: Callable[..., Page], theme: str) -> None:
    page = opened(viewer)
    if page.locator("html").get_attribute("data-theme") != theme:
        page.locator("[data-key=theme]").click()
    expect(page.locator("html")).to_have_attribute("data-theme", theme)
    page.locator("#findings .tabulator-row").first.click()
    page.locator("[data-key=key]").click()
    for tab in ("run", "overview", "building"):
        page.locator(f"#tab-{tab}").click()
        assert faults(page) == [], tab
    page.locator("#tab-edit").click()
    page.locator("[data-key=edit-chosen]").click()
    page.locator("[data-key=corner-0]").click()
    assert faults(page) == [], "edit"
    page.locator("[data-key=help]").click()
    assert faults(page) == [], "help"


def test_everything_is_reached_by_tab_and_the_focus_shows(viewer: Any, opened: Callable[..., Page]) -> None:
    page = opened(viewer)
    page.locator(".skip").focus()
    seen: list[str] = []
    for _ in range(70):
        page.keyboard.press("Tab")
        who = page.evaluate(
            "(() => { const e = document.activeElement; return [e.id || e.dataset.key || e.className || e.tagName,"
            " e === document.body || getComputedStyle(e).outlineStyle !== 'none']; })()"
        )
        seen.append(str(who[0]))
        assert who[1], f"the focus on {who[0]} does not show"
    for part in ("counts", "plan", "edge-low", "search", "checks", "findings", "edge-side", "tab-overview"):
        assert part in seen, f"{part} is not reached: {seen}"
    assert (
        seen.index("counts")
        < seen.index("plan")
        < seen.index("search")
        < seen.index("findings")
        < seen.index("tab-overview")
    )


def test_keys_alone_choose_a_finding_and_open_the_help(viewer: Any, opened: Callable[..., Page]) -> None:
    page = opened(viewer)
    page.keyboard.press("n")
    page.keyboard.press("n")
    expect(page.locator("#findings [aria-selected=true]")).to_have_count(1)
    page.keyboard.press("/")
    expect(page.locator("#search")).to_be_focused()
    page.keyboard.type("n?")
    expect(page.locator("#search")).to_have_value("n?")
    page.locator("#search").fill("")
    page.locator("#findings").focus()
    page.keyboard.press("?")
    expect(page.locator("#help")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("#help")).to_be_hidden()
    page.locator("#tab-run").focus()
    page.keyboard.press("ArrowRight")
    expect(page.locator("#tab-overview")).to_be_focused()
    expect(page.locator("#panel-overview")).to_be_visible()


@pytest.mark.parametrize(("width", "height"), [(1280, 720), (1440, 900), (1920, 1080)])
def test_nothing_overflows_the_window(viewer: Any, opened: Callable[..., Page], width: int, height: int) -> None:
    page = opened(viewer)
    page.set_viewport_size({"width": width, "height": height})
    page.locator("#findings .tabulator-row").first.click()
    page.wait_for_timeout(300)
    for part in ("bar", "picture", "findings", "side", "foot"):
        box = page.locator(f"#{part}").bounding_box()
        assert box is not None
        assert (
            box["x"] >= 0 and box["y"] >= 0 and box["x"] + box["width"] <= width and box["y"] + box["height"] <= height
        ), part
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(
        "document.querySelector('#panel-run').scrollWidth <= document.querySelector('#panel-run').clientWidth"
    )
    assert page.evaluate("document.querySelector('#filters').clientHeight") < 45, "menus need a second row"
