"""Decide: what a meeting decides on the page is in the store at once, seen everywhere, and never lost silently."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from route3d.store.decisions import histories, matters
from route3d.store.opening import store_path
from tests.browser.conftest import Viewer, copy_of_sample
from tests.browser.test_page_access import faults, needs_axe
from tests.scratch_project import call

pytestmark = pytest.mark.browser
ROWS = "#findings .tabulator-row"
HOSTILE = '<img src=x onerror="document.title=1">'


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Viewer]:
    one = Viewer(copy_of_sample(tmp_path_factory.mktemp("decided") / "workshop"))
    yield one
    one.stop()


def store_of(served: Viewer) -> Path:
    return store_path(served.project / "route3d.toml")


def choose(page: Page, row: int) -> str:
    """Choose a finding and return its id."""
    page.locator(ROWS).nth(row).click()
    expect(page.locator("#panel-run .decision")).to_be_visible()
    return str(page.locator(ROWS).nth(row).get_attribute("id")).removeprefix("row-")


def test_the_first_decision_begins_the_record_and_every_window_follows(
    served: Viewer, opened: Callable[..., Page]
) -> None:
    page, other = opened(served), opened(served)
    expect(other.locator(".line-state")).to_contain_text("live")
    expect(page.locator("#panel-overview")).to_contain_text("None are kept yet")
    assert not store_of(served).exists()
    finding = choose(page, 0)
    part = page.locator("#panel-run .decision")
    expect(part).to_contain_text("Nothing is decided yet")
    page.locator("#findings").focus()
    page.keyboard.press("d")  # by keys alone
    expect(page.locator("[data-key=decide-open]")).to_be_focused()
    page.keyboard.press("ArrowRight")
    expect(page.locator("[data-key=decide-to-mend]")).to_be_checked()
    page.keyboard.press("Tab")
    page.keyboard.type(f"Wider form {HOSTILE}")
    page.keyboard.press("Tab")
    page.keyboard.type("N. N.")
    page.keyboard.press("Tab")
    page.keyboard.type("crew two")
    page.locator("[data-key=decide-due]").fill("2026-01-31")
    page.locator("[data-key=decide-owner]").press("Enter")
    expect(part.locator(".stands")).to_contain_text("to mend by N. N.", timeout=20_000)
    expect(part.locator(".overdue")).to_be_visible()
    expect(part).to_contain_text(HOSTILE)
    expect(part.locator("form")).not_to_be_visible()
    kept = next(m for m in matters(store_of(served)) if m.finding.finding_id == finding)
    assert (kept.decided, kept.by, kept.owner, kept.due) == ("to-mend", "N. N.", "crew two", "2026-01-31")
    # the other window: table, overview, and what is told of the finding
    expect(other.locator(ROWS).first).to_contain_text("to mend", timeout=20_000)
    other.locator("#tab-overview").click()
    expect(other.locator("[data-key=decided-to-mend]")).to_contain_text("1 ")
    expect(other.locator("svg.trend g")).to_have_count(1)
    other.locator("[data-key=overdue]").click()
    expect(other.locator(ROWS)).to_have_count(1)
    assert page.locator("img[src=x]").count() == 0 == other.locator("img[src=x]").count()


def test_accepting_needs_a_reason_and_what_was_typed_stays(served: Viewer, opened: Callable[..., Page]) -> None:
    page = opened(served)
    finding = choose(page, 1)
    page.locator("[data-key=decide]").click()
    page.locator("[data-key=decide-accepted]").check()
    page.locator("[data-key=decide-by]").fill("A. Planner")
    page.locator("[data-key=decide-owner]").fill("nobody")
    page.locator("[data-key=decide-send]").click()
    expect(page.locator("#decide-trouble")).to_contain_text("needs a reason")
    expect(page.locator("[data-key=decide-owner]")).to_have_value("nobody")
    expect(page.locator("[data-key=decide-accepted]")).to_be_checked()
    page.locator("[data-key=decide-note]").fill("listed for it")
    page.locator("[data-key=decide-send]").click()
    expect(page.locator("#panel-run .stands")).to_contain_text("accepted by A. Planner", timeout=20_000)
    page.locator("[data-key=history]").click()
    expect(page.locator(".history li")).to_have_count(1)
    # whoever decides is remembered for the next one
    choose(page, 2)
    page.locator("[data-key=decide]").click()
    expect(page.locator("[data-key=decide-by]")).to_have_value("A. Planner")
    assert [m.decided for m in matters(store_of(served)) if m.finding.finding_id == finding] == ["accepted"]


def test_what_is_listed_is_decided_together(served: Viewer, opened: Callable[..., Page]) -> None:
    page = opened(served, "checks=securing")
    count = page.locator(ROWS).count()
    assert count > 1
    choose(page, 0)
    page.locator("[data-key=decide]").click()
    page.locator("[data-key=decide-to-mend]").check()
    page.locator("[data-key=decide-by]").fill("N. N.")
    page.locator("[data-key=decide-owner]").fill("strap crew")
    page.locator("[data-key=decide-all]").check()
    page.locator("[data-key=decide-send]").click()
    expect(page.locator(ROWS, has_text="to mend")).to_have_count(count, timeout=20_000)
    assert sum(m.owner == "strap crew" for m in matters(store_of(served))) == count
    page.locator("select[data-key=checks]").select_option("")
    page.locator("select[data-key=owners]").select_option("=strap crew")
    expect(page.locator(ROWS)).to_have_count(count)
    page.reload()
    page.wait_for_selector("body[data-ready=yes]", timeout=60_000)
    expect(page.locator(ROWS)).to_have_count(count)  # the address leads back


def test_what_the_command_line_decides_appears_by_itself(served: Viewer, opened: Callable[..., Page]) -> None:
    page = opened(served)
    finding = choose(page, 3)
    status, output = call("decide", finding, "--project", str(served.project), "--as", "not-ours", "--by", "C. L.",
                          "--note", "the duct moves")  # fmt: skip
    assert status == 0, output
    expect(page.locator("#panel-run .stands")).to_contain_text("not ours by C. L.", timeout=20_000)
    expect(page.locator(ROWS).nth(3)).to_contain_text("not ours")


def test_a_damaged_store_is_said_across_the_page(
    serve: Callable[..., Viewer], opened: Callable[..., Page], tmp_path: Path
) -> None:
    one = serve(copy_of_sample(tmp_path / "workshop"))
    page = opened(one)
    store_of(one).write_bytes(b"not a database" * 100)
    expect(page.locator(".banner.failure")).to_contain_text("Decisions:", timeout=20_000)
    choose(page, 0)
    page.locator("[data-key=decide]").click()
    page.locator("[data-key=decide-by]").fill("N. N.")
    page.locator("[data-key=decide-send]").click()
    expect(page.locator("#decide-trouble")).to_contain_text("Not kept", timeout=20_000)
    assert str(tmp_path) not in page.locator("body").inner_text()


def test_a_server_that_dies_leaves_what_was_typed(
    serve: Callable[..., Viewer], opened: Callable[..., Page], tmp_path: Path
) -> None:
    one = serve(copy_of_sample(tmp_path / "workshop"))
    page = opened(one)
    choose(page, 0)
    page.locator("[data-key=decide]").click()
    page.locator("[data-key=decide-by]").fill("N. N.")
    page.locator("[data-key=decide-note]").fill("half a thought")
    one.process.send_signal(signal.SIGSTOP)
    page.locator("[data-key=decide-send]").click()
    expect(page.locator("[data-key=decide-send]")).to_have_text("Writing …")
    one.stop(signal.SIGKILL)
    expect(page.locator("#decide-trouble")).to_contain_text("before the answer came", timeout=20_000)
    expect(page.locator("[data-key=decide-note]")).to_have_value("half a thought")
    expect(page.locator("[data-key=decide-send]")).to_be_disabled()


def test_who_may_only_look_sees_decisions_and_no_form(
    serve: Callable[..., Viewer], opened: Callable[..., Page], tmp_path: Path
) -> None:
    project = copy_of_sample(tmp_path / "workshop")
    call("decide", "1", "--project", str(project), "--as", "to-mend", "--by", "N. N.", "--owner", "crew")
    one = serve(project, "--host", "0.0.0.0")
    if "127.0.0.1" in one.url:
        pytest.skip("this machine has no address but its own")
    page = opened(one, "decided=to-mend")
    page.locator(ROWS).first.click()
    part = page.locator("#panel-run .decision")
    expect(part.locator(".stands")).to_contain_text("to mend by N. N.")
    expect(part).to_contain_text("read-only")
    expect(part.locator("form")).to_have_count(0)
    page.keyboard.press("d")
    expect(part.locator("form")).to_have_count(0)
    assert [len(told) for told in histories(store_of(one)).values()] == [1]


@needs_axe
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_decisions_and_trend_have_no_fault_that_axe_knows(
    served: Viewer, opened: Callable[..., Page], theme: str
) -> None:
    page = opened(served)
    if page.locator("html").get_attribute("data-theme") != theme:
        page.locator("[data-key=theme]").click()
    page.locator("#tab-overview").click()
    page.locator("[data-key=trend]").click()
    assert faults(page) == []
    choose(page, 1)
    page.locator("[data-key=history]").click()
    page.locator("[data-key=decide]").click()
    page.locator("[data-key=decide-by]").fill("")
    page.locator("[data-key=decide-send]").click()
    expect(page.locator("#decide-trouble")).to_contain_text("who")
    assert faults(page) == []
