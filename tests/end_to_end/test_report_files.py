"""Every deliverable of `route3d report` from one call, each read back by what reads it elsewhere."""

from __future__ import annotations

import json
from xml.etree import ElementTree

import openpyxl
import pypdfium2
import pytest
import trimesh
from click.testing import CliRunner

from route3d.cli.main import route3d
from route3d.model.finding import CAUTION
from tests.scratch_project import CABLE

NAMES = ("a.html", "p.html", "a.pdf", "a.xlsx", "a.csv", "a.glb", "a.xml", "a.sarif", "a.bcf")
OPTIONS = ("html", "plain-html", "pdf", "xlsx", "csv", "glb", "junit", "sarif", "bcf")


@pytest.fixture
def project(scratch):
    scratch.run([[0, 900, 3000], [1000, 900, 3000], [1000, 960, 3000], [2000, 960, 3000]], "tight", straps=[250])
    scratch.table(CABLE)
    scratch.write()
    return scratch.folder


@pytest.mark.parametrize(
    ("words", "said"),
    [(["--onto", "x"], "needs --bcf"), (["--bcf-version", "2.1"], "needs --bcf"), (["--finding", "x"], "needs --bcf")],
)
def test_an_option_that_would_do_nothing_is_refused(project, words, said) -> None:
    done = CliRunner().invoke(
        route3d, ["report", str(project), "--csv", str(project / "a.csv"), *words], standalone_mode=False
    )
    assert said in str(done.exception.message) and not (project / "a.csv").exists()


def test_one_call_writes_them_all_and_each_carries_the_caution(project) -> None:
    words = [word for option, name in zip(OPTIONS, NAMES, strict=True) for word in (f"--{option}", project / name)]
    runner = CliRunner()
    runner.invoke(route3d, ["decide", "--project", str(project)], standalone_mode=False)
    done = runner.invoke(
        route3d, ["report", str(project), *map(str, words), "--pictures", "0"], standalone_mode=False
    )  # fmt: skip
    assert done.exception is None and done.return_value == 1, done.output
    for name in NAMES:
        assert (project / name).stat().st_size > 500, name
    for name in ("p.html", "a.csv", "a.xml", "a.sarif"):
        assert CAUTION.replace("'", "&#39;") in (project / name).read_text(encoding="utf-8") or CAUTION in (
            project / name
        ).read_text(encoding="utf-8")
    book = openpyxl.load_workbook(project / "a.xlsx")
    assert book.sheetnames == ["findings", "runs", "not read", "decisions", "trend", "notes"]
    assert book["decisions"].max_row > 1 and book["trend"].max_row == 2
    with pypdfium2.PdfDocument(project / "a.pdf") as document:
        assert len(document) >= 1
    assert trimesh.load(project / "a.glb").metadata["caution"] == CAUTION
    assert json.loads((project / "a.sarif").read_text(encoding="utf-8"))["runs"][0]["results"]
    assert ElementTree.parse(project / "a.xml").getroot().findall(".//failure")
