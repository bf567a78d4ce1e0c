"""Every rule of every shipped set has a figure and a description, whatever its kind."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree

import pytest

from route3d.reports.rule_figure import HEIGHT, WIDTH, figure_svg, figure_text
from route3d.reports.rule_pages import matching
from route3d.rules.describe import conditions, numbers
from route3d.rules.editions import edition_differences, shipped
from route3d.rules.rulebook import EXAMPLES, SHIPPED

NAMES = (*SHIPPED, *EXAMPLES)


@pytest.mark.parametrize("name", NAMES)
def test_every_rule_has_a_figure_that_is_well_formed_and_names_its_section(name: str) -> None:
    for group, entry in shipped(name).entries:
        root = ElementTree.fromstring(figure_svg(group, entry))
        assert root.get("viewBox") == f"0 0 {WIDTH} {HEIGHT}"
        words = " ".join("".join(node.itertext()) for node in root.iter("{http://www.w3.org/2000/svg}text"))
        assert entry.cite in words
        assert all(len(line) <= 72 for line in figure_text(group, entry).splitlines())


def figured(key: str) -> str:
    group, entry = next((g, e) for g, e in shipped("nec-2023").entries if f"{g}.{e.key}" == key)
    return figure_svg(group, entry) + figure_text(group, entry)


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("bend.mc-interlocked", "R ≥ 7 × sheath diameter"),
        ("bend.mc-shielded", "≥ 12 × conductor"),
        ("raceway_radius.3/4", "one-shot, full-shoe: 4-1/2 in (114.3 mm)"),
        ("bend_total.emt", "360°"),
        ("securing.mc", "≤ 6 ft 0 in (1828.8 mm)"),
        ("securing.mc", "vertical, 250 kcmil and larger: ≤ 10 ft 0 in"),
        ("securing.tc", "no interval is stated"),
        ("first_strap.mc", "≤ 1 ft 0 in (304.8 mm)"),
        ("exemption.mc-whip", "accessible ceiling"),
        ("exemption.mc-fished", "finished and closed"),
        ("deck.roof", "≥ 1-1/2 in (38.1 mm)"),
        ("environment.ac", "✘ not allowed"),
        ("limit.bored-hole-edge", "1-1/4 in (31.8 mm)"),
        ("bundle.adjustment", "2 ft 0 in (609.6 mm)"),
    ],
)
def test_figures_carry_the_rules_own_numbers(key: str, words: str) -> None:
    assert words in figured(key)


def test_values_from_memory_and_practice_say_so_in_their_figure() -> None:
    for group, entry in shipped("nec-2023").entries:
        svg = figure_svg(group, entry)
        assert ("from memory" in svg) == (entry.source == "memory")
        assert ("practice, not code" in svg) == (entry.source == "practice")


@pytest.mark.parametrize("name", NAMES)
def test_lengths_are_described_in_both_unit_systems(name: str) -> None:
    for group, entry in shipped(name).entries:
        for _, text in (*numbers(entry), *conditions(entry)):
            for number in re.findall(r"\d+\.\d mm", text):
                assert re.search(rf"{re.escape(number)} \((\d+ ft )?[-\d/]+ in\)", text), (group, entry.key, text)


@pytest.mark.parametrize(
    ("wanted", "expected"),
    [
        ("330.24", {"330.24(A)(1)", "330.24(A)(2)", "330.24(A)(3)", "330.24(B)", "330.24(C)"}),
        ("330.24(B)", {"330.24(B)"}),
        ("330.2", set()),
        ("300.5", {"Table 300.5", "300.5(D)"}),
        ("358.24", {"358.24(B)", "358.24 and Chapter 9 Table 2"}),
        ("bend.nm", {"334.24"}),
        ("no such", set()),
    ],
)
def test_a_section_matches_its_parts_and_no_other_number(wanted: str, expected: set[str]) -> None:
    assert {entry.section for _, entry in matching(shipped("nec-2023"), wanted)} == expected


def test_which_edition_says_what() -> None:
    group, nm = matching(shipped("nec-2023"), "bend.nm")[0]
    said = dict(edition_differences(group, nm))
    assert said["nec-2026"] == ("minor axis: flat-side",)
    assert said["nec-2020"] == ("minor axis: silent",)
    group, deck = matching(shipped("nec-2023"), "deck.roof")[0]
    assert "section 300.6(E)" in dict(edition_differences(group, deck))["nec-2026"]
    group, mc = matching(shipped("nec-2023"), "securing.mc")[0]
    assert edition_differences(group, mc) == ()
