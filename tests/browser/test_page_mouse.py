"""Mend with the mouse, through the whole page: corners, straps and new runs, dragged and clicked in the picture."""

from __future__ import annotations

import json
import socket
import tomllib
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import Viewer, copy_of_sample

pytestmark = pytest.mark.browser

RUN = "L1-LTG-12"  # given by its points in route3d.toml
OTHER = "L1-REC-04"
CHECKED_MS = 30_000
# its first leg is made too short for the bend behind it; leading it further across the bay mends that
STRAIGHT = "[[1137, 350, 3088], [4146.2, 350, 3088]]\nstraps = [285.4, 1504.6, 2317.4, 2723.8]"
BENT = "[[1137, 350, 3088], [1137, 390, 3088], [4146.2, 350, 3088]]\nstraps = [285.4, 1504.6, 2317.4, 2980]"


def bent_sample(folder: Path) -> Path:
    project = copy_of_sample(folder)
    file = project / "route3d.toml"
    text = file.read_text(encoding="utf-8")
    assert STRAIGHT in text
    file.write_text(text.replace(STRAIGHT, BENT), encoding="utf-8")
    return project


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Viewer]:
    one = Viewer(bent_sample(tmp_path_factory.mktemp("dragged") / "workshop"))
    yield one
    one.stop()


@pytest.fixture
def page(served: Viewer, opened: Callable[..., Page]) -> Page:
    one = opened(served)
    expect(one.locator(".line-state")).to_contain_text("live")
    while one.locator("#save").inner_text() != "Saved":  # what the test before left
        left = one.locator("#save").inner_text()
        one.locator("[data-key=undo]").click()
        expect(one.locator("#save")).not_to_have_text(left, timeout=CHECKED_MS)
    return one


def rested(page: Page) -> None:
    """Wait until the view has come to rest, and surfaces can be picked."""
    page.wait_for_function(
        "() => route3d.scene.layer?.tree && route3d.scene.stage.flight === null && !route3d.scene.stage.moving",
        timeout=60_000,
    )


def begin(page: Page, run: str = RUN) -> None:
    page.locator("#tab-edit").click()
    page.locator("[data-key=edit-which]").select_option(f"={run}")
    rested(page)


def corners(page: Page, run: str = RUN) -> list[list[float]]:
    """The corners as they are drawn now, in metres from the page's origin."""
    found: list[list[float]] = page.evaluate("(run) => route3d.edits.current(run).corners_m", run)
    return found


def spot(page: Page, point: Sequence[float]) -> tuple[float, float]:
    """Where on the page a point is seen."""
    x, y = page.evaluate(
        """(point) => { const box = document.querySelector("#picture canvas").getBoundingClientRect();
        const [x, y] = route3d.scene.view.project(point); return [x + box.left, y + box.top]; }""",
        list(point),
    )
    return x, y


def drag(page: Page, start: Sequence[float], goal: Sequence[float]) -> None:
    (x0, y0), (x1, y1) = spot(page, start), spot(page, goal)
    page.mouse.move(x0, y0)
    page.mouse.down()
    page.mouse.move(x1, y1, steps=6)
    page.mouse.up()


def moved(point: Sequence[float], x: float = 0.0, y: float = 0.0) -> list[float]:
    return [point[0] + x, point[1] + y, point[2]]


def review_of(page: Page) -> Any:
    return json.loads(page.evaluate("fetch('/review.json').then((answer) => answer.text())"))


def violations(page: Page, run: str = RUN) -> list[str]:
    return [f["id"] for f in review_of(page)["findings"] if f["run"] == run and f["severity"] == "violation"]


def in_file(served: Viewer, run: str) -> dict[str, Any]:
    text = (served.project / "route3d.toml").read_text(encoding="utf-8")
    found: dict[str, Any] = next(one for one in tomllib.loads(text)["run"] if one["id"] == run)
    return found


