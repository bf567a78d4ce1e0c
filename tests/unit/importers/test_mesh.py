import json
from pathlib import Path

import numpy as np
import pytest
import trimesh

import importers
from importers.roles import ModelRoles, role_map
from route3d.errors import InputError, UnknownUnitError, UnreadableFileError
from route3d.model.building import Drawing
from tests import mesh_files
from tests.mesh_files import CUBE, CUBE_FACES, CUBE_POINTS, CUBE_QUADS

DATA = Path(__file__).parents[2] / "data"


def read(path: Path, units: str | None = "m", roles: dict[str, str] | None = None, **more) -> Drawing:
    by_role = ModelRoles(role_map({} if roles is None else roles), more.pop("zones", ()), ())
    return importers.read_model(path, name=path.name, role_of=by_role, units=units, **more)


def written(folder: Path, name: str, raw: bytes) -> Path:
    path = folder / name
    path.write_bytes(raw)
    return path


def all_triangles(drawing: Drawing) -> np.ndarray:
    return np.concatenate([e.triangles_m for e in drawing.elements])


def cube_scene(nodes: list, **more) -> bytes:
    primitive = {"attributes": {"POSITION": 0}, "indices": 1}
    document = {
        "meshes": [{"name": "cube", "primitives": [primitive]}],
        "nodes": nodes,
        "scenes": [{"nodes": [0]}],
        **more,
    }
    return mesh_files.gltf(document, CUBE_POINTS.astype("f4"), CUBE_FACES.reshape(-1).astype("u2"))


@pytest.mark.parametrize(
    ("name", "units", "metres"),
    [("pole_scene.glb", None, 1.0), ("groups.obj", "in", 0.0254)],
)
def test_a_real_file_has_the_area_and_volume_that_a_mesh_library_finds(name, units, metres) -> None:
    drawing = read(DATA / name, units)
    scene = trimesh.load_scene(DATA / name)
    other = scene.to_mesh()
    mine = all_triangles(drawing)
    assert not drawing.unread
    assert len(mine) == len(other.faces)
    assert mesh_files.volume(mine) == pytest.approx(float(other.volume) * metres**3, rel=1e-9)
    low, high = other.bounds * metres
    if name.endswith(".glb"):  # y is up in the file, z in the model
        low, high = [low[0], -high[2], low[1]], [high[0], -low[2], high[1]]
    assert mine.min(axis=(0, 1)) == pytest.approx(low, abs=1e-9)
    assert mine.max(axis=(0, 1)) == pytest.approx(high, abs=1e-9)
    assert all(e.closed for e in drawing.elements)


def test_every_format_gives_the_same_closed_cube(tmp_path) -> None:
    files = {
        "b.stl": mesh_files.stl_binary(CUBE),
        "a.stl": mesh_files.stl_text(cube=CUBE),
        "c.obj": mesh_files.obj(CUBE_POINTS, CUBE_QUADS),
        "a.ply": mesh_files.ply(CUBE_POINTS, CUBE_QUADS, ""),
        "l.ply": mesh_files.ply(CUBE_POINTS, CUBE_QUADS, "<", "float"),
        "g.ply": mesh_files.ply(CUBE_POINTS, CUBE_FACES.tolist(), ">"),
        "m.ply": mesh_files.ply(CUBE_POINTS, [*CUBE_FACES.tolist()[:2], *CUBE_QUADS[1:]], "<"),
    }
    for name, raw in files.items():
        (element,) = read(written(tmp_path, name, raw)).elements
        assert element.closed, name
        assert mesh_files.volume(element.triangles_m) == pytest.approx(1.0), name


def test_a_file_without_units_is_refused_until_the_project_says_them(tmp_path) -> None:
    path = written(tmp_path, "c.stl", mesh_files.stl_binary(CUBE))
    with pytest.raises(UnknownUnitError, match="units"):
        read(path, None)
    assert read(path, "ft").elements[0].box_m[1] == pytest.approx([0.3048] * 3)


