"""Where runs belong, from which end they are pulled, what they weigh."""

import math

import numpy as np
import pytest

from route3d.fit import fit_run
from route3d.model.allowance import RunAllowance, TakeOffSettings
from route3d.model.run import Run
from route3d.model.support import Attachment, Termination
from route3d.plans.homeruns import NOMINAL_SOURCE, pull_of, storey_of, weight_of
from tests.builders import cable, framing, scene_for, straight_run

NOTHING = RunAllowance()


def attached(*supports) -> Attachment:
    return Attachment(Termination("box", None), Termination("box", None), supports)


def bend_near_the_start():
    return fit_run(Run("a", "c", np.array([[0.0, 0, 3], [1, 0, 3], [1, 20, 3]])), 0.1, 1.0, 1e-6)


def test_a_run_that_is_not_bored_may_be_pulled_from_either_end() -> None:
    pull = pull_of(bend_near_the_start(), cable(), attached(), NOTHING)
    assert pull.start == "either"


def test_bored_framing_is_fed_from_the_end_whose_bends_come_first() -> None:
    # friction on a bend multiplies what pulls behind it by e to the friction times its angle (the belt equation):
    # with the bend 1 m from the start, 1 m is multiplied; fed in from the other end it would be 20 m
    pull = pull_of(bend_near_the_start(), cable(), attached(framing(3.0), framing(3.4)), NOTHING)
    assert pull.start == "start"
    assert "slides one way" in pull.why
    assert "practice" in pull.why
    turned = fit_run(Run("a", "c", np.array([[1.0, 20, 3], [1, 0, 3], [0, 0, 3]])), 0.1, 1.0, 1e-6)
    assert pull_of(turned, cable(), attached(framing(3.0)), NOTHING).start == "end"


def test_the_share_that_is_saved_follows_the_belt_equation() -> None:
    pull = pull_of(bend_near_the_start(), cable(), attached(framing(3.0)), NOTHING)
    grown = math.exp(0.5 * math.pi / 2.0)
    early, late = 1.0 * grown + 20.0, 20.0 * grown + 1.0
    assert f"about {100 * (1 - early / late):.0f} % less" in pull.why


def test_a_straight_bored_run_pulls_alike_from_both_ends() -> None:
    pull = pull_of(straight_run(5.0), cable(), attached(framing(2.0)), NOTHING)
    assert pull.start == "either"
    assert "lead with the free end" in pull.why


def test_what_the_crew_says_stands() -> None:
    assert pull_of(straight_run(5.0), cable(), attached(), RunAllowance(pull_from="end")).start == "end"


def test_weights_come_from_the_project_then_from_nominal_values_and_are_never_made_up() -> None:
    assert weight_of(cable(weight_kg_m=0.2)) == (0.2, "cable.c.weight")
    # nominal 12/2 with ground, 105 lb/1000 ft = 0.16 kg/m (practice)
    assert weight_of(cable(conductors=3, size="12 AWG")) == (0.16, NOMINAL_SOURCE)
    for other in (cable("ac"), cable(jacketed=True), cable(size=None), cable(conductors=9)):
        assert weight_of(other)[0] is None


@pytest.mark.parametrize(("height", "storey"), [(-1.0, ""), (0.0, "Level 1"), (2.9, "Level 1"), (3.6, "Level 2")])
def test_a_run_belongs_to_the_storey_in_which_it_starts(height: float, storey: str) -> None:
    run = fit_run(Run("a", "c", np.array([[0.0, 0, height], [1, 0, height + 5.0]])), 0.1, 1.0, 1e-6)
    job = scene_for(straight_run(1.0), cable()).job
    settings = TakeOffSettings(storeys=(("Level 1", 0.0), ("Level 2", 3.6)))
    assert storey_of(job, run, attached(), settings) == storey
