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
