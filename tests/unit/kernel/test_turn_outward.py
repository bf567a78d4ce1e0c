"""Meshes turned outward all at once: each as if it were alone."""

import numpy as np
import trimesh

from route3d.kernel.closed import is_closed, orient, turn_outward


def meshes(rnd, count):
    makers = [trimesh.creation.box, trimesh.creation.icosphere, lambda: trimesh.creation.annulus(1, 2, 1)]
    for number in range(count):
        mesh = np.array(makers[number % 3]().triangles) * rnd.uniform(0.1, 5) + rnd.uniform(-100, 100, 3)
        turned = rnd.random(len(mesh)) < 0.3
        mesh[turned] = mesh[turned][:, ::-1]
        if number % 7 == 0:
            mesh = mesh[1:]  # a hole
        if number % 11 == 0:
            mesh = np.concatenate([mesh, mesh + 50.0])  # two shells
        if number % 13 == 0:
            mesh = np.concatenate([mesh, mesh[:1]])  # a face twice
        if number % 5 == 0:
            mesh = np.concatenate([mesh, mesh[:1, [0, 0, 1]]])  # a face without area
        yield mesh
    yield np.empty((0, 3, 3))


def test_many_meshes_at_once_are_each_as_if_alone():
    all_of_them = list(meshes(np.random.default_rng(2), 120))
    starts = np.cumsum([0] + [len(mesh) for mesh in all_of_them])
    turned, closed = turn_outward(np.concatenate(all_of_them), starts)
    assert 60 < closed.sum() < 120
    for number, mesh in enumerate(all_of_them):
        here = turned[starts[number] : starts[number + 1]]
        alone = orient(mesh)
        assert closed[number] == (alone is not None) == (is_closed(here) and closed[number])
        np.testing.assert_array_equal(here, mesh if alone is None else alone)


def test_turned_solids_have_the_volumes_of_their_formulas():
    box = np.array(trimesh.creation.box(extents=(1, 2, 3)).triangles)
    ring = np.array(trimesh.creation.annulus(1, 2, 3).triangles)[:, ::-1]
    turned, closed = turn_outward(np.concatenate([box, ring]), [0, len(box), len(box) + len(ring)])
    assert closed.all()
    volume = np.einsum("ij,ij->i", turned[:, 0], np.cross(turned[:, 1], turned[:, 2])) / 6.0
    np.testing.assert_allclose(volume[: len(box)].sum(), 6.0, rtol=1e-12)
    corners = 32  # of the polygon that stands for a circle
    area = corners / 2 * np.sin(2 * np.pi / corners)
    np.testing.assert_allclose(volume[len(box) :].sum(), area * (4 - 1) * 3, rtol=1e-9)
