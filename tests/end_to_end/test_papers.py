"""Pull sheets, strap layout and mark-up from the command line, read back."""

from __future__ import annotations

import pypdfium2
import pytest
from click.testing import CliRunner
from ezdxf import recover

from route3d.cli.main import route3d
from tests.scratch_project import CABLE


@pytest.fixture
def project(scratch):
    """A run under a beam that lacks straps, and one whose bend is too tight."""
    scratch.role("S-BEAM", "structure")
    scratch.box("S-BEAM", (0, -50, 3050), (6000, 50, 3250))
    scratch.run([[0, 0, 3000], [6000, 0, 3000]], "under", straps=[250])
    scratch.run([[0, 900, 3000], [1000, 900, 3000], [1000, 960, 3000], [2000, 960, 3000]], "tight", straps=[250, 1800])
    scratch.table(CABLE)
    scratch.write()
    return scratch.folder


def run(*words):
    return CliRunner().invoke(route3d, [str(w) for w in words], standalone_mode=False)


def text_of(path) -> str:
    with pypdfium2.PdfDocument(path) as document:
        return " ".join(" ".join(page.get_textpage().get_text_range().split()) for page in document)


def test_take_off_writes_pull_sheets_with_its_own_numbers(project) -> None:
    sheets = project / "sheets.pdf"
    done = run("takeoff", project, "--with-straps", "--sheets", sheets, "--paper", "a4")
    assert done.exception is None and done.return_value == 1, done.output
    assert f"wrote {sheets}" in done.output.replace("\n", "")
    said = text_of(sheets)
    assert "coil 1 of mc, cut " in said and "strap, NEW" in said
    assert said.count("Pull sheet") == 4  # two runs, front and back
    assert "DO NOT PULL BEFORE THIS IS MENDED" in said


def test_without_a_strap_plan_the_sheets_say_that_there_is_none(project) -> None:
    sheets = project / "sheets.pdf"
    run("takeoff", project, "--sheets", sheets, "--run", "tight")
    said = text_of(sheets)
    assert "no strap plan was made" in said and "NEW" not in said and "under" not in said.replace("under the", "")


def test_straps_writes_a_layout(project) -> None:
    layout = project / "layout.pdf"
    done = run("straps", project, "--layout", layout)
    assert done.exception is None, done.output
    said = text_of(layout)
    assert "1-S1" in said and "NEW" in said and "An aid for planning" in said


def test_report_writes_a_mark_up_that_is_sound(project) -> None:
    drawing = project / "mark.dxf"
    done = run("report", project, "--dxf", drawing, "--unit", "in", "--plot-scale", "48")
    assert done.exception is None and done.return_value == 1, done.output
    document, audit = recover.readfile(drawing)
    assert not audit.errors and document.header["$INSUNITS"] == 1
    assert len(document.modelspace().query("LINE[layer=='R3D-RUN-FAIL']")) == 1  # "under" is straight
    assert len(document.modelspace().query("LWPOLYLINE[layer=='R3D-RUN-FAIL']")) == 1  # "tight" has two arcs


def test_report_asks_what_to_write(project) -> None:
    done = run("report", project)
    assert "--dxf FILE" in str(done.exception.message)


def test_a_place_that_cannot_be_written_to_is_one_sentence(project) -> None:
    (project / "file").write_text("")
    done = run("report", project, "--dxf", project / "file" / "x.dxf")
    assert "cannot be written" in str(done.exception)
