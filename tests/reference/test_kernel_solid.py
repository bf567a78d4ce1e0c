"""Solids: analytic boxes and spheres, dense sampling, and what a general mesh library says of closed meshes."""

import numpy as np
import pytest
import trimesh
from kernel_truth import box, box_depth, path_points, piece_points, point_triangles, random_paths

from route3d.kernel.compiled import thread_limit
from route3d.kernel.mesh_index import build_index
from route3d.kernel.solid import (
    closed_elements,
    deepest,
    elements_around,
    inside_points,
    inside_stretches,
    is_closed,
    orient,
)

TOLERANCE_M = 5e-5


def boxes_model(rng, count, size=5.0, shift=0.0):
    low = rng.uniform(0.1 * size, 0.8 * size, (count, 3))
    high = low + rng.uniform(0.05, 2.5, (count, 3))
    triangles = np.concatenate([box(a, b) for a, b in zip(low + shift, high + shift, strict=True)])
    return low, high, build_index(triangles, np.arange(count + 1) * 12)


def every_pair(paths, elements):
    grid = np.meshgrid(np.arange(paths), np.arange(elements), indexing="ij")
    return grid[0].ravel(), grid[1].ravel()


def sampled(rows, step):
    parts = [np.linspace(0, row[2], int(row[2] / step) + 2) for row in rows]
    at = np.concatenate([row[1] + s for row, s in zip(rows, parts, strict=True)])
    return at, np.concatenate([piece_points(row, s) for row, s in zip(rows, parts, strict=True)])


@pytest.mark.parametrize("shift", [0.0, 5e5])
def test_depth_and_stretches_in_boxes_agree_with_the_closed_form(shift):
    rng = np.random.default_rng(1)
    low, high, index = boxes_model(rng, 25, shift=shift)
    pieces, starts = random_paths(rng, 16, 5.0)
    moved = pieces.copy()
    moved[:, 3:6] += shift
    path, element = every_pair(16, 25)
    stretches = inside_stretches(index, moved, starts, path, element)
    depth = deepest(index, moved, starts, path, element, TOLERANCE_M)
    crossed = 0
    step = 1e-3
    for pair in range(len(path)):
        rows = pieces[starts[path[pair]] : starts[path[pair] + 1]]
        at, points = sampled(rows, step)
        truth = box_depth(points, low[element[pair]], high[element[pair]])
        mine = stretches.pair == pair
        begin, end = stretches.from_m[mine], stretches.to_m[mine]
        inside = ((at[:, None] >= begin - 1e-9) & (at[:, None] <= end + 1e-9)).any(1)
        clear = np.abs(truth) > 1e-8
        assert (inside == (truth > 0))[clear].all()
        if len(begin) == 0:
            assert depth.depth_m[pair] == 0.0
            assert np.isnan(depth.at_m[pair])
            continue
        crossed += 1
        place = path_points(rows, [depth.at_m[pair]])
        assert abs(box_depth(place, low[element[pair]], high[element[pair]])[0] - depth.depth_m[pair]) < 1e-8
        assert depth.depth_m[pair] >= truth.max() - TOLERANCE_M
    assert crossed > 20


def test_depth_in_a_sphere_agrees_with_the_closed_form():
    sphere = trimesh.creation.icosphere(subdivisions=4, radius=0.5)
    facet_error = 0.5 - np.linalg.norm(sphere.triangles.mean(1), axis=1).min()
    index = build_index(sphere.triangles, [0, len(sphere.triangles)])
    rng = np.random.default_rng(2)
    a, b = rng.normal(size=(2, 200, 3))
    pieces = np.zeros((200, 14))
    pieces[:, 2] = np.linalg.norm(b - a, axis=1)
    pieces[:, 3:6], pieces[:, 9:12] = a, (b - a) / pieces[:, 2, None]
    depth = deepest(index, pieces, np.arange(201), np.arange(200), np.zeros(200, int), TOLERANCE_M)
    s = np.clip(-(a * pieces[:, 9:12]).sum(1), 0, pieces[:, 2])
    truth = np.maximum(0.5 - np.linalg.norm(a + s[:, None] * pieces[:, 9:12], axis=1), 0.0)
    assert (truth > 0.05).sum() > 20
    assert np.abs(depth.depth_m - truth).max() < facet_error + TOLERANCE_M


