"""Open ends are closed flat where that gives a solid; what stays open is told by how far it encloses."""

import numpy as np
import pytest
import trimesh

from route3d.kernel.closed import is_closed
from route3d.kernel.openings import capped, enclosure

BOX = np.array(trimesh.creation.box((2.0, 1.0, 0.5)).triangles)


def without_ends(mesh):
    return mesh[np.abs(np.ptp(mesh[:, :, 0], axis=1)) > 1e-9]


def volume(triangles) -> float:
    return float(np.einsum("ij,ij->i", triangles[:, 0], np.cross(triangles[:, 1], triangles[:, 2])).sum() / 6.0)


@pytest.mark.parametrize("offset", [0.0, 5e5])
def test_a_duct_of_four_sides_becomes_a_box(offset: float) -> None:
    solid = capped(without_ends(BOX) + offset)
    assert solid is not None
    assert is_closed(solid)
    assert volume(solid - solid[0, 0]) == pytest.approx(1.0, rel=1e-6)


def test_one_missing_end_is_closed_too() -> None:
    solid = capped(BOX[(BOX[:, :, 0] < 1.0 - 1e-9).any(axis=1)])
    assert solid is not None
    assert volume(solid) == pytest.approx(1.0)


def test_a_pipe_without_ends_whose_faces_turn_either_way_becomes_a_cylinder() -> None:
    pipe = trimesh.creation.cylinder(0.1, height=3.0, sections=32)
    sides = np.array(pipe.triangles[np.abs(pipe.face_normals[:, 2]) < 0.5])
    sides[::3] = sides[::3, ::-1]
    solid = capped(sides)
    assert solid is not None
    assert volume(solid) == pytest.approx(pipe.volume)


@pytest.mark.parametrize(
    "mesh",
    [
        BOX,  # nothing to close
        BOX[:2],  # one flat face
        BOX[(BOX[:, :, 2] < 0.25).any(axis=1)][2:],  # a channel without one end: its rim is not flat
    ],
)
def test_what_has_no_flat_end_stays_as_it_is(mesh) -> None:
    assert capped(mesh) is None


def test_enclosure_is_one_inside_nothing_outside_and_half_before_a_sheet() -> None:
    # the solid angle of a face seen from the middle of a cube is a sixth of the sphere
    cube = np.array(trimesh.creation.box((1.0, 1.0, 1.0)).triangles)
    middle, outside = np.zeros(3), np.array([3.0, 0.0, 0.0])
    assert enclosure(cube, np.array([middle, outside])) == pytest.approx([1.0, 0.0], abs=1e-12)
    assert enclosure(cube[:2], middle[None]) == pytest.approx([1.0 / 6.0])
    assert enclosure(cube[2:], middle[None]) == pytest.approx([5.0 / 6.0])
