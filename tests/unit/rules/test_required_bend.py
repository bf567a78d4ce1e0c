import pytest

from route3d.rules.bend import required_bend
from tests.builders import IN, book, cable


def inner_mm(**given: object) -> float:
    method = str(given.pop("method"))
    required = required_bend(cable(method, **given), book())
    assert required.problem is None and required.inner_radius_m is not None
    return required.inner_radius_m * 1000.0


@pytest.mark.parametrize(
    ("method", "diameter_in", "factor"),
    [
        ("mc-smooth", 0.75, 10),  # 330.24(A): each band includes its upper end
        ("mc-smooth", 0.76, 12),
        ("mc-smooth", 1.5, 12),
        ("mc-smooth", 1.51, 15),
        ("mc-interlocked", 2.0, 7),  # 330.24(B)
        ("mc-corrugated", 2.0, 7),
        ("tc", 1.0, 4),  # 336.24
        ("tc", 1.01, 5),
        ("tc", 2.0, 5),
        ("tc", 2.01, 6),
        ("mi", 0.75, 5),  # 332.24
        ("mi", 0.76, 10),
        ("mi", 1.0, 10),
        ("ac", 0.5, 5),  # 320.24
        ("nm", 0.5, 5),  # 334.24
        ("se", 1.1, 5),  # 338.24
        ("uf", 0.5, 5),  # 340.24
        ("data-pair", 0.3, 4),  # TIA 568
        ("fibre", 0.25, 10),  # TIA 568, at rest
    ],
)
def test_factor_by_method_and_band(method: str, diameter_in: float, factor: float) -> None:
    d = diameter_in * IN
    assert inner_mm(method=method, sheath_diameter_m=d, overall_diameter_m=d) == pytest.approx(factor * d * 1000.0)


def test_a_diameter_computed_in_floating_point_stays_in_its_band() -> None:
    d = 0.1 * 3 * 2.5 * IN  # 0.75 in and a rounding error
    assert d > 0.75 * IN
    assert inner_mm(method="mc-smooth", sheath_diameter_m=d, overall_diameter_m=d) == pytest.approx(190.5)


def test_jacketed_cable_multiplies_the_sheath_and_adds_half_the_overall() -> None:
    required = required_bend(cable(sheath_diameter_m=0.012, overall_diameter_m=0.0145, jacketed=True), book())
    assert required.inner_radius_m == pytest.approx(0.084)
    assert required.centre_radius_m == pytest.approx(0.09125)
    assert required.why == "7 × 12.0 mm over the sheath"


def test_jacketed_metal_clad_without_sheath_diameter_is_a_problem() -> None:
    required = required_bend(cable(sheath_diameter_m=None, overall_diameter_m=0.0145, jacketed=True), book())
    assert required.inner_radius_m is None
    assert required.problem is not None and "cable.c.sheath_diameter" in required.problem


def test_without_a_jacket_either_diameter_will_do() -> None:
    only_overall = required_bend(cable(sheath_diameter_m=None), book())
    only_sheath = required_bend(cable(overall_diameter_m=None), book())
    assert only_overall.inner_radius_m == only_sheath.inner_radius_m == pytest.approx(0.084)
    assert only_overall.centre_radius_m == only_sheath.centre_radius_m == pytest.approx(0.090)


@pytest.mark.parametrize(
    ("method", "key"),
    [("mc-interlocked", "sheath_diameter"), ("mi", "sheath_diameter"), ("nm", "overall_diameter"), ("ac", "overall_")],
)
def test_a_missing_diameter_names_the_key_to_add(method: str, key: str) -> None:
    required = required_bend(cable(method, sheath_diameter_m=None, overall_diameter_m=None), book())
    assert required.inner_radius_m is None and required.centre_radius_m is None
    assert required.problem is not None and f"cable.c.{key}" in required.problem


@pytest.mark.parametrize(
    ("d_mm", "overall_mm", "inner"), [(20, 45, 315.0), (25, 60, 420.0), (30, 30, 360.0), (24, 40, 288.0)]
)
def test_shielded_conductors_ask_for_the_greater_product(d_mm: float, overall_mm: float, inner: float) -> None:
    assert inner_mm(
        method="mc-interlocked",
        shielded=True,
        conductor_diameter_m=d_mm / 1000.0,
        sheath_diameter_m=overall_mm / 1000.0,
        overall_diameter_m=overall_mm / 1000.0,
    ) == pytest.approx(inner)


def test_shielded_without_the_conductors_diameter_is_a_problem() -> None:
    required = required_bend(cable(shielded=True), book())
    assert required.problem is not None and "cable.c.conductor_diameter" in required.problem


def test_flat_cable_goes_by_its_major_axis() -> None:
    flat = cable("nm", sheath_diameter_m=0.0104, overall_diameter_m=0.0104, minor_diameter_m=0.0046)
    for name in ("nec-2017", "nec-2020", "nec-2023", "nec-2026"):
        assert required_bend(flat, book(name)).inner_radius_m == pytest.approx(0.052)
    assert required_bend(flat, book("nec-2023")).easy_way_m is None
    assert required_bend(flat, book("nec-2026")).easy_way_m == pytest.approx(0.023)
    assert "on which side" in required_bend(flat, book("nec-2026")).why


def test_axes_given_the_wrong_way_round_are_not_trusted() -> None:
    flat = cable("nm", sheath_diameter_m=0.0046, overall_diameter_m=0.0046, minor_diameter_m=0.0104)
    assert required_bend(flat, book()).inner_radius_m == pytest.approx(0.052)


