"""Random members, openings and runs: what is found is what plane geometry says, wherever the building stands."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from route3d.kernel.path import straight_piece
from route3d.kernel.pierced import Passage, Pierced
from tests.buildings import turned
from tests.opened_members import board

LEAST = 1e-4  # nearer to a rim than this, plane geometry is not asked: the cut is a hair inside the face


@st.composite
def cut_boards(draw: st.DrawFn) -> tuple[shapely.Polygon, list[shapely.Polygon], float, float]:
    """An outline in (y, z) with one to three round, rectangular or turned openings, some of them open to an edge."""
    deep, thick = draw(st.floats(0.09, 0.4)), draw(st.floats(0.005, 0.09))
    openings = []
    for k in range(draw(st.integers(1, 3))):
        y, z = -1.0 + 0.7 * k + draw(st.floats(-0.1, 0.1)), draw(st.floats(0.0, deep))
        wide, high = draw(st.floats(0.015, 0.13)), draw(st.floats(0.015, 0.08))
        shape = shapely.Point(0, 0).buffer(0.5, quad_segs=draw(st.integers(2, 12)))
        if draw(st.booleans()):
            shape = shapely.box(-0.5, -0.5, 0.5, 0.5)
        shape = shapely.affinity.rotate(shapely.affinity.scale(shape, wide, high), draw(st.floats(0.0, 90.0)))
        openings.append(shapely.affinity.translate(shape, y, z))
    outline = shapely.box(-2.0, 0.0, 2.0, deep)
    cut = outline.difference(shapely.union_all(openings))
    assume(cut.geom_type == "Polygon")
    # what is left between an opening and an edge is either nothing or thick enough to be drawn
    assume(all(apart(shapely.Polygon(r), cut.exterior) > 1e-3 for r in cut.interiors))
    return cut, openings, deep, thick


@st.composite
def lines(draw: st.DrawFn, deep: float, openings: list[shapely.Polygon]) -> tuple[np.ndarray, np.ndarray]:
    """A straight run that aims at, or near, one of the openings in the middle of the member."""
    aim = draw(st.sampled_from(openings)).centroid
    y, z = aim.x + draw(st.floats(-0.09, 0.09)), aim.y + draw(st.floats(-0.06, 0.06))
    way = np.array([1.0, draw(st.floats(-0.7, 0.7)), draw(st.floats(-0.7, 0.7))])
    middle = np.array([draw(st.floats(0.0, 0.05)), y, z])
    return (middle - way, middle + way) if draw(st.booleans()) else (middle + way, middle - way)


def at_face(line: tuple[np.ndarray, np.ndarray], x: float) -> shapely.Point:
    a, b = line
    return shapely.Point((a + (x - a[0]) / (b[0] - a[0]) * (b - a))[1:])


def apart(a: shapely.Geometry, b: shapely.Geometry) -> float:
    with np.errstate(all="ignore"):  # the library divides by zero on some shapes, and is right all the same
        return float(shapely.distance(a, b))


def kind_of(cut: shapely.Polygon, spot: shapely.Point) -> str:
    """Say what is at a place of a face: the member, a hole in it, a notch in its edge, or nothing."""
    if cut.intersects(spot):
        return "member"
    if any(shapely.Polygon(ring).contains(spot) for ring in cut.interiors):
        return "hole"
    low, high = cut.bounds[1], cut.bounds[3]
    # along the member's axis the body must bound it on both sides
    level = shapely.LineString([(-3.0, spot.y), (3.0, spot.y)]).intersection(cut)
    if low < spot.y < high and not level.is_empty and level.bounds[0] < spot.x < level.bounds[2]:
        return "notch"
    return "nothing"


def found(mesh: np.ndarray, line: tuple[np.ndarray, np.ndarray]) -> list[Passage]:
    return Pierced(mesh, True).passages(straight_piece(line[0], line[1], 0.0)[None, :], np.zeros(3), 1.0)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_straight_run_is_in_an_opening_if_both_faces_are_open_there(data: st.DataObject) -> None:
    cut, openings, deep, thick = data.draw(cut_boards())
    line = data.draw(lines(deep, openings))
    spots = [at_face(line, 0.0), at_face(line, thick)]
    assume(all(apart(cut.boundary, spot) > LEAST for spot in spots))
    assume(all(abs(spot.y) > LEAST and abs(spot.y - deep) > LEAST for spot in spots))
    mesh = board(*openings, deep=deep, thick=thick)
    kinds = [kind_of(cut, spot) for spot in spots]
    passages = found(mesh, line)
    opened = [kind for kind in kinds if kind in ("hole", "notch")]
    assert sum(len(p.mouths) for p in passages) == len(opened)
    if len(opened) < 2:
        assert not any(p.whole for p in passages)
        return
    (passage,) = passages
    assert passage.whole
    assert passage.notch == ("notch" in kinds)
    a, b = line
    faces = sorted(float((x - a[0]) / (b[0] - a[0]) * np.linalg.norm(b - a)) for x in (0.0, thick))
    assert (passage.from_m, passage.to_m) == pytest.approx(faces, abs=1e-9)


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_the_edge_distance_of_a_hole_is_that_of_plane_geometry(data: st.DataObject) -> None:
    cut, openings, deep, thick = data.draw(cut_boards())
    rings = [shapely.Polygon(ring) for ring in cut.interiors]
    assume(rings)
    hole = data.draw(st.sampled_from(rings))
    inside = hole.representative_point()
    assume(apart(inside, hole.exterior) > LEAST)
    line = (np.array([-1.0, inside.x, inside.y]), np.array([1.0, inside.x, inside.y]))
    (passage,) = found(board(*openings, deep=deep, thick=thick), line)
    for mouth in passage.mouths:
        edges = mouth.edges(0.1)
        assert edges[0].gap_m == pytest.approx(apart(hole, cut.exterior), abs=1e-7)
        foot = shapely.Point(edges[0].point_m[1:])
        assert apart(foot, cut.exterior) < 1e-6
        assert apart(foot, hole) >= edges[0].gap_m - 1e-6
        box = shapely.get_coordinates(shapely.oriented_envelope(hole))[:3]
        sides = sorted(np.linalg.norm(np.diff(box, axis=0), axis=1))
        assert mouth.opening.size_m[::-1] == pytest.approx(tuple(sides), abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    st.data(),
    st.floats(0.0, 360.0),
    st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(0.1, 1)),
    st.tuples(st.floats(-900, 900), st.floats(-900, 900), st.floats(-50, 50)),
)
def test_turning_and_moving_everything_changes_nothing(data: st.DataObject, degrees: float, axis, shift) -> None:
    cut, openings, deep, thick = data.draw(cut_boards())
    line = data.draw(lines(deep, openings))
    spots = [at_face(line, 0.0), at_face(line, thick)]
    assume(all(apart(cut.boundary, spot) > LEAST for spot in spots))
    assume(all(abs(spot.y) > LEAST and abs(spot.y - deep) > LEAST for spot in spots))
    mesh = board(*openings, deep=deep, thick=thick)

    def told(passages: list[Passage]) -> list[object]:
        return [
            (p.whole, p.notch, *(round(v, 6) for v in (p.from_m, p.to_m, p.mouths[0].edges(0.1)[0].gap_m)))
            for p in passages
        ]

    def moved(points: np.ndarray) -> np.ndarray:
        return turned(points, axis, degrees) + np.array(shift)

    before = told(found(mesh, line))
    after = told(found(moved(mesh), (moved(line[0]), moved(line[1]))))
    assert [row[:2] for row in before] == [row[:2] for row in after]
    for one, other in zip(before, after, strict=True):
        assert one[2:] == pytest.approx(other[2:], abs=2e-6)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.001, 0.3), st.floats(-0.5, 0.5), st.sampled_from([-1.0, 1.0]))
def test_a_run_below_above_or_past_the_end_of_a_member_is_in_no_opening(off: float, y: float, side: float) -> None:
    deep = 0.2
    notch, hole = shapely.box(-0.02, 0.16, 0.02, 0.25), shapely.Point(0.4, 0.1).buffer(0.02)
    mesh = board(notch, hole, deep=deep)
    z = -off if side < 0.0 else deep + off
    assert not found(mesh, (np.array([-1.0, y, z]), np.array([1.0, y, z])))
    past = side * (2.0 + off)
    assert not found(mesh, (np.array([-1.0, past, 0.1]), np.array([1.0, past, 0.1])))
