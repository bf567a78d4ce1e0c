"""The audit of what is installed: what is known fails, what is allowed passes until its day, silence is no answer."""

from __future__ import annotations

import importlib.util
from datetime import date
from pathlib import Path
from types import ModuleType

import pytest

PLACE = Path(__file__).parents[2] / ".ci" / "audit.py"


@pytest.fixture(scope="module")
def audit() -> ModuleType:
    spec = importlib.util.spec_from_file_location("audit", PLACE)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


ALLOWANCE = '[[allowed]]\nid = "GHSA-1"\nuntil = 2026-06-30\nwhy = "not reached"\n'


def test_an_allowance_ends_on_its_day(audit) -> None:
    assert audit.allowed(ALLOWANCE, date(2026, 6, 30)) == (frozenset({"GHSA-1"}), [])
    ids, wrong = audit.allowed(ALLOWANCE, date(2026, 7, 1))
    assert not ids and "ended on 2026-06-30" in wrong[0]


def test_an_allowance_without_day_or_reason_is_none(audit) -> None:
    ids, wrong = audit.allowed('[[allowed]]\nid = "GHSA-1"\nuntil = 2026-06-30\n', date(2026, 1, 1))
    assert not ids and len(wrong) == 1


def test_a_known_vulnerability_fails_by_any_of_its_names(audit) -> None:
    known = audit.Known("made 1.0", frozenset({"CVE-1", "GHSA-1"}), "1.1")
    looked = audit.Looked("Python packages", [known], 10, 0)
    assert [bad for bad, _ in audit.report(looked, frozenset())] == [True, False]
    assert [bad for bad, _ in audit.report(looked, frozenset({"GHSA-1"}))] == [False, False]


def test_a_service_that_does_not_answer_is_no_clean_bill(audit) -> None:
    (one,) = audit.report(audit.Looked("Python packages", [], 0, 7, "no network"), frozenset())
    assert one[0] is False and "NOT AUDITED" in one[1] and "no network" in one[1]
    (part,) = audit.report(audit.Looked("Python packages", [], 3, 4, "unknown"), frozenset())
    assert "3 looked up" in part[1] and "4 could not be" in part[1]


def test_tools_that_are_not_there_are_said(audit) -> None:
    said, why = audit.answer("no-such-tool-at-all")
    assert said is None and why