def test_a_corner_is_dragged_until_its_violation_is_gone_and_saved(page: Page, served: Viewer) -> None:
    (violation,) = violations(page)
    row = page.locator(f"#row-{violation}")
    expect(row).to_have_count(1)
    begin(page)
    now = page.locator("#panel-edit .now")
    expect(now).to_contain_text("fails")
    corner = corners(page)[1]
    drag(page, corner, moved(corner, y=0.2))
    expect(now).to_contain_text("passes", timeout=CHECKED_MS)
    expect(row).to_have_count(0)
    x, y, z = corners(page)[1]
    assert (x, z) == pytest.approx((corner[0], corner[2]), abs=1e-9), "it kept to its axis, and its height"
    assert y - corner[1] == pytest.approx(0.2, abs=0.02)
    page.locator("#save").click()
    expect(page.locator("#save")).to_have_text("Saved", timeout=CHECKED_MS)
    written = in_file(served, RUN)["path"]
    assert written[0] == [1137, 350, 3088] and written[2] == [4146.2, 350, 3088]
    assert written[1][1] == pytest.approx(390 + 1000 * (y - corner[1]), abs=0.02)
    page.reload()
    page.wait_for_selector("body[data-ready=yes]", timeout=60_000)
    expect(page.locator(".line-state")).to_contain_text("live")
    assert violations(page) == []
    expect(row).to_have_count(0)
    page.locator("#tab-edit").click()
    page.locator("[data-key=edit-which]").select_option(f"={RUN}")
    expect(now).to_contain_text("passes")


def test_the_check_follows_while_the_mouse_is_still_down(page: Page) -> None:
    begin(page)
    now = page.locator("#panel-edit .now")
    corner = corners(page)[-1]
    page.mouse.move(*spot(page, corner))
    page.mouse.down()
    page.mouse.move(*spot(page, moved(corner, x=-0.9)), steps=4)
    expect(now).to_contain_text("beyond the end of the run", timeout=CHECKED_MS)
    expect(page.locator("#save")).to_have_text("Save (1)")
    page.keyboard.press("Escape")  # back to where it was
    page.mouse.up()
    expect(now).not_to_contain_text("beyond the end of the run", timeout=CHECKED_MS)
    expect(page.locator("#save")).to_have_text("Saved")
    assert corners(page)[-1] == corner


def test_a_run_is_added_by_clicks_and_checked(page: Page) -> None:
    begin(page, OTHER)
    page.locator("#picture-tools [data-key=plan]").click()
    page.locator("[data-key=new-id]").fill("L1-CLICKED")
    page.locator("[data-key=add-click]").click()
    rested(page)
    start = corners(page, OTHER)[0]
    page.mouse.click(*spot(page, start))
    expect(page.locator("#status")).to_contain_text("next corner")
    page.mouse.click(*spot(page, moved(start, x=1.0)))
    expect(page.locator("#status")).to_contain_text("Enter")
    page.mouse.click(*spot(page, moved(start, x=1.0, y=0.8)))
    page.keyboard.press("Enter")
    expect(page.locator("#panel-edit .now h2")).to_contain_text("L1-CLICKED")
    expect(page.locator("#panel-edit .now .verdict")).to_be_visible(timeout=CHECKED_MS)
    expect(page.locator("#save")).to_have_text("Save (1)")
    made = next(run for run in review_of(page)["runs"] if run["id"] == "L1-CLICKED")
    assert made["added"] and len(made["corners_m"]) == 3
    assert len({corner[2] for corner in made["corners_m"]}) == 1, "it stays level"
    assert made["length_m"] == pytest.approx(1.8, abs=0.15)


def test_a_strap_is_moved_along_its_run(page: Page) -> None:
    begin(page)
    page.locator("[data-key=strap-mode]").check()
    straps: list[float] = page.evaluate("(run) => route3d.edits.current(run).straps_at_m", RUN)
    place = """([run, at]) => { const { points, at: along } = route3d.scene.runs.runs.get(run).line;
        const k = along.findIndex((other) => other > at);
        const share = (at - along[k - 1]) / (along[k] - along[k - 1]);
        return points[k].map((v, axis) => points[k - 1][axis] + share * (v - points[k - 1][axis])); }"""
    start, goal = page.evaluate(place, [RUN, straps[1]]), page.evaluate(place, [RUN, straps[1] + 0.3])
    drag(page, start, goal)
    expect(page.locator("#save")).to_have_text("Save (1)", timeout=CHECKED_MS)
    after = next(run for run in review_of(page)["runs"] if run["id"] == RUN)["straps_at_m"]
    assert after[1] == pytest.approx(straps[1] + 0.3, abs=0.02)
    assert [after[0], *after[2:]] == [straps[0], *straps[2:]]
    assert after[1] * 1000 == pytest.approx(round(after[1] * 1000)), "a strap stands on whole millimetres"
    page.locator("[data-key=strap-mode]").uncheck()


