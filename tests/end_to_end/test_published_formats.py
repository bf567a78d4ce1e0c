"""Every JSON file that the program writes is as its schema says; files of other versions are read, or refused."""

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from route3d.reports.formats import FORMATS, schema_text
from tests.published_schemas import described
from tests.scratch_project import call

SAMPLE = Path(__file__).parents[2] / "sample_models" / "workshop"
# one run that a drawn obstacle stops, one that is mended, one that needs a strap, one without a route
MIXED = [
    ("tight", [(0, 0, 3000), (500, 0, 3000), (500, 150, 3000), (1000, 150, 3000)], {"straps": [300, 850]}),
    ("long", [(0, 2000, 3000), (4000, 2000, 3000)], {"straps": [250, 3750]}),
]


def written(file: Path) -> Any:
    return json.loads(file.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def sample(tmp_path_factory) -> dict[str, Any]:
    """Everything that the commands write of the sample as JSON, by the name of its format."""
    folder = tmp_path_factory.mktemp("formats")
    call("check", str(SAMPLE), "--json", str(folder / "results.json"))
    for command in ("straps", "takeoff"):
        call(command, str(SAMPLE), "--json", str(folder / f"{command}.json"))
    call("compare", str(folder / "results.json"), str(SAMPLE), "--json", str(folder / "comparison.json"))
    call("mend", str(SAMPLE), "--run", "L1-REC-07", "--run", "L1-LTG-07", "--json", str(folder / "proposals.json"))
    return {name: written(folder / f"{name}.json") for name in FORMATS}


@pytest.mark.parametrize("name", FORMATS)
def test_what_is_written_of_the_sample_is_as_published(sample, name: str) -> None:
    described(name, sample[name])


@pytest.mark.parametrize("name", FORMATS)
def test_every_key_of_a_published_schema_is_described(name: str) -> None:
    schema = json.loads(schema_text(name))
    jsonschema.Draft202012Validator.check_schema(schema)

    def walk(node: Any, path: str) -> None:
        if isinstance(node, dict):
            for key, value in node.get("properties", {}).items():
                assert value.get("description") or "$ref" in value, f"{path}.{key}"
            for key, value in node.items():
                walk(value, f"{path}.{key}")
        elif isinstance(node, list):
            for item in node:
                walk(item, path)

    walk(schema, name)


def test_a_schema_is_printed_and_written(tmp_path: Path) -> None:
    status, output = call("schema")
    assert status == 0
    assert all(f"{name} " in output for name in FORMATS)
    assert json.loads(call("schema", "results")[1])["title"] == "Results of a check"
    status, _ = call("schema", "straps", "--out", str(tmp_path / "s.json"))
    assert status == 0 and written(tmp_path / "s.json")["title"] == "Strap plan"
    assert call("schema", "--out", str(tmp_path / "t.json"))[0] == 2


def test_mended_blocked_and_routed_runs_are_as_published(scratch, tmp_path: Path) -> None:
    for run_id, path, more in MIXED:
        scratch.run(path, run_id, **more)
    scratch.box("WALL", (400, 3900, 2000), (600, 4100, 4000))
    scratch.role("WALL", "obstacle")
    scratch.run([(500, 4000, 2500), (500, 4000, 3500)], "inside")
    scratch.table(
        '[[run]]\nid = "open"\ncable = "mc"\nfrom_point = [0, 6000, 3000]\nto_point = [3000, 7000, 3000]\n'
        'start = "box"\nend = "box"\n'
    )
    scratch.write()
    for command, extra in (("mend", ["--all"]), ("propose", [])):
        call(command, str(scratch.folder), *extra, "--json", str(tmp_path / f"{command}.json"))
        proposals = written(tmp_path / f"{command}.json")
        described("proposals", proposals)
        assert proposals["runs"]


def test_a_project_of_which_much_is_unknown_is_as_published(scratch, tmp_path: Path) -> None:
    scratch.space.add_line((0, 0, 3000), (1000, 0, 3000), dxfattribs={"layer": "LOOSE"})
    scratch.run([(0, 0, 3000), (3000, 0, 3000)], start=None, end=None, cable="bare")
    scratch.table('[cable.bare]\nmethod = "other"\nsheath_diameter = 9\n')
    scratch.table('[[zone]]\nname = "z"\nkind = "damp"\noutline = [[0, -1], [9, -1], [9, 1]]\nbottom = 0\ntop = 9000\n')
    described("results", scratch.check().results)
    for command in ("straps", "takeoff"):
        call(command, str(scratch.folder), "--json", str(tmp_path / f"{command}.json"))
        described(command, written(tmp_path / f"{command}.json"))


# --- files of other versions ------------------------------------------------------------------------------------------


@pytest.fixture
def kept(scratch, tmp_path: Path) -> tuple[Path, dict[str, Any]]:
    """Results in a file, with what stands in it."""
    scratch.run(MIXED[0][1], straps=[300, 850])
    return tmp_path / "kept.json", scratch.check().results


def compared(file: Path, content: dict[str, Any], folder: Path) -> tuple[int, str]:
    file.write_text(json.dumps(content), encoding="utf-8")
    status, output = call("compare", str(file), str(folder))
    return status, " ".join(output.split())


def test_results_of_a_newer_minor_version_are_compared_and_it_is_said(kept, scratch) -> None:
    file, content = kept
    content |= {"schema_version": "1.7", "written_by": "route3d 1.9.0", "trend": [1, 2]}
    content["findings"][0] |= {"owner": "somebody", "chain": [{"step": "fact", "text": "x", "weight": 2}]}
    content["runs"][0]["bends"][0]["kind"] = {"new": True}
    status, output = compared(file, content, scratch.folder)
    assert status == 0, output
    assert "was written by route3d 1.9.0 in version 1.7 of its format, this one knows 1.0" in output
    assert "findings.chain.weight, findings.owner, runs.bends.kind, trend" in output
    assert "0 new" in output and "0 gone" in output


def test_a_newer_minor_version_without_anything_new_is_said_too(kept, scratch) -> None:
    file, content = kept
    status, output = compared(file, content | {"schema_version": "1.1"}, scratch.folder)
    assert status == 0 and "in version 1.1 of its format" in output


def test_results_of_this_version_need_no_remark(kept, scratch) -> None:
    file, content = kept
    status, output = compared(file, content, scratch.folder)
    assert status == 0 and "version" not in output


def test_results_from_before_versions_were_stated_are_read(kept, scratch) -> None:
    file, content = kept
    for key in ("schema_version", "written_by"):
        del content[key]
    status, output = compared(file, content, scratch.folder)
    assert status == 0 and "version" not in output


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            {"schema": "route3d-results/2", "schema_version": "2.0", "written_by": "route3d 3.0.0"},
            "schema: was written by route3d 3.0.0 in version 2.0 of its format, this one reads 1.x; install that",
        ),
        ({"schema": "route3d-results/2", "schema_version": None}, "states None beside the schema"),
        ({"schema": "route3d-results/1", "schema_version": "2.0"}, "states '2.0' beside the schema"),
        ({"schema_version": "1.x"}, "states '1.x' beside the schema"),
        ({"schema_version": "1." + "9" * 5000}, "beside the schema"),
        ({"schema": "route3d-straps/1"}, "a file of `route3d check --json` has 'route3d-results/1'; give one"),
        ({"schema": ["route3d-results/1"]}, "give one"),
        ({"schema": "route3d-results/2", "schema_version": "2.0", "written_by": "\x1b[2Jx"}, r"by '\x1b[2Jx' in"),
    ],
)
def test_another_major_version_or_format_is_refused_in_one_sentence(kept, scratch, change, said: str) -> None:
    file, content = kept
    status, output = compared(file, content | change, scratch.folder)
    assert status == 2
    assert said in output and output.count("route3d:") == 1 and len(output) < 400
