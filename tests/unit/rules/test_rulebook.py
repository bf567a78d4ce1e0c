from pathlib import Path

import pytest

from route3d.errors import RuleBookError
from route3d.model.cable import METHODS
from route3d.rules.bend import required_bend
from route3d.rules.records import SOURCES
from route3d.rules.rulebook import SHIPPED, load_rulebook, rule_files
from tests.builders import book, book_from, cable

OWN = 'extends = "nec-2023"\n'


@pytest.mark.parametrize("name", SHIPPED)
def test_every_entry_has_section_title_and_a_known_source(name: str) -> None:
    for group, entry in book(name).entries:
        assert entry.section and entry.title, (group, entry.key)
        assert entry.source in SOURCES[:3], (group, entry.key)


@pytest.mark.parametrize("name", SHIPPED)
def test_citations_name_the_edition_standard_or_practice(name: str) -> None:
    code = book(name).code
    assert all(e.cite.startswith((code, "TIA", "practice (")) for _, e in book(name).entries)


def test_no_shipped_entry_claims_to_be_the_projects() -> None:
    assert not any(e.source == "project" for name in SHIPPED for _, e in book(name).entries)


def test_own_file_overrides_one_value_and_says_that_it_is_the_projects(tmp_path: Path) -> None:
    own = book_from(tmp_path, OWN + '[securing.mc]\ninterval = "4 ft"\n')
    rule = own.hold("securing", "mc-smooth")
    assert rule is not None
    assert rule.interval_m == pytest.approx(1.2192)
    assert rule.vertical_interval_m == pytest.approx(3.048)  # taken over
    assert (rule.source, rule.cite) == ("project", "project rule office.toml (NEC 2023 330.30(B))")


def test_own_entry_under_a_new_key_binds_before_the_rule_sets(tmp_path: Path) -> None:
    text = OWN + (
        '[securing.ours]\nsection = "our standard"\ntitle = "every 1 m"\nsource = "practice"\n'
        'methods = ["ac"]\ninterval = "1 m"\n'
    )
    rule = book_from(tmp_path, text).hold("securing", "ac")
    assert rule is not None and (rule.interval_m, rule.source) == (1.0, "project")


def test_own_file_can_take_a_rule_out(tmp_path: Path) -> None:
    own = book_from(tmp_path, OWN + "[first_strap.ac]\nremoved = true\n")
    assert own.first_strap("ac") is None


def test_own_file_can_extend_another_own_file_beside_it(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "firm.toml").write_text('extends = "nec-2020"\n[bend.ac]\nmultiplier = 8\n', encoding="utf-8")
    own = book_from(tmp_path, 'extends = "sub/firm.toml"\n')
    assert own.code == "NEC 2020"
    assert next(r.multiplier for r in own.bends if r.key == "ac") == 8


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[bend", ("office.toml", "TOML")),
        (OWN + "[bends.x]\n", ("office.toml", "bends", "did you mean bend")),
        (OWN + "[bend.ac]\nmultiplyer = 5\n", ("office.toml: [bend.ac]", "multiplyer", "did you mean multiplier")),
        (OWN + '[bend.ac]\nmultiplier = "5"\n', ("[bend.ac]", "multiplier", "a number above 0")),
        (OWN + "[bend.ac]\nmultiplier = 0\n", ("[bend.ac]", "multiplier", "a number above 0")),
        (OWN + "[bend.ac]\nmultiplier = true\n", ("[bend.ac]", "multiplier", "a number above 0")),
        (OWN + "[bend.ac]\nmultiplier = nan\n", ("[bend.ac]", "multiplier", "a number above 0")),
        (OWN + "[securing.mc]\ninterval = 6\n", ("[securing.mc]", "interval", "a length with its unit")),
        (OWN + '[securing.mc]\ninterval = "6"\n', ("[securing.mc]", "interval", "'6 ft'")),
        (OWN + '[securing.mc]\nmethods = ["mc"]\n', ("[securing.mc]", "methods", "mc-interlocked")),
        (OWN + '[first_strap.mc]\nsize_max = "12/2"\n', ("[first_strap.mc]", "size_max", "12 AWG")),
        (OWN + '[first_strap.mc]\nconductors_max = "4"\n', ("conductors_max", "whole number")),
        (OWN + '[securing.new]\ninterval = "4 ft"\n', ("[securing.new]", "section is missing")),
        (
            OWN + '[securing.new]\nsection = "s"\ntitle = "t"\ninterval = "4 ft"\n',
            ("[securing.new]", "methods is missing"),
        ),
        (OWN + "bend = 5\n", ("office.toml", "bend", "tables such as")),
        (OWN + "[bend]\nac = 5\n", ("office.toml", "bend", "tables such as")),
        ("extends = 3\n", ("extends", "text in quotes")),
        ('extends = "office.toml"\n', ("office.toml", "extends itself")),
        ('extends = "no-such.toml"\n', ("no-such.toml", "nec-2023")),
        ('title = "empty"\n', ("office.toml", "code is missing")),
        (OWN + 'format = "route3d-rules/2"\n', ("format", "route3d-rules/1")),
        (OWN + "[bundle.adjustment]\npercent_by_count = [[7, 70], [4, 80]]\n", ("percent_by_count", "rising counts")),
        (OWN + '[environment.ac]\nallowed = "maybe"\n', ("allowed", "yes, no or confirm")),
        (OWN + "[environment.ac]\nallowed = true\n", ("allowed", "yes, no or confirm")),
        (OWN + "[bend.ac]\ntitle = 5\n", ("[bend.ac]", "title", "text in quotes")),
    ],
)
def test_what_is_wrong_in_a_rule_file_is_named(tmp_path: Path, text: str, words: tuple[str, ...]) -> None:
    with pytest.raises(RuleBookError) as caught:
        book_from(tmp_path, text)
    message = str(caught.value)
    assert all(word in message for word in words), message
    assert "\n" not in message


