"""Mending as users do it: proposed, written, read and checked again from nothing."""

import json

import ezdxf
import pytest

from route3d.model.finding import CAUTION
from tests.scratch_project import call


def mended(scratch, *options: str):
    """Return exit status, output and what became of each run."""
    out = scratch.folder / "mended.json"
    status, output = call("mend", str(scratch.folder), "--json", str(out), *options)
    return status, output, {run["id"]: run for run in json.loads(out.read_text())["runs"]} if out.exists() else {}


def verdicts(scratch) -> dict[str, str]:
    """Return the verdict of each run, by a check of its own."""
    out = scratch.folder / "again.json"
    call("check", str(scratch.folder), "--json", str(out))
    return {run["id"]: run["verdict"] for run in json.loads(out.read_text())["runs"]}


STRAPS = [250 * n for n in range(1, 16)]


def test_a_jog_too_short_for_its_bends_is_mended_written_and_passes(scratch) -> None:
    scratch.run([(0, 0, 3000), (2000, 0, 3000), (2000, 100, 3000), (4000, 100, 3000)], straps=STRAPS)
    scratch.write()
    assert verdicts(scratch) == {"a": "fail"}
    before = (scratch.folder / "route3d.toml").read_text(encoding="utf-8")
    status, output, runs = mended(scratch, "--run", "a")
    assert status == 0, output
    assert CAUTION.split(":")[0] in output.replace("\n", " ")
    assert runs["a"]["outcome"] == "mended"
    assert runs["a"]["before"]["verdict"] == "fail"
    assert runs["a"]["after"]["verdict"] == "pass"
    assert runs["a"]["after"]["worst_bend_ratio"] >= 0.998
    assert runs["a"]["change"]["moved_m"] < 0.11
    assert runs["a"]["proposal"]["path_m"][0] == [0.0, 0.0, 3.0]
    assert runs["a"]["proposal"]["path_m"][-1] == [4.0, 0.1, 3.0]
    assert (scratch.folder / "route3d.toml").read_text(encoding="utf-8") == before
    status, output, _ = mended(scratch, "--run", "a", "--write")
    assert status == 0, output
    assert "1 of 1 runs" in output
    assert verdicts(scratch) == {"a": "pass"}
    # nothing is left to do then
    status, output, runs = mended(scratch, "--run", "a")
    assert (status, runs) == (0, {})
    assert "nothing is to be mended" in output


def test_a_run_through_a_duct_goes_around_it_and_keeps_the_clearance(scratch) -> None:
    scratch.box("M-DUCT", (1500, -400, 2950), (2000, 400, 3100))
    scratch.role("M-DUCT", "duct")
    scratch.head.append("[clearance]\nduct = 20")
    scratch.run([(0, 0, 3000), (4000, 0, 3000), (4000, 2500, 3000)], straps=STRAPS)
    scratch.write()
    assert verdicts(scratch) == {"a": "fail"}
    status, output, runs = mended(scratch, "--run", "a", "--write")
    assert status == 0, output
    assert runs["a"]["after"]["smallest_gap_m"] >= 0.02
    assert verdicts(scratch) == {"a": "pass"}


def test_a_run_too_near_to_the_deck_is_lowered(scratch) -> None:
    scratch.box("S-DECK", (-1000, -1000, 3000), (6000, 3000, 3040))
    scratch.role("S-DECK", "deck")
    scratch.run([(0, 0, 2900), (0, 0, 2980), (3000, 0, 2980), (3000, 0, 2900)], straps=STRAPS[:10])
    scratch.write()
    assert verdicts(scratch) == {"a": "fail"}
    status, output, _ = mended(scratch, "--run", "a", "--write")
    assert status == 0, output
    assert verdicts(scratch) == {"a": "pass"}


def test_where_only_straps_are_lacking_points_stay_and_straps_are_added(scratch) -> None:
    scratch.run([(0, 0, 3000), (4000, 0, 3000)])
    scratch.write()
    status, output, runs = mended(scratch, "--run", "a", "--write")
    assert status == 0, output
    assert runs["a"]["change"] is None
    assert runs["a"]["straps_added"] == 4  # 4 m, 304.8 mm at the ends, 1.8288 m between, less a tenth
    assert verdicts(scratch) == {"a": "pass"}


def test_a_run_walled_in_says_what_blocks_it(scratch) -> None:
    scratch.box("X", (1000, -9000, 0), (1300, 9000, 9000))
    scratch.run([(0, 0, 3000), (2000, 0, 3000)], straps=[250, 1000, 1750])
    status, output, runs = mended_after_writing(scratch, "--run", "a")
    assert status == 1, output
    assert runs["a"]["outcome"] == "blocked"
    assert runs["a"]["proposal"] is None
    assert [f["check"] for f in runs["a"]["blocked_by"]] == ["clash"]
    assert "clash" in output


def mended_after_writing(scratch, *options: str):
    scratch.write()
    return mended(scratch, *options)


def test_all_are_mended_without_meeting_each_other(scratch) -> None:
    scratch.box("M-DUCT", (1500, -400, 2900), (2000, 1400, 3100))
    scratch.role("M-DUCT", "duct")
    for n in range(3):
        scratch.run([(0, 60 * n, 3000), (4000, 60 * n, 3000)], run_id=f"r{n}", straps=STRAPS)
    status, output, runs = mended_after_writing(scratch, "--all", "--write")
    assert status == 0, output
    assert {run["outcome"] for run in runs.values()} == {"mended"}
    assert verdicts(scratch) == {"r0": "pass", "r1": "pass", "r2": "pass"}


