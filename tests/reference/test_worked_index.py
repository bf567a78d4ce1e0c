"""All worked cases together: how many there are, and that each row says what it rests on.

The cases are B (bends), S (securing and supporting), P (protection), E (environment), A (ampacity of bundles) and W
(working space, separation and others). Each file has a test module of its own beside this one, which judges every row.
"""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

HERE = Path(__file__).parent

ROWS = [
    {**row, "file": path.name}
    for path in sorted(HERE.glob("*.csv"))
    for row in csv.DictReader(path.read_text(encoding="utf-8").splitlines())
]

WANTED = [
    f"{letter}{number:02d}"
    for letter, count in (("B", 37), ("S", 40), ("P", 14), ("E", 20), ("A", 9), ("W", 12))
    for number in range(1, count + 1)
]

# What a checker of routes has nothing to compare with.
LEFT_OUT = {
    "W06": "312.6(A), gutter space: what happens inside a cabinet is not drawn",
    "W11": "410.117(C), factory tap whips come with their luminaire",
    "W12": "practice: what a tile needs to be lifted out is asked for with clearance.ceiling",
}


def test_at_least_120_cases_are_judged() -> None:
    assert len(ROWS) >= 120


def test_no_case_stands_twice() -> None:
    assert [case for case, count in Counter(row["id"] for row in ROWS).items() if count > 1] == []


def test_every_case_of_the_list_is_judged_or_says_why_not() -> None:
    judged = {row["id"] for row in ROWS}
    assert set(WANTED) - judged == set(LEFT_OUT)
    assert len(WANTED) == 132


def test_every_row_states_edition_section_inputs_and_what_is_expected() -> None:
    for row in ROWS:
        assert row["edition"] in ("2017", "2020", "2023", "2026"), row
        assert row["section"] and row["inputs"] and row["required"], row
        assert row["expect"].partition(" ")[0] in ("PASS", "FAIL", "EXEMPT", "REVIEW", "NA", "FACTOR"), row


def test_each_file_of_cases_is_read_by_a_test_beside_it() -> None:
    tests = "".join(path.read_text(encoding="utf-8") for path in HERE.glob("test_*.py"))
    assert all(name in tests for name in {row["file"] for row in ROWS})


def test_limits_are_judged_from_both_sides() -> None:
    """Of each kind of limit at least one case passes and one fails."""
    for letter in "BSPEW":
        outcomes = {row["expect"] for row in ROWS if row["id"].startswith(letter)}
        assert {"PASS", "FAIL"} <= outcomes, letter