def test_the_up_axis_can_be_said_and_its_absence_is_noted(tmp_path) -> None:
    path = written(tmp_path, "c.obj", mesh_files.obj(CUBE_POINTS * [1.0, 2.0, 3.0], CUBE_QUADS))
    plain, turned = read(path), read(path, up="y")
    assert any("which axis is up" in note for note in plain.source.notes)
    assert turned.elements[0].box_m.tolist() == [[0.0, -3.0, 0.0], [1.0, 0.0, 2.0]]
    assert mesh_files.volume(turned.elements[0].triangles_m) == pytest.approx(6.0)


def test_a_node_name_used_twice_keeps_both_meshes(tmp_path) -> None:
    nodes = [{"name": "duct", "mesh": 0, "children": [1]}, {"name": "duct", "mesh": 0, "translation": [5, 0, 0]}]
    drawing = read(written(tmp_path, "s.glb", cube_scene(nodes)), None)
    assert sorted(e.box_m[0, 0] for e in drawing.elements) == [0.0, 5.0]
    assert {e.element_id for e in drawing.elements} == {"s.glb:duct", "s.glb:duct/duct"}


def test_instances_stand_where_their_nodes_put_them(tmp_path) -> None:
    half = np.sqrt(0.5)
    nodes = [
        {"name": "floor", "children": [1, 2], "translation": [0, 10, 0]},
        {"name": "a", "mesh": 0, "rotation": [0, half, 0, half], "scale": [2, 1, 1]},
        {"name": "b", "mesh": 0, "matrix": [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 4, 5, 6, 1]},
    ]
    drawing = read(written(tmp_path, "s.glb", cube_scene(nodes)), None)
    boxes = {e.layer: e.box_m for e in drawing.elements}
    # a: x doubled, then a quarter turn about y takes x to -z and z to x; then up 10; z up: (x, -z, y)
    assert boxes["a"] == pytest.approx(np.array([[0, 0, 10], [1, 2, 11]]), abs=1e-6)
    assert boxes["b"] == pytest.approx(np.array([[4, -7, 15], [5, -6, 16]]), abs=1e-9)


def test_repeated_places_of_one_node_are_all_there(tmp_path) -> None:
    places = np.array([[0, 0, 0], [3, 0, 0], [6, 0, 0]], dtype="f4")
    instancing = {"EXT_mesh_gpu_instancing": {"attributes": {"TRANSLATION": 2}}}
    document = {
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "nodes": [{"name": "rod", "mesh": 0, "extensions": instancing}],
    }
    raw = mesh_files.gltf(document, CUBE_POINTS.astype("f4"), CUBE_FACES.reshape(-1).astype("u2"), places)
    assert [e.box_m[0, 0] for e in read(written(tmp_path, "s.glb", raw), None).elements] == [0.0, 3.0, 6.0]


def test_roles_come_from_node_mesh_and_material_names(tmp_path) -> None:
    document = {
        "materials": [{"name": "hot steel"}],
        "meshes": [{"name": "M-DUCT", "primitives": [{"attributes": {"POSITION": 0}, "indices": 1, "material": 0}]}],
        "nodes": [{"name": "n1", "mesh": 0}],
    }
    path = written(
        tmp_path, "s.glb", mesh_files.gltf(document, CUBE_POINTS.astype("f4"), CUBE_FACES.reshape(-1).astype("u2"))
    )
    for patterns, role in [({"n1": "box"}, "box"), ({"M-DUCT*": "duct"}, "duct"), ({"hot*": "hot-pipe"}, "hot-pipe")]:
        assert read(path, None, patterns).elements[0].role == role
    assert read(path, None, {"*steel": "pipe", "n1": "box"}).elements[0].role == "pipe"


