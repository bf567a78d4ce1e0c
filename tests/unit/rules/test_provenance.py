"""Where a value comes from: memory is said, practice is never called code."""

from __future__ import annotations

from pathlib import Path

import pytest

from route3d.rules.provenance import KINDS, REMARKS, provenance
from route3d.rules.rulebook import SHIPPED
from tests.builders import book, book_from


@pytest.mark.parametrize(
    ("rule", "source"),
    [
        ("NEC 2023 330.24(B)", "seen"),
        ("NEC 2023 330.24(A)(2)", "memory"),
        ("NEC 2023 722.24 and 800.24", "memory"),
        ("practice (hooks and rings for data cable)", "practice"),
        ("practice", "practice"),
        ("maker's data (9 ×), in place of NEC 2023 330.24(B)", "maker"),
        ("project clearance.duct", "project"),
        ("bodies must not overlap", "geometry"),
        ("route3d unread geometry", "input"),
        ("zone 'wash bay'", "input"),
        ("cable mc", "input"),
        ("NEC 2023", "none"),
    ],
)
def test_every_rule_text_has_a_source(rule: str, source: str) -> None:
    assert provenance(book(), rule) == source


def test_of_several_entries_cited_alike_the_weakest_speaks_unless_one_is_quoted() -> None:
    entries = [e for _, e in book().entries if e.cite == "NEC 2023 330.10(A)(11)"]
    assert {e.source for e in entries} == {"seen", "memory"}
    assert provenance(book(), "NEC 2023 330.10(A)(11)") == "memory"
    seen = next(e for e in entries if e.source == "seen")
    assert provenance(book(), "NEC 2023 330.10(A)(11)", f"in the wet: {seen.title}") == "seen"


@pytest.mark.parametrize("name", SHIPPED)
def test_no_entry_of_practice_is_cited_as_code(name: str) -> None:
    for _, entry in book(name).entries:
        assert (entry.source == "practice") == entry.cite.startswith("practice (")
        if entry.source == "practice":
            assert "NEC" not in entry.cite


def test_a_projects_own_rule_is_the_projects(tmp_path: Path) -> None:
    own = book_from(tmp_path, 'extends = "nec-2023"\n[securing.mc]\ninterval = "4 ft"\n')
    rule = own.hold("securing", "mc-interlocked")
    assert rule is not None and provenance(own, rule.cite) == "project"


def test_every_source_has_its_remark() -> None:
    assert set(REMARKS) == set(KINDS)
