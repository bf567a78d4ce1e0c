"""Distances to single triangles, by hand."""

import math

import numpy as np
import pytest

from route3d.kernel.triangles import (
    FRAME_WIDTH,
    HALVES,
    arc_point,
    arc_triangle,
    point_triangle,
    segment_segment,
    segment_triangle,
    write_frame,
)


def frame(*corners):
    frames = np.empty((1, FRAME_WIDTH))
    write_frame(np.array(corners, float).reshape(9), frames[0])
    return frames


@pytest.mark.parametrize(
    ("point", "distance", "nearest"),
    [
        ((0.2, 0.2, 0.7), 0.7, (0.2, 0.2, 0)),
        ((0.5, -0.3, 0.4), 0.5, (0.5, 0, 0)),
        ((-0.3, 0.5, 0.4), 0.5, (0, 0.5, 0)),
        ((1, 1, 0), math.sqrt(0.5), (0.5, 0.5, 0)),
        ((-3, -4, 12), 13, (0, 0, 0)),
        ((2, -1, 0), math.sqrt(2), (1, 0, 0)),
    ],
)
def test_a_point_is_nearest_to_the_face_an_edge_or_a_corner(point, distance, nearest):
    corners = [(0, 0, 0), (1, 0, 0), (0, 1, 0)]
    for turned in (corners, corners[1:] + corners[:1], corners[::-1]):
        d2, *place = point_triangle(*map(float, point), frame(*turned), 0)
        assert math.sqrt(d2) == pytest.approx(distance, abs=1e-15)
        assert place == pytest.approx(nearest, abs=1e-15)


def test_a_triangle_without_area_is_a_segment_or_a_point():
    segment = frame((0, 0, 0), (1, 0, 0), (3, 0, 0))
    assert point_triangle(2.0, 0.5, 0.0, segment, 0)[0] == 0.25
    assert point_triangle(4.0, 0.0, 0.0, segment, 0)[0] == 1.0
    point = frame((1, 1, 1), (1, 1, 1), (1, 1, 1))
    assert point_triangle(1.0, 1.0, 3.0, point, 0)[0] == 4.0
    assert segment_triangle(0.0, 0.0, 0.0, 2.0, 0.0, 0.0, point, 0, np.inf) == (2.0, 0.5)


def test_the_normal_keeps_its_direction_whichever_edge_is_longest():
    for corners in (
        [(0, 0, 0), (3, 0, 0), (0, 1, 0)],
        [(0, 0, 0), (1, 0, 0), (0, 3, 0)],
        [(0, 0, 0), (1, 0, 0), (-1, 2, 0)],
    ):
        row = frame(*corners)[0]
        assert np.cross(row[3:6], row[6:9])[2] > 0


def test_a_segment_through_a_triangle_is_at_no_distance_at_the_place_of_the_crossing():
    triangle = frame((0, 0, 0), (1, 0, 0), (0, 1, 0))
    assert segment_triangle(0.2, 0.2, -1.0, 0.2, 0.2, 3.0, triangle, 0, np.inf) == (0.0, 0.25)
    d2, _ = segment_triangle(0.9, 0.9, -1.0, 0.9, 0.9, 3.0, triangle, 0, np.inf)
    assert d2 == pytest.approx(2 * 0.4**2, abs=1e-15)


def test_lines_that_are_almost_parallel_keep_their_digits():
    for slope in (0.0, 1e-12, 1e-9, 1e-6, 1e-3):
        # the second line starts 0.1 above the first and sinks by the slope over 50 m
        d2, s, _ = segment_segment(0.0, 0.0, 0.1, 50.0, 0.0, 0.0, 50.0, 0.0, -50.0 * slope)
        assert math.sqrt(d2) == pytest.approx(0.1 - 50.0 * slope, abs=1e-9)
        assert 0.0 <= s <= 1.0


def arc_to(piece, first, last, triangle, limit=np.inf):
    """Distance and angle of an arc from ``first`` to ``last``, as one part."""
    step = last - first
    turned = piece.copy()  # so that it begins at ``first``
    turned[6:9] = math.cos(first) * piece[6:9] + math.sin(first) * piece[9:12]
    turned[9:12] = math.cos(first) * piece[9:12] - math.sin(first) * piece[6:9]
    chords = np.array([[*arc_point(turned, a), math.cos(a), math.sin(a)] for a in (0.0, step)])
    d2, share = segment_triangle(*chords[0, :3], *chords[1, :3], triangle, 0, np.inf)
    distance, angle = arc_triangle(turned, chords, 0, step, triangle, 0, d2, share, limit, np.empty((HALVES, 3)))
    return distance, angle + first if angle >= 0.0 else angle


def test_an_arc_over_a_face_is_as_far_as_its_plane_says():
    triangle = frame((-5, -5, 0), (5, -5, 0), (0, 9, 0))
    level = np.zeros(14)
    level[0], level[2], level[12], level[13] = 1.0, math.pi, 1.0, math.pi
    level[3:6], level[6:9], level[9:12] = (0, 0, 0.3), (1, 0, 0), (0, 1, 0)
    assert arc_to(level, 0.0, 0.5, triangle)[0] == pytest.approx(0.3, abs=1e-15)
    hanging = level.copy()
    hanging[3:6], hanging[6:9], hanging[9:12] = (0, 0, 1.5), (1, 0, 0), (0, 0, -1)
    distance, angle = arc_to(hanging, 1.3, 1.8, triangle)
    assert distance == pytest.approx(0.5, abs=5e-7)
    assert angle == pytest.approx(math.pi / 2, abs=1e-3)
    assert arc_to(hanging, 1.3, 1.8, triangle, 0.4)[1] == -1.0  # nothing nearer than 0.4
