"""Cut lengths by hand: each case says where its numbers come from."""

import math

import numpy as np
import pytest

from route3d.fit import fit_run
from route3d.model.allowance import RunAllowance, TakeOffSettings
from route3d.model.run import FittedRun, Run
from route3d.plans.makeup import RunEnd, level_length, made_up, whole_steps
from tests.builders import FT, IN, straight_run

BOX = (RunEnd("start", "box"), RunEnd("end", "box"))
PLAIN = TakeOffSettings()


def part(made, name: str) -> float:
    return sum(p.length_m for p in made.parts if p.name == name)


def test_ten_feet_between_boxes_by_hand() -> None:
    # practice: 10 in stripped and 1-1/2 in of sheath in the connector at each end, sag 1.5 %, waste 7.5 %
    # 120 in + 2 × 11.5 + 1.8 = 144.8 in; × 1.075 = 155.66 in; the next whole inch is 156
    made = made_up(straight_run(10 * FT), "mc-interlocked", BOX, False, PLAIN)
    assert made.total_m == pytest.approx(156 * IN, abs=1e-9)
    assert part(made, "sag") == pytest.approx(1.8 * IN)
    assert part(made, "waste") == pytest.approx(10.86 * IN)
    assert made.unsure == ()


def test_the_bend_counts_along_its_arc_and_not_round_its_corner() -> None:
    # two legs of 1 m at a right angle, centre radius 0.09: 2 - 2·0.09 + 0.09·π/2, closed form
    run = fit_run(Run("a", "c", np.array([[0, 0, 3], [1, 0, 3], [1, 1, 3]])), 0.09, 1.0, 1e-6)
    nothing = {"conductors_m": {}, "sheath_m": {}, "slack_m": {}, "sag": 0.0, "waste": 0.0, "free_conductor_m": 0.0}
    none = TakeOffSettings(**nothing, round_up_m=0.001)
    made = made_up(run, "mc-interlocked", BOX, False, none)
    exact = 2.0 - 0.18 + 0.09 * math.pi / 2.0
    assert run.length_m == pytest.approx(exact, abs=1e-9)
    assert exact <= made.total_m < exact + 0.001


def test_a_feeder_takes_its_own_waste_and_five_feet() -> None:
    # practice: 2 to 3 % and a fixed 5 ft; 5 ft of conductors at each panel, 1-1/2 in of sheath
    # 100 ft + 2 × 61.5 in + sag 18 in + 60 in = 1401 in; × 1.03 = 1443.03; next inch 1444
    ends = (RunEnd("start", "cabinet"), RunEnd("end", "cabinet"))
    made = made_up(straight_run(100 * FT), "mc-interlocked", ends, True, PLAIN)
    assert made.total_m == pytest.approx(1444 * IN, abs=1e-9)


def test_conductors_go_up_and_across_a_panel_that_is_larger_than_usual() -> None:
    ends = (RunEnd("start", "cabinet", size_m=2.0), RunEnd("end", "cabinet", size_m=1.0))
    made = made_up(straight_run(3.0), "ac", ends, False, PLAIN)
    assert part(made, "start: conductors") == pytest.approx(2.0)
    assert part(made, "end: conductors") == pytest.approx(5 * FT)


def test_what_the_project_says_of_a_panel_stands_however_large_it_is() -> None:
    said = TakeOffSettings(conductors_m={"cabinet": 1.0}, stated=frozenset({"conductors.cabinet"}))
    ends = (RunEnd("start", "cabinet", size_m=2.0), RunEnd("end", "open"))
    made = made_up(straight_run(3.0), "ac", ends, False, said)
    (conductors,) = [p for p in made.parts if p.name == "start: conductors"]
    assert (conductors.length_m, conductors.source) == (1.0, "takeoff.conductors.cabinet")


def test_conductors_at_a_box_are_never_shorter_than_the_code_asks() -> None:
    # NEC 300.14, from memory: at least 6 in of free conductor from where it leaves the sheath
    said = TakeOffSettings(conductors_m={"box": 2 * IN}, stated=frozenset({"conductors.box"}))
    made = made_up(straight_run(3.0), "ac", BOX, False, said)
    assert part(made, "start: conductors") == pytest.approx(6 * IN)
    assert any("300.14" in p.source for p in made.parts)


def test_a_luminaire_takes_slack_to_be_lowered() -> None:
    made = made_up(
        straight_run(1.0), "mc-interlocked", (RunEnd("start", "box"), RunEnd("end", "luminaire")), False, PLAIN
    )
    assert part(made, "end: slack") == pytest.approx(18 * IN)


def test_an_open_end_is_made_up_and_said() -> None:
    made = made_up(straight_run(1.0), "mc-interlocked", (RunEnd("start", "open"), RunEnd("end", "box")), False, PLAIN)
    assert part(made, "start: conductors") == pytest.approx(10 * IN)
    assert len(made.unsure) == 1


def test_what_is_drawn_short_of_its_box_is_added() -> None:
    made = made_up(straight_run(1.0), "ac", (RunEnd("start", "box", short_m=0.05), RunEnd("end", "box")), False, PLAIN)
    assert part(made, "start: to the box") == pytest.approx(0.05)


def test_what_is_said_of_one_run_comes_first() -> None:
    own = RunAllowance(start_m=0.5, end_m=0.0, slack_m=0.25, sag=0.0, waste=0.0)
    made = made_up(straight_run(2.0), "ac", BOX, False, TakeOffSettings(runs={"R1": own}, round_up_m=0.01))
    assert made.total_m == pytest.approx(2.75)
    assert {p.source for p in made.parts if p.name != "rounded up"} == {
        'takeoff.run."R1".start',
        'takeoff.run."R1".slack',
    }


def test_a_riser_does_not_sag() -> None:
    assert level_length(straight_run(4.0, (0.0, 0.0, 1.0))) == 0.0
    assert level_length(straight_run(4.0, (1.0, 0.0, 0.5))) == pytest.approx(4.0)
    assert part(made_up(straight_run(4.0, (0, 0, 1)), "ac", BOX, False, PLAIN), "sag") == 0.0


@pytest.mark.parametrize("method", ["emt", "fmc"])
def test_raceways_have_neither_sheath_nor_conductors(method: str) -> None:
    made = made_up(straight_run(3.0), method, BOX, False, PLAIN)
    assert not [p for p in made.parts if "conductors" in p.name or "sheath" in p.name]


def test_parts_make_the_total() -> None:
    for length in (0.1, 1.0, 17.3, 400.0):
        fitted: FittedRun = straight_run(length)
        made = made_up(fitted, "nm", BOX, False, PLAIN)
        assert math.fsum([fitted.length_m, *(p.length_m for p in made.parts)]) == pytest.approx(made.total_m, abs=1e-9)
        steps = made.total_m / PLAIN.round_up_m
        assert steps == pytest.approx(round(steps), abs=1e-6)
        assert whole_steps(made.total_m, PLAIN.round_up_m) == round(steps)
