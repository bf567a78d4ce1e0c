"""Coils as the trade has them: offcuts, costs, sticks, cables cut to length, runs that no coil holds."""

import pytest

from route3d.model.allowance import CoilStock, TakeOffSettings
from route3d.plans.coils import cut_cable, sticks_joined
from tests.builders import FT, cable

COIL = 250 * FT


def settings(*coils: CoilStock, step: float = 0.01) -> TakeOffSettings:
    return TakeOffSettings(coils=coils, round_up_m=step)


def whole(cut) -> None:
    """Every coil is cut to what it holds, and not beyond."""
    for coil in cut.coils:
        assert sum(length for _, length in coil.cuts) + coil.left_m == pytest.approx(coil.length_m, abs=1e-6)
        assert coil.left_m >= 0.0


def test_without_a_coil_in_the_project_the_customary_one_is_taken_and_named() -> None:
    cut = cut_cable(cable(), [("a", 20.0), ("b", 30.0), ("c", 40.0)], settings())
    # practice: 250 ft coils of armoured cable up to 6 AWG; 90 m need two
    assert cut.bought_m == pytest.approx(2 * COIL)
    assert cut.proven
    assert cut.stock_source.startswith("practice")
    whole(cut)


def test_a_long_offcut_is_kept_and_a_short_one_is_scrap() -> None:
    cut = cut_cable(cable(), [("a", 75.0), ("b", 60.0)], settings())
    assert [(coil.cuts[0][0], coil.reusable) for coil in cut.coils] == [("a", False), ("b", True)]


def test_named_offcuts_are_used_before_coils_are_bought() -> None:
    offcut = CoilStock("c", 31.0, 1, offcut="left from level 1")
    cut = cut_cable(cable(), [("a", 30.0), ("b", 76.0)], settings(offcut))
    assert [(coil.stock, coil.cuts) for coil in cut.coils] == [
        ("left from level 1", (("a", 30.0),)),
        ("new", (("b", 76.0),)),
    ]
    assert cut.bought_m == pytest.approx(COIL)


def test_a_run_longer_than_every_coil_is_named_and_never_spliced() -> None:
    cut = cut_cable(cable(), [("far", 80.0), ("near", 10.0)], settings())
    assert cut.too_long == ("far",)
    assert "box" in cut.too_long_advice and "300.15" in cut.too_long_advice
    assert not any(run == "far" for coil in cut.coils for run, _ in coil.cuts)


def test_a_longer_reel_in_the_project_holds_it() -> None:
    cut = cut_cable(cable(), [("far", 80.0)], settings(CoilStock("c", COIL), CoilStock("c", 1000 * FT)))
    assert cut.too_long == ()
    assert cut.bought_m == pytest.approx(1000 * FT)


def test_the_cheapest_plan_may_buy_more_length() -> None:
    # 90 m: one reel of 300 m at 100, or two coils of 76.2 m at 70 each
    stock = (CoilStock("c", 76.2, cost=70.0), CoilStock("c", 300.0, cost=100.0))
    cut = cut_cable(cable(), [("a", 45.0), ("b", 45.0)], settings(*stock))
    assert (cut.cost, cut.cost_bound, cut.bought_m, cut.minimised) == (100.0, 100.0, 300.0, "cost")
    assert cut.bought_bound_m == pytest.approx(152.4)


def test_stock_that_does_not_suffice_is_said_and_the_rest_is_to_order() -> None:
    cut = cut_cable(cable(), [("a", 40.0), ("b", 40.0), ("c", 40.0)], settings(CoilStock("c", 50.0, 2)))
    assert sorted(coil.stock for coil in cut.coils) == ["new", "new", "to order"]
    assert any("1 more" in why for why in cut.unsure)
    whole(cut)


def test_a_feeder_is_bought_at_its_length() -> None:
    cut = cut_cable(cable(size="250 kcmil"), [("f", 55.0), ("g", 61.5)], settings())
    assert sorted(coil.length_m for coil in cut.coils) == [55.0, 61.5]
    assert cut.bought_m == cut.bought_bound_m == pytest.approx(116.5)
    assert cut.unsure == ()


def test_a_feeder_takes_the_offcut_that_saves_most() -> None:
    offcut = CoilStock("c", 60.0, 1, offcut="drum 3")
    cut = cut_cable(cable(size="250 kcmil"), [("f", 55.0), ("g", 61.5), ("h", 5.0)], settings(offcut))
    assert cut.bought_m == pytest.approx(61.5)
    assert cut.proven


def test_an_uncustomary_cable_without_a_coil_is_said() -> None:
    assert cut_cable(cable("tc"), [("a", 5.0)], settings()).unsure
    assert cut_cable(cable(size=None), [("a", 5.0)], settings()).unsure


def test_rigid_raceways_are_joined_from_sticks() -> None:
    # 10 ft sticks (practice): 25 ft are two sticks and a piece of 5 ft; 4 ft and 5 ft share a third one
    cut = cut_cable(cable("emt"), [("a", 25 * FT), ("b", 4 * FT)], settings(step=FT / 12))
    assert cut.bought_m == pytest.approx(30 * FT)
    assert cut.bought_bound_m == pytest.approx(30 * FT)
    assert cut.too_long == ()
    assert sticks_joined(cut) == {"a": 3}
    whole(cut)


def test_equal_take_offs_give_equal_plans() -> None:
    cuts = [(f"r{n}", 3.0 + (n * 37 % 41) / 2.0) for n in range(40)]
    assert cut_cable(cable(), cuts, settings()) == cut_cable(cable(), cuts, settings())


def test_sticks_that_the_stock_lacks_are_to_order() -> None:
    cut = cut_cable(cable("emt"), [("a", 25.0)], settings(CoilStock("c", 10.0, 1)))
    assert sorted(coil.stock for coil in cut.coils) == ["new", "to order", "to order"]
    assert cut.too_long == ()
    assert any("2 more" in why for why in cut.unsure)
    whole(cut)
