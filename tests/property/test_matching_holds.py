"""How far the identity of findings holds: any order, small shifts, new names, and never two for one.

Where findings are sparse (three reaches apart), every shift within the reach is followed. In a crowd no rule can do
that: there, what is held to is that whoever stays and moves by less than a third of the spacing is known again, that
nobody is taken for a neighbour who stayed, and nothing at all is matched beyond the reach. What is new within the reach
of what is mended, against something of another name, may be taken for it: the store asks again about such.
"""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.matching import REACH_M, match_revisions
from route3d.model.revision import Revision
from tests.unit.test_matching import RUN_A, RUN_B, a_run, found

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


@st.composite
def crowds(draw: st.DrawFn) -> tuple[Revision, Revision, list[int], list[int]]:
    """A row of findings closer than the reach: some mended, some new, all others shifted by less than a third of the
    spacing, every element with a new name; and who each finding is."""
    seed = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = draw(st.integers(2, 9))
    spacing_m = draw(st.sampled_from([0.02, 0.05, 0.1, 0.2, 0.29, 0.5]))
    who = seed.permutation(count + 2)
    before = sorted(int(k) for k in who[:count])
    stays = [k for k in before if seed.random() < 0.7]
    after = stays + [k for k in range(count + 2) if k not in before and seed.random() < 0.5]
    seed.shuffle(after)

    def at(k: int, shifted: bool) -> tuple[float, float, float]:
        x, y = seed.uniform(-0.23, 0.23, 2) * spacing_m if shifted else (0.0, 0.0)  # along both: less than a third
        return (k * spacing_m + x, y, 3.0)

    old = tuple(found(f"o{k}", at(k, False), other=f"m:{k}") for k in before)
    new = tuple(found(f"n{k}", at(k, True), other=f"r:{k}") for k in after)
    return *(Revision("p", "nec-2023", "", (RUN_A, RUN_B), f, (), 0) for f in (old, new)), before, after


@settings(deadline=None, max_examples=400)
@given(crowds())
def test_in_a_crowd_nobody_is_taken_for_a_neighbour_who_stayed(
    case: tuple[Revision, Revision, list[int], list[int]],
) -> None:
    old, new, before, after = case
    for match in match_revisions(old, new).matches:
        one, other = before[match.old], after[match.new]
        if one != other:
            assert one not in after and other not in before
        assert match.moved_m is not None and match.moved_m <= REACH_M + 1e-9


@settings(deadline=None, max_examples=300)
@given(crowds())
def test_in_a_crowd_whoever_stays_is_known_again(case: tuple[Revision, Revision, list[int], list[int]]) -> None:
    old, new, before, after = case
    matched = {before[m.old]: after[m.new] for m in match_revisions(old, new).matches}
    assert all(matched.get(k) == k for k in before if k in after)


@settings(deadline=None, max_examples=100)
@given(st.integers(0, 2**32 - 1), st.integers(1, 8))
def test_renamed_and_turned_runs_keep_their_findings(seed: int, count: int) -> None:
    random = np.random.default_rng(seed)
    runs, renamed = [], []
    for k in range(count):
        corners = np.array([(0.0, 2.0 * k, 3.0), (3.0, 2.0 * k, 3.0), (3.0, 2.0 * k + 1.0, 3.0)])
        runs.append(a_run(f"r{k}", *map(tuple, corners)))
        turned = corners[::-1] if random.random() < 0.5 else corners
        renamed.append(a_run(f"n{k}", *map(tuple, turned)))
    names = [f"n{k}" for k in range(count)]
    old = tuple(found(f"o{k}", (1.5, 2.0 * k, 3.0), run=f"r{k}", other=None, check="bend") for k in range(count))
    new = [found(f"x{k}", (1.5 + random.uniform(-0.2, 0.2), 2.0 * k, 3.0), run=names[k], other=None, check="bend")
           for k in range(count)]  # fmt: skip
    order = [int(k) for k in random.permutation(count)]
    matching = match_revisions(
        Revision("p", "nec-2023", "", tuple(runs), old, (), 0),
        Revision("p", "nec-2023", "", tuple(renamed[k] for k in order), tuple(new[k] for k in order), (), 0),
    )
    assert matching.runs == {f"r{k}": f"n{k}" for k in range(count)}
    assert sorted((m.old, order[m.new]) for m in matching.matches) == [(k, k) for k in range(count)]
    assert not any(m.ambiguous for m in matching.matches)
