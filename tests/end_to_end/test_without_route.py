"""Runs given only by their ends: every command and file says that they are there and in nothing that it counts."""

import json

import pytest

from tests.scratch_project import call


@pytest.fixture
def half(scratch):
    """One run that passes, and one that has only its ends."""
    scratch.box("S-SLAB", (-1000, -1000, 3050), (12000, 12000, 3200))
    scratch.role("S-SLAB", "structure")
    scratch.run([(0, 0, 3000), (1200, 0, 3000)], "drawn", straps=[200, 1000])
    scratch.table(
        '[[run]]\nid = "ends"\ncable = "mc"\nfrom_point = [0, 900, 3000]\nto_point = [5000, 900, 3000]\n'
        'start = "box"\nend = "box"\n'
    )
    scratch.write()
    return scratch


@pytest.mark.parametrize("options", [(), ("--run", "drawn"), ("--only", "bend")])
def test_a_check_never_ends_clear_and_counts_it_apart(half, options) -> None:
    checked = half.check(*options)
    assert checked.status == 3
    assert checked.results["summary"]["runs"] == 1
    said = " ".join(checked.output.split())
    if "--run" not in options:
        (without,) = checked.results["not_routed"]
        assert (without["id"], without["cable"], without["to_m"]) == ("ends", "mc", [5.0, 0.9, 3.0])
        assert "1 more have no route and were not checked" in said and "? not routed" in said
    assert "no route yet" in said


@pytest.mark.parametrize("command", ["check", "takeoff", "straps", "mend"])
def test_asked_for_by_name_it_is_said_to_have_no_route(half, command) -> None:
    status, output = call(command, str(half.folder), "--run", "ends")
    assert status == 2
    assert "no route yet" in output and "route3d propose --run ends" in output


def test_a_take_off_says_that_nothing_of_it_is_in(half) -> None:
    out = half.folder / "takeoff.json"
    status, output = call("takeoff", str(half.folder), "--json", str(out))
    told = json.loads(out.read_text())
    assert status == 3
    assert told["not_routed"] == ["ends"] and told["summary"]["not_routed"] == 1
    assert [length["run"] for length in told["lengths"]] == ["drawn"]
    assert "1 run has no route yet, and nothing of it is in this take-off" in " ".join(output.split())
    call("takeoff", str(half.folder), "--csv", str(half.folder / "cuts.csv"))
    assert "no route yet" in (half.folder / "cuts.csv").read_text(encoding="utf-8-sig")


def test_strap_plans_say_that_none_is_for_it(half) -> None:
    out, table = half.folder / "straps.json", half.folder / "straps.csv"
    status, output = call("straps", str(half.folder), "--json", str(out), "--csv", str(table))
    assert status == 3
    assert json.loads(out.read_text())["not_routed"] == ["ends"]
    assert "nothing of it is in these plans: ends" in " ".join(output.split())
    assert "no route yet" in table.read_text(encoding="utf-8-sig")


def test_reports_list_it_as_not_routed(half) -> None:
    names = {"junit": "x.xml", "plain-html": "x.html", "xlsx": "x.xlsx", "sarif": "x.sarif"}
    options = [part for name, file in names.items() for part in (f"--{name}", str(half.folder / file))]
    status, output = call("report", str(half.folder), *options, "--pictures", "0")
    assert status == 3, output
    junit = (half.folder / "x.xml").read_text(encoding="utf-8")
    assert '<testsuite name="ends"' in junit and "nothing of it was checked" in junit
    assert "? not routed" in (half.folder / "x.html").read_text(encoding="utf-8")
    assert json.loads((half.folder / "x.sarif").read_text())["runs"][0]["properties"]["runs_not_routed"] == 1
