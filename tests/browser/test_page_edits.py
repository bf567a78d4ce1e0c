"""Mend: what is changed on the page is checked, undone, saved into the project, and not lost."""

from __future__ import annotations

import re
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import Viewer, copy_of_sample

pytestmark = pytest.mark.browser

RUN = "L1-LTG-12"  # given by its points in route3d.toml, passes
OTHER = "L1-REC-04"  # also of the project file, straight


def begin(page: Page, run: str = RUN) -> None:
    expect(page.locator(".line-state")).to_contain_text("live")
    page.locator("#tab-edit").click()
    page.locator("[data-key=edit-which]").select_option(f"={run}")


def type_corner(page: Page, corner: int, axis: str, value: str) -> None:
    field = page.locator(f"[data-key=corner-{axis}]")
    if field.count() == 0:
        page.locator(f"[data-key=corner-{corner}]").click()
    field.fill(value)
    field.press("Enter")


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Viewer]:
    """One server for all tests that leave it as they found it, but for what they save."""
    one = Viewer(copy_of_sample(tmp_path_factory.mktemp("edited") / "workshop"))
    yield one
    one.stop()


@pytest.fixture
def page(served: Viewer, opened: Callable[..., Page]) -> Page:
    one = opened(served)
    expect(one.locator(".line-state")).to_contain_text("live")
    if one.locator("#save").inner_text() != "Saved":  # what the test before left
        give_up(one)
    return one


def give_up(page: Page) -> None:
    page.locator("#tab-edit").click()
    page.locator("summary", has_text="Give the changes up").click()
    page.locator("[data-key=drop-all]").click()
    expect(page.locator("#save")).to_have_text("Saved", timeout=20_000)


def test_a_typed_corner_is_checked_undone_redone_and_saved(page: Page, served: Viewer) -> None:
    begin(page)
    now = page.locator("#panel-edit .now")
    expect(now).to_contain_text("passes")
    type_corner(page, 1, "z", "3000")  # away from the luminaire, and no longer level
    expect(now).to_contain_text("fails", timeout=20_000)
    expect(page.locator("#save")).to_have_text("Save (1)")
    expect(page.locator("#status")).to_contain_text(f"{RUN} fails now", timeout=5_000)
    page.locator("[data-key=undo]").click()
    expect(now).to_contain_text("passes", timeout=20_000)
    expect(page.locator("#save")).to_have_text("Saved")
    page.locator("#tab-run").focus()
    page.keyboard.press("Control+y")
    expect(now).to_contain_text("fails", timeout=20_000)
    before = (served.project / "route3d.toml").read_text(encoding="utf-8")
    page.keyboard.press("Control+s")
    expect(page.locator("#save")).to_have_text("Saved", timeout=20_000)
    after = (served.project / "route3d.toml").read_text(encoding="utf-8")
    assert before != after
    assert "3000" in after.split(f'"{RUN}"')[1].split("[[run]]")[0]
    assert [line for line in after.splitlines() if "#" in line] == [line for line in before.splitlines() if "#" in line]
    page.reload()
    page.wait_for_selector("body[data-ready=yes]", timeout=60_000)
    begin(page)
    expect(page.locator("#panel-edit .now")).to_contain_text("fails")


def test_undo_goes_on_behind_a_save_and_says_that_the_file_was_written(page: Page, served: Viewer) -> None:
    file = served.project / "route3d.toml"
    before = file.read_text(encoding="utf-8")
    begin(page, OTHER)
    type_corner(page, 1, "y", "3300")
    expect(page.locator("#save")).to_have_text("Save (1)", timeout=20_000)
    page.locator("#save").click()
    expect(page.locator("#save")).to_have_text("Saved", timeout=20_000)
    assert file.read_text(encoding="utf-8") != before
    expect(page.locator("#status")).to_contain_text("read anew", timeout=20_000)
    undo = page.locator("#bar [data-key=undo]")
    expect(undo).to_have_attribute("title", re.compile("in the file already"))
    undo.click()
    expect(page.locator("#save")).to_have_text("Save (1)", timeout=20_000)
    expect(page.locator("#panel-edit .ahead")).to_contain_text("1 step that you took back is still in the file")
    page.locator("#bar [data-key=redo]").click()
    expect(page.locator("#save")).to_have_text("Saved", timeout=20_000)
    expect(page.locator("#panel-edit .ahead")).to_have_count(0)
    undo.click()
    expect(page.locator("#save")).to_have_text("Save (1)", timeout=20_000)
    page.locator("#save").click()
    expect(page.locator("#save")).to_have_text("Saved", timeout=20_000)
    assert file.read_text(encoding="utf-8") == before