def test_an_unknown_name_lists_the_shipped_rule_sets(tmp_path: Path) -> None:
    with pytest.raises(RuleBookError, match="nec-2026, nec-2023, nec-2020, nec-2017"):
        load_rulebook("nec-1999", tmp_path)


def test_a_rule_file_that_is_not_text_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "office.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RuleBookError, match="cannot be read as UTF-8 text"):
        load_rulebook("office.toml", tmp_path)


def test_a_path_without_a_base_is_from_the_working_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "office.toml").write_text(OWN, encoding="utf-8")
    assert load_rulebook("office.toml", None).code == "NEC 2023"


def test_every_method_with_a_cable_or_raceway_rule_has_an_interval_entry() -> None:
    for method in METHODS[:-1]:  # all but "other"
        assert book().hold("securing", method) is not None
        assert book().hold("supporting", method) is not None


def test_the_example_of_another_family_is_read_by_name_and_states_bends_only() -> None:
    example = load_rulebook("iec-style", None)
    assert {group for group, _ in example.entries} == {"bend"}
    assert {entry.source for _, entry in example.entries} == {"memory"}
    assert example.unstated == ("securing", "supporting", "first_strap", "deck", "environment")
    assert book().unstated == ()


@pytest.mark.parametrize(
    ("method", "mm", "factor"),
    [
        ("tc", 9.0, 3),  # UK guidance, from memory: non-armoured up to 10 mm, 25 mm, and above; armoured; mineral
        ("tc", 10.0, 3),
        ("tc", 10.1, 4),
        ("tc", 18.0, 4),
        ("tc", 25.0, 4),
        ("tc", 30.0, 6),
        ("ac", 20.0, 6),
        ("mi", 12.0, 6),
    ],
)
def test_factors_of_another_family(method: str, mm: float, factor: float) -> None:
    of = cable(method, sheath_diameter_m=mm / 1000.0, overall_diameter_m=mm / 1000.0)
    assert required_bend(of, load_rulebook("iec-style", None)).inner_radius_m == pytest.approx(factor * mm / 1000.0)


def test_the_rule_file_shown_in_the_readme_can_be_used(tmp_path: Path) -> None:
    readme = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    text = next(part.partition("```")[0] for part in readme.split("```toml\n")[1:] if part.startswith("extends"))
    own = book_from(tmp_path, text)
    rule = own.hold("securing", "mc-interlocked")
    assert rule is not None and rule.interval_m == pytest.approx(1.2192)
    assert required_bend(cable(), own).inner_radius_m == pytest.approx(0.108)
    assert own.first_strap("ac") is None


def test_the_files_of_a_rule_set_are_itself_and_what_it_extends(tmp_path) -> None:
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "county.toml").write_text('extends = "nec-2023"\n', encoding="utf-8")
    (tmp_path / "town.toml").write_text('extends = "rules/county.toml"\n', encoding="utf-8")
    assert rule_files("town.toml", tmp_path) == (tmp_path / "town.toml", tmp_path / "rules" / "county.toml")
    assert rule_files("nec-2023", tmp_path) == ()
    (tmp_path / "rules" / "county.toml").write_text('extends = "../town.toml"\n', encoding="utf-8")
    assert len(rule_files("town.toml", tmp_path)) == 2
    (tmp_path / "rules" / "county.toml").write_text("broken = [", encoding="utf-8")
    assert len(rule_files("town.toml", tmp_path)) == 2
    assert rule_files("missing.toml", tmp_path) == (tmp_path / "missing.toml",)
