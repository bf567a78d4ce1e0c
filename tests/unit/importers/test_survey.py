import tomllib
from pathlib import Path

import ezdxf
import numpy as np
import pytest

from importers.project_file import parse_project
from importers.starter import FILL_IN, lines_to_fill_in, starter_project
from importers.survey import guess, survey_folder
from route3d.errors import InputError
from tests import mesh_files


def drawing(path: Path, units: int = 4, at=(0.0, 0.0, 0.0), size: float = 10_000.0, open_top: bool = False) -> None:
    doc = ezdxf.new("R2010", units=units)
    faces = mesh_files.CUBE_QUADS[: 5 if open_top else 6]
    space = doc.modelspace()
    for layer, move in (("M-DUCT-SUPP", 0.0), ("X-THING", 2.0)):
        with space.add_mesh({"layer": layer}).edit_data() as data:
            data.vertices = ((mesh_files.CUBE_POINTS + np.array([move, 0, 0])) * size + np.asarray(at)).tolist()
            data.faces = [list(face) for face in faces]
    doc.saveas(path)


def of(surveys, file: str):
    return next(s for s in surveys if s.file == file)


def test_each_layer_has_count_extent_triangles_role_and_reason(tmp_path) -> None:
    drawing(tmp_path / "a.dxf")
    survey = of(survey_folder(tmp_path), "a.dxf")
    duct = next(layer for layer in survey.layers if layer.pattern == "M-DUCT-SUPP")
    assert (duct.role, duct.summary.triangles, duct.summary.kinds) == ("duct", 12, (("MESH", 1),))
    assert duct.summary.box_m == ((0.0, 0.0, 0.0), (10.0, 10.0, 10.0))
    assert "DUCT" in duct.reason
    assert not survey.oddities


def test_oddities_are_flagged(tmp_path) -> None:
    drawing(tmp_path / "near.dxf")
    drawing(tmp_path / "again.dxf", at=(0.0, 0.0, 0.0))
    drawing(tmp_path / "unitless.dxf", units=0, size=12.0)
    drawing(tmp_path / "huge.dxf", units=6)
    drawing(tmp_path / "far.dxf", at=(4e8, 5e9, 0.0))
    drawing(tmp_path / "open.dxf", open_top=True)
    (tmp_path / "copy.dxf").write_bytes((tmp_path / "near.dxf").read_bytes())
    surveys = survey_folder(tmp_path)

    def said(file: str, words: str) -> bool:
        return any(words in oddity for oddity in of(surveys, file).oddities)

    assert said("unitless.dxf", "states no unit") and said("unitless.dxf", "36 m if m")
    assert said("huge.dxf", "check the unit; mm or cm")
    assert said("far.dxf", "km from the origin") and said("far.dxf", "does not overlap")
    assert said("near.dxf", "the same file as copy.dxf") or said("copy.dxf", "the same file as near.dxf")
    assert said("near.dxf", "same geometry as again.dxf") or said("again.dxf", "same geometry as near.dxf")
    assert not said("near.dxf", "open shells")


def test_open_shells_are_told_where_ends_alone_are_not_missing(tmp_path) -> None:
    doc = ezdxf.new("R2010", units=4)
    with doc.modelspace().add_mesh({"layer": "M-DUCT"}).edit_data() as data:
        data.vertices = (mesh_files.CUBE_POINTS * 1000.0).tolist()
        data.faces = [
            list(face) for face in (mesh_files.CUBE_QUADS[0], mesh_files.CUBE_QUADS[2], mesh_files.CUBE_QUADS[4])
        ]
    doc.saveas(tmp_path / "a.dxf")
    assert any("M-DUCT: 1 of 1" in oddity for oddity in survey_folder(tmp_path)[0].oddities)


