"""What a check does to the matters of a project: kept, mended, found again, and never mended by not looking."""

from dataclasses import replace
from pathlib import Path

import pytest

from route3d.errors import StoreError
from route3d.model.decision import Decision, Kept, Matter, by_finding
from route3d.model.finding import CHECKS, Finding
from route3d.model.revision import Revision, RunMark
from route3d.store.decisions import decide, history, matters
from route3d.store.recording import Recorded, record, trend_points
from route3d.store.recording import kept as all_kept
from tests.unit.test_matching import RUN_A, RUN_B, found

CLASH = found("clash-1", (1.0, 0.0, 3.0))


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return tmp_path / "p.decisions.sqlite"


def revision(*findings: Finding, runs: tuple[RunMark, ...] = (RUN_A, RUN_B), rules: str = "nec-2023") -> Revision:
    return Revision("p", rules, "2026-01-01T00:00:00Z", runs, findings, (("a.dxf", "00"),), 0)


def kept(store: Path, *findings: Finding, day: int = 1, checks: tuple[str, ...] = CHECKS, **more: object) -> Recorded:
    return record(store, revision(*findings, **more), checks, f"2026-01-{day:02d}T00:00:00Z")  # type: ignore[arg-type]


def only(store: Path) -> Matter:
    (matter,) = matters(store)
    return matter


def decided(what: str, note: str = "because", by: str = "N. N.") -> Decision:
    return Decision("2026-01-05T00:00:00Z", by, what, note, "", "")


def test_a_finding_becomes_a_matter_that_is_open(store: Path) -> None:
    assert kept(store, CLASH).fresh == (1,)
    assert (only(store).decided, only(store).presence, only(store).is_settled) == ("open", "found", False)


def test_the_same_revision_twice_is_recorded_once(store: Path) -> None:
    kept(store, CLASH)
    assert kept(store, CLASH, day=2).unchanged
    assert len(trend_points(store)) == 1


def test_a_decision_stays_when_the_finding_shifts_and_gets_a_new_id(store: Path) -> None:
    kept(store, CLASH)
    decide(store, [1], decided("to-mend"))
    kept(store, replace(CLASH, finding_id="clash-9", point_m=(1.05, 0.0, 3.0), other="m:77"), day=2)
    assert (only(store).decided, only(store).finding.finding_id) == ("to-mend", "clash-9")


def test_what_is_no_longer_found_is_mended_with_the_date_and_found_again_when_it_returns(store: Path) -> None:
    kept(store, CLASH)
    decide(store, [1], decided("to-mend"))
    assert kept(store, day=2).mended == (1,)
    assert (only(store).presence, only(store).mended) == ("mended", "2026-01-02T00:00:00Z")
    assert kept(store, CLASH, day=3).found_again == (1,)
    assert (only(store).presence, only(store).decided) == ("found", "open")
    decisions, events = history(store, 1)
    assert [d.decided for d in decisions] == ["to-mend", "open"] and decisions[1].by == "route3d"
    assert [e.kind for e in events] == ["first-found", "mended", "found-again"]


def test_a_check_that_did_not_run_mends_nothing(store: Path) -> None:
    kept(store, CLASH)
    kept(store, day=2, checks=("bend",))
    assert only(store).presence == "not-looked-for"


def test_a_run_that_could_not_be_judged_mends_nothing(store: Path) -> None:
    kept(store, CLASH)
    assert kept(store, day=2, runs=(replace(RUN_A, verdict="unchecked"), RUN_B)).not_judged == (1,)
    assert only(store).presence == "not-judged"
    assert kept(store, day=3).mended == (1,)


def test_a_run_that_is_gone_mends_nothing(store: Path) -> None:
    kept(store, CLASH)
    kept(store, day=2, runs=(RUN_B,))
    assert only(store).presence == "run-gone"


def test_other_rules_are_said_where_something_is_no_longer_found(store: Path) -> None:
    kept(store, CLASH)
    kept(store, day=2, rules="nec-2026")
    assert "nec-2023 to nec-2026" in history(store, 1)[1][-1].why


def test_a_renamed_run_keeps_its_decision(store: Path) -> None:
    kept(store, CLASH)
    decide(store, [1], decided("accepted"))
    kept(store, replace(CLASH, run="z", finding_id="clash-2"), day=2, runs=(replace(RUN_A, run_id="z"), RUN_B))
    assert (only(store).decided, only(store).finding.run) == ("accepted", "z")


@pytest.mark.parametrize(
    "later",
    [
        replace(CLASH, measured=-0.05),
        replace(CLASH, point_m=(3.0, 0.0, 3.0)),
        replace(CLASH, point_m=(1.2, 0.0, 3.0), other="m:2"),
    ],
    ids=["worse", "moved far", "moved, against something else"],
)
def test_what_was_accepted_is_asked_again_when_it_is_worse_or_elsewhere(store: Path, later: Finding) -> None:
    kept(store, CLASH)
    decide(store, [1], decided("accepted"))
    assert kept(store, later, day=2).asked_again == (1,)
    assert only(store).decided == "open"
    assert "before: accepted" in only(store).note


