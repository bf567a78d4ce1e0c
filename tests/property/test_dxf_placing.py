"""Any nest of block references puts geometry where the library's own explosion puts it; chords keep their tolerance."""

import math
import tempfile
from pathlib import Path

import ezdxf
import numpy as np
from ezdxf.disassemble import recursive_decompose
from hypothesis import given, settings
from hypothesis import strategies as st

from importers.dxf import read_model
from importers.dxf_curves import bulge_points, circle_points

FACE = [(0, 0, 0), (1, 0, 0), (1, 2, 0), (0, 2, 3)]

numbers = st.floats(-50, 50).map(lambda x: round(x, 3))
factors = st.sampled_from([1.0, -1.0, 0.5, 2.0, -3.0])
extrusions = st.sampled_from([(0, 0, 1), (0, 0, -1), (1, 1, 1), (0, 1, 0), (-0.3, 0.2, 0.9)])
# The library explodes a reference inside a stretched and turned one by approximation only, so nests are scaled evenly.
placings = st.tuples(numbers, numbers, numbers, factors, st.sampled_from([0, 30, 90, 200.5]), extrusions)


def read(doc):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "d.dxf"
        doc.saveas(path)
        return read_model(
            path, name="d", role_of=lambda *_: "duct", units="m", move_m=(0, 0, 0), chord_tolerance_m=1e-3
        )


def insert(layout, name, placing, uneven=(1, 1, 1)):
    x, y, z, factor, rotation, extrusion = placing
    scale = {f"{axis}scale": factor * u for axis, u in zip("xyz", uneven, strict=True)}
    return layout.add_blockref(name, (x, y, z), dxfattribs={**scale, "rotation": rotation, "extrusion": extrusion})


@settings(max_examples=40, deadline=None)
@given(st.lists(placings, min_size=1, max_size=4), st.sampled_from([(1, 1, 1), (2, -1, 3)]), numbers)
def test_nested_references_stand_where_the_library_explodes_them(nest, uneven, base):
    doc = ezdxf.new()
    block = doc.blocks.new("B0", base_point=(base, 1, 2))
    block.add_3dface(FACE)
    block.add_solid([(0, 0, 1), (2, 0, 1), (0, 1, 1), (2, 1, 1)], dxfattribs={"extrusion": (0, 0, -1)})
    for level, placing in enumerate(nest[:-1], start=1):
        outer = doc.blocks.new(f"B{level}", base_point=(0, base, 0))
        # stretched unevenly only where it is innermost: the library cannot hold a sheared reference
        insert(outer, f"B{level - 1}", placing, uneven if level == 1 else (1, 1, 1))
    insert(doc.modelspace(), f"B{len(nest) - 1}", nest[-1])
    theirs = {
        entity.dxftype(): np.array([p.xyz for p in entity.wcs_vertices()])
        for entity in recursive_decompose(doc.modelspace())
    }
    ours = {element.kind: element.triangles_m.reshape(-1, 3) for element in read(doc).elements}
    assert sorted(ours) == sorted(theirs) == ["3DFACE", "SOLID"]
    for kind, other in theirs.items():
        mine = ours[kind]
        size = 1.0 + np.abs(other).max()
        for point in other:
            assert np.abs(mine - point).max(axis=1).min() < 1e-9 * size
        for point in mine:
            assert np.abs(other - point).max(axis=1).min() < 1e-9 * size


@settings(max_examples=60, deadline=None)
@given(st.floats(-20, 20), st.floats(0.01, 100), st.floats(0, 6), st.floats(1e-5, 1e-1))
def test_chords_of_a_bulge_are_no_further_off_than_the_tolerance(bulge, length, direction, tolerance):
    start = np.array([3.0, 4.0])
    end = start + length * np.array([math.cos(direction), math.sin(direction)])
    points = np.vstack([bulge_points(start, end, bulge, tolerance), end])
    if abs(bulge) < 1e-9:
        return
    # centre from three points, not from the formula under test: the top of the arc is bulge * length / 2 off the chord
    chord = end - start
    top = (start + end) / 2 - np.array([-chord[1], chord[0]]) * bulge / 2
    a, b = start - top, end - top
    system = 2 * np.array([a, b])
    if abs(np.linalg.det(system)) < 1e-6 * length**2:
        return
    centre = top + np.linalg.solve(system, np.array([a @ a, b @ b]))
    radius = np.hypot(*(start - centre))
    np.testing.assert_allclose(np.hypot(*(points - centre).T), radius, rtol=1e-7)
    middle = (points[:-1] + points[1:]) / 2
    assert (radius - np.hypot(*(middle - centre).T)).max() <= tolerance * (1 + 1e-6) + 1e-7 * radius


@settings(max_examples=60, deadline=None)
@given(st.floats(1e-3, 1e3), st.floats(1e-5, 1.0))
def test_chords_of_a_circle_are_no_further_off_than_the_tolerance(radius, tolerance):
    points = circle_points((0, 0), radius, tolerance)
    middle = (points + np.roll(points, -1, axis=0)) / 2
    assert (radius - np.hypot(*middle.T)).max() <= tolerance * (1 + 1e-6) + 1e-12 * radius
    assert len(points) >= 4