def test_after_a_reload_drafts_are_taken_back_one_by_one(page: Page) -> None:
    begin(page, OTHER)
    type_corner(page, 1, "y", "3300")
    expect(page.locator("#save")).to_have_text("Save (1)", timeout=20_000)
    begin(page, "L1-REC-15")
    page.locator("[data-key=delete-run]").click()
    expect(page.locator("#save")).to_have_text("Save (2)", timeout=20_000)
    page.reload()
    page.wait_for_selector("body[data-ready=yes]", timeout=60_000)
    expect(page.locator(".line-state")).to_contain_text("live")
    undo = page.locator("#bar [data-key=undo]")
    expect(undo).to_have_attribute("title", re.compile("the earlier changes of L1-REC-15"))
    undo.click()
    expect(page.locator("#save")).to_have_text("Save (1)", timeout=20_000)
    undo.click()
    expect(page.locator("#save")).to_have_text("Saved", timeout=20_000)
    expect(undo).to_be_disabled()


def test_corners_and_straps_come_and_go_by_key(page: Page) -> None:
    begin(page, OTHER)
    corners = page.locator("#panel-edit .corners > li")
    expect(corners).to_have_count(2)
    page.locator("[data-key=corner-0]").focus()
    page.keyboard.press("Enter")
    page.locator("[data-key=corner-insert]").focus()
    page.keyboard.press("Enter")
    expect(corners).to_have_count(3)
    expect(page.locator("[data-key=corner-1]")).to_have_attribute("aria-expanded", "true")
    page.locator("[data-key=corner-delete]").focus()
    page.keyboard.press("Enter")
    expect(corners).to_have_count(2)
    straps = page.locator("#panel-edit .held").first.locator("li")
    before = straps.count()
    page.locator("[data-key=straps_at_m-more]").fill("1 ft")
    page.locator("[data-key=straps_at_m-more]").press("Enter")
    expect(straps).to_have_count(before + 1)
    page.locator("[data-key=straps_at_m-more]").fill("99999")
    page.locator("[data-key=straps_at_m-more]").press("Enter")
    expect(page.locator("#trouble-straps_at_m-more")).to_contain_text("must lie on the run")


def test_a_run_is_added_by_typing_and_taken_out(page: Page) -> None:
    begin(page, OTHER)
    page.locator("[data-key=new-id]").fill("L1-TYPED")
    page.locator("summary", has_text="or type them").click()
    page.locator("[data-key=new-points]").fill("1000, 600, 3088\n2000, 600")
    page.locator("[data-key=add-typed]").click()
    expect(page.locator("#panel-edit .trouble", has_text="Line 2")).to_be_visible()
    page.locator("[data-key=new-points]").fill("1000, 600, 3088\n2000, 600, 3.088 m")
    page.locator("[data-key=add-typed]").click()
    expect(page.locator("#panel-edit .now h2")).to_contain_text("L1-TYPED")
    expect(page.locator("#panel-edit .now .verdict")).to_be_visible(timeout=20_000)
    page.locator("[data-key=delete-run]").click()
    expect(page.locator("#save")).to_have_text("Saved", timeout=20_000)
    page.locator("[data-key=undo]").click()
    expect(page.locator("#save")).to_have_text("Save (1)", timeout=20_000)


def test_drafts_survive_a_killed_server(
    serve: Callable[[Path], Viewer], opened: Callable[..., Page], tmp_path: Path
) -> None:
    first = serve(copy_of_sample(tmp_path / "workshop"))
    page = opened(first)
    begin(page)
    type_corner(page, 1, "z", "3000")
    expect(page.locator("#save")).to_have_text("Save (1)", timeout=20_000)
    first.stop(signal.SIGKILL)
    expect(page.locator(".banner.lost")).to_contain_text("Your changes are kept")
    page.close()
    other = opened(serve(first.project))
    expect(other.locator(".banner.drafts")).to_contain_text("1 unsaved change")
    other.locator("[data-key=take]").click()
    expect(other.locator("#save")).to_have_text("Save (1)", timeout=20_000)
    expect(other.locator(".banner.drafts")).to_have_count(0)
    begin(other)
    expect(other.locator("#panel-edit .now")).to_contain_text("fails")
    give_up(other)
    expect(other.locator("#panel-edit .now")).to_contain_text("passes", timeout=20_000)


def test_a_changed_input_is_said_and_read_anew_when_asked(page: Page, served: Viewer) -> None:
    begin(page)  # with unsaved changes nothing is read without being asked
    type_corner(page, 1, "z", "3010")
    expect(page.locator("#save")).to_have_text("Save (1)", timeout=20_000)
    file = served.project / "services.dxf"
    file.write_bytes(file.read_bytes() + b"\n")
    banner = page.locator(".banner.inputs")
    expect(banner).to_contain_text("services.dxf", timeout=20_000)
    page.locator("[data-key=read-anew]").click()
    expect(banner).to_have_count(0, timeout=60_000)
    expect(page.locator("#status")).to_contain_text("read anew", timeout=60_000)