def test_makers_multiplier_replaces_the_rule_set_and_says_so() -> None:
    required = required_bend(cable(bend_multiplier=9.0), book())
    assert required.inner_radius_m == pytest.approx(0.108)
    assert required.rule == "maker's data (9 ×), in place of NEC 2023 330.24(B)"
    assert required.caution is None


def test_makers_multiplier_below_the_rule_sets_is_used_but_questioned() -> None:
    required = required_bend(cable(bend_multiplier=5.0), book())
    assert required.inner_radius_m == pytest.approx(0.060)
    assert required.caution is not None and "smaller than the 7" in required.caution


@pytest.mark.parametrize("method", ["other", "mi"])
def test_makers_multiplier_serves_where_the_rule_set_is_silent(method: str) -> None:
    given = {"sheath_diameter_m": 0.030, "overall_diameter_m": 0.030}
    silent = required_bend(cable(method, **given), book())
    assert silent.problem is not None and "bend_multiplier" in silent.problem
    assert required_bend(cable(method, bend_multiplier=6.0, **given), book()).inner_radius_m == pytest.approx(0.18)


@pytest.mark.parametrize(
    ("method", "trade", "centre_in"),
    [
        ("emt", "3/4", 4.5), ("rmc", "3/4", 4.5), ("imc", "1", 5.75), ("emt", "4", 16.0), ("pvc", "3/4", 5.0),
        ("fmc", "1", 6.0), ("lfmc", "1-1/4", 8.0),
    ],
)  # fmt: skip
def test_raceways_go_by_trade_size_on_the_centre_line(method: str, trade: str, centre_in: float) -> None:
    required = required_bend(cable(method, overall_diameter_m=0.03, trade_size=trade, bender="one-shot"), book())
    assert required.centre_radius_m == pytest.approx(centre_in * IN)
    assert required.inner_radius_m == pytest.approx(centre_in * IN - 0.015)


# NEC Chapter 9 Table 2, from memory: trade size, one-shot and full-shoe benders, other bends, both in inches.
TABLE_2 = [
    ("1/2", 4, 4), ("3/4", 4.5, 5), ("1", 5.75, 6), ("1-1/4", 7.25, 8), ("1-1/2", 8.25, 10), ("2", 9.5, 12),
    ("2-1/2", 10.5, 15), ("3", 13, 18), ("3-1/2", 15, 21), ("4", 16, 24), ("5", 24, 30), ("6", 30, 36),
]  # fmt: skip


@pytest.mark.parametrize(("trade", "one_shot", "other"), TABLE_2)
def test_every_row_of_the_table_of_radii_by_bender(trade: str, one_shot: float, other: float) -> None:
    for bender, inches in (("one-shot", one_shot), ("other", other), (None, other)):
        required = required_bend(cable("emt", overall_diameter_m=0.02, trade_size=trade, bender=bender), book())
        assert required.centre_radius_m == pytest.approx(inches * IN)
        unsaid = bender is None and one_shot < other
        assert required.easy_way_m == (pytest.approx(one_shot * IN - 0.01) if unsaid else None)


@pytest.mark.parametrize(
    ("given", "factor", "of_mm"),
    [
        ({}, 8, 40.0),  # 300.34 to 2020: 8 × without shield
        ({"shielded": True}, 12, 40.0),
        ({"shielded": True, "conductors": 1}, 12, 40.0),
        ({"shielded": True, "conductors": None}, 12, 40.0),  # not known: the safe side
        ({"shielded": True, "conductors": 3, "conductor_diameter_m": 0.018}, 7, 40.0),  # 280 > 12 × 18
        ({"shielded": True, "conductors": 2, "conductor_diameter_m": 0.024}, 12, 24.0),  # 288 > 7 × 40
    ],
)
def test_cable_over_1000_volts(given: dict[str, object], factor: float, of_mm: float) -> None:
    plain = {"sheath_diameter_m": 0.040, "overall_diameter_m": 0.040, "conductors": 1}
    assert inner_mm(method="mv", **{**plain, **given}) == pytest.approx(factor * of_mm)


@pytest.mark.parametrize(
    ("edition", "section"), [("nec-2017", "300.34"), ("nec-2020", "300.34"), ("nec-2023", "305.5")]
)
def test_cable_over_1000_volts_moved_to_an_article_of_its_own(edition: str, section: str) -> None:
    assert section in required_bend(cable("mv"), book(edition)).rule


@pytest.mark.parametrize(("pulled", "factor"), [(False, 10), (True, 20)])
def test_optical_cable_at_rest_and_under_tension(pulled: bool, factor: float) -> None:  # TIA 568
    required = required_bend(cable("fibre", sheath_diameter_m=0.006, overall_diameter_m=0.006, pulled=pulled), book())
    assert required.inner_radius_m == pytest.approx(factor * 0.006)
    assert "tension" in required.why if pulled else "at rest (20 ×" in required.why


def test_balanced_pairs_are_asked_the_same_at_rest_and_under_tension() -> None:
    for pulled in (False, True):
        assert inner_mm(
            method="data-pair", sheath_diameter_m=0.0075, overall_diameter_m=0.0075, pulled=pulled
        ) == pytest.approx(30.0)


@pytest.mark.parametrize(("trade", "word"), [(None, "is missing"), ("7/8", "1-1/4")])
def test_a_raceway_without_a_known_trade_size_is_a_problem(trade: str | None, word: str) -> None:
    required = required_bend(cable("emt", trade_size=trade), book())
    assert required.problem is not None
    assert "cable.c.trade_size" in required.problem and word in required.problem
