"""Areas and volumes of what is read, against closed forms and a general mesh library."""

import math
from itertools import pairwise

import ezdxf
import numpy as np
import pytest
import trimesh
from ezdxf.acis import entities
from ezdxf.acis.api import body_from_mesh, export_dxf
from ezdxf.acis.mesh import PolyhedronFaceBuilder
from ezdxf.math import Vec3
from ezdxf.render import MeshBuilder, forms

BOX = [(0, 0, 0), (2, 0, 0), (2, 3, 0), (0, 3, 0), (0, 0, 4), (2, 0, 4), (2, 3, 4), (0, 3, 4)]
SIDES = [(0, 1, 2, 3), (4, 5, 6, 7), (0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7)]


def volume(element):
    a, b, c = (element.triangles_m[:, i] for i in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


def area(element):
    t = element.triangles_m
    return float(np.linalg.norm(np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]), axis=1).sum() / 2.0)


def watertight(element):
    mesh = trimesh.Trimesh(**trimesh.triangles.to_kwargs(np.array(element.triangles_m)), process=False)
    mesh.merge_vertices()
    return mesh.is_watertight and mesh.is_winding_consistent


def only(drawing):
    assert not drawing.unread
    (element,) = drawing.elements
    return element


def draw_box(space, corners=BOX, **attribs):
    for side in SIDES:
        space.add_3dface([corners[i] for i in side], dxfattribs=attribs)


def test_a_box_of_3d_faces_with_mixed_winding_is_one_closed_solid(read_dxf):
    doc = ezdxf.new()
    draw_box(doc.modelspace())
    element = only(read_dxf(doc))
    assert element.closed
    assert watertight(element)
    assert volume(element) == pytest.approx(24.0)


def test_boxes_of_3d_faces_that_touch_along_an_edge_are_two_solids(read_dxf):
    doc = ezdxf.new()
    draw_box(doc.modelspace())
    draw_box(doc.modelspace(), [(x + 2, y + 3, z) for x, y, z in BOX])
    drawing = read_dxf(doc)
    assert [e.closed for e in drawing.elements] == [True, True]
    assert [volume(e) for e in drawing.elements] == pytest.approx([24.0, 24.0])


def test_an_open_box_is_not_closed_and_keeps_its_faces(read_dxf):
    doc = ezdxf.new()
    for side in SIDES[1:]:
        doc.modelspace().add_3dface([BOX[i] for i in side])
    element = only(read_dxf(doc))
    assert not element.closed
    assert area(element) == pytest.approx(6.0 + 2 * 8.0 + 2 * 12.0)


def test_a_one_sided_band_of_3d_faces_is_not_closed(read_dxf):
    doc = ezdxf.new()
    turn = np.linspace(0, 2 * np.pi, 13)
    rim = [
        [(math.cos(t) * (3 + s * math.cos(t / 2)), math.sin(t) * (3 + s * math.cos(t / 2)), s * math.sin(t / 2))
         for s in (-1, 1)] for t in turn[:-1]
    ]  # fmt: skip
    rim.append(rim[0][::-1])
    for (a, b), (c, d) in pairwise(rim):
        doc.modelspace().add_3dface([a, b, d, c])
    assert not only(read_dxf(doc)).closed


def test_a_face_without_area_is_said_to_be_unread(read_dxf):
    doc = ezdxf.new()
    doc.modelspace().add_3dface([(0, 0, 0), (1, 0, 0), (2, 0, 0), (2, 0, 0)])
    (row,) = read_dxf(doc).unread
    assert "no surface" in row.reason


def test_a_reentrant_quad_is_split_inside(read_dxf):
    doc = ezdxf.new()
    doc.modelspace().add_3dface([(0, 0, 0), (4, 0, 0), (1, 1, 0), (0, 4, 0)])
    assert area(only(read_dxf(doc))) == pytest.approx(4.0)


def test_a_polyface_box_is_closed(read_dxf):
    doc = ezdxf.new()
    mesh = forms.cube(center=False)
    mesh.scale(2, 3, 4)
    mesh.render_polyface(doc.modelspace())
    element = only(read_dxf(doc))
    assert element.closed
    assert volume(element) == pytest.approx(24.0)


