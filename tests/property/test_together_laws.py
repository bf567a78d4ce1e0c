"""What must not change a verdict on cables together: moving the model, reversing a run, splitting a leg."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.checks import bundle, separation
from route3d.fit import fit_run
from route3d.model.run import FittedRun, Run
from tests.builders import cable
from tests.together_scenes import scene_of

CABLES = [
    cable(size="10 AWG"),
    cable("tc", cable_id="t"),
    cable("data-pair", cable_id="d", overall_diameter_m=0.006, sheath_diameter_m=0.006),
]


@st.composite
def lanes(draw: st.DrawFn) -> list[tuple[str, np.ndarray]]:
    """Corners of cables along one way with a bend or two, each its own part of it, side by side or stacked."""
    legs = draw(st.lists(st.sampled_from([1.2, 1.5, 2.0]), min_size=2, max_size=3))
    way = [np.zeros(3)]
    for number, leg in enumerate(legs):
        way.append(way[-1] + leg * np.array([1.0 - number % 2, number % 2, 0.0]))
    runs = []
    for k in range(draw(st.integers(2, 5))):
        aside = np.array([-0.013 * k, 0.013 * k, 0.0])
        drawn = np.array(way) + aside
        drawn[0, 0] = draw(st.sampled_from([0.0, 0.1, 0.35]))
        runs.append((draw(st.sampled_from(["c", "c", "t", "d"])), drawn))
    return runs


def judged(runs: list[tuple[str, np.ndarray]]) -> list[tuple]:
    fitted = [fit(f"R{k}", kind, corners) for k, (kind, corners) in enumerate(runs)]
    scene = scene_of(fitted, CABLES)
    found = [*bundle.check(scene).findings, *separation.check(scene).findings]
    return sorted((f.check, f.severity, f.run or "", f.other or "", round(f.measured or 0.0, 5)) for f in found)


def fit(run_id: str, kind: str, corners: np.ndarray) -> FittedRun:
    return fit_run(Run(run_id, kind, corners), 0.09, 1.5, 1e-6)


@settings(max_examples=25, deadline=None)
@given(lanes(), st.integers(0, 4))
def test_reversing_a_run_changes_nothing(runs, which) -> None:
    k = which % len(runs)
    turned = [(kind, corners[::-1] if i == k else corners) for i, (kind, corners) in enumerate(runs)]
    assert judged(turned) == judged(runs)


@settings(max_examples=25, deadline=None)
@given(lanes(), st.integers(0, 4), st.floats(0.1, 0.9))
def test_a_corner_that_is_none_changes_nothing(runs, which, share) -> None:
    k = which % len(runs)
    split = []
    for i, (kind, corners) in enumerate(runs):
        middle = corners[0] + share * (corners[1] - corners[0])
        split.append((kind, np.insert(corners, 1, middle, axis=0) if i == k else corners))
    assert judged(split) == judged(runs)


@settings(max_examples=25, deadline=None)
@given(lanes(), st.floats(-5e4, 5e4), st.floats(0.0, 6.28))
def test_moving_and_turning_the_model_changes_nothing(runs, shift, turn) -> None:
    c, s = np.cos(turn), np.sin(turn)
    axes = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    moved = [(kind, corners @ axes.T + np.array([shift, -shift, 3.0])) for kind, corners in runs]
    assert judged(moved) == judged(runs)


@settings(max_examples=15, deadline=None)
@given(lanes(), st.randoms(use_true_random=False))
def test_the_order_of_the_runs_changes_no_severity(runs, random) -> None:
    shuffled = list(runs)
    random.shuffle(shuffled)
    assert sorted((f[0], f[1], f[4]) for f in judged(shuffled)) == sorted((f[0], f[1], f[4]) for f in judged(runs))


@settings(max_examples=15, deadline=None)
@given(lanes())
def test_one_more_cable_never_ends_a_caution(runs) -> None:
    kind, corners = runs[-1]
    more = [*runs, (kind, corners + np.array([-0.013, 0.013, 0.0]))]
    cautioned = {f[2] for f in judged(runs) if f[0] == "bundle" and f[1] == "caution"}
    later = {name for f in judged_members(more) for name in f}
    assert cautioned <= later


def judged_members(runs: list[tuple[str, np.ndarray]]) -> list[set[str]]:
    """Return the run ids that each bundle's caution names."""
    fitted = [fit(f"R{k}", kind, corners) for k, (kind, corners) in enumerate(runs)]
    found = bundle.check(scene_of(fitted, CABLES)).findings
    names = {run.run.run_id for run in fitted}
    return [{n for n in names if n in f.message} for f in found if f.severity == "caution"]
