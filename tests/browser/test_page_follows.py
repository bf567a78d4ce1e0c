"""A drawing is saved while the page is open: the page says so, reads it anew, and shows what has changed."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import Viewer
from tests.scratch_project import Scratch

pytestmark = pytest.mark.browser

RUN = [[0, 0, 3000], [3000, 0, 3000]]


def drawn(folder: Path, duct_z: float) -> Path:
    scratch = Scratch(folder)
    scratch.box("M-DUCT", (1200, -300, duct_z), (1500, 300, duct_z + 200))
    scratch.role("M-DUCT", "duct")
    scratch.run(RUN, "a", straps=[200, 1500, 2800])
    return scratch.write()


def test_a_saved_drawing_refreshes_the_open_page(
    tmp_path: Path, serve: Callable[[Path], Viewer], opened: Callable[..., Page]
) -> None:
    page = opened(serve(drawn(tmp_path, 3300)))
    expect(page.locator(".line-state")).to_contain_text("live")
    expect(page.locator("#bar .counts")).to_contain_text("0 violations")
    drawn(tmp_path, 2900)
    expect(page.locator("#status")).to_contain_text("read anew", timeout=30_000)
    expect(page.locator("#bar .counts")).to_contain_text("1 violation")
    expect(page.locator("#findings")).to_contain_text("duct")
    expect(page.locator("#banners")).to_be_empty()
    drawn(tmp_path, 3300)
    expect(page.locator("#bar .counts")).to_contain_text("0 violations", timeout=30_000)


def test_with_unsaved_changes_the_page_only_says_so(
    tmp_path: Path, serve: Callable[[Path], Viewer], opened: Callable[..., Page]
) -> None:
    page = opened(serve(drawn(tmp_path, 3300)))
    expect(page.locator(".line-state")).to_contain_text("live")
    page.locator("#tab-edit").click()
    page.locator("[data-key=edit-which]").select_option("=a")
    page.locator("[data-key=corner-1]").click()
    page.locator("[data-key=corner-x]").fill("3100")
    page.locator("[data-key=corner-x]").press("Enter")
    expect(page.locator("#save")).to_have_text("Save (1)", timeout=20_000)
    drawn(tmp_path, 2900)
    expect(page.locator(".banner.inputs")).to_contain_text("model.dxf", timeout=30_000)
    page.wait_for_timeout(1500)
    expect(page.locator("#bar .counts")).to_contain_text("0 violations")
    page.locator("[data-key=read-anew]").click()
    expect(page.locator("#bar .counts")).to_contain_text("1 violation", timeout=30_000)
    expect(page.locator("#save")).to_have_text("Save (1)")
    assert json.dumps(RUN) in (tmp_path / "route3d.toml").read_text(encoding="utf-8")