def test_a_compressed_mesh_is_listed_with_the_box_that_the_file_announces(tmp_path) -> None:
    primitive = {"attributes": {"POSITION": 0}, "indices": 1, "extensions": {"KHR_draco_mesh_compression": {}}}
    document = {
        "meshes": [{"primitives": [primitive]}],
        "nodes": [{"name": "n", "mesh": 0, "translation": [10, 0, 0]}],
        "extensionsRequired": ["KHR_draco_mesh_compression"],
    }
    raw = mesh_files.gltf(document, CUBE_POINTS.astype("f4"), CUBE_FACES.reshape(-1).astype("u2"))
    (row,) = read(written(tmp_path, "s.glb", raw), None).unread
    assert "compressed" in row.reason
    assert np.array(row.box_m) == pytest.approx(np.array([[10, -1, 0], [11, 0, 1]]), abs=0.001)


def test_faces_that_count_from_the_end_are_read_where_they_stand(tmp_path) -> None:
    text = b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf -3 -2 -1\nv 0 0 5\nv 1 0 5\nv 0 1 5\nf -3 -2 -1\n"
    drawing = read(written(tmp_path, "r.obj", text))
    assert sorted(e.box_m[0, 2] for e in drawing.elements) == [0.0, 5.0]


def test_objects_become_elements_and_bodies_across_objects_stay_closed(tmp_path) -> None:
    lines = mesh_files.obj(CUBE_POINTS, CUBE_QUADS).decode().splitlines()
    text = "\n".join([*lines[:8], "o low", *lines[8:11], "o high", *lines[11:]]) + "\n"
    (element,) = read(written(tmp_path, "c.obj", text.encode())).elements
    assert element.closed and element.layer == "low"

    apart = mesh_files.obj(np.concatenate([CUBE_POINTS, CUBE_POINTS + 5.0]), CUBE_QUADS).decode()
    second = "".join("f " + " ".join(str(i + 9) for i in quad) + "\n" for quad in CUBE_QUADS)
    both = read(written(tmp_path, "two.obj", (apart + "o other\n" + second).encode()))
    assert {(e.layer, e.closed) for e in both.elements} == {("two", True), ("other", True)}


def test_a_closed_body_beside_an_open_one_keeps_its_inside(tmp_path) -> None:
    drawing = read(written(tmp_path, "m.stl", mesh_files.stl_binary(np.concatenate([CUBE, (CUBE + 3.0)[:8]]))))
    assert sorted((len(e.triangles_m), e.closed) for e in drawing.elements) == [(8, False), (12, True)]


def test_a_cavity_belongs_to_the_body_around_it(tmp_path) -> None:
    hollow = np.concatenate([CUBE * 4.0, (CUBE + 1.0)[:, ::-1], CUBE + 9.0])
    drawing = read(written(tmp_path, "h.stl", mesh_files.stl_binary(hollow)))
    assert sorted(mesh_files.volume(e.triangles_m) for e in drawing.elements) == pytest.approx([1.0, 63.0])


def test_faces_that_disagree_about_outside_are_turned(tmp_path) -> None:
    mixed = CUBE.copy()
    mixed[::3] = mixed[::3][:, ::-1]
    (element,) = read(written(tmp_path, "m.stl", mesh_files.stl_binary(mixed))).elements
    assert element.closed
    assert mesh_files.volume(element.triangles_m) == pytest.approx(1.0)


def test_survey_coordinates_keep_their_digits(tmp_path) -> None:
    moved = CUBE_POINTS * 0.0123 + [431_234.567_8, 5_412_345.678_9, 312.25]
    for name, raw in [("s.obj", mesh_files.obj(moved, CUBE_QUADS)), ("s.ply", mesh_files.ply(moved, CUBE_QUADS, "<"))]:
        (element,) = read(written(tmp_path, name, raw)).elements
        assert element.closed
        assert element.box_m == pytest.approx(np.array([moved.min(axis=0), moved.max(axis=0)]), abs=1e-8)