def test_a_run_parallel_to_a_face_and_a_bend_in_a_level_plane_have_their_exact_depth():
    index = build_index(box(np.zeros(3), np.array([10.0, 10, 1])), [0, 12])
    straight = np.zeros(14)
    straight[2], straight[3:6], straight[9:12] = 12.0, (-1, 5, 0.9), (1, 0, 0)
    bend = np.zeros(14)
    bend[0], bend[2], bend[12], bend[13] = 1.0, 0.5 * np.pi, 1.0, 0.5 * np.pi
    bend[3:6], bend[6:9], bend[9:12] = (5, 5, 0.7), (1, 0, 0), (0, 1, 0)
    depth = deepest(index, np.array([straight, bend]), [0, 1, 2], [0, 1], [0, 0])
    np.testing.assert_allclose(depth.depth_m, [0.1, 0.3], atol=1e-12)
    stretches = inside_stretches(index, np.array([straight, bend]), [0, 1, 2], [0, 1], [0, 0])
    np.testing.assert_allclose(stretches.from_m, [1.0, 0.0], atol=1e-12)
    np.testing.assert_allclose(stretches.to_m, [11.0, 0.5 * np.pi], atol=1e-12)


def test_depth_in_a_hollow_and_notched_solid_agrees_with_dense_sampling():
    rng = np.random.default_rng(4)
    torus = trimesh.creation.torus(major_radius=1.0, minor_radius=0.3, major_sections=24, minor_sections=12)
    ring = trimesh.creation.annulus(r_min=0.4, r_max=0.7, height=0.8)
    for solid in (torus, ring):
        triangles = np.asarray(solid.triangles)
        index = build_index(triangles, [0, len(triangles)])
        pieces, starts = random_paths(rng, 12, 2.0)
        pieces[:, 3:6] -= 1.0
        zeros = np.zeros(12, int)
        depth = deepest(index, pieces, starts, np.arange(12), zeros, TOLERANCE_M)
        stretches = inside_stretches(index, pieces, starts, np.arange(12), zeros)
        for path in range(12):
            rows = pieces[starts[path] : starts[path + 1]]
            at, points = sampled(rows, 0.02)
            mine = stretches.pair == path
            begin, end = stretches.from_m[mine], stretches.to_m[mine]
            inside = ((at[:, None] >= begin - 1e-9) & (at[:, None] <= end + 1e-9)).any(1)
            assert (inside == winding(triangles, points)).all()
            if inside.any():
                away = np.asarray(point_triangles(points[inside][:, None], triangles[None]).min(1), float)
                assert depth.depth_m[path] >= away.max() - TOLERANCE_M
                place = path_points(rows, [depth.at_m[path]])
                assert abs(float(point_triangles(place, triangles).min()) - depth.depth_m[path]) < 1e-9


def winding(triangles, points):
    """Inside by the sum of solid angles (Van Oosterom and Strackee 1983, formula from memory)."""
    a, b, c = (triangles[None, :, k] - points[:, None] for k in range(3))
    la, lb, lc = (np.linalg.norm(v, axis=-1) for v in (a, b, c))
    top = (a * np.cross(b, c)).sum(-1)
    below = la * lb * lc + (a * b).sum(-1) * lc + (b * c).sum(-1) * la + (c * a).sum(-1) * lb
    return np.abs(np.arctan2(top, below).sum(1)) > np.pi


def test_points_inside_agree_with_solid_angles():
    rng = np.random.default_rng(6)
    solids = [
        trimesh.creation.icosphere(2, 0.8),
        trimesh.creation.torus(0.8, 0.3, major_sections=16, minor_sections=8),
        trimesh.creation.capsule(1.0, 0.4, count=[8, 8]),
        trimesh.creation.box((1.2, 0.9, 0.02)),
    ]
    triangles = np.concatenate([s.triangles for s in solids])
    starts = np.concatenate([[0], np.cumsum([len(s.triangles) for s in solids])])
    index = build_index(triangles, starts)
    points = rng.uniform(-1, 1, (500, 3))
    points[:100] = np.round(points[:100], 1)  # rays through corners and edges are likely from here
    for k, solid in enumerate(solids):
        away = np.asarray(point_triangles(points[:, None], solid.triangles[None]).min(1), float)
        clear = away > 1e-8
        mine = inside_points(index, np.full(500, k), points)
        assert (mine == winding(np.asarray(solid.triangles), points))[clear].all()
        assert not mine[away < 1e-10].any()
    around = elements_around(index, points, np.array([True, True, False, True]))
    for k in (0, 1, 3):
        np.testing.assert_array_equal(
            around[0][around[1] == k], np.flatnonzero(inside_points(index, np.full(500, k), points))
        )
    assert not (around[1] == 2).any()


