"""Straps proposed, written and checked as users do it."""

import csv
import json

import ezdxf
import pytest

from route3d.model.finding import CAUTION
from tests.scratch_project import call


@pytest.fixture
def ceiling(scratch):
    """A slab 50 mm above the runs, and a layer of straps."""
    scratch.box("S-SLAB", (-1000, -1000, 3050), (12000, 12000, 3200))
    scratch.role("S-SLAB", "structure")
    scratch.role("E-STRP*", "strap")
    return scratch


def planned(scratch, *options: str):
    """Return exit status, output and the plans by run."""
    out = scratch.folder / "straps.json"
    status, output = call("straps", str(scratch.folder), "--json", str(out), *options)
    runs = json.loads(out.read_text())["runs"] if out.exists() else []
    return status, output, {run["id"]: run for run in runs}


def violations(scratch) -> list[dict]:
    out = scratch.folder / "again.json"
    call("check", str(scratch.folder), "--json", str(out), "--only", "securing,supporting")
    return [f for f in json.loads(out.read_text())["findings"] if f["severity"] == "violation"]


def test_a_typed_run_is_planned_written_and_passes(ceiling) -> None:
    ceiling.run([(0, 0, 3000), (6000, 0, 3000)])
    ceiling.write()
    assert violations(ceiling)
    before = (ceiling.folder / "route3d.toml").read_text(encoding="utf-8")
    status, output, plans = planned(ceiling)
    assert (status, plans["a"]["added"], plans["a"]["fewest"]) == (0, 5, 5)
    assert "Next: " in output.splitlines()[-1]
    assert (ceiling.folder / "route3d.toml").read_text(encoding="utf-8") == before
    status, output, plans = planned(ceiling, "--write")
    assert status == 0
    assert "1 of 1 runs that were written are secured and supported" in output
    text = (ceiling.folder / "route3d.toml").read_text(encoding="utf-8")
    written = ", ".join(f"{1000 * s['at_m']:.0f}" for s in plans["a"]["straps"])
    assert f"straps = [{written}]" in text
    assert not violations(ceiling)
    status, _, plans = planned(ceiling, "--write")
    assert (status, plans["a"]["added"]) == (0, 0)  # nothing to do any more
    assert (ceiling.folder / "route3d.toml").read_text(encoding="utf-8") == text


def test_runs_drawn_in_cad_get_a_drawing_of_straps(ceiling) -> None:
    doc = ezdxf.new(units=1)
    doc.appids.new("ROUTE3D")
    line = doc.modelspace().add_polyline3d(
        [(0, 0, 118), (200, 0, 118), (200, 150, 118)], dxfattribs={"layer": "E-CABL"}
    )
    line.set_xdata("ROUTE3D", [(1000, "id=L1"), (1000, "start=box"), (1000, "end=box")])
    doc.saveas(ceiling.folder / "routes.dxf")
    ceiling.table('[[routes]]\nfile = "routes.dxf"\n[routes.cables]\n"E-CABL" = "mc"\n')
    ceiling.write()
    status, output, plans = planned(ceiling, "--write")
    assert status == 0 and "wrote straps-planned.dxf, route3d.toml" in output
    points = ezdxf.readfile(ceiling.folder / "straps-planned.dxf").modelspace().query("POINT")
    wanted = [s["point_m"] for s in plans["L1"]["straps"]]
    drawn = sorted(tuple(round(x / 1000.0, 5) for x in point.dxf.location) for point in points)
    assert drawn == sorted(tuple(round(x, 5) for x in point) for point in wanted)
    assert {point.dxf.layer for point in points} == {"E-STRP"}
    assert not violations(ceiling)


def test_where_no_place_exists_the_status_is_one_and_nothing_half_is_written(scratch) -> None:
    for x in (0, 5000):
        scratch.box("S-BEAM", (x, -500, 3050), (x + 200, 500, 3200))
    scratch.role("S-BEAM", "structure")
    scratch.run([(100, 0, 3000), (5100, 0, 3000)])
    scratch.write()
    text = (scratch.folder / "route3d.toml").read_text(encoding="utf-8")
    status, output, plans = planned(scratch, "--write")
    assert status == 1
    assert plans["a"]["fewest"] is None and plans["a"]["stuck"][0]["rule"] == "NEC 2023 330.30(B)"
    assert "no place" in output and "Plan 2 struts, rods or brackets" in output and "Nothing to write" in output
    assert (scratch.folder / "route3d.toml").read_text(encoding="utf-8") == text
    status, output, plans = planned(scratch, "--write", "--partial")
    assert status == 1 and "straps = [" in (scratch.folder / "route3d.toml").read_text(encoding="utf-8")
    assert len(violations(scratch)) == 1


