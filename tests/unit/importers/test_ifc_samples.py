"""Real files of other people: counts, extents, triangles and volumes, compared with the library asked directly."""

import zipfile
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("ifcopenshell")

import ifcopenshell
import ifcopenshell.geom

from importers.ifc import read_model
from importers.roles import ModelRoles, role_map

DATA = Path(__file__).parents[2] / "data"

# counted and measured in a session of its own with the library's multi-threaded iterator
KNOWN = {
    "storeys.ifczip": (
        {"IfcWallStandardCase": 24, "IfcWindow": 21, "IfcDoor": 5, "IfcSlab": 5},
        [[-5.926, -7.977, -0.15], [2.354, 0.223, 16.4]],
        5460,
    ),
    "slabs.ifczip": (
        {"IfcSlab": 58, "IfcBuildingElementProxy": 1},
        [[-1.0, -1.0, 0.0], [22.66, 21.25, 11.84]],
        3106,
    ),
}


def read(name):
    return read_model(
        DATA / name,
        name=name,
        role_of=ModelRoles(role_map({}), [], []),
        units=None,
        move_m=(0.0, 0.0, 0.0),
        chord_tolerance_m=1e-4,
    )


@pytest.mark.parametrize("name", KNOWN)
def test_counts_extents_and_triangles_are_the_known_ones(name):
    kinds, extent, triangles = KNOWN[name]
    drawing = read(name)
    boxes = np.array([element.box_m for element in drawing.elements])
    assert Counter(element.kind for element in drawing.elements) == kinds
    np.testing.assert_allclose([boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)], extent, atol=6e-4)
    assert drawing.source.triangles == triangles
    assert drawing.unread == () and drawing.source.unit == "mm"
    assert all(element.closed for element in drawing.elements)


@pytest.mark.parametrize("name", KNOWN)
def test_volumes_are_those_of_the_other_kernel_in_world_coordinates(name, tmp_path):
    with zipfile.ZipFile(DATA / name) as archive:
        (member,) = archive.namelist()
        (tmp_path / "m.ifc").write_bytes(archive.read(member))
    ifc = ifcopenshell.open(str(tmp_path / "m.ifc"))
    settings = ifcopenshell.geom.settings()
    settings.set("use-world-coords", True)
    settings.set("mesher-linear-deflection", 1e-4)
    settings.set("reorient-shells", True)
    kernel = ifcopenshell.geom.kernel(settings, ifc, geometry_library="opencascade")
    for element in read(name).elements[::3]:
        shape = kernel.create_shape(ifc.by_guid(element.guid)).geometry
        corners = np.array(shape.verts).reshape(-1, 3)
        expected = corners[np.array(shape.faces).reshape(-1, 3)]
        np.testing.assert_allclose(
            element.box_m, [corners.min(axis=0), corners.max(axis=0)], atol=2e-4, err_msg=element.element_id
        )
        assert volume(element.triangles_m) == pytest.approx(abs(volume(expected)), rel=1e-3, abs=1e-6)


def volume(triangles):
    a, b, c = (triangles[:, k] - triangles[0, 0] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def test_names_storeys_and_roles_of_a_real_file():
    drawing = read("storeys.ifczip")
    assert {element.storey for element in drawing.elements} >= {"Level 1", "Level 2"}
    assert all(element.name and element.guid for element in drawing.elements)
    assert {element.role for element in drawing.elements if element.kind == "IfcSlab"} == {"structure"}
