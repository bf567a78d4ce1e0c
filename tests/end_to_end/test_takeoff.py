"""``route3d takeoff`` as users run it: numbers, deliverables read back, exit status."""

import csv
import json
import time
from pathlib import Path

import openpyxl
import pytest

from route3d.model.finding import CAUTION
from tests.scratch_project import CABLE, Scratch, call

IN, FT = 0.0254, 0.3048

# 3 m between boxes, secured: nothing about it is violated, assumed or unknown
CLEAN = {"straps": [250, 1700, 2750]}


def taken(scratch: Scratch, *options: str) -> tuple[int, str, dict]:
    out = scratch.folder / "takeoff.json"
    status, output = call("takeoff", str(scratch.write()), "--json", str(out), "--all", *options)
    return status, output, json.loads(out.read_text(encoding="utf-8")) if out.exists() else {}


def lines(told: dict, kind: str) -> dict[str, int]:
    return {line["detail"]: line["count"] for line in told["material"] if line["kind"] == kind}


def test_a_run_between_boxes_by_hand(scratch) -> None:
    scratch.run([[0, 0, 3000], [3000, 0, 3000]], **CLEAN)
    status, output, told = taken(scratch)
    # (3000 mm + 2 × (254 + 38.1) + 45) × 1.075 = 3901.4 mm = 153.6 in, cut at 154 in; one coil of 250 ft (practice)
    (length,) = told["lengths"]
    assert length["cut_m"] == pytest.approx(154 * IN)
    assert length["weight_kg"] == pytest.approx(0.16 * 154 * IN, abs=1e-6)
    (cable,) = told["cables"]
    assert (cable["bought_m"], cable["bought_bound_m"], cable["proven"]) == (76.2, 76.2, True)
    assert cable["coils"][0]["left_m"] == pytest.approx(76.2 - 154 * IN)
    assert cable["coils"][0]["reusable"] is True
    assert lines(told, "strap") == {"mc-interlocked, in the project": 3}
    assert lines(told, "connector") == {"mc-interlocked, dry place": 2}
    # bushings are no rule for metal-clad cable (330.40), only good practice
    assert lines(told, "bushing") == {"good practice, not required": 2}
    assert told["summary"]["unsure"] == 0
    assert status == 0
    assert "Next:" in output.splitlines()[-1]


def test_armoured_cable_needs_its_bushings(scratch) -> None:
    scratch.table('[cable.ac]\nmethod = "ac"\nsheath_diameter = 12\nconductors = 2\nsize = "12 AWG"\n')
    scratch.run([[0, 0, 3000], [1000, 0, 3000]], cable="ac", straps=[250, 750])
    _, _, told = taken(scratch)
    assert lines(told, "bushing") == {"required": 2}  # 320.40


def test_an_open_end_is_assumed_and_ends_with_status_3(scratch) -> None:
    scratch.run([[0, 0, 3000], [1000, 0, 3000]], end="open", straps=[250, 900])
    status, output, told = taken(scratch)
    assert status == 3
    assert told["summary"]["unsure"] >= 1
    assert "open" in output


def test_a_run_that_no_coil_holds_ends_with_status_1_and_what_to_do(scratch) -> None:
    straps = [250, *range(1500, 89000, 1500), 89750]
    scratch.run([[0, 0, 3000], [90000, 0, 3000]], straps=straps)
    status, output, told = taken(scratch)
    assert status == 1
    assert told["cables"][0]["too_long"] == ["a"]
    assert "300.15" in output and "longer" in output


def test_violations_are_said_and_end_with_status_1(scratch) -> None:
    scratch.run([[0, 0, 3000], [5000, 0, 3000]])
    status, output, _ = taken(scratch)
    assert status == 1
    assert "violations" in output and "too few" in output


def test_settings_of_the_project_stand_with_their_key(scratch) -> None:
    scratch.table(
        "[takeoff]\nsag = 0\nwaste = 0\nround_up = 1\n[takeoff.conductors]\nbox = 300\n[takeoff.sheath]\nbox = 0"
    )
    scratch.table('[takeoff.run.a]\nend = 500\nstorey = "Level 9"\n[[coil]]\ncable = "mc"\nlength = 30000\n')
    scratch.table('[[coil]]\ncable = "mc"\nlength = 3900\noffcut = "left from level 8"\n')
    scratch.run([[0, 0, 3000], [3000, 0, 3000]], **CLEAN)
    status, _, told = taken(scratch)
    (length,) = told["lengths"]
    assert length["cut_m"] == pytest.approx(3.8)
    assert length["storey"] == "Level 9"
    sources = {part["name"]: part["source"] for part in length["parts"]}
    assert sources == {"start: conductors": "takeoff.conductors.box", "end: make-up": 'takeoff.run."a".end'}
    (cable,) = told["cables"]
    assert cable["bought_m"] == 0.0
    assert cable["coils"][0]["stock"] == "left from level 8"
    assert status == 0


