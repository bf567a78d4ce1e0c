"""The door for Python programs: what it gives is what the commands give."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import route3d
from route3d.handover.deliverables import WRITERS
from route3d.reports.results_json import results_text

SAMPLE = Path(__file__).parents[2] / "sample_models" / "workshop"


@pytest.fixture(scope="module")
def checked() -> route3d.CheckedProject:
    return route3d.check(route3d.load(SAMPLE, cached=False))


def test_the_package_alone_imports_nothing_heavy() -> None:
    asked = "import sys, route3d; print([n for n in ('numpy', 'numba', 'ezdxf', 'route3d.api') if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_name_of_the_api_is_an_attribute_of_the_package() -> None:
    for name in route3d.__all__:
        assert getattr(route3d, name) is not None
    assert set(route3d.__all__) <= set(dir(route3d))
    with pytest.raises(AttributeError, match="no attribute 'fix_everything'"):
        route3d.fix_everything  # noqa: B018


def test_a_check_gives_what_the_command_gives(checked: route3d.CheckedProject, tmp_path: Path) -> None:
    written = tmp_path / "results.json"
    route3d.report(checked, written)
    command = [sys.executable, "-m", "route3d", "check", str(SAMPLE), "--no-cache", "--json", str(tmp_path / "c.json")]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 1, done.stderr
    ours, theirs = json.loads(written.read_text()), json.loads((tmp_path / "c.json").read_text())
    assert {**ours, "made": ""} == {**theirs, "made": ""}
    assert checked.verdict == "fail"
    assert checked.results() == json.loads(results_text(checked.review))
    assert set(checked.runs) == {run["id"] for run in theirs["runs"]}


def test_every_finding_is_explained(checked: route3d.CheckedProject) -> None:
    for finding in checked.findings:
        steps = checked.explain(finding)
        assert steps[0].step == "fact"
        assert steps[-1].step == "verdict"


def test_another_route_is_checked_without_changing_a_file(checked: route3d.CheckedProject) -> None:
    tight = next(f for f in checked.findings if f.check == "bend" and f.severity == "violation")
    assert tight.run is not None
    before = checked.runs[tight.run].fitted.run.corners_m
    straight = np.array([before[0], before[-1]])
    moved = checked.with_run(tight.run, straight)
    assert not moved.runs[tight.run].bends
    assert not [f for f in moved.findings if f.check == "bend" and f.run == tight.run]
    assert [f for f in checked.findings if f.finding_id == tight.finding_id]
    with pytest.raises(route3d.InputError, match="no run 'nobody'"):
        checked.with_run("nobody", straight)
    with pytest.raises(ValueError, match="finite"):
        checked.with_run(tight.run, [[0, 0, 0], [0, 0, float("nan")]])


def test_a_right_angle_is_fitted_with_the_radius_of_the_rule() -> None:
    """NEC 2023 330.24(B): interlocked armour, 7 times the external diameter; the fit gives up to 1.5 times of it."""
    cable = route3d.Cable("mc", "mc-interlocked", sheath_diameter_m=0.02, overall_diameter_m=0.02)
    asked = route3d.required_bend(cable)
    assert asked.inner_radius_m == pytest.approx(7 * 0.02)
    corners = [[0, 0, 3], [2, 0, 3], [2, 2, 3]]
    assert route3d.fit_cable(corners, cable, bend_target=1.0).bends[0].centre_radius_m == pytest.approx(0.15)
    assert route3d.fit_cable(corners, cable).bends[0].centre_radius_m == pytest.approx(1.5 * 0.15)
    with pytest.raises(ValueError, match="at least two"):
        route3d.fit_cable([[0, 0, 3]], cable)
    with pytest.raises(route3d.Route3DError, match="nec-1066"):
        route3d.required_bend(cable, "nec-1066")


def test_a_notebook_shows_runs_and_caution_and_escapes_names(checked: route3d.CheckedProject) -> None:
    shown = checked._repr_html_()
    assert route3d.CAUTION.split(":")[0] in shown
    assert all(run_id in shown for run_id in checked.runs)
    assert "fail" in repr(checked)


@pytest.mark.parametrize("ending", [".csv", ".sarif", ".xml", ".glb", ".dxf", ".xlsx"])
def test_the_ending_says_what_is_written(checked: route3d.CheckedProject, tmp_path: Path, ending: str) -> None:
    said = route3d.report(checked, tmp_path / f"out{ending}")
    assert said
    assert (tmp_path / f"out{ending}").stat().st_size > 500


def test_an_unknown_ending_or_check_is_refused(checked: route3d.CheckedProject, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"\.docx does not end in \.json"):
        route3d.report(checked, tmp_path / "out.docx")
    with pytest.raises(ValueError, match="'bends' is no check"):
        route3d.check(checked.project, only=["bends"])
    assert set(WRITERS) >= {"html", "pdf"}