def test_without_structure_straps_are_placed_freely_and_not_everything_is_checked(scratch) -> None:
    scratch.box("M-DUCT", (0, 100, 3050), (6000, 500, 3200))
    scratch.role("M-DUCT", "duct")
    scratch.run([(0, 0, 3000), (3000, 0, 3000)])
    scratch.write()
    status, output, _ = planned(scratch)
    assert status == 3 and "No structure is modelled" in output


def test_a_run_that_is_asked_for_is_shown_strap_by_strap(ceiling) -> None:
    ceiling.run([(0, 0, 3000), (3000, 0, 3000)])
    ceiling.run([(0, 900, 3000), (3000, 900, 3000)], "b")
    ceiling.write()
    status, output, plans = planned(ceiling, "--run", "b", "--margin", "0")
    assert status == 0 and list(plans) == ["b"]
    assert "structure model.dxf:" in output and "44.0 mm" in output
    assert planned(ceiling, "--run", "bb")[0] == 2
    assert planned(ceiling, "--margin", "99")[0] == 2
    assert planned(ceiling, "--partial")[0] == 2


def test_the_table_of_straps_holds_no_formula_and_carries_the_caution(ceiling) -> None:
    ceiling.run([(0, 0, 3000), (3000, 0, 3000)], "=1+1")
    ceiling.write()
    file = ceiling.folder / "straps.csv"
    assert call("straps", str(ceiling.folder), "--csv", str(file))[0] == 0
    rows = list(csv.reader(file.read_text(encoding="utf-8-sig").splitlines()))
    assert rows[-1] == [CAUTION]
    assert [row[0] for row in rows[1:-1]] == ["'=1+1"] * 3
    assert [row[8] for row in rows[1:-1]] == ["add"] * 3


def test_straps_that_may_not_stay_are_taken_out_when_it_is_written(scratch) -> None:
    scratch.box("M-DUCT", (2000, -500, 3050), (3000, 500, 3200))
    scratch.box("S-BEAM", (-500, -500, 3050), (1800, 500, 3200))
    scratch.box("S-BEAM", (3200, -500, 3050), (6000, 500, 3200))
    scratch.role("M-DUCT", "duct")
    scratch.role("S-BEAM", "structure")
    scratch.run([(0, 0, 3000), (5000, 0, 3000)], straps=[250, 2500, 4750])
    scratch.write()
    status, _, plans = planned(scratch, "--write")
    assert status == 0 and plans["a"]["take_out_at_m"] == [2.5]
    assert "2500" not in (scratch.folder / "route3d.toml").read_text(encoding="utf-8").split("straps")[1]
    assert not violations(scratch)


@pytest.mark.parametrize(("unit", "per_unit"), [("in", 25.4), ("ft", 304.8), ("m", 1000.0)])
def test_straps_at_the_very_limit_pass_in_every_unit_of_the_project(ceiling, unit: str, per_unit: float) -> None:
    # 12 in, 6 ft, 12 in: two straps, and no room to either side
    ceiling.head.append(f'units = "{unit}"')
    ceiling.table(
        f"[cable.mc]\nmethod = 'mc-interlocked'\nsheath_diameter = {12.0 / per_unit}\nconductors = 3\nsize = '12 AWG'\n"
    )
    ceiling.run([(0, 0, 3000 / per_unit), (2438.4 / per_unit, 0, 3000 / per_unit)])
    ceiling.write()
    status, _, plans = planned(ceiling, "--margin", "0", "--write")
    assert (status, plans["a"]["fewest"]) == (0, 2)
    assert [s["at_m"] for s in plans["a"]["straps"]] == pytest.approx([0.3048, 2.1336], abs=1e-4)
    assert not violations(ceiling)


def strap_points(scratch, run: str | None, *places) -> None:
    """Draw straps as points on layer E-STRP of the model; ``run`` is named in their extended data."""
    if "ROUTE3D" not in scratch.doc.appids:
        scratch.doc.appids.new("ROUTE3D")
    for place in places:
        point = scratch.space.add_point(place, dxfattribs={"layer": "E-STRP"})
        if run is not None:
            point.set_xdata("ROUTE3D", [(1000, f"run={run}")])