def test_a_cable_without_a_diameter_is_mended_but_never_called_passed(scratch) -> None:
    scratch.table('[cable.bare]\nmethod = "data-pair"\n')
    scratch.box("M-DUCT", (1500, -400, 2950), (2000, 400, 3100))
    scratch.role("M-DUCT", "duct")
    scratch.run([(0, 0, 3000), (4000, 0, 3000)], cable="bare", straps=STRAPS)
    status, output, runs = mended_after_writing(scratch, "--run", "a")
    assert status == 3, output
    assert runs["a"]["outcome"] == "mended, not all checked"
    assert runs["a"]["not_checked"]


@pytest.mark.parametrize("options", [(), ("--run", "a", "--all")])
def test_what_to_mend_must_be_said(scratch, options) -> None:
    scratch.run([(0, 0, 3000), (4000, 0, 3000)])
    scratch.write()
    status, _ = call("mend", str(scratch.folder), *options)
    assert status == 2


def test_an_unknown_run_is_named_with_the_nearest(scratch) -> None:
    scratch.run([(0, 0, 3000), (4000, 0, 3000)], run_id="L1-LTG-04")
    scratch.write()
    status, output = call("mend", str(scratch.folder), "--run", "L1-LTG-4")
    assert status == 2
    assert "Did you mean 'L1-LTG-04'" in output


def test_a_run_drawn_in_cad_goes_into_a_new_drawing_with_its_straps(scratch) -> None:
    doc = ezdxf.new(units=4)
    doc.appids.new("ROUTE3D")
    points = [(0, 0, 3000), (2000, 0, 3000), (2000, 120, 3000), (5000, 120, 3000)]
    line = doc.modelspace().add_polyline3d(points, dxfattribs={"layer": "E-CABL"})
    line.set_xdata("ROUTE3D", [(1000, "id=L1"), (1000, "start=box"), (1000, "end=box")])
    doc.saveas(scratch.folder / "routes.dxf")
    scratch.table('[[routes]]\nfile = "routes.dxf"\n[routes.cables]\n"E-CABL" = "mc"\n')
    scratch.box("S-SLAB", (-1000, -1000, 3050), (12000, 12000, 3200))
    scratch.role("S-SLAB", "structure")
    scratch.role("E-STRP*", "strap")
    scratch.write()
    before = (scratch.folder / "routes.dxf").read_bytes()
    assert verdicts(scratch) == {"L1": "fail"}
    status, output, runs = mended(scratch, "--run", "L1", "--write")
    assert status == 0, output
    assert runs["L1"]["straps_added"] == 4  # 5 m, 304.8 mm at the ends, 1.8288 m between, less a tenth
    assert (scratch.folder / "routes.dxf").read_bytes() == before
    assert "routes-edited.dxf" in output
    assert verdicts(scratch) == {"L1": "pass"}


def test_arcs_drawn_too_tight_are_redrawn_before_anything_moves(scratch) -> None:
    doc = ezdxf.new(units=4)
    line = doc.modelspace().add_lwpolyline(
        [(0, 0, 0), (1960, 0, 0.41421356), (2000, 40, 0), (2000, 2000, 0)],
        format="xyb",
        dxfattribs={"layer": "E-CABL", "elevation": 3000},
    )
    doc.appids.new("ROUTE3D")
    line.set_xdata("ROUTE3D", [(1000, "id=L1"), (1000, "start=box"), (1000, "end=box")])
    doc.saveas(scratch.folder / "routes.dxf")
    scratch.table('[[routes]]\nfile = "routes.dxf"\n[routes.cables]\n"E-CABL" = "mc"\n')
    scratch.role("E-STRP*", "strap")
    scratch.box("S-SLAB", (-1000, -1000, 3050), (12000, 12000, 3200))
    scratch.role("S-SLAB", "structure")
    scratch.write()
    assert verdicts(scratch) == {"L1": "fail"}
    status, output, runs = mended(scratch, "--run", "L1", "--write")
    assert status == 0, output
    assert runs["L1"]["change"]["moved_m"] == 0.0
    assert runs["L1"]["drawn_arcs_redrawn"]
    assert verdicts(scratch) == {"L1": "pass"}


def test_plates_keep_their_place_in_the_building_when_the_run_gets_longer(scratch) -> None:
    scratch.head.append('checks = ["bend", "clash", "framing"]')
    scratch.box("M-DUCT", (1000, -500, 2950), (1300, 500, 3050))
    scratch.role("M-DUCT", "duct")
    scratch.run([(0, 0, 3000), (5000, 0, 3000)], plates=[[1100, 1200], [3000, 3100]])
    status, output, runs = mended_after_writing(scratch, "--run", "a", "--write")
    assert status == 0, output
    text = (scratch.folder / "route3d.toml").read_text(encoding="utf-8")
    plates = json.loads(next(line for line in text.splitlines() if line.startswith("plates")).partition("=")[2])
    # the first lay where the run leads around the duct now, the second is as far from the end as it was
    (again,) = json.loads(results(scratch))["runs"]
    assert plates == [pytest.approx([1000 * again["length_m"] - 2000, 1000 * again["length_m"] - 1900], abs=0.1)]
    assert "behind steel plates" in " ".join(runs["a"]["to_look_at"])


def results(scratch) -> str:
    out = scratch.folder / "again.json"
    call("check", str(scratch.folder), "--json", str(out))
    return out.read_text()