def test_the_line_that_stops_short_of_its_box_is_measured_to_it(scratch) -> None:
    scratch.role("BOX", "box")
    scratch.box("BOX", (-100, -50, 2950), (-40, 50, 3050))
    scratch.run([[0, 0, 3000], [3000, 0, 3000]], start=None, **CLEAN)
    _, _, told = taken(scratch)
    parts = {part["name"]: part["length_m"] for part in told["lengths"][0]["parts"]}
    assert parts["start: to the box"] == pytest.approx(0.040, abs=1e-6)


def test_home_runs_are_grouped_by_their_panel_and_take_its_height_and_width(scratch) -> None:
    scratch.role("PANL", "cabinet")
    scratch.box("PANL", (3000, -500, 1000), (3200, 500, 3000))  # 2 m high, 1 m wide
    scratch.run([[0, 0, 2900], [2990, 0, 2900]], end=None, **CLEAN)
    _, _, told = taken(scratch)
    (length,) = told["lengths"]
    assert length["panel"].startswith("model.dxf:")
    parts = {part["name"]: part["length_m"] for part in length["parts"]}
    assert parts["end: conductors"] == pytest.approx(3.0)


def test_equipment_that_a_panel_table_names_is_made_up_like_a_cabinet(scratch) -> None:
    scratch.role("SWBD", "equipment")
    scratch.box("SWBD", (3000, -500, 1000), (3200, 500, 3000))
    scratch.table('[[panel]]\nlayer = "SWBD"\n')
    scratch.run([[0, 0, 2900], [2990, 0, 2900]], start="cabinet", end=None, **CLEAN)
    _, _, told = taken(scratch)
    (length,) = told["lengths"]
    assert length["feeder"] is True
    parts = {part["name"]: part["length_m"] for part in length["parts"]}
    assert parts["end: conductors"] == pytest.approx(3.0)


def test_sticks_of_a_rigid_raceway_are_counted_with_their_couplings(scratch) -> None:
    scratch.table('[cable.emt]\nmethod = "emt"\ntrade_size = "3/4"\nsheath_diameter = 23.4\n')
    scratch.run([[0, 0, 3000], [7000, 0, 3000]], cable="emt", straps=[500, 3000, 6000])
    _, output, told = taken(scratch)
    (cable,) = told["cables"]
    # 7 m and 7.5 % waste are 24 ft 9 in: two sticks of 10 ft (practice) and a piece of a third, two couplings
    assert cable["bought_m"] == pytest.approx(30 * FT)
    assert lines(told, "coupling") == {"emt": 2}
    assert "conductors pulled into them" in output


def test_fire_stops_grommets_and_plates_are_counted_where_the_run_passes(scratch) -> None:
    scratch.role("FIRE", "fire-wall")
    scratch.role("STUD", "framing")
    scratch.role("WOOD", "framing")
    scratch.box("FIRE", (1000, -500, 0), (1100, 500, 4000))
    scratch.box("STUD", (1500, -50, 0), (1540, 50, 4000))
    scratch.box("WOOD", (2000, -25, 0), (2040, 25, 4000))  # 50 mm wide: 19 mm to its edges, less than 1-1/4 in
    scratch.table('[framing]\nSTUD = "metal"\nWOOD = "wood"\n')
    scratch.table('[[firestop]]\nrun = "a"\nsystem = "W-L-0001"\n')
    scratch.table('[cable.nm]\nmethod = "nm"\nsheath_diameter = 12\nconductors = 3\nsize = "12 AWG"\n')
    scratch.run([[0, 0, 3000], [3000, 0, 3000]], cable="nm", **CLEAN)
    _, _, told = taken(scratch)
    assert lines(told, "fire-stop") == {"cable, system W-L-0001": 1}
    assert lines(told, "grommet") == {"nm": 1}  # 334.17, 300.4(B)(1)
    assert lines(told, "plate") == {"at most, for holes too near to an edge": 1}  # 300.4(A)(1)


def test_planned_straps_replace_those_of_the_project(scratch) -> None:
    scratch.role("BEAM", "structure")
    scratch.box("BEAM", (-100, -100, 3010), (5100, 100, 3100))
    scratch.run([[0, 0, 3000], [5000, 0, 3000]])
    _, _, told = taken(scratch, "--with-straps")
    # 5 m, first and last strap within 12 in (330.30(B), 12 AWG, 3 conductors), 6 ft between: at least 2 and 2 more
    assert lines(told, "strap") == {"mc-interlocked, planned": 4}


def test_one_run_alone_and_an_unknown_one(scratch) -> None:
    scratch.run([[0, 0, 3000], [3000, 0, 3000]], run_id="a", **CLEAN)
    scratch.run([[0, 900, 3000], [3000, 900, 3000]], run_id="b", **CLEAN)
    _, _, told = taken(scratch, "--run", "b")
    assert [length["run"] for length in told["lengths"]] == ["b"]
    status, output, _ = taken(scratch, "--run", "c")
    assert status == 2
    assert "has no run 'c'" in output


HOSTILE = "=1+HYPERLINK(A1)"