@pytest.mark.parametrize("named", [False, True])
def test_a_drawn_strap_that_names_a_run_counts_for_that_run_only(ceiling, named) -> None:
    ceiling.run([(0, 0, 3000), (1000, 0, 3000)], "near")
    ceiling.run([(0, 20, 3000), (1000, 20, 3000)], "beside")
    strap_points(ceiling, "near" if named else None, (250, 0, 3000), (750, 0, 3000))
    found = ceiling.check("--only", "securing,supporting")
    confirm = [f for f in found.results["findings"] if "nearer to" in f["message"]]
    held = {run["id"]: sum(s["kind"] == "strap" for s in run["supports"]) for run in found.results["runs"]}
    if named:
        # the other run is 20 mm away, well within reach, and not secured by straps that are not its own
        assert held == {"near": 2, "beside": 0} and not confirm
        assert {f["run"] for f in found.violations()} == {"beside"}
    else:
        assert held == {"near": 2, "beside": 2} and {f["run"] for f in confirm} == {"beside"}
        assert not found.violations()


def test_a_block_that_names_a_run_counts_for_that_run_only(ceiling) -> None:
    block = ceiling.doc.blocks.new("CLIP")
    block.add_line((-10, 0, 0), (10, 0, 0))
    ceiling.doc.appids.new("ROUTE3D")
    for run_id, y in (("a", 0), ("b", 20)):
        ceiling.run([(0, y, 3000), (1000, y, 3000)], run_id)
        for x in (250, 750):
            clip = ceiling.space.add_blockref("CLIP", (x, y, 3000), dxfattribs={"layer": "E-STRP"})
            clip.set_xdata("ROUTE3D", [(1000, f"run={run_id}")])
    found = ceiling.check("--only", "securing,supporting")
    assert not found.violations() and not [f for f in found.results["findings"] if "nearer to" in f["message"]]
    assert [sum(s["kind"] == "strap" for s in run["supports"]) for run in found.results["runs"]] == [2, 2]


def test_a_strap_that_names_a_run_out_of_reach_is_said_to_hold_nothing(ceiling) -> None:
    ceiling.run([(0, 0, 3000), (1000, 0, 3000)], "a", straps=[250, 750])
    strap_points(ceiling, "renamed", (500, 0, 3000))
    found = ceiling.check("--only", "securing,supporting")
    (idle,) = [f for f in found.results["findings"] if f["rule"] == "route3d attach"]
    assert "for 'renamed'" in idle["message"] and "hold nothing" in idle["message"] and idle["severity"] == "caution"


def test_straps_written_for_a_tight_bundle_raise_no_cautions(ceiling) -> None:
    doc = ezdxf.new(units=4)
    doc.appids.new("ROUTE3D")
    for n in range(3):
        points = [(0, 14 * n, 3000), (5000, 14 * n, 3000)]
        line = doc.modelspace().add_polyline3d(points, dxfattribs={"layer": "E-CABL"})
        line.set_xdata("ROUTE3D", [(1000, f"id=L{n}"), (1000, "start=box"), (1000, "end=box")])
    doc.saveas(ceiling.folder / "routes.dxf")
    ceiling.table('[[routes]]\nfile = "routes.dxf"\n[routes.cables]\n"E-CABL" = "mc"\n')
    ceiling.write()
    status, output, _ = planned(ceiling, "--write")
    assert status == 0, output
    assert not violations(ceiling)
    findings = json.loads((ceiling.folder / "again.json").read_text())["findings"]
    assert not [f for f in findings if f["rule"] == "route3d attach"]
    assert {run["added"] for run in planned(ceiling)[2].values()} == {0}


def test_a_drawn_strap_that_may_not_count_is_named_for_taking_out(ceiling) -> None:
    ceiling.box("M-DUCT", (400, -200, 2700), (600, 200, 2950))
    ceiling.role("M-DUCT", "duct")
    ceiling.head.append("[settings]\nstrap_reach = 45")
    ceiling.run([(0, 0, 3000), (400, 0, 3000), (400, 0, 2962), (1500, 0, 2962)], "a")
    strap_points(ceiling, None, (500, 0, 2962))
    ceiling.write()
    _, output, plans = planned(ceiling)
    (taken,) = plans["a"]["take_out_of_drawing"]
    assert taken["element"].startswith("model.dxf:")
    assert f"The strap {taken['element']} on layer E-STRP" in output
    assert "take it out of that drawing" in " ".join(output.split())
