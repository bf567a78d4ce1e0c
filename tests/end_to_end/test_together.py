"""Cables together, data beside power and panels, from drawing and project file to results."""

from __future__ import annotations

import pytest

TEN = """
[cable.mc]
method = "mc-interlocked"
sheath_diameter = 12.0
conductors = 3
size = "10 AWG"
"""
DATA = """
[cable.data]
method = "data-pair"
sheath_diameter = 6.0
"""
TC = """
[cable.tc]
method = "tc"
sheath_diameter = 12.0
conductors = 3
size = "12 AWG"
"""


def strapped(length: float) -> list[float]:
    return [at for at in (250, 1500, 2750) if at < length - 100] + [length - 250]


def lay(scratch, count: int, length: float = 3000.0, pitch: float = 13.0, cable: str = "mc") -> None:
    for k in range(count):
        y = k * pitch
        scratch.run([[0, y, 3000], [length, y, 3000]], f"r{k}", cable, straps=strapped(length))


def test_a_bundle_that_needs_a_factor_is_a_caution_and_no_violation(scratch) -> None:
    lay(scratch, 3)
    scratch.table(TEN)
    done = scratch.check("--only", "bundle")
    assert done.status == 0, done.output
    (found,) = done.findings("bundle")
    assert (found["severity"], found["run"], found["other"]) == ("caution", "r0", "r1")
    assert (found["measured"], found["required"]) == (6, 3)
    assert found["rule"] == "NEC 2023 310.15(C)(1)"
    assert "r0 at 0.00–3.00 m, r1 at 0.00–3.00 m, r2 at 0.00–3.00 m" in found["message"]
    assert "80 %" in found["message"]


@pytest.mark.parametrize(("spacing", "count"), [(0.9, None), (1.1, 9)])
def test_current_carrying_and_spacing_of_the_project_file_count_in_its_unit(scratch, spacing, count) -> None:
    """12 in thick and 13 in from middle to middle: 1 in between them."""
    scratch.head.append(f'units = "in"\n[settings]\nbundle_spacing = {spacing}')
    lay(scratch, 3)
    scratch.table(TEN + "current_carrying = 3\n")
    found = scratch.check("--only", "bundle").findings("bundle")
    assert [f["measured"] for f in found] == ([] if count is None else [count])


def test_current_carrying_beyond_conductors_is_refused(scratch) -> None:
    lay(scratch, 1)
    scratch.table(TEN + "current_carrying = 4\n")
    done = scratch.check()
    assert done.status == 2
    assert "current_carrying 4 is more than conductors 3" in done.output


def test_relieved_bundle_is_a_note_and_the_job_is_clear(scratch) -> None:
    lay(scratch, 3)
    done = scratch.check("--only", "bundle")
    assert done.status == 0, done.output
    (found,) = done.findings("bundle")
    assert found["severity"] == "note"
    assert done.run("r0")["verdict"] == "pass"


def test_unknown_conductors_end_with_status_three(scratch) -> None:
    lay(scratch, 2)
    scratch.table(TEN.replace("conductors = 3\n", ""))
    done = scratch.check("--only", "bundle")
    assert done.status == 3, done.output
    assert {done.run(name)["verdict"] for name in ("r0", "r1")} == {"unchecked"}


@pytest.mark.parametrize(("power", "status"), [("tc", 1), ("mc", 0)])
def test_data_beside_power_in_the_open_is_a_violation_and_beside_metal_clad_none(scratch, power, status) -> None:
    scratch.run([[0, 0, 3000], [3000, 0, 3000]], "data-1", "data")
    scratch.run([[0, 30, 3000], [3000, 30, 3000]], "power-1", power)
    scratch.table(DATA + TC + TEN)
    done = scratch.check("--only", "separation")
    assert done.status == status, done.output
    found = done.findings("separation")
    assert len(found) == status
    if found:
        assert found[0]["measured"] == pytest.approx(0.021, abs=1e-4)
        assert found[0]["required"] == pytest.approx(0.0508)
        assert {done.run(name)["verdict"] for name in ("data-1", "power-1")} == {"fail"}


def room(scratch) -> None:
    scratch.box("E-PANL", (0, 0, 900), (150, 500, 1900))
    scratch.box("A-WALL", (-200, -3000, 0), (0, 3000, 3500))
    scratch.role("E-PANL", "cabinet")
    scratch.role("A-WALL", "wall")
    scratch.role("P-*", "pipe")


PANEL = '[[panel]]\nlayer = "E-PANL*"\nfront = "+x"\nvolts_to_ground = 120\ncondition = 1\nfloor = 0\n'


def test_a_pipe_over_a_panel_is_a_finding_of_the_job(scratch) -> None:
    room(scratch)
    scratch.box("P-COLD", (50, -1000, 2500), (100, 1000, 2550))
    scratch.run([[120, 250, 3000], [120, 250, 1900]], end="cabinet", straps=[200])
    scratch.table(PANEL)
    done = scratch.check("--only", "clearance,clash")
    assert done.status == 1, done.output
    (found,) = done.violations()
    assert (found["check"], found["run"], found["rule"]) == ("clearance", None, "NEC 2023 110.26(E)(1)")
    assert done.run()["verdict"] == "pass"


def test_feeder_of_the_panel_and_runs_above_are_silent_and_one_before_it_is_not(scratch) -> None:
    room(scratch)
    scratch.run([[75, 250, 3000], [75, 250, 1900]], "feeder", end=None)
    scratch.run([[600, -1000, 2200], [600, 1500, 2200]], "above")
    scratch.run([[600, -1000, 1500], [600, 1500, 1500]], "before")
    scratch.table(PANEL)
    done = scratch.check("--only", "clearance")
    assert [f["run"] for f in done.violations()] == ["before"]
    assert done.status == 1


def test_a_panel_that_nothing_is_said_of_is_a_note(scratch) -> None:
    room(scratch)
    scratch.run([[75, 250, 3000], [75, 250, 1900]], "feeder", end=None)
    done = scratch.check("--only", "clearance")
    assert done.status == 0, done.output
    (found,) = done.findings("clearance")
    assert found["severity"] == "note"
    assert "floor not said; volts_to_ground or condition not said; front taken as +x" in found["message"]


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("[[panel]]\nfront = '+x'\n", "named by the 'layer' or the 'handle'"),
        ("[[panel]]\nlayer = 'E*'\nfront = 'north'\n", "is not one of +x, -x, +y, -y"),
        ("[[panel]]\nlayer = 'E*'\nvolts = 120\n", "volts_to_ground"),
        ("[[panel]]\nlayer = 'E*'\ncondition = 4\n", "condition"),
    ],
)
def test_a_wrong_panel_table_is_refused_with_the_key(scratch, table, message) -> None:
    room(scratch)
    scratch.run([[75, 250, 3000], [75, 250, 1900]])
    scratch.table(table)
    done = scratch.check()
    assert done.status == 2
    assert message in done.output


def test_a_panel_table_that_names_nothing_is_told(scratch) -> None:
    room(scratch)
    scratch.run([[75, 250, 3000], [75, 250, 1900]])
    scratch.table(PANEL + '[[panel]]\nlayer = "E-SWBD*"\n')
    assert "panel 2 (E-SWBD*) matches no cabinet" in scratch.check().output
