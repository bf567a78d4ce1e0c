"""Bored holes against closed forms and against a cloud of points on rim and member, for members of many shapes."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from route3d.kernel.bore import Borable, Edge
from route3d.kernel.member import member_of, shells
from tests.buildings import block, profile, turned

R = 0.006
JOIST = [(-0.019, 0.0), (0.019, 0.0), (0.019, 0.286), (-0.019, 0.286)]
I_JOIST = [(-0.045, 0.0), (0.045, 0.0), (0.045, 0.038), (0.005, 0.038), (0.005, 0.203), (0.045, 0.203)]
I_JOIST += [(0.045, 0.241), (-0.045, 0.241), (-0.045, 0.203), (-0.005, 0.203), (-0.005, 0.038), (-0.045, 0.038)]
STUD_C = [(0.0, 0.0), (0.041, 0.0), (0.041, 0.002), (0.002, 0.002), (0.002, 0.090), (0.041, 0.090)]
STUD_C += [(0.041, 0.092), (0.0, 0.092)]
# section, y of the face that the hole is bored through, height of the member
SHAPES = {"joist": (JOIST, -0.019, 0.286), "I": (I_JOIST, -0.005, 0.241), "C": (STUD_C, 0.0, 0.092)}


def edges_beside_hole(mesh, closed: bool, point, way, radius: float, into: float) -> tuple[Edge, ...] | None:
    return Borable(mesh, closed).edges_beside(point, way, radius, into, 0.1)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("z", [0.012, 0.030, 0.0455, 0.060])
@pytest.mark.parametrize("tilt", [(0.0, (0, 0, 1)), (37.0, (1, 2, 3)), (18.4, (0, 1, 0)), (90.0, (0, 1, 0))])
def test_the_gap_is_that_to_the_nearer_outer_face_however_the_member_stands(shape, z: float, tilt) -> None:
    section, face, height = SHAPES[shape]
    if shape == "I" and z <= 0.038 + R:
        z = 0.050
    degrees, axis = tilt
    mesh = turned(profile(section, 4.0), axis, degrees)
    point, way = turned(np.array([[2.0, face, z], [2.0, face + 1.0, z]]), axis, degrees)
    edges = edges_beside_hole(mesh, True, point, way - point, R, 1.0)
    assert edges is not None
    assert edges[0].gap_m == pytest.approx(min(z, height - z) - R, abs=1e-7)
    assert edges[0].room_m == pytest.approx(height, abs=1e-6)
    assert edges[0].width_m == pytest.approx(2 * R, abs=1e-9)
    nearest = turned(np.array([2.0, face, 0.0 if z < height / 2 else height]), axis, degrees)
    assert np.allclose(edges[0].point_m, nearest, atol=1e-6)


@pytest.mark.parametrize("seed", range(12))
def test_a_slanted_hole_matches_a_cloud_of_points_on_its_rim_and_on_the_edges(seed: int) -> None:
    rng = np.random.default_rng(seed)
    width, height = rng.uniform(0.08, 0.3), rng.uniform(0.08, 0.3)
    corners = np.array([[0, 0], [width, rng.uniform(-0.02, 0.02)], [width * rng.uniform(0.7, 1), height], [0, height]])
    point2 = np.array([rng.uniform(0.3, 0.6) * width, rng.uniform(0.3, 0.6) * height])
    mesh = profile([tuple(c) for c in corners], 0.04)
    way = np.array([1.0, rng.uniform(-0.8, 0.8), rng.uniform(-0.8, 0.8)])
    way /= np.linalg.norm(way)
    radius = rng.uniform(0.004, 0.03)
    edges = edges_beside_hole(mesh, True, np.array([0.0, *point2]), way, radius, 1.0)
    assert edges is not None
    # the rim: lines along the bore, a circle of them, cut by the face x = 0
    first = np.cross(way, [0.0, 0.0, 1.0])
    first /= np.linalg.norm(first)
    second = np.cross(way, first)
    angle = np.linspace(0.0, 2.0 * np.pi, 20001)
    circle = radius * (np.cos(angle)[:, None] * first + np.sin(angle)[:, None] * second)
    rim = (circle - (circle[:, :1] / way[0]) * way)[:, 1:] + point2
    outline = shapely.LinearRing(corners)
    brute = shapely.distance(shapely.points(rim), outline).min()
    inside = shapely.contains_xy(shapely.Polygon(corners), rim[:, 0], rim[:, 1]).all()
    if inside:
        assert edges[0].gap_m == pytest.approx(brute, abs=2e-7)
    else:
        assert edges[0].gap_m < 1e-6


def test_a_hole_past_a_corner_of_its_member_is_measured_to_the_corner() -> None:
    # an L: the hole is outside of no edge's middle, but nearest to the inner corner at (0.1, 0.1)
    mesh = profile([(0, 0), (0.3, 0), (0.3, 0.1), (0.1, 0.1), (0.1, 0.3), (0, 0.3)], 0.04)
    edges = edges_beside_hole(mesh, True, np.array([0.0, 0.07, 0.07]), np.array([1.0, 0.0, 0.0]), R, 1.0)
    assert edges is not None
    assert edges[0].gap_m == pytest.approx(np.hypot(0.03, 0.03) - R, abs=1e-7)


def test_joists_drawn_as_one_mesh_are_told_apart() -> None:
    one = profile(JOIST, 4.0)
    many = np.concatenate([one + np.array([0.0, 0.4064 * k, 0.05 * k]) for k in range(6)])
    edges = edges_beside_hole(
        many, True, np.array([2.0, 0.4064 * 3 - 0.019, 0.15 + 0.030]), np.array([0, 1.0, 0]), R, 1.0
    )
    assert edges is not None
    assert edges[0].gap_m == pytest.approx(0.030 - R, abs=1e-7)
    parts = shells(many)
    assert len(parts) == 6
    assert all(member_of(many[p]) is not None for p in parts)


def test_a_face_cut_into_odd_triangles_has_no_inner_edges() -> None:
    # two boxes drawn end to end leave a seam; one box whose side is split with corners in the middle leaves none
    whole = block((0, -0.019, 0), (4, 0.019, 0.286))
    face = np.abs(whole[:, :, 1] + 0.019).max(axis=1) < 1e-9
    a, b, c, d = (np.array([x, -0.019, z]) for x, z in ((0, 0), (4, 0), (4, 0.286), (0, 0.286)))
    m = np.array([1.9, -0.019, 0.1])
    split = np.array([[a, b, m], [b, c, m], [c, d, m], [d, a, m]])
    odd = np.concatenate([whole[~face], split])
    edges = edges_beside_hole(odd, True, np.array([2.0, -0.019, 0.1]), np.array([0, 1.0, 0]), R, 1.0)
    sheet = edges_beside_hole(odd, False, np.array([2.0, -0.019, 0.1]), np.array([0, 1.0, 0]), R, 1.0)
    assert edges is not None and sheet is not None
    assert edges[0].gap_m == pytest.approx(0.1 - R, abs=1e-7)
    assert sheet[0].gap_m == pytest.approx(0.1 - R, abs=1e-7)


def test_no_face_at_the_point_gives_no_answer() -> None:
    assert (
        edges_beside_hole(profile(JOIST, 4.0), True, np.array([2.0, 0.5, 0.1]), np.array([0, 1.0, 0]), R, 1.0) is None
    )


@pytest.mark.parametrize("tilt", [(0.0, (0, 0, 1)), (41.0, (3, -1, 2)), (22.0, (0, 1, 0))])
@pytest.mark.parametrize("shape", SHAPES)
def test_the_axis_and_the_nailing_faces_of_a_member_are_exact(shape, tilt) -> None:
    section, _, height = SHAPES[shape]
    degrees, axis = tilt
    mesh = turned(profile(section, 3.0), axis, degrees)
    member = member_of(mesh)
    assert member is not None
    assert abs(member.axis @ turned(np.array([1.0, 0, 0]), axis, degrees)) == pytest.approx(1.0, abs=1e-12)
    flat = turned(member.strips.reshape(-1, 3), axis, -degrees)
    assert np.allclose(np.sort(np.unique(np.round(flat[:, 2], 6))), [0.0, height])
    assert flat[:, 0].min() == pytest.approx(0.0, abs=1e-9)
    assert flat[:, 0].max() == pytest.approx(3.0, abs=1e-9)


def test_mitred_ends_do_not_turn_the_axis() -> None:
    rafter = profile(JOIST, 4.0)
    mitred = rafter.copy()
    mitred[:, :, 0] += 0.5 * mitred[:, :, 2]  # both ends cut to one slope
    member = member_of(mitred)
    assert member is not None
    assert abs(member.axis[0]) == pytest.approx(1.0, abs=1e-12)


def test_a_square_post_has_four_nailing_faces_and_a_truss_none() -> None:
    post = member_of(block((0, 0, 0), (0.089, 0.089, 2.4)))
    assert post is not None and len(post.strips) == 4
    web = turned(block((-0.6, -0.02, -0.04), (0.6, 0.02, 0.04)), (0, 1, 0), 40.0) + np.array([2.0, 0.0, 0.4])
    chord = block((0, -0.02, -0.04), (4, 0.02, 0.04))
    assert member_of(np.concatenate([chord, chord + np.array([0, 0, 0.8]), web])) is None
