"""Proposals: asked for on the page, seen as a ghost with their numbers, taken over, saved, and passed by the check."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, WebSocketRoute, expect

from tests.browser.conftest import Viewer
from tests.browser.test_page_access import AXE, faults, needs_axe
from tests.scratch_project import Scratch, call

pytestmark = pytest.mark.browser

FAILS, BLOCKED, PASSES, ENDS = "L1-LTG-01", "L1-LTG-03", "L1-LTG-02", "L1-HR-01"
PATIENCE_MS = 60_000


def project(folder: Path) -> Path:
    """A duct in the way of one run, another that ends in it, one that passes, and one with its ends only."""
    scratch = Scratch(folder)
    scratch.head.append('name = "made up"\n[clearance]\nduct = 20')
    scratch.box("M-DUCT", (1500, -400, 3000), (1900, 900, 3480))
    scratch.role("M-DUCT", "duct")
    scratch.box("S-SLAB", (-500, -3500, 3560), (6500, 4500, 3760))
    scratch.role("S-SLAB", "structure")
    scratch.run([[0, 0, 3430], [5000, 0, 3430], [5000, 1600, 3430]], FAILS, straps=[200, 1700, 3200, 4700, 6200])
    scratch.run([[0, 3000, 3430], [5000, 3000, 3430]], PASSES, straps=[200, 1500, 2900, 4300, 4800])
    scratch.run([[1700, 500, 3200], [3700, 500, 3200]], BLOCKED, straps=[1000])
    ends = "from_point = [0, -2300, 3430]\nto_point = [4000, -700, 3430]"
    scratch.table(f'[[run]]\nid = "{ENDS}"\ncable = "mc"\n{ends}\nstart = "box"\n')
    return scratch.write()


@pytest.fixture
def served(tmp_path: Path, serve: Callable[[Path], Viewer]) -> Viewer:
    return serve(project(tmp_path))


@pytest.fixture(scope="module")
def looked_at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Viewer]:
    """One server for tests that save nothing."""
    one = Viewer(project(tmp_path_factory.mktemp("proposals")))
    yield one
    one.stop()


def choose(page: Page, run: str) -> None:
    expect(page.locator(".line-state")).to_contain_text("live")
    page.locator("#tab-overview").click()
    button = page.locator(f"[data-key='run-{run}'], [data-key='ends-{run}']")
    if not button.is_visible():
        button.locator("xpath=ancestor::details").locator("summary").click()
    button.click()


def ask(page: Page, run: str, then: str = "accept") -> None:
    choose(page, run)
    page.locator("[data-key=propose]").click()
    page.wait_for_selector(f"[data-key={then}]", timeout=PATIENCE_MS)


def picture(page: Page) -> bytes:
    page.wait_for_timeout(900)
    return page.locator("#picture").screenshot()


def results(folder: Path, run: str) -> dict[str, Any]:
    call("check", str(folder), "--run", run, "--json", str(folder / "r.json"))
    return next(r for r in json.loads((folder / "r.json").read_text(encoding="utf-8"))["runs"] if r["id"] == run)


def test_a_failing_run_is_mended_by_a_proposal_saved_and_passes(served: Viewer, opened: Callable[..., Page]) -> None:
    page = opened(served)
    ask(page, FAILS)
    card = page.locator("#proposal")
    expect(card.locator("h2")).to_contain_text(f"Proposal for {FAILS}")
    expect(card.locator("tbody tr").first).to_contain_text("fails")
    expect(card.locator("tbody tr").first).to_contain_text("passes")
    expect(page.locator("#status")).to_contain_text("was found that passes")
    expect(page.locator("#save")).to_have_text("Saved")  # nothing has changed yet
    with_ghost = picture(page)
    card.locator("[data-key=accept]").click()
    expect(card).to_contain_text("not saved")
    expect(card.locator(".verdict")).to_contain_text("passes", timeout=20_000)
    expect(page.locator("#panel-run h2").first).to_contain_text("passes")
    expect(page.locator("#save")).to_have_text("Save (1)")
    assert picture(page) != with_ghost
    page.keyboard.press("Control+z")
    expect(page.locator("#panel-run h2").first).to_contain_text("fails", timeout=20_000)
    expect(page.locator("#save")).to_have_text("Saved")
    page.keyboard.press("Control+y")
    expect(page.locator("#panel-run h2").first).to_contain_text("passes", timeout=20_000)
    page.keyboard.press("Control+s")
    expect(page.locator("#save")).to_have_text("Saved", timeout=20_000)
    assert results(served.project, FAILS)["verdict"] == "pass"


def test_routes_are_gone_through_by_keys_and_one_is_taken_over(served: Viewer, opened: Callable[..., Page]) -> None:
    page = opened(served)
    expect(page.locator("#bar .counts")).to_contain_text("1 unrouted")
    choose(page, ENDS)
    expect(page.locator("#panel-run")).to_contain_text("Only its ends are given")
    page.keyboard.press("m")
    page.wait_for_selector("[data-key=route-0]", timeout=PATIENCE_MS)
    rows = page.locator("#proposal .routes tbody tr")
    assert rows.count() > 1
    page.locator("[data-key=route-0]").focus()
    first = picture(page)
    page.keyboard.press("ArrowDown")
    expect(page.locator("[data-key=route-1]")).to_be_checked()
    expect(page.locator("[data-key=route-1]")).to_be_focused()
    assert picture(page) != first, "the ghost follows"
    page.locator("[data-key=accept]").click()
    expect(page.locator("#panel-run h2").first).to_contain_text("passes", timeout=20_000)
    expect(page.locator("#bar .counts")).not_to_contain_text("unrouted")
    page.keyboard.press("Control+s")
    expect(page.locator("#save")).to_have_text("Saved", timeout=20_000)
    assert results(served.project, ENDS)["verdict"] == "pass"
    assert "from_point" not in (served.project / "route3d.toml").read_text(encoding="utf-8")


def test_a_route_that_is_taken_back_leaves_the_run_without_one(looked_at: Viewer, opened: Callable[..., Page]) -> None:
    page = opened(looked_at)
    ask(page, ENDS)
    page.locator("[data-key=accept]").click()
    expect(page.locator("#panel-run h2").first).to_contain_text("passes", timeout=20_000)
    page.keyboard.press("Control+z")
    expect(page.locator("#bar .counts")).to_contain_text("1 unrouted", timeout=20_000)
    expect(page.locator("#save")).to_have_text("Saved")


def test_adjusting_opens_the_corners(looked_at: Viewer, opened: Callable[..., Page]) -> None:
    page = opened(looked_at)
    ask(page, FAILS)
    page.locator("[data-key=adjust]").click()
    expect(page.locator("#panel-edit")).to_be_visible()
    expect(page.locator("#panel-edit .now")).to_contain_text("passes", timeout=20_000)
    assert page.locator("#panel-edit .corners > li").count() > 3
    expect(page.locator("#proposal")).to_be_hidden()
    page.locator("[data-key=undo]").click()
    expect(page.locator("#panel-edit .now")).to_contain_text("fails", timeout=20_000)


def test_what_is_in_the_way_is_listed_and_gone_to(looked_at: Viewer, opened: Callable[..., Page]) -> None:
    page = opened(looked_at)
    ask(page, BLOCKED, "ask-again")
    expect(page.locator("#proposal")).to_contain_text("No change")
    expect(page.locator("#proposal .lines li").first).to_contain_text("Overlap")
    before = picture(page)
    page.locator("[data-key=blocked-0]").click()
    assert picture(page) != before
    page.keyboard.press("Escape")
    expect(page.locator("[data-key=propose]")).to_be_visible()
    choose(page, PASSES)
    expect(page.locator("#proposal")).to_be_hidden()


def test_a_proposal_is_dropped_and_checked_again_when_something_changed(
    looked_at: Viewer, opened: Callable[..., Page]
) -> None:
    page = opened(looked_at)
    ask(page, FAILS)
    page.locator("[data-key=drop-proposal]").click()
    expect(page.locator("[data-key=propose]")).to_be_focused()
    ask(page, FAILS)
    page.locator("#tab-edit").click()
    page.locator("[data-key=edit-which]").select_option(f"={PASSES}")
    page.locator("[data-key=corner-0]").click()
    page.locator("[data-key=corner-y]").fill("3010")
    page.locator("[data-key=corner-y]").press("Enter")
    expect(page.locator("#save")).to_have_text("Save (1)", timeout=20_000)
    choose(page, FAILS)
    expect(page.locator("[data-key=stale]")).to_be_visible()
    page.locator("[data-key=accept]").click()
    expect(page.locator("#panel-run h2").first).to_contain_text("passes", timeout=20_000)
    page.locator("[data-key=undo]").click()
    page.locator("[data-key=undo]").click()
    expect(page.locator("#save")).to_have_text("Saved", timeout=20_000)


def held(context: BrowserContext) -> None:
    """Have answers to searches never come, as where a search takes long."""

    def join(page_side: WebSocketRoute) -> None:
        server = page_side.connect_to_server()

        def passed(message: str | bytes) -> None:
            if '"say":"proposed"' not in str(message):
                page_side.send(message)

        server.on_message(passed)

    context.route_web_socket("**/live", join)


def test_a_search_under_way_is_said_and_given_up_by_key(
    looked_at: Viewer, opened: Callable[..., Page], context: BrowserContext
) -> None:
    held(context)
    page = opened(looked_at)
    ask(page, BLOCKED, "stop-search")
    expect(page.locator("#proposal")).to_contain_text("Looking for the smallest change")
    expect(page.locator("[data-key=stop-search]")).to_be_focused()
    if AXE.exists():
        assert faults(page) == []
    page.keyboard.press("Escape")
    expect(page.locator("[data-key=propose]")).to_be_focused()
    choose(page, ENDS)
    page.keyboard.press("m")
    expect(page.locator("#proposal")).to_contain_text("Looking for routes")
    expect(page.locator("#save")).to_have_text("Saved")


@needs_axe
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_no_stage_of_a_proposal_has_a_fault_that_axe_knows(
    looked_at: Viewer, opened: Callable[..., Page], theme: str
) -> None:
    page = opened(looked_at)
    if page.locator("html").get_attribute("data-theme") != theme:
        page.locator("[data-key=theme]").click()
    choose(page, FAILS)
    assert faults(page) == [], "nothing asked for"
    ask(page, FAILS)
    assert faults(page) == [], "found"
    ask(page, BLOCKED, "ask-again")
    assert faults(page) == [], "blocked"
    choose(page, ENDS)
    assert faults(page) == [], "without a route"
    ask(page, ENDS)
    assert faults(page) == [], "routes"
    page.locator("#tab-overview").click()
    assert faults(page) == [], "overview"
    page.locator("[data-key=accept]").click()
    expect(page.locator("#proposal .verdict")).to_contain_text("passes", timeout=20_000)
    assert faults(page) == [], "taken over"
    page.locator("[data-key=undo]").click()
    expect(page.locator("#save")).to_have_text("Saved", timeout=20_000)