def test_a_polygon_mesh_closed_both_ways_is_a_ring(read_dxf):
    doc = ezdxf.new()
    mesh = doc.modelspace().add_polymesh((8, 6))
    for i in range(8):
        for j in range(6):
            u, v = math.tau * i / 8, math.tau * j / 6
            r = 5 + math.cos(v)
            mesh.set_mesh_vertex((i, j), (r * math.cos(u), r * math.sin(u), math.sin(v)))
    mesh.close(True, True)
    element = only(read_dxf(doc))
    assert element.closed
    assert len(element.triangles_m) == 96
    assert volume(element) > 0


def test_a_mesh_with_a_concave_face_and_a_point_on_a_straight_edge_is_closed(read_dxf):
    doc = ezdxf.new()
    outline = [(0, 0), (1, 0), (3, 0), (3, 1), (1, 1), (1, 3), (0, 3)]  # (1, 0) lies on a straight edge
    n = len(outline)
    with doc.modelspace().add_mesh().edit_data() as data:
        data.vertices = [(x, y, z) for z in (0, 2) for x, y in outline]
        data.faces = [tuple(range(n))[::-1], tuple(range(n, 2 * n))] + [
            (i, (i + 1) % n, (i + 1) % n + n, i + n) for i in range(n)
        ]
    element = only(read_dxf(doc))
    assert element.closed
    assert watertight(element)
    assert volume(element) == pytest.approx(10.0)


def test_a_smoothed_mesh_is_read_as_its_cage_and_named_as_unread(read_dxf):
    doc = ezdxf.new()
    mesh = doc.modelspace().add_mesh(dxfattribs={"subdivision_levels": 2})
    cube = forms.cube()
    with mesh.edit_data() as data:
        data.vertices, data.faces = cube.vertices, cube.faces
    drawing = read_dxf(doc)
    assert len(drawing.elements) == 1
    assert "smoothed" in drawing.unread[0].reason
    assert drawing.unread[0].box_m is not None


@pytest.mark.parametrize("kind", ["add_solid", "add_trace"])
def test_a_filled_quad_with_thickness_is_a_block(read_dxf, kind):
    doc = ezdxf.new()
    getattr(doc.modelspace(), kind)([(0, 0), (2, 0), (0, 3), (2, 3)], dxfattribs={"thickness": -4})
    element = only(read_dxf(doc))
    assert element.closed
    assert volume(element) == pytest.approx(24.0)


def test_a_filled_quad_is_flat(read_dxf):
    doc = ezdxf.new()
    doc.modelspace().add_solid([(0, 0), (2, 0), (0, 3), (2, 3)])
    assert area(only(read_dxf(doc))) == pytest.approx(6.0)


def test_a_circle_with_thickness_is_a_cylinder_whatever_its_role(read_dxf):
    doc = ezdxf.new()
    doc.modelspace().add_circle((5, 5, 1), 2, dxfattribs={"thickness": 3})
    element = only(read_dxf(doc, role="wall", tolerance_m=1e-5))
    n = len(element.triangles_m) // 4 + 1  # 2n wall triangles and n - 2 in each cap
    assert element.closed
    assert volume(element) == pytest.approx(3 * n / 2 * 4 * math.sin(math.tau / n), rel=1e-9)
    assert 2 * (1 - math.cos(math.pi / n)) <= 1e-5


def test_a_line_and_an_arc_with_thickness_are_walls(read_dxf):
    doc = ezdxf.new()
    doc.modelspace().add_line((0, 0, 0), (3, 4, 0), dxfattribs={"thickness": 2})
    doc.modelspace().add_arc((0, 0), 2, 350, 80, dxfattribs={"thickness": 2})
    line, arc = read_dxf(doc, tolerance_m=1e-6).elements
    assert area(line) == pytest.approx(10.0)
    assert area(arc) == pytest.approx(2 * 2 * math.pi / 2, rel=1e-5)


def test_a_closed_profile_is_capped_but_not_as_a_wall(read_dxf):
    doc = ezdxf.new()
    doc.modelspace().add_lwpolyline([(0, 0), (2, 0), (2, 3), (0, 3)], close=True, dxfattribs={"thickness": 4})
    solid, wall = only(read_dxf(doc)), only(read_dxf(doc, role="fire-wall"))
    assert (solid.closed, wall.closed) == (True, False)
    assert volume(solid) == pytest.approx(24.0)
    assert area(wall) == pytest.approx(40.0)