def test_two_clicks_measure_and_tell_the_shortest_way_between_the_two_surfaces(page: Page) -> None:
    begin(page, "L1-BND-01")
    page.locator("[data-key=edit-stop]").click()
    one, other = corners(page, "L1-BND-01"), corners(page, "L1-BND-04")
    page.locator("#picture-tools [data-key=plan]").click()
    page.locator("#tab-building").click()
    page.locator("#picture-tools [data-key=measure]").click()
    rested(page)
    for run, line in (("L1-BND-01", one), ("L1-BND-04", other)):
        for share in (0.3, 0.35, 0.4, 0.45, 0.55, 0.6):  # where nothing lies above it
            x, y = spot(page, [a + share * (b - a) for a, b in zip(*line, strict=True)])
            box = page.locator("#picture canvas").first.bounding_box()
            assert box is not None
            pick = "([x, y]) => route3d.scene.pickSolid(x, y)?.run ?? null"
            if page.evaluate(pick, [x - box["x"], y - box["y"]]) == run:
                page.mouse.click(x, y)
                break
        else:
            raise AssertionError(f"{run} is not seen")
    facts = page.locator("#panel-building .facts[role=status]")
    expect(facts).to_contain_text("Shortest", timeout=CHECKED_MS)
    found = page.evaluate("route3d.store.get().measured")
    radii = sum(run["radius_m"] for run in review_of(page)["runs"] if run["id"] in ("L1-BND-01", "L1-BND-04"))
    # parallel, 400 mm apart at the same height
    assert found["nearest"]["gap_m"] == pytest.approx(0.4 - radii, abs=1e-6)
    assert found["nearest"]["gap_m"] < found["gap_m"]
    page.locator("#picture-tools [data-key=measure]").click()


def test_corners_of_two_runs_move_together_and_come_back_together(page: Page) -> None:
    begin(page, "L1-BND-01")
    page.locator("#tab-run").click()
    page.evaluate("route3d.store.select({ run: 'L1-BND-04' }, 'panel')")
    page.locator("#tab-edit").click()
    page.locator("[data-key=edit-also]").click()
    rested(page)
    first, second = corners(page, "L1-BND-01"), corners(page, "L1-BND-04")
    page.mouse.click(*spot(page, first[1]))
    page.keyboard.down("Shift")
    page.mouse.click(*spot(page, second[1]))
    page.keyboard.up("Shift")
    drag(page, second[1], moved(second[1], x=-0.4))
    expect(page.locator("#save")).to_have_text("Save (2)", timeout=CHECKED_MS)
    steps = [
        [b - a for a, b in zip(old[1], corners(page, run)[1], strict=True)]
        for run, old in (("L1-BND-01", first), ("L1-BND-04", second))
    ]
    assert steps[0] == pytest.approx(steps[1], abs=1e-9) and steps[0][0] == pytest.approx(-0.4, abs=0.03)
    assert corners(page, "L1-BND-01")[0] == first[0]
    page.locator("[data-key=undo]").click()
    expect(page.locator("#save")).to_have_text("Saved", timeout=CHECKED_MS)
    assert corners(page, "L1-BND-01") == first and corners(page, "L1-BND-04") == second


def test_a_page_for_others_on_the_network_is_read_only(
    serve: Callable[..., Viewer], opened: Callable[..., Page], tmp_path: Path
) -> None:
    address = address_on_the_network()
    if address is None:
        pytest.skip("this machine is on no network")
    page = opened(serve(copy_of_sample(tmp_path / "workshop"), "--host", address))
    expect(page.locator(".line-state")).to_contain_text("live")
    expect(page.locator("#bar .tag")).to_have_text("read-only")
    page.locator("#findings .tabulator-row").first.click()
    expect(page.locator("#panel-run .message")).to_be_visible()
    page.locator("#tab-edit").click()
    expect(page.locator("#panel-edit")).to_contain_text("This page is read-only")
    for control in ("edit-which", "edit-chosen", "add-click", "undo", "save"):
        expect(page.locator(f"[data-key={control}]")).to_have_count(0)
    page.keyboard.press("e")
    expect(page.locator("[data-key=edit-stop]")).to_have_count(0)
    # and if somebody sends a draft all the same
    answer = page.evaluate(
        """() => new Promise((done) => { const line = new WebSocket(`ws://${location.host}/live`);
        line.onmessage = ({ data }) => { const said = JSON.parse(data);
          const edits = [{ run: "L1-LTG-12", deleted: true }];
          if (said.say === "hello") line.send(JSON.stringify({ do: "draft", seq: 1, edits }));
          else { line.close(); done(said); } }; })"""
    )
    assert answer["say"] == "failed" and "read-only" in answer["why"]
    assert not (tmp_path / "workshop" / ".route3d-drafts").exists()


def address_on_the_network() -> str | None:
    # connecting a datagram socket sends nothing: it only asks which of our addresses would be used
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        asking.connect(("192.0.2.1", 9))
        found = str(asking.getsockname()[0])
        return None if found.startswith("127.") else found
    return None