def test_runs_are_found_by_name_and_by_being_lines_in_space(tmp_path) -> None:
    doc = ezdxf.new("R2010", units=4)
    space = doc.modelspace()
    space.add_polyline3d([(0, 0, 2900), (4000, 0, 2900), (4000, 0, 1200)], dxfattribs={"layer": "E-CABL-MC"})
    space.add_polyline3d([(0, 0, 2900), (4000, 0, 2900), (4000, 0, 1200)], dxfattribs={"layer": "HOMERUN"})
    space.add_lwpolyline([(0, 0), (4000, 0), (4000, 3000)], dxfattribs={"layer": "PLAN"})
    doc.saveas(tmp_path / "a.dxf")
    surveys = survey_folder(tmp_path)
    roles = {layer.pattern: layer.role for layer in surveys[0].layers}
    assert roles == {"E-CABL-MC": "cable", "HOMERUN": "cable", "PLAN": "obstacle"}
    assert surveys[0].layers[0].summary.box_m == ((0.0, 0.0, 1.2), (4.0, 0.0, 2.9))
    table = parse_project(starter_project(surveys), "route3d.toml")
    assert set(table.routes[0].cables) == {"E-CABL-MC", "HOMERUN"}


def test_the_starter_says_which_lines_need_a_person(tmp_path) -> None:
    drawing(tmp_path / "a.dxf", units=0)
    (tmp_path / "b.stl").write_bytes(mesh_files.stl_binary(mesh_files.CUBE))
    text = starter_project(survey_folder(tmp_path))
    numbers = [number for number, _ in lines_to_fill_in(text)]
    lines = text.splitlines()
    assert len(numbers) == 3  # two units, and the runs
    assert all(FILL_IN in lines[number - 1] for number in numbers)
    tomllib.loads(text)


def test_hostile_names_cannot_break_the_starter(tmp_path) -> None:
    bad = 'x"]\n[settings]\nattach = 1\x7f\u2028'
    document = {
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "nodes": [{"name": bad, "mesh": 0}, {"name": "Z-zone \x07", "mesh": 0}],
    }
    raw = mesh_files.gltf(document, mesh_files.CUBE_POINTS.astype("f4"), mesh_files.CUBE_FACES.reshape(-1).astype("u2"))
    (tmp_path / "a.glb").write_bytes(raw)
    text = starter_project(survey_folder(tmp_path))
    table = parse_project(text, "route3d.toml")
    assert table.settings.attach is None and len(table.model) == 1


def test_parts_that_differ_by_a_number_are_told_together(tmp_path) -> None:
    document = {
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "nodes": [{"name": f"Duct.{n:03}", "mesh": 0, "translation": [3 * n, 0, 0]} for n in range(40)],
    }
    raw = mesh_files.gltf(document, mesh_files.CUBE_POINTS.astype("f4"), mesh_files.CUBE_FACES.reshape(-1).astype("u2"))
    (tmp_path / "a.glb").write_bytes(raw)
    (layer,) = survey_folder(tmp_path)[0].layers
    assert (layer.pattern, layer.role, layer.summary.triangles) == ("Duct*", "duct", 480)


def test_a_scan_gets_a_radius_from_its_spacing(tmp_path) -> None:
    grid = np.stack(np.meshgrid(*[np.arange(12) * 0.02] * 3), axis=-1).reshape(-1, 3)
    (tmp_path / "scan.ply").write_bytes(mesh_files.ply(grid, []))
    survey = survey_folder(tmp_path)[0]
    assert survey.spacing == pytest.approx(0.02)
    assert "point_radius = 0.02" in starter_project([survey])


def test_a_folder_without_drawings_is_an_error(tmp_path) -> None:
    with pytest.raises(InputError):
        survey_folder(tmp_path)
    with pytest.raises(InputError):
        survey_folder(tmp_path / "nowhere")


@pytest.mark.parametrize(
    ("names", "role"),
    [(("E-CABL-MC",), "cable"), (("Z-ACCS",), "zone"), (("Mesh.1", "HVAC duct"), "duct"), (("whatever",), "obstacle")],
)
def test_guesses_look_at_all_names(names, role) -> None:
    assert guess(*names)[0] == role


def test_a_file_that_cannot_be_read_is_told_with_its_name_once(tmp_path) -> None:
    drawing(tmp_path / "a.dxf")
    (tmp_path / "b.dxf").write_bytes(b"")
    assert of(survey_folder(tmp_path), "b.dxf").problem == "is empty (0 bytes): export it again"
