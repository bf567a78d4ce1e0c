"""Routes for runs given by their ends: said to be unchecked before, found, written, and checked from nothing."""

import json

import pytest

from tests.scratch_project import call

ENDS = """
[[run]]
id = "{id}"
cable = "mc"
from_point = {a}
to_point = {b}
start = "box"
end = "{end}"
"""


def ends(scratch, a, b, run_id: str = "a", end: str = "box") -> None:
    scratch.table(ENDS.format(id=run_id, a=list(a), b=list(b), end=end))


def proposed(scratch, *options: str):
    """Return exit status, output and what was found for each run."""
    out = scratch.folder / "routes.json"
    status, output = call("propose", str(scratch.folder), "--json", str(out), *options)
    return status, output, {run["id"]: run for run in json.loads(out.read_text())["runs"]} if out.exists() else {}


def test_a_run_without_a_route_is_never_called_passed(scratch) -> None:
    ends(scratch, (0, 0, 3000), (4000, 2500, 3000))
    checked = scratch.check()
    assert checked.status == 3
    assert checked.results["runs"] == []
    (finding,) = [f for f in checked.results["findings"] if f["other"] == "a"]
    assert "no route yet" in finding["message"]


def test_a_run_without_a_route_is_not_for_mending(scratch) -> None:
    ends(scratch, (0, 0, 3000), (4000, 2500, 3000))
    scratch.write()
    status, output = call("mend", str(scratch.folder), "--run", "a")
    assert status == 2
    assert "has no route yet" in output


def test_in_an_empty_ceiling_the_route_is_as_short_as_bends_allow(scratch) -> None:
    ends(scratch, (0, 0, 3000), (4000, 2500, 3000))
    scratch.write()
    status, output, runs = proposed(scratch, "--run", "a")
    assert status == 0, output
    best = runs["a"]["alternatives"][0]
    # 6.5 m with one bend: a quarter circle in place of its two set-backs saves (2 - pi/2) R, R at most 1.5 x 90 mm
    assert 6.5 - 0.4293 * 0.135 - 1e-6 <= best["length_m"] <= 6.5
    assert (best["bends"], best["verdict"]) == (1, "pass")
    assert len(runs["a"]["alternatives"]) > 1
    assert all(one["verdict"] == "pass" for one in runs["a"]["alternatives"])


def test_a_route_around_a_duct_is_written_and_passes_a_check_from_nothing(scratch) -> None:
    scratch.box("M-DUCT", (1500, -1500, 2600), (2000, 1500, 3500))
    scratch.role("M-DUCT", "duct")
    scratch.head.append("[clearance]\nduct = 20")
    ends(scratch, (0, 0, 3000), (4000, 0, 3000))
    scratch.write()
    status, output, runs = proposed(scratch, "--write")
    assert status == 0, output
    # over the duct: up and down again by 500 mm, the clearance and the radius; corners are cut by the bends
    over = 4.0 + 2.0 * (0.5 + 0.02 + 0.006)
    assert runs["a"]["alternatives"][0]["length_m"] <= over + 0.01
    text = (scratch.folder / "route3d.toml").read_text(encoding="utf-8")
    assert "from_point" not in text
    assert "to_point" not in text
    status, output = call("check", str(scratch.folder), "--json", str(scratch.folder / "again.json"))
    results = json.loads((scratch.folder / "again.json").read_text())
    assert status == 0, output
    assert results["runs"][0]["verdict"] == "pass"
    assert results["runs"][0]["length_m"] == pytest.approx(runs["a"]["alternatives"][0]["length_m"], abs=1e-4)


def test_home_runs_share_a_corridor_and_keep_their_spacing(scratch) -> None:
    scratch.head.append("[settings]\nbundle_spacing = 30")
    for n in range(3):
        ends(scratch, (0, 900 * n, 3000), (9000, 60 * n, 3000), run_id=f"r{n}", end="cabinet")
    scratch.write()
    status, output, _ = proposed(scratch, "--write")
    assert status == 0, output
    status, output = call("check", str(scratch.folder), "--json", str(scratch.folder / "again.json"))
    results = json.loads((scratch.folder / "again.json").read_text())
    assert [run["verdict"] for run in results["runs"]] == ["pass"] * 3
    assert not [f for f in results["findings"] if f["check"] in ("bundle", "clash")]


def test_ends_that_cannot_be_joined_say_what_blocks(scratch) -> None:
    scratch.box("X", (1000, -90000, -90000), (1300, 90000, 90000))
    ends(scratch, (0, 0, 3000), (2000, 0, 3000))
    scratch.write()
    status, output, runs = proposed(scratch)
    assert status == 1
    assert "no route was found" in output
    assert runs["a"]["alternatives"] == []


def test_path_and_ends_at_once_are_refused(scratch) -> None:
    scratch.run([(0, 0, 3000), (4000, 0, 3000)], from_point=[0, 0, 3000])
    scratch.write()
    status, output = call("check", str(scratch.folder))
    assert status == 2
    assert "from_point" in output


def test_one_end_alone_is_refused(scratch) -> None:
    scratch.table('[[run]]\nid = "a"\ncable = "mc"\nfrom_point = [0, 0, 3000]\n')
    scratch.write()
    status, output = call("check", str(scratch.folder))
    assert status == 2
    assert "to_point" in output


def test_a_run_with_a_path_is_for_mending(scratch) -> None:
    scratch.run([(0, 0, 3000), (4000, 0, 3000)])
    scratch.write()
    status, output = call("propose", str(scratch.folder), "--run", "a")
    assert status == 2
    assert "route3d mend" in output


def test_a_wall_across_the_way_is_passed_through_one_hole_that_is_told(scratch) -> None:
    scratch.head.append('checks = ["bend", "clash", "clearance", "penetration"]')
    scratch.box("A-WALL", (2000, -50000, 0), (2100, 50000, 9000))
    scratch.role("A-WALL", "wall")
    ends(scratch, (0, 0, 3000), (4000, 0, 3000))
    scratch.write()
    status, output, runs = proposed(scratch)
    assert status == 0, output
    best = runs["a"]["alternatives"][0]
    assert (best["holes"], best["bends"]) == (1, 0)
    assert best["length_m"] == pytest.approx(4.0)
    assert len(best["elements_passed"]) == 1


def test_what_a_hole_costs_decides_between_through_and_around(scratch) -> None:
    scratch.head.append('checks = ["bend", "clash", "clearance", "penetration"]')
    scratch.box("A-WALL", (2000, -300, 2000), (2100, 300, 4000))
    scratch.role("A-WALL", "wall")
    ends(scratch, (0, 0, 3000), (4000, 0, 3000))
    scratch.table("[routing]\nhole = 0\nalternatives = 1")
    scratch.write()
    assert proposed(scratch)[2]["a"]["alternatives"][0]["holes"] == 1
    text = (scratch.folder / "route3d.toml").read_text(encoding="utf-8")
    (scratch.folder / "route3d.toml").write_text(text.replace("hole = 0", "hole = 9000"), encoding="utf-8")
    _, output, runs = proposed(scratch)
    assert runs["a"]["alternatives"][0]["holes"] == 0, output