def test_what_is_not_read_is_counted(tmp_path) -> None:
    text = (
        mesh_files.obj(CUBE_POINTS, CUBE_QUADS)
        + b"v nan 0 0\nf 1 2 9\nf 1 2 77\nsurf 0 1 0 1 1 2 3\nl 1 2 3\nodd line\n"
    )
    reasons = [row.reason for row in read(written(tmp_path, "c.obj", text)).unread]
    for said in (
        "1 face(s) have coordinates",
        "1 face(s) name points",
        "1 curved surface",
        "1 line(s) are no OBJ",
        "a line has no",
    ):
        assert any(said in reason for reason in reasons), said


def test_triangles_without_area_are_kept_where_they_reach_alone(tmp_path) -> None:
    sliver = np.array([[[5.0, 0, 0], [7.0, 0, 0], [7.0, 0, 0]]])
    rib = np.array([[CUBE[0, 0], CUBE[0, 1], CUBE[0, 1]]])
    drawing = read(written(tmp_path, "s.stl", mesh_files.stl_binary(np.concatenate([CUBE, sliver, rib]))))
    assert sorted((len(e.triangles_m), e.closed) for e in drawing.elements) == [(1, False), (12, True)]


def test_buffers_are_looked_for_beside_the_file_only(tmp_path) -> None:
    inside = tmp_path / "models"
    inside.mkdir()
    points = CUBE_POINTS.astype("f4").tobytes()
    document = {
        "asset": {"version": "2.0"},
        "buffers": [{"uri": "../secret.bin", "byteLength": len(points)}],
        "bufferViews": [{"buffer": 0, "byteLength": len(points)}],
        "accessors": [{"bufferView": 0, "componentType": 5126, "count": 8, "type": "VEC3"}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "mode": 5}]}],
        "nodes": [{"mesh": 0}],
    }
    (tmp_path / "secret.bin").write_bytes(points)
    (row,) = read(written(inside, "s.gltf", json.dumps(document).encode()), None).unread
    assert "outside this folder" in row.reason and row.box_m is None
    document["buffers"][0]["uri"] = "near%20by.bin"
    (inside / "near by.bin").write_bytes(points)
    drawing = read(written(inside, "s.gltf", json.dumps(document).encode()), None)
    assert len(drawing.elements) == 1 and [name for name, _ in drawing.depends] == ["near by.bin"]


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("c.stl", mesh_files.stl_binary(CUBE[:0], claimed=10**9)),
        ("c.ply", mesh_files.ply(CUBE_POINTS, []).replace(b"vertex 8", b"vertex 99999999999").replace(b"x", b"y")),
        ("c.obj", b"\x1f\x8b" + bytes(50)),
        ("c.glb", b"glTF" + bytes(60)),
        ("c.ply", b"ply\nformat ascii 1.0\nend_header\n"),
        ("c.stl", b""),
    ],
)
def test_what_cannot_be_used_at_all_is_one_sentence(tmp_path, name, raw) -> None:
    with pytest.raises(UnreadableFileError):
        read(written(tmp_path, name, raw))


def test_a_claim_of_a_billion_triangles_costs_nothing(tmp_path) -> None:
    drawing = read(written(tmp_path, "c.stl", mesh_files.stl_binary(CUBE, claimed=10**9)))
    assert "12 of 1000000000" in drawing.unread[0].reason and drawing.unread[0].box_m is None
    raw = mesh_files.ply(CUBE_POINTS, CUBE_QUADS).replace(b"face 6", b"face 1000000000")
    assert read(written(tmp_path, "c.ply", raw)).unread


def test_up_is_for_meshes_only(tmp_path) -> None:
    (tmp_path / "a.dxf").write_text("0\nEOF\n")
    with pytest.raises(InputError, match="meshes"):
        read(tmp_path / "a.dxf", up="y")


def test_a_zone_named_by_its_mesh_is_found_under_that_name(tmp_path) -> None:
    path = written(tmp_path, "s.glb", cube_scene([{"name": "n1", "mesh": 0}]))
    (element,) = read(path, None, zones=("cube",)).elements
    assert (element.role, element.layer) == ("zone", "cube")
