"""An index that was edited answers as one that was built anew."""

import pickle
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "reference"))
from kernel_truth import box, random_paths

from route3d.kernel.clearance import nearest_elements
from route3d.kernel.edited import with_element
from route3d.kernel.mesh_index import build_index
from route3d.kernel.solid import elements_around

REACH_M = 0.6


def some_box(rng):
    low = rng.uniform(0, 4, 3)
    return box(low, low + 10.0 ** rng.uniform(-2, 0, 3))


def joined(elements):
    starts = np.concatenate([[0], np.cumsum([len(e) for e in elements])])
    return np.concatenate([np.empty((0, 3, 3)), *elements]), starts


@pytest.mark.parametrize(("seed", "count"), [(0, 60), (1, 3), (2, 1), (3, 400)])
def test_edited_index_gives_the_minima_of_a_full_rebuild(seed, count):
    rng = np.random.default_rng(seed)
    elements = [some_box(rng) for _ in range(count)]
    index = before = build_index(*joined(elements))
    pieces, starts = random_paths(rng, 8, 4.0)
    asked = (pieces, starts, np.full(8, 0.01), np.full(count, REACH_M))
    old = nearest_elements(before, *asked)
    for step in range(90):  # past the edits after which the top tree is built anew
        k = int(rng.integers(count))
        kind = rng.random()
        changed = np.empty((0, 3, 3)) if kind < 0.15 else some_box(rng)
        if kind > 0.8:
            changed = np.concatenate([changed, some_box(rng), some_box(rng)])
        elements[k] = changed
        index = with_element(index, k, changed)
        if step % 15 == 0:
            mine, whole = nearest_elements(index, *asked), nearest_elements(build_index(*joined(elements)), *asked)
            np.testing.assert_array_equal(mine.path, whole.path)
            np.testing.assert_array_equal(mine.element, whole.element)
            np.testing.assert_allclose(mine.distance_m, whole.distance_m, atol=1e-6)  # certified to half of this
            owner = np.repeat(np.arange(count), [len(e) for e in elements])
            np.testing.assert_array_equal(owner[mine.triangle], mine.element)
            points = rng.uniform(0, 5, (50, 3))
            closed = np.ones(count, bool)
            for one, other in zip(
                elements_around(index, points, closed),
                elements_around(build_index(*joined(elements)), points, closed),
                strict=True,
            ):
                np.testing.assert_array_equal(one, other)
    for one, other in zip(nearest_elements(before, *asked), old, strict=True):
        np.testing.assert_array_equal(one, other)


def test_two_edits_of_one_index_do_not_meet():
    rng = np.random.default_rng(4)
    elements = [some_box(rng) for _ in range(20)]
    index = build_index(*joined(elements))
    pieces, starts = random_paths(rng, 4, 4.0)
    asked = (pieces, starts, np.zeros(4), np.full(20, REACH_M))
    choices = [some_box(rng) for _ in range(5)]
    edited = [with_element(index, 3, choice) for choice in choices]
    edited += [with_element(pickle.loads(pickle.dumps(index)), 3, choice) for choice in choices]
    for made, choice in zip(edited, choices * 2, strict=True):
        whole = nearest_elements(build_index(*joined([*elements[:3], choice, *elements[4:]])), *asked)
        mine = nearest_elements(made, *asked)
        np.testing.assert_array_equal(mine.element, whole.element)
        np.testing.assert_allclose(mine.distance_m, whole.distance_m, atol=1e-6)


def test_an_edit_of_no_element_or_of_bad_numbers_is_refused():
    index = build_index(box(np.zeros(3), np.ones(3)), [0, 12])
    with pytest.raises(ValueError, match="numbers end at 0"):
        with_element(index, 1, np.empty((0, 3, 3)))
    with pytest.raises(ValueError, match="finite"):
        with_element(index, 0, np.full((1, 3, 3), np.nan))


def test_elements_may_all_go_and_come_back():
    mesh = box(np.zeros(3), np.ones(3))
    index = build_index(np.empty((0, 3, 3)), [0, 0])
    piece = np.zeros((1, 14))
    piece[0, 2], piece[0, 3:6], piece[0, 9] = 1.0, (0, 0.5, 1.2), 1.0
    for _ in range(3):
        index = with_element(index, 0, mesh)
        found = nearest_elements(index, piece, [0, 1], [0.0], [0.5])
        assert found.distance_m == pytest.approx([0.2])
        index = with_element(index, 0, np.empty((0, 3, 3)))
        assert len(nearest_elements(index, piece, [0, 1], [0.0], [0.5]).path) == 0
