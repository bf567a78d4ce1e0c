import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.kernel.closed import is_closed
from route3d.kernel.shells import bodies, find_shells
from tests.mesh_files import CUBE


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 12), min_size=1, max_size=6), st.randoms(use_true_random=False))
def test_each_shell_is_what_is_closed_says_of_it_alone(sizes, chance) -> None:
    # cubes apart from each other, some with faces missing, in any order
    parts = [CUBE[:size] + 3.0 * k for k, size in enumerate(sizes)]
    order = list(range(sum(sizes)))
    chance.shuffle(order)
    triangles = np.concatenate(parts)[order]
    owner = np.repeat(np.arange(len(sizes)), sizes)[order]
    found = find_shells(triangles)
    for shell in range(len(found.closed)):
        mine = found.shell == shell
        assert len(set(owner[mine].tolist())) == 1
        assert found.closed[shell] == is_closed(triangles[mine])
    for k, size in enumerate(sizes):
        if size == 12:
            assert len(set(found.shell[owner == k].tolist())) == 1


def test_shells_are_numbered_as_the_file_begins_them() -> None:
    found = find_shells(np.concatenate([CUBE + 9.0, CUBE[:4], CUBE + 3.0]))
    assert found.shell.tolist() == [0] * 12 + found.shell[12:16].tolist() + [int(found.shell.max())] * 12
    assert found.volume_m3[0] == pytest.approx(1.0)


def test_a_triangle_without_area_is_repeated_only_on_an_edge_or_a_corner() -> None:
    edge = [CUBE[0, 0], CUBE[0, 1], CUBE[0, 1]]
    corner = [CUBE[0, 0]] * 3
    spike = [CUBE[0, 0], CUBE[0, 0], [5.0, 5.0, 5.0]]
    found = find_shells(np.concatenate([CUBE, [edge, corner, spike]]))
    assert found.repeated[12:].tolist() == [True, True, False]
    assert (found.shell[12:] == -1).all()


def test_a_cavity_belongs_to_the_smallest_body_around_it() -> None:
    outer, middle, hole = CUBE * 9.0, CUBE * 5.0 + 1.0, (CUBE + 2.0)[:, ::-1]
    triangles = np.concatenate([outer, middle, hole])
    found = find_shells(triangles)
    assert bodies(triangles, found).tolist() == [0, 1, 1]


def test_nothing_has_no_shells() -> None:
    found = find_shells(np.empty((0, 3, 3)))
    assert len(found.shell) == len(found.closed) == 0
