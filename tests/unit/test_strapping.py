"""What straps hang from: NEC 300.11, 300.13 in 2026."""

from typing import Any

import pytest

from route3d.model.finding import Finding, Review
from tests.builders import cable
from tests.buildings import block, element, found, review, run

FAR = element("structure", block((-5, -5, 3), (5, 5, 3.2)), "slab")


def near(role: str, gap: float = 0.05) -> Any:
    return element(role, block((-5, 0.006 + gap, -0.1), (5, 0.2 + gap, 0.1)))


def held(*parts: Any, **more: Any) -> Review:
    return review([run((0, 0, 0), (0.6, 0, 0), straps_at_m=(0.3,))], parts, **more)


def of_straps(reviewed: Review) -> list[Finding]:
    return [f for f in found(reviewed, "securing") if "fastened to" in f.message or "tray" in f.message]


def straps(reviewed: Review) -> list[str]:
    return [s.kind for s in reviewed.runs[0].attachment.supports if s.kind == "strap"]


@pytest.mark.parametrize(
    ("role", "section"),
    [
        ("ceiling", "300.11(B)"),
        ("luminaire", "300.11(B)"),
        ("duct", "300.11(A)"),
        ("pipe", "300.11(A)"),
        ("hot-pipe", "300.11(A)"),
        ("sprinkler", "300.11(A)"),
        ("equipment", "300.11(A)"),
    ],
)
def test_a_strap_that_only_other_trades_could_hold_does_not_count(role: str, section: str) -> None:
    reviewed = held(FAR, near(role))
    finding = of_straps(reviewed)[0]
    assert (finding.severity, finding.rule, finding.at_m) == ("violation", f"NEC 2023 {section}", (0.3, 0.3))
    assert finding.measured == pytest.approx(0.05)
    assert straps(reviewed) == []
    assert any(f.rule == "NEC 2023 330.30(B)" and f.severity == "violation" for f in found(reviewed, "securing"))


def test_the_section_follows_the_edition() -> None:
    assert of_straps(held(FAR, near("duct"), rules="nec-2026"))[0].rule == "NEC 2026 300.13(A)"
    assert of_straps(held(FAR, near("ceiling"), rules="nec-2026"))[0].rule == "NEC 2026 300.13(B)"


@pytest.mark.parametrize("role", ["structure", "framing", "deck", "wall", "fire-wall"])
def test_with_structure_in_reach_it_counts_whatever_is_nearer(role: str) -> None:
    reviewed = held(near("duct", 0.01), element(role, block((-5, -5, 0.1), (5, 5, 0.3)), "above"))
    assert not of_straps(reviewed)
    assert straps(reviewed) == ["strap"]


def test_structure_beyond_reach_holds_nothing() -> None:
    beam = element("structure", block((-5, -5, 0.006 + 0.1502), (5, 5, 0.4)), "beam")
    assert of_straps(held(beam))[0].severity == "caution"
    beam = element("structure", block((-5, -5, 0.006 + 0.1498), (5, 5, 0.4)), "beam")
    assert not of_straps(held(beam))


def test_nothing_in_reach_is_a_caution_and_counts() -> None:
    reviewed = held(FAR)
    assert [f.severity for f in of_straps(reviewed)] == ["caution"]
    assert straps(reviewed) == ["strap"]


def test_a_tray_counts_and_is_told() -> None:
    reviewed = held(FAR, near("tray"))
    assert [f.severity for f in of_straps(reviewed)] == ["note"]
    assert straps(reviewed) == ["strap"]


def test_without_any_structure_in_the_model_nothing_is_refused() -> None:
    reviewed = held(near("duct"))
    findings = of_straps(reviewed)
    assert [f.severity for f in findings] == ["caution"]
    assert "300.11(A)" in findings[0].message
    assert straps(reviewed) == ["strap"]
    assert any("No structure is modelled" in f.message for f in found(reviewed, "securing", "note"))


def beside_run(method: str) -> Review:
    other = run((0, 0.04, 0), (0.6, 0.04, 0), run_id="b", straps_at_m=())
    other = type(other)("b", "other", other.corners_m, start="box", end="box")
    cables = {"c": cable(), "other": cable(method, cable_id="other", trade_size="1/2")}
    return review([run((0, 0, 0), (0.6, 0, 0), straps_at_m=(0.3,)), other], [FAR], cables=cables)


def test_a_raceway_of_another_run_holds_no_cable() -> None:
    finding = of_straps(beside_run("emt"))[0]
    assert (finding.severity, finding.rule) == ("violation", "NEC 2023 300.11(C)")


def test_a_cable_in_reach_is_named_but_does_not_refuse() -> None:
    reviewed = beside_run("mc-interlocked")
    finding = of_straps(reviewed)[0]
    assert finding.severity == "caution"
    assert "300.11(D)" in finding.message
    assert straps(reviewed) == ["strap"]


def test_many_straps_on_one_duct_are_one_finding() -> None:
    reviewed = review([run((0, 0, 0), (4, 0, 0))], [FAR, near("duct")])
    refused = [f for f in of_straps(reviewed) if f.severity == "violation"]
    assert len(refused) == 1 and "do not count" in refused[0].message


# --- framing as support ---------------------------------------------------------------------------------------------


def through_joists(spacing: float, first: float = 0.2, count: int = 4) -> Review:
    joists = [element("framing", block((first + spacing * k - 0.019, -1, -0.1), (first + spacing * k + 0.019, 1, 0.1)),
                      f"j{k}", material="wood") for k in range(count)]  # fmt: skip
    line = run((0, 0, 0), (first * 2 + spacing * (count - 1), 0, 0), straps_at_m=())
    return review([line], joists)


@pytest.mark.parametrize(("spacing", "fails"), [(1.8288, False), (1.83, True)])
def test_openings_further_apart_than_the_interval_fail_like_straps(spacing: float, fails: bool) -> None:
    # NEC 330.30(C): openings no more than 6 ft apart
    missed = found(through_joists(spacing), "securing", "violation")
    assert len(missed) == (3 if fails else 0)
    assert all(f.measured == pytest.approx(spacing, abs=1e-6) for f in missed)


@pytest.mark.parametrize(("first", "fails"), [(0.3048, False), (0.31, True)])
def test_framing_is_the_first_strap_only_within_a_foot_of_the_box(first: float, fails: bool) -> None:
    assert bool(found(through_joists(0.4, first), "securing", "violation")) == fails


def test_a_vertical_run_through_plates_is_held_by_none_of_them() -> None:
    # the openings of other than vertical runs count, no others
    plates = [
        element("framing", block((-1, -1, z), (1, 1, z + 0.038)), f"p{z}", material="wood") for z in (0.2, 1.2, 2.2)
    ]
    reviewed = review([run((0, 0, 0), (0, 0, 2.5), straps_at_m=())], plates)
    assert not [s for s in reviewed.runs[0].attachment.supports if s.kind == "framing"]
    assert found(reviewed, "securing", "violation")
