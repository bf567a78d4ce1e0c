"""The shortest way between two picked things, against a slow search and closed forms."""

import numpy as np
import pytest
import trimesh

from route3d.errors import Route3DError
from route3d.kernel.path import straight_piece
from route3d.viewer.apart import TRIANGLES_MAX, Apart, Body, apart


def box(low, size) -> Body:
    mesh = trimesh.creation.box(size, trimesh.transformations.translation_matrix(np.add(low, np.divide(size, 2))))
    return Body("a box", triangles_m=np.array(mesh.triangles))


def tube(start, stop, radius) -> Body:
    return Body("a run", pieces=np.array([straight_piece(np.array(start), np.array(stop), 0.0)]), radius_m=radius)


def length(found: Apart) -> float:
    return float(np.linalg.norm(np.subtract(found.to_m, found.from_m)))


@pytest.mark.parametrize("seed", range(8))
def test_between_two_meshes_nothing_is_nearer(seed: int) -> None:
    rng = np.random.default_rng(seed)
    meshes = []
    for place in (0.0, 1.6):
        mesh = trimesh.creation.icosphere(subdivisions=1, radius=0.5)
        mesh.apply_scale(rng.uniform(0.4, 1.2, 3))
        mesh.apply_transform(trimesh.transformations.random_rotation_matrix(rng.random(3)))
        mesh.apply_translation(rng.uniform(-0.2, 0.2, 3) + [place, 0, 0] + np.array([5e5, 5e6, 100.0]) * (seed % 2))
        meshes.append(mesh)
    found = apart(*(Body("one", triangles_m=np.array(mesh.triangles)) for mesh in meshes))
    assert length(found) == pytest.approx(found.gap_m, abs=1e-9)
    for point, mesh in zip((found.from_m, found.to_m), meshes, strict=True):
        near, away, _ = trimesh.proximity.closest_point_naive(mesh, [point])
        assert away[0] < 1e-6, near
    # an independent bound from both sides: points spread over one, exact to the other
    points, _ = trimesh.sample.sample_surface(meshes[0], 4000, seed=seed)
    away = trimesh.proximity.closest_point_naive(meshes[1], points)[1].min()
    assert found.gap_m <= away + 1e-9 and away - found.gap_m < 0.01


def test_edges_that_cross_are_nearest_between_their_ends() -> None:
    found = apart(box((0, -1, 0), (2, 0.1, 0.1)), box((0.9, -2, 0.5), (0.1, 2, 0.1)))
    assert found.gap_m == pytest.approx(0.4, abs=1e-9)


def test_a_run_is_measured_from_its_surface() -> None:
    found = apart(tube((0, 0, 1), (4, 0, 1), 0.006), box((1, -1, 0), (2, 2, 0.9)))
    assert found.gap_m == pytest.approx(0.1 - 0.006, abs=1e-9)
    assert found.from_m[2] == pytest.approx(1 - 0.006) and found.to_m[2] == pytest.approx(0.9)
    back = apart(box((1, -1, 0), (2, 2, 0.9)), tube((0, 0, 1), (4, 0, 1), 0.006))
    assert back.gap_m == pytest.approx(found.gap_m) and back.to_m[2] == pytest.approx(1 - 0.006)
    # two skew lines: the distance of their directions' common normal
    found = apart(tube((0, 0, 0), (2, 0, 0), 0.01), tube((1, -1, 0.3), (1, 1, 0.3), 0.02))
    assert found.gap_m == pytest.approx(0.27, abs=1e-9)


def test_what_touches_or_crosses_is_nothing_apart() -> None:
    assert apart(box((0, 0, 0), (1, 1, 1)), box((1, 0.2, 0.2), (1, 0.5, 0.5))).gap_m == pytest.approx(0.0, abs=1e-9)
    assert apart(box((0, 0, 0), (1, 1, 1)), box((0.5, 0.5, 0.5), (1, 1, 1))).gap_m == 0.0
    assert apart(tube((0, 0, 0.005), (1, 0, 0.005), 0.01), box((0, -1, -1), (1, 2, 1))).gap_m == 0.0


def test_a_scanned_point_is_a_ball() -> None:
    point = Body("a point", triangles_m=np.full((1, 3, 3), 2.0), radius_m=0.05)
    assert apart(point, box((0, 0, 0), (1, 4, 4))).gap_m == pytest.approx(0.95, abs=1e-8)


def test_without_a_surface_or_with_too_much_of_it_nothing_is_measured() -> None:
    with pytest.raises(Route3DError, match="no surface"):
        apart(box((0, 0, 0), (1, 1, 1)), Body("a symbol", triangles_m=np.empty((0, 3, 3))))
    huge = Body("a scan", triangles_m=np.zeros((TRIANGLES_MAX, 3, 3)))
    with pytest.raises(Route3DError, match="too many"):
        apart(huge, box((0, 0, 0), (1, 1, 1)))
