from pathlib import Path

import pytest

from route3d.model.cable import METHODS
from route3d.model.zone import KINDS
from route3d.rules.deck import deck_gap
from route3d.rules.environment import judge_environment
from tests.builders import IN, book, book_from, cable


@pytest.mark.parametrize(
    ("method", "given", "kind", "occupancy", "allowed", "section"),
    [
        ("mc-interlocked", {}, "plenum", "other", True, "300.22(C)"),
        ("mc-interlocked", {"jacketed": True}, "plenum", "other", False, "300.22(C)"),
        ("mc-interlocked", {"jacketed": True, "plenum_rated": True}, "plenum", "other", True, "300.22(C)"),
        ("ac", {}, "plenum", "other", True, "300.22(C)"),
        ("mi", {}, "plenum", "other", True, "300.22(C)"),
        ("emt", {}, "plenum", "other", True, "300.22(C)"),
        ("nm", {}, "plenum", "dwelling", False, "300.22(C)"),
        ("lfmc", {}, "plenum", "other", False, "300.22(C)"),
        ("data-pair", {}, "plenum", "other", False, "300.22(C)"),
        ("data-pair", {"plenum_rated": True}, "plenum", "other", True, "300.22(C)"),
        ("ac", {}, "damp", "other", False, "320.12"),
        ("ac", {}, "wet", "other", False, "320.12"),
        ("nm", {}, "damp", "dwelling", False, "334.12(B)"),
        ("mc-interlocked", {}, "wet", "other", False, "330.10(A)(11)"),
        ("mc-interlocked", {"wet_rated": True}, "wet", "other", False, "330.10(A)(11)"),  # no jacket
        ("mc-interlocked", {"jacketed": True}, "wet", "other", False, "330.10(A)(11)"),
        ("mc-corrugated", {"jacketed": True}, "wet", "other", None, "330.10(A)(11)"),
        ("mc-interlocked", {"jacketed": True, "wet_rated": True}, "wet", "other", True, "330.10(A)(11)"),
        ("mc-interlocked", {}, "damp", "other", None, "330.10(A)"),
        ("mc-interlocked", {}, "damage", "other", False, "330.12"),
        ("mc-interlocked", {}, "corrosive", "other", False, "330.12"),
        ("mc-interlocked", {"jacketed": True}, "corrosive", "other", None, "330.12"),
        ("nm", {}, "accessible-ceiling", "other", False, "334.12(A)(2)"),
        ("nm", {}, "accessible-ceiling", "dwelling", True, "334.10"),
        ("nm", {}, "inaccessible", "other", None, "334.10"),
        ("mc-interlocked", {}, "accessible-ceiling", "other", True, ""),
        ("fmc", {}, "wet", "other", False, "348.12"),
        ("other", {}, "wet", "other", None, ""),
    ],
)
def test_which_cable_may_be_where(
    method: str, given: dict[str, bool], kind: str, occupancy: str, allowed: bool | None, section: str
) -> None:
    judged = judge_environment(cable(method, **given), kind, occupancy, book())
    assert judged.allowed is allowed
    assert section in judged.rule
    assert judged.why


def test_every_named_method_has_an_answer_in_every_zone_that_is_stated_by_a_rule() -> None:
    for method in METHODS[:-1]:
        for kind in KINDS:
            for jacketed in (False, True):
                judged = judge_environment(cable(method, jacketed=jacketed), kind, "other", book())
                assert judged.rule != book().code, (method, kind, jacketed)


def test_a_projects_own_rule_comes_before_the_rule_sets(tmp_path: Path) -> None:
    own = book_from(
        tmp_path,
        'extends = "nec-2023"\n[environment.wash-down]\nsection = "site rule"\ntitle = "listed for wash-down"\n'
        'source = "practice"\nzones = ["damp"]\nmethods = ["ac"]\nallowed = "yes"\n',
    )
    judged = judge_environment(cable("ac"), "damp", "other", own)
    assert judged.allowed is True
    assert "project rule" in judged.rule


@pytest.mark.parametrize(
    ("name", "kind", "inches", "section"),
    [
        ("nec-2017", "metal-roof", 1.5, "NEC 2017 300.4(E)"),
        ("nec-2023", "metal-roof", 1.5, "NEC 2023 300.4(E)"),
        ("nec-2023", "other-roof", None, "NEC 2023"),
        ("nec-2026", "metal-roof", 1.5, "NEC 2026 300.6(E)"),
        ("nec-2026", "other-roof", 1.5, "NEC 2026 300.6(E)"),
        ("nec-2026", "floor", None, "NEC 2026"),
    ],
)
def test_gap_below_decks_by_edition(name: str, kind: str, inches: float | None, section: str) -> None:
    limit = deck_gap(book(name), kind, "mc-interlocked")
    assert limit.gap_m == (None if inches is None else pytest.approx(inches * IN))
    assert limit.rule == section and limit.why


def test_a_method_relieved_by_a_projects_rule_needs_no_gap(tmp_path: Path) -> None:
    own = book_from(tmp_path, 'extends = "nec-2023"\n[deck.roof]\nrelieved_methods = ["emt"]\n')
    assert deck_gap(own, "metal-roof", "emt").gap_m is None
    assert deck_gap(own, "metal-roof", "ac").gap_m == pytest.approx(0.0381)


def test_single_limits_that_other_checks_cite() -> None:
    hole = book().limit("bored-hole-edge")
    assert hole is not None and hole.value_m == pytest.approx(1.25 * IN) and hole.cite == "NEC 2023 300.4(A)(1)"
    fire = book("nec-2026").limit("fire-stop")
    assert fire is not None and fire.cite == "NEC 2026 300.21"
    assert book().limit("no-such") is None
