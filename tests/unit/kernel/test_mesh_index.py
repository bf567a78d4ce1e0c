"""What the kernel makes of odd input: empty models, wrong shapes, folders that cannot be written to."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from route3d.kernel import compiled
from route3d.kernel.between import nearest_paths, stretches_between
from route3d.kernel.clearance import closest_points, distance_at, nearest_elements, stretches_within
from route3d.kernel.mesh_index import build_index
from route3d.kernel.solid import deepest, elements_around, inside_points, inside_stretches

TRIANGLE = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]])


def straight(length=1.0, start=(0, 0, 0.1)):
    piece = np.zeros((1, 14))
    piece[0, 2], piece[0, 3:6], piece[0, 9] = length, start, 1.0
    return piece


def test_an_empty_model_has_nothing_near():
    index = build_index(np.empty((0, 3, 3)), [0])
    assert index.element_count == 0
    assert len(nearest_elements(index, straight(), [0, 1], [0.1], []).path) == 0
    assert len(elements_around(index, [[0.0, 0, 0]], [])[0]) == 0


def test_an_element_without_triangles_is_passed_over():
    index = build_index(TRIANGLE, [0, 0, 1, 1])
    found = nearest_elements(index, straight(), [0, 1], [0.1], np.full(3, 0.1))
    assert found.element.tolist() == [1]
    assert distance_at(index, [0, 1], np.zeros((2, 3))).tolist() == [np.inf, 0.0]
    assert np.isnan(closest_points(index, [2], np.zeros((1, 3)))).all()
    assert not inside_points(index, [0], np.zeros((1, 3))).any()
    assert len(stretches_within(index, straight(), [0, 1], [0], [0], [9.0]).pair) == 0
    assert len(inside_stretches(index, straight(), [0, 1], [0], [0]).pair) == 0
    assert deepest(index, straight(), [0, 1], [0], [2]).depth_m.tolist() == [0.0]


def test_paths_without_pieces_and_pieces_without_length_are_answered():
    index = build_index(TRIANGLE, [0, 1])
    found = nearest_elements(index, straight(0.0), [0, 0, 1, 1], np.zeros(3), [0.2])
    assert found.path.tolist() == [1]
    assert found.distance_m[0] == pytest.approx(0.1, abs=1e-15)
    stretches = stretches_within(index, straight(0.0), [0, 0, 1], [0, 1], [0, 0], [0.2, 0.2])
    assert (stretches.pair.tolist(), stretches.from_m.tolist(), stretches.to_m.tolist()) == ([1], [0.0], [0.0])
    pair = nearest_paths(np.concatenate([straight(0.0), straight()]), [0, 1, 2], [0.0, 0.0], 0.1)
    assert pair.distance_m.tolist() == [0.0]


def test_answers_are_read_only():
    index = build_index(TRIANGLE, [0, 1])
    found = nearest_elements(index, straight(), [0, 1], [0.1], [0.1])
    for array in (*found, index.frames, index.boxes, index.order):
        assert not array.flags.writeable


@pytest.mark.parametrize(
    ("triangles", "starts"),
    [
        (np.zeros((2, 3)), [0, 2]),
        (TRIANGLE, [0, 2]),
        (TRIANGLE, [1]),
        (np.repeat(TRIANGLE, 2, 0), [0, 2, 1, 2]),
        (np.full((1, 3, 3), np.nan), [0, 1]),
        (np.full((1, 3, 3), np.inf), [0, 1]),
    ],
)
def test_a_model_that_makes_no_sense_is_refused(triangles, starts):
    with pytest.raises(ValueError, match=r"expected|must"):
        build_index(triangles, starts)


def test_paths_that_make_no_sense_are_refused():
    index = build_index(TRIANGLE, [0, 1])
    lost = straight()
    lost[0, 4] = np.nan
    flat_arc = straight()
    flat_arc[0, 0] = 1.0
    for pieces in (lost, flat_arc, straight()[:, :13], straight(-1.0)):
        with pytest.raises(ValueError, match=r"expected|must|needs"):
            nearest_elements(index, pieces, [0, 1], [0.1], [0.1])
        with pytest.raises(ValueError, match=r"expected|must|needs"):
            nearest_paths(pieces, [0, 1], [0.1], 0.1)
    with pytest.raises(ValueError, match="needed"):
        nearest_elements(index, straight(), [0, 1], [0.1, 0.1], [0.1])
    with pytest.raises(ValueError, match="must be numbers"):
        nearest_elements(index, straight(), [0, 1], [0.1], [np.nan])
    with pytest.raises(ValueError, match="there are 1 elements"):
        distance_at(index, [1], [[0.0, 0, 0]])
    with pytest.raises(ValueError, match="there are 1 paths"):
        stretches_between(straight(), [0, 1], [0], [1], [0.1])


def test_ten_thousand_triangles_at_one_place_make_a_tree_that_can_be_walked():
    index = build_index(np.repeat(TRIANGLE, 10_000, 0), [0, 10_000])
    assert distance_at(index, [0], [[0.2, 0.2, 0.5]])[0] == 0.5


def test_triangles_whose_places_grow_a_thousandfold_each_make_a_tree_that_can_be_walked():
    places = 4.0 ** np.arange(-60, 40)
    triangles = TRIANGLE * places[:, None, None] + places[:, None, None]
    index = build_index(triangles, [0, len(triangles)])
    assert distance_at(index, [0], [triangles[50].mean(0)])[0] < 1e-6 * places[-1]


def test_work_is_divided_into_ranges_that_cover_it_once():
    work = np.array([1, 0, 500, 3, 0, 0, 90, 1])
    with compiled.thread_limit(3):
        ranges = compiled.in_parts(lambda first, last: (first, last), work, 1)
    assert [k for first, last in ranges for k in range(first, last)] == list(range(8))
    with pytest.raises(ValueError, match="thread"), compiled.thread_limit(0):
        pass


def test_a_home_that_cannot_be_written_to_does_not_stop_the_kernel(tmp_path):
    # a file where the folder should be: not even the superuser can make a folder in it
    blocked = tmp_path / "home"
    blocked.write_text("")
    environment = {k: v for k, v in os.environ.items() if k not in ("NUMBA_CACHE_DIR", "XDG_CACHE_HOME")}
    environment |= {"HOME": str(blocked), "PYTHONPATH": str(Path(__file__).parents[3])}
    code = "from route3d.kernel.triangles import clamp01; print(clamp01(2.0))"
    answer = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], env=environment, capture_output=True, text=True, check=False
    )
    assert (answer.stdout.strip(), answer.stderr) == ("1.0", "")
