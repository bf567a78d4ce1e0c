"""Outlines of zones become closed solids of the right size, whichever way they turn."""

import numpy as np
import pytest
import trimesh

from importers.project_file import ZoneTable
from importers.zones import build_zones

ELL = [(0, 0), (4, 0), (4, 1), (1, 1), (1, 3), (0, 3)]


def solid_of(outline, bottom=2.0, top=5.0):
    table = ZoneTable(name="z", kind="wet", outline=[list(map(float, p)) for p in outline], bottom=bottom, top=top)
    (zone,), findings = build_zones([table], [], 1.0, "project")
    return zone, findings


@pytest.mark.parametrize(
    "outline",
    [
        ELL,
        ELL[::-1],
        [*ELL, ELL[0]],
        [(0, 0), (2, 0), (2, 0), (3, 0), *ELL[1:]],  # a point twice, and points where it runs straight on
        [(x + 500_000.0, y + 4_000_000.0) for x, y in ELL],
    ],
    ids=["counter-clockwise", "clockwise", "closed by hand", "repeated points", "survey coordinates"],
)
def test_an_outline_is_a_closed_solid_that_faces_outward(outline):
    zone, findings = solid_of(outline)
    assert not findings and not zone.unclosed
    (triangles,) = zone.solids_m
    mesh = trimesh.Trimesh(*_welded(triangles - triangles[0, 0]), process=False)
    assert mesh.is_watertight
    assert mesh.volume == pytest.approx(6.0 * 3.0, rel=1e-9)
    assert triangles[..., 2].min() == 2.0 and triangles[..., 2].max() == 5.0


@pytest.mark.parametrize(
    "outline", [[(0, 0), (1, 1), (1, 0), (0, 1)], [(0, 0), (1, 0), (2, 0)]], ids=["crossing", "flat"]
)
def test_an_outline_without_an_inside_is_said(outline):
    zone, findings = solid_of(outline)
    assert not zone.solids_m and len(zone.unclosed) == 1 and findings[0].unchecked


def _welded(triangles):
    points, number = np.unique(triangles.reshape(-1, 3), axis=0, return_inverse=True)
    return points, number.reshape(-1, 3)