@pytest.mark.parametrize("x_m", [1.0, 1.04])
def test_what_was_accepted_stays_accepted_when_a_drawing_comes_with_new_handles(store: Path, x_m: float) -> None:
    kept(store, CLASH)
    decide(store, [1], decided("accepted"))
    kept(store, replace(CLASH, point_m=(x_m, 0.0, 3.0), other="m:77", finding_id="clash-9"), day=2)
    assert only(store).decided == "accepted"


def test_what_was_accepted_stays_accepted_when_it_is_better(store: Path) -> None:
    kept(store, CLASH)
    decide(store, [1], decided("accepted"))
    kept(store, replace(CLASH, measured=-0.002), day=2)
    assert only(store).decided == "accepted" and only(store).is_settled


def test_a_mended_matter_does_not_take_the_place_of_one_that_is_still_there(store: Path) -> None:
    first, second = CLASH, replace(CLASH, finding_id="clash-2", other="m:2", point_m=(1.2, 0.0, 3.0))
    kept(store, first, second)
    kept(store, second, day=2)
    kept(store, replace(second, point_m=(1.1, 0.0, 3.0)), day=3)
    assert [m.presence for m in matters(store)] == ["mended", "found"]


@pytest.mark.parametrize(
    ("decision", "word"),
    [
        (decided("done"), "no decision"),
        (decided("accepted", note=" "), "reason"),
        (decided("to-mend", by=""), "name"),
        (replace(decided("to-mend"), due="tomorrow"), "2026-01-31"),
        (decided("to-mend", note="x" * 5000), "at most"),
    ],
)
def test_an_incomplete_decision_is_refused(store: Path, decision: Decision, word: str) -> None:
    kept(store, CLASH)
    with pytest.raises(StoreError, match=word):
        decide(store, [1], decision)
    assert only(store).decided == "open"


def test_several_are_decided_together_or_not_at_all(store: Path) -> None:
    kept(store, CLASH)
    with pytest.raises(StoreError, match="no matter 2"):
        decide(store, [1, 2], decided("to-mend"))
    assert only(store).decided == "open"


def test_the_trend_counts_each_revision(store: Path) -> None:
    kept(store, CLASH)
    kept(store, day=2)
    assert [point.counts.get("violation", 0) for point in trend_points(store)] == [1, 0]


def test_the_trend_tells_what_each_check_changed(store: Path) -> None:
    other = replace(CLASH, finding_id="clash-2", other="m:2", point_m=(9.0, 0.0, 3.0))
    kept(store, CLASH, other)
    kept(store, other, day=2)
    kept(store, CLASH, other, day=3)
    kept(store, other, day=4, runs=(replace(RUN_A, verdict="unchecked"), RUN_B))
    points = trend_points(store)
    assert [(p.fresh, p.mended, p.returned, p.lost) for p in points] == [
        (2, 0, 0, 0),
        (0, 1, 0, 0),
        (0, 0, 1, 0),
        (0, 0, 0, 1),
    ]
    assert sum(p.fresh for p in points) == len(matters(store))


def test_two_checks_of_one_second_keep_their_own_part_of_the_trend(store: Path) -> None:
    kept(store, CLASH)
    kept(store)
    assert [(p.fresh, p.mended) for p in trend_points(store)] == [(1, 0), (0, 1)]


def test_a_check_of_files_read_before_somebody_else_recorded_one_is_left_out(store: Path) -> None:
    kept(store, CLASH)
    record(store, revision(), CHECKS, "2026-01-02T00:00:00Z", after=1)
    late = record(store, revision(CLASH), CHECKS, "2026-01-03T00:00:00Z", after=1)
    assert late.overtaken and late.unchanged
    assert only(store).presence == "mended"
    assert record(store, revision(CLASH), CHECKS, "2026-01-03T00:00:00Z", after=2).found_again == (1,)


def test_topics_are_for_good_and_never_shared(store: Path) -> None:
    second = replace(CLASH, finding_id="clash-2", other="m:2", point_m=(9.0, 0.0, 3.0))
    kept(store, CLASH, second)
    topics = {m.number: m.topic for m in matters(store)}
    # the first is mended, the second takes its id over; then something new is called like the second was
    kept(store, replace(second, finding_id="clash-1"), day=2)
    kept(
        store,
        replace(second, finding_id="clash-1"),
        replace(second, finding_id="clash-2", point_m=(20.0, 0.0, 3.0), other="m:3"),
        day=3,
    )
    now = {m.number: m.topic for m in matters(store)}
    assert {n: now[n] for n in topics} == topics
    assert len(set(now.values())) == len(now) == 3
    assert by_finding(matters(store))["clash-1"].number == 2


def test_all_that_is_kept_is_read_at_once(store: Path) -> None:
    kept(store, CLASH)
    decide(store, [1], decided("to-mend"))
    whole = all_kept(store)
    assert whole.matters == matters(store) and whole.trend == trend_points(store)
    assert (whole.decisions[1], whole.events[1]) == history(store, 1)
    assert all_kept(store.with_name("none")) == Kept()
