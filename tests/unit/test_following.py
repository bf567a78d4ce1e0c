"""A project read again is told as a difference, and its review is that of a check from nothing."""

from dataclasses import replace

import pytest

from route3d.following import Followed
from route3d.model.job import Job
from route3d.reports.results_json import results_text
from route3d.review import check_job
from tests.builders import book, cable
from tests.buildings import block, element, run

MADE = "2026-01-01T00:00:00Z"
RULES = book()


def job(**more: object) -> Job:
    from route3d.model.finding import CHECKS
    from route3d.model.job import Settings

    values = {
        "name": "p", "occupancy": "other", "checks": CHECKS, "cables": {"c": cable()}, "zones": (), "clearance_m": {},
        "runs": (run((0, 0, 3), (4, 0, 3)), run((0, 2, 3), (4, 2, 3), run_id="b")),
        "elements": (element("duct", block((1, 1.9, 2.9), (2, 2.1, 3.1))),), "settings": Settings(), **more,
    }  # fmt: skip
    return Job(**values)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "later",
    [
        job(runs=(run((0, 0, 3), (4, 0, 3)), run((0, 2, 3.4), (4, 2, 3.4), run_id="b"))),
        job(elements=(element("duct", block((1, 3.9, 2.9), (2, 4.1, 3.1))),)),
        job(elements=()),
        job(clearance_m={"duct": 2.5}),
        job(occupancy="dwelling"),
        job(runs=(run((0, 0, 3), (4, 0, 3)), run((0, 5, 3), (4, 5, 3), run_id="new"))),
    ],
    ids=["run moved", "duct moved", "duct gone", "clearance", "occupancy", "run replaced"],
)
def test_a_second_reading_gives_the_review_of_a_check_from_nothing(later: Job) -> None:
    followed, _ = Followed.begin(job(), RULES, MADE).read_again(later, RULES, MADE)
    assert results_text(followed.review) == results_text(check_job(later, RULES, MADE))


def test_only_what_changed_is_checked_and_the_difference_is_told() -> None:
    moved = job(elements=(element("duct", block((1, 3.9, 2.9), (2, 4.1, 3.1))),))
    followed, comparison = Followed.begin(job(), RULES, MADE).read_again(moved, RULES, MADE)
    assert not followed.whole
    assert comparison.counts["gone"] >= 1 and comparison.counts["new"] == 0
    assert comparison.elements is not None and comparison.elements[0].what.startswith("moved by 2.0000 m")


def test_other_settings_check_everything_again() -> None:
    later = replace(job(), occupancy="dwelling")
    assert Followed.begin(job(), RULES, MADE).read_again(later, RULES, MADE)[0].whole