def test_overlapping_shells_of_one_element_do_not_cancel():
    both = np.concatenate([box(np.zeros(3), np.ones(3)), box(np.full(3, 0.5), np.full(3, 1.5))])
    index = build_index(both, [0, 24])
    assert inside_points(index, [0, 0, 0], [[0.75, 0.75, 0.75], [0.2, 0.2, 0.2], [1.2, 0.2, 0.2]]).tolist() == [
        True,
        True,
        False,
    ]


def test_closed_meshes_agree_with_a_general_mesh_library():
    solids = [trimesh.creation.icosphere(2), trimesh.creation.torus(1, 0.2), trimesh.creation.box((1, 2, 3))]
    for solid in solids:
        assert solid.is_volume
        assert is_closed(solid.triangles)
        assert is_closed(solid.triangles[:, ::-1])  # inside out is closed too
        assert is_closed(solid.triangles + 5e5)
        assert not is_closed(solid.triangles[1:])
        assert orient(solid.triangles[1:]) is None


def test_faces_that_disagree_are_turned_outwards():
    rng = np.random.default_rng(8)
    for solid in (trimesh.creation.icosphere(2), trimesh.creation.torus(1, 0.2), trimesh.creation.annulus(0.5, 1, 2)):
        triangles = solid.triangles.copy()
        turned = rng.random(len(triangles)) < 0.4
        triangles[turned] = triangles[turned][:, ::-1]
        assert not is_closed(triangles)
        mended = orient(triangles)
        assert mended is not None
        assert is_closed(mended)
        volume = (mended[:, 0] * np.cross(mended[:, 1], mended[:, 2])).sum() / 6
        assert abs(volume - solid.volume) < 1e-9


def test_meshes_that_hold_nothing_are_not_closed():
    sheet = np.array([[[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]])
    assert not is_closed(sheet)
    assert not is_closed(np.concatenate([sheet, sheet[:, ::-1]]))  # both sides of one sheet
    assert not is_closed(np.empty((0, 3, 3)))
    assert orient(np.concatenate([sheet, sheet])) is None


def test_a_corner_on_the_middle_of_an_edge_leaves_the_mesh_open():
    triangles = box(np.zeros(3), np.ones(3))
    a, b, c = triangles[0]
    halved = np.array([[a, 0.5 * (a + b), c], [0.5 * (a + b), b, c]])
    assert not is_closed(np.concatenate([triangles[1:], halved]))
    assert orient(np.concatenate([triangles[1:], halved])) is None


def test_a_one_sided_surface_cannot_be_oriented():
    turns = np.linspace(0, 2 * np.pi, 13)
    edge = np.array(
        [
            [
                np.array([np.cos(t), np.sin(t), 0]) * (1 + w * np.cos(t / 2)) + [0, 0, w * np.sin(t / 2)]
                for w in (-0.3, 0.3)
            ]
            for t in turns
        ]
    )
    edge[-1] = edge[0, ::-1]
    strip = [[edge[k, 0], edge[k, 1], edge[k + 1, 1]] for k in range(12)]
    strip += [[edge[k, 0], edge[k + 1, 1], edge[k + 1, 0]] for k in range(12)]
    assert orient(np.array(strip)) is None


def test_solid_answers_do_not_depend_on_the_number_of_threads():
    rng = np.random.default_rng(9)
    _, _, index = boxes_model(rng, 25)
    pieces, starts = random_paths(rng, 40, 5.0)
    path, element = every_pair(40, 25)
    answers = []
    for threads in (1, 3):
        with thread_limit(threads):
            answers.append(
                (
                    *deepest(index, pieces, starts, path, element),
                    *inside_stretches(index, pieces, starts, path, element),
                )
            )
    for one, other in zip(*answers, strict=True):
        np.testing.assert_array_equal(one, other)


def test_every_element_of_a_model_is_told_closed_or_open():
    rng = np.random.default_rng(12)
    solids = [trimesh.creation.icosphere(1), trimesh.creation.torus(1, 0.2), trimesh.creation.box((1, 2, 3))]
    parts, expected = [], []
    for k in range(300):
        triangles = solids[k % 3].triangles + rng.uniform(-1e3, 1e3, 3)
        keep = rng.random() < 0.5
        parts.append(triangles if keep else np.delete(triangles, rng.integers(len(triangles)), 0))
        expected.append(keep)
    starts = np.concatenate([[0], np.cumsum([len(part) for part in parts])])
    assert closed_elements(np.concatenate(parts), starts).tolist() == expected