def test_a_profile_that_comes_back_to_its_start_is_closed(read_dxf):
    doc = ezdxf.new()
    doc.modelspace().add_lwpolyline([(0, 0), (2, 0), (2, 3), (0, 3), (0, 0)], dxfattribs={"thickness": 4})
    assert only(read_dxf(doc)).closed


def test_a_profile_with_bulges_has_the_volume_of_a_slot(read_dxf):
    doc = ezdxf.new()
    points = [(0, 0, 0), (4, 0, 1), (4, 2, 0), (0, 2, 1)]
    doc.modelspace().add_lwpolyline(points, format="xyb", close=True, dxfattribs={"thickness": 3})
    element = only(read_dxf(doc, tolerance_m=1e-6))
    assert element.closed
    assert volume(element) == pytest.approx(3 * (8 + math.pi), rel=1e-5)


def test_a_profile_that_crosses_itself_stays_open_and_says_so(read_dxf):
    doc = ezdxf.new()
    doc.modelspace().add_lwpolyline([(0, 0), (2, 2), (2, 0), (0, 2)], close=True, dxfattribs={"thickness": 1})
    drawing = read_dxf(doc)
    assert not drawing.elements[0].closed
    assert any("cross themselves" in note for note in drawing.source.notes)


@pytest.mark.parametrize("add", ["add_lwpolyline", "add_polyline2d"])
def test_a_wide_polyline_is_a_mitred_wall(read_dxf, add):
    doc = ezdxf.new()
    points = [(0, 0, 0.5, 0.5), (10, 0, 0.5, 0.5), (10, 8, 0.5, 0.5)]
    getattr(doc.modelspace(), add)(points, format="xyse", dxfattribs={"thickness": 3})
    element = only(read_dxf(doc))
    assert element.closed
    assert volume(element) == pytest.approx(0.5 * 3 * 18)  # a mitre adds outside what it takes inside


def test_a_closed_wide_polyline_is_a_tube(read_dxf):
    doc = ezdxf.new()
    attribs = {"thickness": 3, "const_width": 0.5}
    doc.modelspace().add_lwpolyline([(0, 0), (10, 0), (10, 8), (0, 8)], close=True, dxfattribs=attribs)
    element = only(read_dxf(doc, role="wall"))
    assert element.closed
    assert volume(element) == pytest.approx(3 * (10.5 * 8.5 - 9.5 * 7.5))


def test_a_ring_of_two_wide_arcs_is_a_tube_within_tolerance(read_dxf):
    doc = ezdxf.new()
    attribs = {"thickness": 2, "const_width": 1.0}
    doc.modelspace().add_lwpolyline([(-3, 0, 1), (3, 0, 1)], format="xyb", close=True, dxfattribs=attribs)
    element = only(read_dxf(doc, tolerance_m=1e-5))
    assert element.closed
    assert volume(element) == pytest.approx(2 * math.pi * (3.5**2 - 2.5**2), rel=1e-4)
    reach = np.hypot(element.triangles_m[..., 0], element.triangles_m[..., 1])
    assert reach.max() == pytest.approx(3.5, abs=1e-5)


def test_a_tapered_wide_polyline_has_the_volume_of_its_trapezium(read_dxf):
    doc = ezdxf.new()
    doc.modelspace().add_lwpolyline([(0, 0, 1, 3), (6, 0, 3, 3)], format="xyse", dxfattribs={"thickness": 2})
    assert volume(only(read_dxf(doc))) == pytest.approx(2 * 6 * 2)


def solid3d(version, mesh):
    doc = ezdxf.new(version)
    entity = doc.modelspace().add_3dsolid()
    export_dxf(entity, [body_from_mesh(mesh)])
    return doc


@pytest.mark.parametrize("version", ["R2000", "R2010", "R2013", "R2018"])
def test_a_flat_faced_solid_is_read_from_text_and_binary_records(read_dxf, version):
    mesh = forms.cube()
    mesh.scale(2, 3, 4).rotate_z(0.3).translate(10, 20, 30)
    element = only(read_dxf(solid3d(version, mesh)))
    assert element.closed
    # the library writes text records with six digits
    assert volume(element) == pytest.approx(24.0, rel=1e-4)