def hostile(scratch) -> None:
    scratch.table('[takeoff.run.a]\nstorey = "+1+1"\ngroup = "@SUM(A1)"\n')
    scratch.run([[0, 0, 3000], [3000, 0, 3000]], run_id="a", **CLEAN)
    scratch.run([[0, 900, 3000], [3000, 900, 3000]], run_id=HOSTILE, **CLEAN)


def test_the_workbook_reads_back_with_numbers_as_numbers_and_text_as_text(scratch) -> None:
    hostile(scratch)
    file = scratch.folder / "t.xlsx"
    _, _, told = taken(scratch, "--xlsx", str(file))
    book = openpyxl.load_workbook(file)
    assert book.sheetnames == [
        "cables", "lengths", "parts", "coils", "material", "material by run", "material by cable", "by storey",
        "home runs", "notes",
    ]  # fmt: skip
    sheet = book["lengths"]
    head = [cell.value for cell in sheet[1]]
    rows = [dict(zip(head, row, strict=True)) for row in sheet.iter_rows(min_row=2, values_only=True)]
    assert [row["run"] for row in rows] == ["a", HOSTILE]
    assert [row["cut m"] for row in rows] == pytest.approx([length["cut_m"] for length in told["lengths"]])
    assert sheet.freeze_panes == "B2"
    assert sheet["E2"].number_format == "0.00"
    assert sheet.column_dimensions["A"].width > 15
    for sheet in book:
        assert not [cell.coordinate for row in sheet.iter_rows() for cell in row if cell.data_type == "f"]
    notes = [row[0].value for row in book["notes"].iter_rows()]
    assert CAUTION in notes


def test_equal_take_offs_give_equal_bytes(scratch) -> None:
    hostile(scratch)
    files = [scratch.folder / "1.xlsx", scratch.folder / "2.xlsx"]
    for file in files:
        taken(scratch, "--xlsx", str(file))
        time.sleep(2.1)  # times in archives count in steps of 2 s
    assert files[0].read_bytes() == files[1].read_bytes()


def test_no_cell_of_a_csv_file_is_a_formula(scratch) -> None:
    hostile(scratch)
    folder = scratch.folder / "csv"
    _, _, told = taken(scratch, "--csv", str(folder))
    for file in folder.iterdir():
        rows = list(csv.reader(file.read_text(encoding="utf-8-sig").splitlines()))
        assert any(CAUTION in row for row in rows)
        assert not [cell for row in rows for cell in row if cell.startswith(("=", "+", "-", "@"))]
    rows = list(csv.DictReader((folder / "lengths.csv").read_text(encoding="utf-8-sig").splitlines()))
    assert rows[1]["run"] == f"'{HOSTILE}"
    assert rows[0]["storey"] == "'+1+1"
    assert float(rows[0]["cut m"]) == pytest.approx(told["lengths"][0]["cut_m"], abs=1e-4)


def test_a_csv_name_takes_the_cut_list_alone(scratch) -> None:
    scratch.run([[0, 0, 3000], [3000, 0, 3000]], **CLEAN)
    file = scratch.folder / "cuts.csv"
    taken(scratch, "--csv", str(file))
    assert file.read_text(encoding="utf-8-sig").startswith("run,cable,storey")


def test_the_take_off_of_the_sample_is_what_it_was(tmp_path) -> None:
    # compared by content; the numbers were looked at when they were written down
    sample = Path(__file__).parents[2] / "sample_models" / "workshop"
    golden = Path(__file__).parents[1] / "golden" / "takeoff_workshop.json"
    out = tmp_path / "takeoff.json"
    status, _ = call("takeoff", str(sample), "--json", str(out), "--no-cache")
    told = json.loads(out.read_text(encoding="utf-8"))
    kept = {
        "lengths": {x["run"]: [x["fitted_m"], x["cut_m"], x["pull_from"], x["panel"]] for x in told["lengths"]},
        "bought": {x["cable"]: [x["bought_m"], x["bought_bound_m"], x["proven"]] for x in told["cables"]},
        "material": [[x["kind"], x["size"], x["detail"], x["count"]] for x in told["material"]],
    }
    assert status == 1
    expected = json.loads(golden.read_text(encoding="utf-8"))
    for run_id, (fitted, cut, pull, panel) in expected["lengths"].items():
        found = kept["lengths"][run_id]
        assert found[0] == pytest.approx(fitted, abs=1e-4), run_id
        assert found[1:] == [cut, pull, panel], run_id
    assert kept["bought"] == expected["bought"]
    assert kept["material"] == expected["material"]


def test_a_cable_weight_is_read_in_the_units_of_the_trade(scratch) -> None:
    scratch.table(CABLE.rstrip() + '\nweight = "100 lb/1000 ft"\n')
    scratch.run([[0, 0, 3000], [3000, 0, 3000]], **CLEAN)
    _, _, told = taken(scratch)
    (length,) = told["lengths"]
    # one pound is 0.45359237 kg by definition
    assert length["weight_kg"] == pytest.approx(0.1 * 0.45359237 * length["cut_m"] / FT, abs=1e-5)
    assert length["weight_source"] == "cable.mc.weight"
