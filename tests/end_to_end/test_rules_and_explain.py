"""The rule book and the explanations as a user meets them, and a project with rules of its own."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from tests.scratch_project import Scratch, call

LONG = {"straps": [250, 2290]}  # 6 ft 8 in between two straps: more than the 6 ft of NEC 330.30(B)


def long_run(scratch: Scratch, **more) -> None:
    scratch.run([(0, 0, 3000), (2500, 0, 3000)], **{**LONG, **more})


# --- rules ------------------------------------------------------------------------------------------------------------


def test_rules_lists_section_title_numbers_conditions_source_and_editions() -> None:
    status, output = call("rules")
    assert status == 0
    for wanted in (
        "330.30(B)", "metal-clad cable: secured at intervals of no more than 6 ft", "interval 1828.8 mm (6 ft 0 in)",
        "wiring methods mc-interlocked", "source seen", "source memory", "source practice",
        "differs in nec-2026, nec-2020, nec-2017", "An aid for planning",
    ):  # fmt: skip
        assert wanted in output, wanted


def test_rules_explains_a_section_with_a_figure(tmp_path: Path) -> None:
    drawing = tmp_path / "figure.svg"
    status, output = call("rules", "334.24", "--figure", str(drawing))
    assert status == 0
    for wanted in ("R ≥ 5 × diameter (major axis)", "nec-2026: minor axis: flat-side", "seen: a page", "[bend.nm]"):
        assert wanted in output, wanted
    assert ElementTree.parse(drawing).getroot().tag.endswith("svg")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("rules", "999.9"), "no rule of section '999.9'"),
        (("rules", "--figure", "x.svg"), "a figure is of one rule"),
        (("rules", "--set", "nec-1999"), "no such rule set"),
    ],
)
def test_rules_that_are_not_there_end_with_status_2(arguments: tuple[str, ...], words: str) -> None:
    status, output = call(*arguments)
    assert status == 2 and words in output


def test_rules_shows_an_own_file_as_the_projects(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("town.toml").write_text('extends = "nec-2023"\n[securing.mc]\ninterval = "4 ft"\n', encoding="utf-8")
    status, output = call("rules", "securing.mc", "--set", "town.toml")
    assert status == 0
    assert "project rule town.toml (NEC 2023 330.30(B))" in output
    assert "source    project: a rule file of the project's own" in output
    assert "nec-2023: interval: 1828.8 mm (6 ft 0 in); source: seen" in output


# --- rules of one's own, from file to finding -------------------------------------------------------------------------


def own_rules(scratch: Scratch, text: str, name: str = "town.toml") -> None:
    (scratch.folder / name).write_text(text, encoding="utf-8")
    scratch.head.append(f'rules = "{name}"')


def test_a_local_amendment_is_judged_by_and_named(scratch) -> None:
    own_rules(scratch, 'extends = "nec-2023"\ntitle = "Town amendments"\n[securing.mc]\ninterval = "4 ft"\n')
    scratch.run([(0, 0, 3000), (2000, 0, 3000)], straps=[250, 1700])  # 1450 mm: within 6 ft, not within 4 ft
    checked = scratch.check()
    assert checked.status == 1
    (finding,) = checked.violations()
    assert finding["rule"] == "project rule town.toml (NEC 2023 330.30(B))"
    assert finding["source"] == "project"
    assert finding["required"] == pytest.approx(1.2192)
    assert checked.results["rules"] == "town.toml"
    assert "the project's own rule" in checked.output
    assert any("Town amendments" in step["text"] for step in finding["chain"])


def test_an_amendment_that_allows_more_is_named_at_the_span_it_allows(scratch) -> None:
    own_rules(scratch, 'extends = "nec-2023"\n[securing.mc]\ninterval = "8 ft"\n[supporting.mc]\ninterval = "8 ft"\n')
    long_run(scratch)
    checked = scratch.check()
    assert checked.run()["verdict"] == "pass"
    assert {span["source"] for span in checked.run()["spans"]} == {"project"}


def test_a_makers_data_in_the_rule_file_bind_for_their_method(scratch) -> None:
    own_rules(
        scratch,
        'extends = "nec-2023"\n[bend.maker]\nsection = "data sheet"\ntitle = "this armour: 9 × the sheath"\n'
        'methods = ["mc-interlocked"]\nmultiplier = 9\nof = "sheath"\nsource = "practice"\n',
    )
    # two bends share a leg of 200 mm: 100 mm at the centre line, 94 mm inside; 84 mm by the code, 108 mm by the maker
    scratch.run([(0, 0, 0), (1000, 0, 0), (1000, 200, 0), (2000, 200, 0)], straps=[200, 1000, 1900])
    checked = scratch.check("--only", "bend")
    found = checked.findings("bend")
    assert {f["rule"] for f in found} == {"project rule town.toml (NEC 2023 data sheet)"}
    assert {f["required"] for f in found} == {0.108}


def test_a_makers_multiplier_of_a_cable_is_named_as_such(scratch) -> None:
    scratch.run([(0, 0, 0), (1000, 0, 0), (1000, 200, 0), (2000, 200, 0)], straps=[200, 1000, 1900])
    scratch.table('[cable.mc]\nmethod = "mc-interlocked"\nsheath_diameter = 12.0\nbend_multiplier = 9\n')
    found = scratch.check("--only", "bend").findings("bend")
    assert {f["source"] for f in found if f["severity"] == "violation"} == {"maker"}


def test_rules_of_another_family_judge_bends_and_say_what_they_leave_out(scratch) -> None:
    scratch.head.append('rules = "iec-style"')
    # 56 mm at the centre line: 50 mm inside; 6 × 12 mm = 72 mm is asked for
    scratch.run([(0, 0, 0), (1000, 0, 0), (1000, 112, 0), (2000, 112, 0)], straps=[200, 1000, 1900])
    checked = scratch.check()
    assert checked.status == 1
    found = checked.findings("bend")
    assert {(f["rule"], f["source"], f["required"]) for f in found} == {
        ("IEC-style table of bends, armoured cable", "memory", 0.072)
    }
    unstated = [f for f in checked.findings("input") if f["run"] is None]
    assert "securing, supporting, first strap, deck, environment" in unstated[0]["message"]
    assert unstated[0]["unchecked"]


def test_rules_of_another_family_never_clear_what_they_do_not_state(scratch) -> None:
    scratch.head.append('rules = "iec-style"')
    scratch.run([(0, 0, 0), (9000, 0, 0)])  # nine metres without a strap
    checked = scratch.check()
    assert checked.status == 3
    assert checked.run()["verdict"] == "unchecked"


def test_a_value_from_memory_says_so_in_every_report(scratch) -> None:
    scratch.run([(0, 0, 0), (1000, 0, 0), (1000, 300, 0), (2000, 300, 0)], straps=[200, 1000, 1900])
    scratch.table('[cable.mc]\nmethod = "mc-smooth"\nsheath_diameter = 25.4\nconductors = 4\nsize = "2 AWG"\n')
    checked = scratch.check("--only", "bend", "--out", str(scratch.folder / "out"))
    assert {f["source"] for f in checked.findings("bend")} == {"memory"}  # 330.24(A)(2)
    said = "value from memory: compare with the printed edition"
    assert said in checked.output
    assert said in (scratch.folder / "out" / "report.html").read_text(encoding="utf-8")


# --- explain ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def project(scratch) -> tuple[Path, dict]:
    long_run(scratch)
    scratch.run([(0, 500, 3000), (1000, 500, 3000)], "whip", end="luminaire")
    scratch.table(
        '[[zone]]\nname = "lay-in"\nkind = "accessible-ceiling"\n'
        "outline = [[-500, 300], [3000, 300], [3000, 900], [-500, 900]]\nbottom = 2500\ntop = 3500\n"
    )
    return scratch.folder, scratch.check().results


def test_a_finding_is_explained_from_fact_to_verdict(project) -> None:
    folder, results = project
    finding = next(f for f in results["findings"] if f["severity"] == "violation")
    status, output = call("explain", finding["id"], str(folder))
    assert status == 0
    places = [
        output.index(word) for word in ("\nfact ", "\nrule ", "\ncondition ", "\nexemption ", "\nverdict ", "\nremedy ")
    ]
    assert places == sorted(places)
    assert "2040.0 mm (6 ft 8-5/16 in) is 211.2 mm (8-5/16 in) more than 1828.8 mm (6 ft 0 in). Violation." in output


def test_the_chain_stands_in_the_results_too(project) -> None:
    _, results = project
    for finding in results["findings"]:
        steps = [step["step"] for step in finding["chain"]]
        assert steps[0] == "fact" and steps[-1] == "verdict" and "rule" in steps
        assert finding["source"] in ("seen", "memory", "practice", "project", "maker", "geometry", "input", "none")


@pytest.mark.parametrize("how", ["beginning", "number"])
def test_a_finding_may_be_named_by_its_beginning_or_its_number(project, how: str) -> None:
    folder, results = project
    finding = results["findings"][0]
    status, output = call("explain", finding["id"][:-3] if how == "beginning" else "1", str(folder))
    assert status == 0 and finding["id"] in output


def test_a_granted_exemption_is_explained_with_its_run(project) -> None:
    folder, _ = project
    status, output = call("explain", "whip", str(folder))
    assert status == 0
    assert "exempt: whip" in output and "NEC 2023 330.30(D)(2)" in output
    assert "whip: 1000.0 mm (3 ft 3-3/8 in) from the box at 0.000 m to the luminaire" in output


@pytest.mark.parametrize("suffix", ["svg", "png"])
def test_a_run_is_drawn_unrolled(project, suffix: str) -> None:
    folder, _ = project
    strip = folder / f"strip.{suffix}"
    status, output = call("explain", "a", str(folder), "--strip", str(strip))
    assert status == 0 and f"wrote {strip}" in output
    head = strip.read_bytes()[:4]
    assert head == (b"<svg" if suffix == "svg" else b"\x89PNG")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("nosuch",), "there is no finding and no run 'nosuch'"),
        (("a", "--strip", "x.pdf"), "a strip is drawn as .svg or .png"),
        (("s",), "is the beginning of"),
    ],
)
def test_what_cannot_be_explained_is_said_with_status_2(project, arguments: tuple[str, ...], words: str) -> None:
    folder, _ = project
    what, *options = arguments
    status, output = call("explain", what, str(folder), *options)
    assert status == 2 and words in output


def test_the_report_unrolls_each_failing_run_and_no_other(project, tmp_path: Path) -> None:
    folder, _ = project
    call("check", str(folder), "--out", str(tmp_path / "out"))
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert page.count('<figure class="strip"') == 1
    assert 'aria-label="Run a, unrolled"' in page
    assert "<script" not in page and "http-equiv" in page


def test_keys_for_raceways_flat_cable_and_tension_are_read(scratch) -> None:
    scratch.head.append('rules = "nec-2026"')
    path = [(0, 0, 0), (1000, 0, 0), (1000, 76, 0), (2000, 76, 0)]  # 38 mm at the centre line of each bend
    scratch.run(path, "flat", "nm", straps=[200, 1000, 1900], bent="flat-side")
    scratch.run(
        [(x, y + 1000, z) for x, y, z in path], "edge", "nm", straps=[200, 1000, 1900], bent=["flat-side", "edge"]
    )
    scratch.table(
        '[cable.nm]\nmethod = "nm"\nsheath_diameter = 10.4\nminor_diameter = 4.6\nconductors = 3\nsize = "12 AWG"\n'
        '[cable.tube]\nmethod = "emt"\noverall_diameter = 23.4\ntrade_size = "3/4"\nbender = "one-shot"\n'
        '[cable.light]\nmethod = "fibre"\noverall_diameter = 6.0\npulled = true\n'
    )
    scratch.run([(0, 2000, 0), (1000, 2000, 0), (1000, 2230, 0), (2000, 2230, 0)], "tube", "tube", straps=[300, 1500])
    scratch.run([(0, 3000, 0), (1000, 3000, 0), (1000, 3200, 0), (2000, 3200, 0)], "light", "light")
    checked = scratch.check("--only", "bend")
    assert not checked.findings("bend", "flat")  # 334.24, 2026: 5 × the minor axis, 23 mm
    assert len(checked.findings("bend", "edge")) == 1
    assert not checked.findings("bend", "tube")  # Chapter 9 Table 2: 114.3 mm by a one-shot bender
    assert {f["required"] for f in checked.findings("bend", "light")} == {0.12}  # 20 × 6 mm


def test_json_text_of_the_chain_is_plain(project) -> None:
    _, results = project
    assert json.loads(json.dumps(results))["findings"][0]["chain"][0].keys() == {"step", "text"}