def test_two_lumps_of_one_solid_are_both_read(read_dxf):
    mesh = forms.cube()
    other = forms.cube()
    other.translate(5, 0, 0)
    mesh.add_mesh(mesh=other)
    element = only(read_dxf(solid3d("R2013", mesh)))
    assert volume(element) == pytest.approx(2.0)


def test_a_solid_that_cannot_be_parsed_is_one_unread_row(read_dxf):
    doc = ezdxf.new("R2010")
    doc.modelspace().add_3dsolid().sat = ["400 0 1 0", "nothing of use", "1 1 1", "body $-1 $9 $-1 $-1 #"]
    drawing = read_dxf(doc)
    assert [row.kind for row in drawing.unread] == ["3DSOLID"]


def test_every_solid_is_turned_outwards_in_a_mirrored_block(read_dxf):
    doc = ezdxf.new()
    block = doc.blocks.new("B")
    block.add_circle((1, 0), 0.5, dxfattribs={"thickness": 1})
    draw_box(block)
    doc.modelspace().add_blockref("B", (3, 0), dxfattribs={"xscale": -1})
    assert all(e.closed and volume(e) > 0 for e in read_dxf(doc).elements)


def body_with_a_square_hole():
    """A block of 4 by 4 by 2 with a hole of 2 by 2 through it: flat faces with an inner loop."""
    mesh = MeshBuilder()
    squares = [(4, 0), (2, 1)]  # side and offset
    for side, low in squares:
        for z in (0, 2):
            mesh.vertices += Vec3.generate(
                [(low + dx * side, low + dy * side, z) for dx, dy in ((0, 0), (1, 0), (1, 1), (0, 1))]
            )
    for base, inward in ((0, False), (8, True)):
        for i in range(4):
            j = (i + 1) % 4
            quad = (base + i, base + j, base + j + 4, base + i + 4)
            mesh.faces.append(quad[::-1] if inward else quad)
    builder = PolyhedronFaceBuilder(mesh)
    faces = builder.acis_faces()
    for z, normal in ((0, (0, 0, -1)), (4, (0, 0, 1))):
        face, ring = entities.Face(), [z, z + 1, z + 2, z + 3]
        # the hole is listed first: the order of loops means nothing
        for loop in ([n + 8 for n in ring], ring):
            face.append_loop(builder.make_loop(loop))
        face.surface = builder.make_plane(ring)
        face.surface.normal = Vec3(normal)
        faces.append(face)
    shell, lump, body = entities.Shell(), entities.Lump(), entities.Body()
    for face in faces:
        shell.append_face(face)
    lump.append_shell(shell)
    body.append_lump(lump)
    return body


@pytest.mark.parametrize("version", ["R2010", "R2013"])
def test_a_flat_face_with_a_hole_keeps_its_hole(read_dxf, version):
    doc = ezdxf.new(version)
    export_dxf(doc.modelspace().add_3dsolid(), [body_with_a_square_hole()])
    element = only(read_dxf(doc))
    assert element.closed
    assert watertight(element)
    assert volume(element) == pytest.approx(2 * (16 - 4))


def test_a_face_that_is_not_read_is_counted_and_bounded(read_dxf):
    doc = ezdxf.new("R2010")
    body = body_with_a_square_hole()
    # one corner is moved along an edge: the face beyond that edge is no longer flat
    edge = body.lumps()[0].shells()[0].faces()[0].loops()[0].coedges()[0].edge
    edge.end_vertex.point.location = Vec3(4, 0, 1)
    export_dxf(doc.modelspace().add_3dsolid(), [body])
    drawing = read_dxf(doc)
    assert not drawing.elements[0].closed
    (row,) = drawing.unread
    assert row.reason.startswith("1 of its 10 faces is not read (1 with corners off their plane)")
    np.testing.assert_allclose(row.box_m, [[-1e-3, -1e-3, -1e-3], [4.001, 4.001, 1.001]])


def test_a_scaled_transform_in_a_solid_is_applied(read_dxf):
    doc = ezdxf.new("R2010")
    solid = doc.modelspace().add_3dsolid()
    export_dxf(solid, [body_from_mesh(forms.cube().translate(5, 5, 5))])
    text = list(solid.sat)
    number = next(n for n, line in enumerate(text) if line.startswith("transform"))
    text[number] = text[number].replace(" 1 no_rotate", " 25.4 no_rotate")
    solid.sat = text
    assert volume(only(read_dxf(doc))) == pytest.approx(25.4**3)
