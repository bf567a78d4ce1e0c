"""See and understand: the table, the panels, one selection everywhere, and places in the address."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, Route, WebSocketRoute, expect

from route3d.model.finding import CAUTION

pytestmark = pytest.mark.browser

Open = Callable[..., Page]
ROWS = "#findings .tabulator-row"


def review_of(page: Page) -> dict[str, Any]:
    value: dict[str, Any] = page.evaluate("fetch('/review.json').then((answer) => answer.json())")
    return value


def with_review(page: Page, change: Callable[[dict[str, Any]], None]) -> None:
    """Let the page get the server's review changed."""

    def answer(route: Route) -> None:
        got = route.fetch()
        review = got.json()
        change(review)
        route.fulfill(status=200, content_type="application/json", body=json.dumps(review))

    page.route("**/review.json", answer)
    page.reload()
    page.wait_for_selector("body[data-ready=yes]", timeout=60_000)


def row(page: Page, text: str) -> Any:
    return page.locator(ROWS, has_text=text).first


def test_the_page_opens_with_the_verdicts_and_the_caution_in_sight(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    summary = review_of(page)["summary"]
    expect(page.locator("#caution")).to_have_text(CAUTION)
    expect(page.locator("#caution")).to_be_in_viewport()
    expect(page.locator("#bar .counts")).to_contain_text(f"{summary['runs']} runs")
    expect(page.locator("#bar .counts")).to_contain_text(f"{summary['runs_failed']} fail")
    expect(page.locator("#unread")).to_be_hidden()  # all of the sample is read
    expect(page).to_have_title(re.compile("Quarry Lane"))
    assert "token" not in page.url


def test_a_row_selects_everywhere_and_arrow_keys_go_on(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    findings = review_of(page)["findings"]
    page.locator(ROWS).first.click()
    expect(page.locator("#panel-run")).to_be_visible()
    expect(page.locator("#panel-run .message")).to_have_text(findings[0]["message"])
    expect(page.locator("#panel-run .steps dd").first).to_be_visible()
    expect(page.locator("#panel-run svg.strip")).to_be_visible()
    assert f"finding={findings[0]['id']}" in page.url
    page.keyboard.press("ArrowDown")
    expect(page.locator("#panel-run .message")).to_have_text(findings[1]["message"])
    expect(page.locator(f"#row-{findings[1]['id']}")).to_have_attribute("aria-selected", "true")
    expect(page.locator(f"{ROWS}[aria-selected=true]")).to_have_count(1)
    page.keyboard.press("End")
    expect(page.locator(f"#row-{findings[-1]['id']}")).to_be_in_viewport()
    page.keyboard.press("ArrowUp")
    expect(page.locator(f"#row-{findings[-2]['id']}")).to_have_attribute("aria-selected", "true")


def test_the_view_flies_to_the_selected_finding(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    finding = review_of(page)["findings"][0]
    before = page.url
    page.locator(ROWS).first.click()
    page.wait_for_timeout(2500)
    camera = re.search(r"camera=[op]_([^&]*)", page.url)
    assert camera is not None and page.url != before
    target = [float(x) for x in camera.group(1).split("_")[3:6]]
    place = finding["point_m"]
    assert max(abs(a - b) for a, b in zip(target, place, strict=True)) < 2.0


def test_menus_and_words_narrow_the_list(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    findings = review_of(page)["findings"]
    clashes = [f for f in findings if f["check"] == "clash"]
    page.locator("select[data-key=checks]").select_option("=clash")
    expect(page.locator("#filters .count")).to_have_text(f"{len(clashes)} of {len(findings)}")
    expect(page.locator(ROWS)).to_have_count(len(clashes))
    page.locator("#clear-filter").click()
    page.keyboard.press("Escape")
    page.locator("#search").fill("rec-04 SECURED")
    expect(page.locator(ROWS)).to_have_count(1)
    assert "text=" in page.url
    page.locator("#search").fill("nothing has this in it")
    expect(page.locator("#findings .tabulator-placeholder")).to_contain_text("No finding matches")
    page.locator("#clear-filter").click()
    expect(page.locator("#filters .count")).to_have_text(f"{len(findings)} findings")


def test_headings_sort_by_mouse_and_by_key(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    findings = review_of(page)["findings"]
    heading = page.locator("#findings .tabulator-col", has_text="Run").first
    heading.focus()
    page.keyboard.press("Enter")
    expect(heading).to_have_attribute("aria-sort", "ascending")
    first = sorted((f["run"] or "") for f in findings)[0]
    expect(page.locator(ROWS).first).to_contain_text(first)
    heading.click()
    expect(heading).to_have_attribute("aria-sort", "descending")


def test_bars_of_the_overview_list_what_they_count(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    findings = review_of(page)["findings"]
    bar = page.locator("#panel-overview .bars button", has_text="bend").first
    bar.click()
    expect(page.locator(ROWS)).to_have_count(sum(f["check"] == "bend" for f in findings))
    assert "checks=bend" in page.url


def test_an_address_opens_the_page_at_the_same_place(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    finding = next(f for f in review_of(page)["findings"] if f["check"] == "clearance")
    place = f"finding={finding['id']}&tab=run&checks=clearance&camera=o_1_2_9_1_2_0_0_1_0_5"
    other = opened(viewer, place)
    expect(other.locator("#panel-run .message")).to_have_text(finding["message"])
    expect(other.locator(f"#row-{finding['id']}")).to_have_attribute("aria-selected", "true")
    expect(other.locator("select[data-key=checks]")).to_have_value("=clearance")
    expect(other.locator("[data-key=projection]")).to_have_attribute("aria-pressed", "true")


def test_back_and_forward_walk_through_selections(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    findings = review_of(page)["findings"]
    message = page.locator("#panel-run .message")
    for k in (0, 2):
        page.locator(f"#row-{findings[k]['id']}").click()
        expect(message).to_have_text(findings[k]["message"])
        page.wait_for_timeout(1100)
    page.go_back()
    expect(message).to_have_text(findings[0]["message"])
    page.go_forward()
    expect(message).to_have_text(findings[2]["message"])


def test_what_was_not_read_is_always_in_sight(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    row_of = {
        "file": "a.dxf",
        "handle": "2F",
        "layer": "M-DUCT",
        "kind": "LINE",
        "reason": "has no surface",
        "box_m": None,
    }
    with_review(page, lambda review: review["unread"].extend([row_of, {**row_of, "handle": "30"}]))
    button = page.locator("#unread-button")
    for tab in ("run", "overview", "building", "edit"):
        page.locator(f"#tab-{tab}").click()
        expect(button).to_be_in_viewport()
    expect(button).to_contain_text("2 things not read")
    button.click()
    expect(page.locator("#unread-list")).to_contain_text("has no surface")
    page.keyboard.press("Escape")
    expect(page.locator("#unread-list")).to_be_hidden()
    expect(button).to_be_focused()


def test_a_run_that_was_not_fully_checked_never_looks_passed(viewer: Any, opened: Open) -> None:
    page = opened(viewer)

    def change(review: dict[str, Any]) -> None:
        for run in review["runs"]:
            run["verdict"] = "unchecked"

    with_review(page, change)
    run = review_of(page)["runs"][0]["id"]
    expect(page.locator("#bar .counts")).to_contain_text("0 pass")
    page.locator(f"[data-key='run-{run}']").evaluate("(button) => button.click()")
    expect(page.locator("#panel-run .run-head")).to_contain_text("not fully checked")
    expect(page.locator("#panel-run .run-head")).not_to_contain_text("✔")


HOSTILE = '<img src=x onerror="alert(1)"><script>alert(2)</script>\'"&amp;{{7*7}}\u202e'


def test_hostile_names_are_shown_and_do_nothing(viewer: Any, opened: Open) -> None:
    page = opened(viewer)

    def change(review: dict[str, Any]) -> None:
        run = review["runs"][0]
        old = run["id"]
        run.update(id=HOSTILE, cable=HOSTILE, storey=HOSTILE)
        for zone in run["zones"]:
            zone["name"] = HOSTILE
        for finding in review["findings"]:
            texts = ("message", "remedy", "rule", "group", "storey")
            finding.update(dict.fromkeys(texts, HOSTILE))
            finding["run"] = HOSTILE if finding["run"] == old else finding["run"]
        review["findings"][0].update(run=HOSTILE, other=HOSTILE)
        review["chains"] = {f["id"]: [{"step": "fact", "text": HOSTILE}] for f in review["findings"]}
        review["unread"].append(dict.fromkeys(("file", "handle", "layer", "kind", "reason"), HOSTILE) | {"box_m": None})
        review["notes"].append(HOSTILE)
        review["inputs"][0]["file"] = HOSTILE
        review.update(project=HOSTILE, rules=HOSTILE)
        review["cables"][HOSTILE] = next(iter(review["cables"].values()))

    with_review(page, change)
    page.locator(ROWS).first.click()
    expect(page.locator("#panel-run .message")).to_contain_text("<img src=x")
    expect(page.locator("#bar h1")).to_contain_text("<script>")
    page.locator("#unread-button").click()
    for tab in ("overview", "building", "edit", "run"):
        page.locator(f"#tab-{tab}").click()
    page.locator("#filters select").first.focus()
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.locator("img[src=x]").count() == 0
    assert page.locator("body script:not([src])").count() == 0
    assert page.evaluate("document.querySelectorAll('[onerror]').length") == 0


def test_thousands_of_findings_stay_quick(viewer: Any, opened: Open) -> None:
    page = opened(viewer)

    def change(review: dict[str, Any]) -> None:
        one = review["findings"][0]
        review["findings"] = [
            {**one, "id": f"bend-{k}", "number": k + 1, "message": f"finding {k}"} for k in range(20_000)
        ]

    with_review(page, change)
    expect(page.locator("#filters .count")).to_have_text("20\u202f000 findings")
    assert page.locator(ROWS).count() < 200
    began = time.monotonic()
    page.locator(ROWS).first.click()
    page.keyboard.press("End")
    print(f"20,000 findings: {time.monotonic() - began:.2f} s to choose one and go to the end")
    expect(page.locator("#row-bend-19999")).to_be_in_viewport()
    page.locator("#search").fill("bend-19998")
    expect(page.locator(ROWS)).to_have_count(1)


def test_edges_move_by_key_and_stay_for_the_next_visit(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    part = page.locator("#table-part")
    before = part.bounding_box()
    page.locator("#edge-low").focus()
    page.keyboard.press("ArrowUp")
    after = part.bounding_box()
    assert before is not None and after is not None and after["height"] == before["height"] + 24
    page.reload()
    page.wait_for_selector("body[data-ready=yes]", timeout=60_000)
    again = part.bounding_box()
    assert again is not None and again["height"] == after["height"]


def test_roles_are_shown_seen_through_or_hidden(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    page.locator("#tab-building").click()
    expect(page.locator("[data-key=role-wall-ghost]")).to_be_checked()
    before = page.locator("#picture canvas").first.screenshot()
    page.locator("[data-key=role-duct-hidden]").check()
    page.wait_for_timeout(600)
    assert page.locator("#picture canvas").first.screenshot() != before
    page.locator("[data-key=slice]").check()
    low = page.locator("[data-key=slice-low]")
    low.fill("a lot")
    low.press("Enter")
    expect(page.locator("#trouble-slice-low")).to_contain_text("is no length")
    low.fill("2.5 m")
    low.press("Enter")
    expect(low).to_have_value("2500")


def test_a_second_window_follows_until_it_is_told_not_to(viewer: Any, opened: Open) -> None:
    first, second = opened(viewer), opened(viewer)
    findings = review_of(first)["findings"]
    expect(second.locator(".line-state")).to_contain_text("live")
    first.locator(f"#row-{findings[3]['id']}").click()
    expect(second.locator("#panel-run .message")).to_have_text(findings[3]["message"])
    expect(second.locator(f"#row-{findings[3]['id']}")).to_have_attribute("aria-selected", "true")
    second.locator("[data-key=follow]").uncheck()
    first.locator(f"#row-{findings[0]['id']}").click()
    expect(first.locator("#panel-run .message")).to_have_text(findings[0]["message"])
    second.wait_for_timeout(800)
    expect(second.locator("#panel-run .message")).to_have_text(findings[3]["message"])


def test_a_lost_line_is_said_and_comes_back_by_itself(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    lines: list[WebSocketRoute] = []

    def through(line: WebSocketRoute) -> None:
        lines.append(line)
        line.connect_to_server()

    page.route_web_socket("**/live", through)
    page.reload()
    page.wait_for_selector("body[data-ready=yes]", timeout=60_000)
    expect(page.locator(".line-state")).to_contain_text("live")
    began = time.monotonic()
    lines[-1].close(code=4000)
    expect(page.locator(".banner.lost")).to_be_visible()
    expect(page.locator(".line-state")).to_contain_text("live", timeout=15_000)
    expect(page.locator(".banner.lost")).to_have_count(0)
    assert len(lines) == 2 and time.monotonic() - began < 15


def test_a_printed_page_has_picture_findings_and_caution(viewer: Any, opened: Open) -> None:
    page = opened(viewer)
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    expect(page.locator("#print-part img")).to_be_visible()
    assert page.locator("#print-part tbody tr").count() == len(review_of(page)["findings"])
    expect(page.locator("#caution")).to_be_visible()
    expect(page.locator("#sheet")).to_be_hidden()
