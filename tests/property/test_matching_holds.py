"""How far the identity of findings holds: any order, small shifts, new names, and never two for one."""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.matching import REACH_M, match_revisions
from route3d.model.revision import Revision
from tests.unit.test_matching import RUN_A, RUN_B, found

SPACING_M = 3.0 * REACH_M


@st.composite
def revisions(draw: st.DrawFn) -> tuple[Revision, Revision, list[int]]:
    """Two revisions with the same findings on a loose grid: shuffled, each shifted a little, elements renamed."""
    count = draw(st.integers(1, 12))
    seed = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    places = seed.permutation(40)[:count]
    points = np.stack([places % 8, places // 8, np.zeros(count)], axis=1) * SPACING_M
    shift = seed.uniform(-1, 1, (count, 3))
    shift *= (seed.uniform(0, 0.95, count) * REACH_M / np.linalg.norm(shift, axis=1))[:, None]
    checks = ["clash", "bend", "securing"]
    kinds = seed.integers(0, 3, count)
    old = [found(f"o{k}", tuple(points[k]), check=checks[kinds[k]], other=f"m:{k}") for k in range(count)]
    order = [int(k) for k in seed.permutation(count)]
    new = [
        replace(old[k], finding_id=f"n{k}", other=f"r:{seed.integers(9)}", point_m=tuple((points + shift)[k]))
        for k in order
    ]
    made = [Revision("p", "nec-2023", "", (RUN_A, RUN_B), tuple(f), (), 0) for f in (old, new)]
    return made[0], made[1], order


@settings(deadline=None, max_examples=150)
@given(revisions())
def test_shifted_shuffled_renamed_findings_are_all_known_again(case: tuple[Revision, Revision, list[int]]) -> None:
    old, new, order = case
    matching = match_revisions(old, new)
    assert sorted((m.old, m.new) for m in matching.matches) == sorted((k, j) for j, k in enumerate(order))


@settings(deadline=None, max_examples=150)
@given(revisions(), st.integers(0, 2**32 - 1))
def test_every_finding_is_matched_once_or_told(case: tuple[Revision, Revision, list[int]], seed: int) -> None:
    old, new, _ = case
    kept = np.random.default_rng(seed).random(len(new.findings)) < 0.6
    new = replace(new, findings=tuple(f for f, k in zip(new.findings, kept, strict=True) if k))
    matching = match_revisions(old, new)
    assert sorted([m.old for m in matching.matches] + list(matching.gone)) == list(range(len(old.findings)))
    assert sorted([m.new for m in matching.matches] + list(matching.fresh)) == list(range(len(new.findings)))


@settings(deadline=None, max_examples=60)
@given(revisions())
def test_a_revision_compared_with_itself_changes_nothing(case: tuple[Revision, Revision, list[int]]) -> None:
    old, _, _ = case
    matching = match_revisions(old, old)
    assert [(m.old, m.new) for m in matching.matches] == [(k, k) for k in range(len(old.findings))]
    assert not matching.gone and not matching.fresh
