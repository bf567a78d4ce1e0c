"""Edits of runs drawn in CAD: a new drawing beside the old one, all or nothing, and read again as it was asked for."""

import ezdxf
import numpy as np
import pytest

from importers.project_edit import RunEdit, fingerprint
from importers.routes_edit import save_edits
from route3d.errors import InputError
from route3d.examine import examine
from route3d.project import read_project

PROJECT = """units = "mm"
[[model]]
file = "model.dxf"
[model.roles]
"E-STRAPS*" = "strap"
"*" = "structure"

[[routes]]   # drawn by someone
file = "{file}"
{move}[routes.cables]
"E-CABL-MC" = "mc"
"E-CABL-AC*" = "ac"

[[run]]
id = "typed"
cable = "mc"
path = [[0, 5000, 3000], [1000, 5000, 3000]]

[cable.mc]
method = "mc-interlocked"
sheath_diameter = 12.0

[cable.ac]
method = "ac"
sheath_diameter = 12.0
"""


class Folder:
    """A project with a drawing of routes that holds more than routes."""

    def __init__(
        self, path, *, version: str = "R2010", file: str = "routes.dxf", move: str = "", units: int = 4
    ) -> None:
        self.path = path / "route3d.toml"
        self.folder = path
        scale = {4: 1.0, 1: 1 / 25.4, 6: 0.001}[units]
        model = ezdxf.new(units=4)
        model.modelspace().add_3dface([(0, 0, 3100), (5000, 0, 3100), (5000, 5000, 3100), (0, 5000, 3100)])
        model.saveas(path / "model.dxf")
        doc = ezdxf.new(version, units=units)
        doc.appids.new("ROUTE3D")
        doc.layers.add("E-CABL-MC", color=5)
        space = doc.modelspace()

        def polyline(points, *said: str, layer: str = "E-CABL-MC", **looks: int):
            entity = space.add_polyline3d(
                [tuple(np.array(p) * scale) for p in points], dxfattribs={"layer": layer, **looks}
            )
            if said:
                entity.set_xdata("ROUTE3D", [(1000, text) for text in said])
            return entity

        self.plain = polyline([(0, 0, 3000), (2000, 0, 3000)])
        self.named = polyline(
            [(0, 500, 3000), (2000, 500, 3000), (2000, 2500, 3000)], "id=L1", "end=luminaire", color=3
        )
        polyline([(0, 500, 3000), (2000, 500, 3000), (2000, 2500, 3000)])  # once more, exactly on it
        lines = [(0, 900, 3000), (1000, 900, 3000), (1000, 1900, 3000)]
        for a, b in ((0, 1), (1, 2)):
            space.add_line(np.array(lines[a]) * scale, np.array(lines[b]) * scale, dxfattribs={"layer": "E-CABL-AC"})
        space.add_text("keep me", dxfattribs={"layer": "NOTES"})
        space.add_circle((1, 2), 3, dxfattribs={"layer": "NOTES"})
        block = doc.blocks.new("B")
        block.add_polyline3d([(0, 0, 0), (300 * scale, 0, 0)], dxfattribs={"layer": "E-CABL-MC"})
        space.add_blockref("B", (0, 3000 * scale, 3000 * scale))
        doc.saveas(path / file)
        self.path.write_text(PROJECT.format(file=file, move=move), encoding="utf-8")
        self.read()

    def read(self):
        self.sha256 = fingerprint(self.path)
        self.project = read_project(self.path, cached=False)
        self.runs = {run.run_id: run for run in self.project.job.runs}
        return self.runs

    def save(self, *edits: RunEdit, pieces=None):
        job = self.project.job
        return save_edits(self.path, job.runs, edits, self.sha256, job.inputs, pieces)

    def names(self) -> list[str]:
        return sorted(p.name for p in self.folder.iterdir() if not p.name.startswith(".route3d"))


MOVED = np.array([[0.0, 0.5, 3.0], [1.5, 0.5, 3.0], [1.5, 2.5, 3.0], [1.5, 2.5, 2.8]])


@pytest.mark.parametrize("version", ["R12", "R2000", "R2018"])
def test_moved_corners_go_into_a_new_drawing_and_are_read_again(tmp_path, version: str) -> None:
    folder = Folder(tmp_path, version=version, move='units = "mm"\n' if version == "R12" else "")
    before, old = dict(folder.runs), (tmp_path / "routes.dxf").read_bytes()
    saved = folder.save(RunEdit("L1", corners_m=MOVED))
    assert saved.files == ("routes-edited.dxf", "route3d.toml")
    assert (tmp_path / "routes.dxf").read_bytes() == old
    after = folder.read()
    assert set(after) == set(before)
    assert after["L1"].corners_m == pytest.approx(MOVED, abs=1e-9)
    assert (after["L1"].end, after["L1"].file, after["L1"].layer) == ("luminaire", "routes-edited.dxf", "E-CABL-MC")
    for run_id in set(before) - {"L1"}:
        assert np.array_equal(after[run_id].corners_m, before[run_id].corners_m)
    assert saved.project_sha256 == folder.sha256


def test_a_unit_that_an_old_drawing_states_is_not_lost(tmp_path) -> None:
    folder = Folder(tmp_path, version="R12", move='units = "mm"\n')
    raw = (tmp_path / "routes.dxf").read_text()
    (tmp_path / "routes.dxf").write_text(raw.replace("  9\n$EXTMIN", "  9\n$INSUNITS\n 70\n4\n  9\n$EXTMIN", 1))
    folder.path.write_text(folder.path.read_text().replace('units = "mm"\n[routes', "[routes"), encoding="utf-8")
    folder.read()
    saved = folder.save(RunEdit("L1", corners_m=MOVED))
    assert any("R2000" in note for note in saved.notes)
    assert folder.read()["L1"].corners_m == pytest.approx(MOVED, abs=1e-9)


def test_everything_else_of_the_drawing_and_of_the_project_file_stays(tmp_path) -> None:
    folder = Folder(tmp_path)
    text = folder.path.read_text(encoding="utf-8")
    folder.save(RunEdit("L1", corners_m=MOVED))
    assert folder.path.read_text(encoding="utf-8") == text.replace('"routes.dxf"', '"routes-edited.dxf"')
    doc = ezdxf.readfile(tmp_path / "routes-edited.dxf")
    kinds = sorted(e.dxftype() for e in doc.modelspace())
    assert kinds == ["CIRCLE", "INSERT", "LINE", "LINE", "POLYLINE", "POLYLINE", "TEXT"]
    new = next(e for e in doc.modelspace().query("POLYLINE") if e.dxf.color == 3)
    assert {tag.value for tag in new.get_xdata("ROUTE3D")} >= {"id=L1", "end=luminaire"}
    assert doc.layers.get("E-CABL-MC").color == 5


def test_a_run_without_an_id_keeps_the_one_it_had(tmp_path) -> None:
    folder = Folder(tmp_path)
    run_id = f"E-CABL-MC/{folder.plain.dxf.handle}"
    corners = np.array([[0.0, 0, 3], [2.5, 0, 3]])
    folder.save(RunEdit(run_id, corners_m=corners))
    assert folder.read()[run_id].corners_m == pytest.approx(corners)


def test_a_chain_of_lines_is_replaced_as_a_whole(tmp_path) -> None:
    folder = Folder(tmp_path)
    chain = next(run for run in folder.runs.values() if run.cable_id == "ac")
    corners = np.array([[0.0, 0.9, 3], [1.2, 0.9, 3], [1.2, 1.9, 3]])
    folder.save(RunEdit(chain.run_id, corners_m=corners))
    assert folder.read()[chain.run_id].corners_m == pytest.approx(corners)
    assert not ezdxf.readfile(tmp_path / "routes-edited.dxf").modelspace().query("LINE")


def test_ends_and_cable_change_without_touching_the_line(tmp_path) -> None:
    folder = Folder(tmp_path)
    chain = next(run for run in folder.runs.values() if run.cable_id == "ac")
    folder.save(RunEdit(chain.run_id, start="box", end="cabinet"), RunEdit("L1", cable_id="ac"))
    after = folder.read()
    assert (after[chain.run_id].start, after[chain.run_id].end) == ("box", "cabinet")
    assert np.array_equal(after[chain.run_id].corners_m, chain.corners_m)
    assert (after["L1"].cable_id, after["L1"].end) == ("ac", "luminaire")


def test_a_deleted_run_is_gone_with_what_lay_on_it(tmp_path) -> None:
    folder = Folder(tmp_path)
    before = set(folder.runs)
    folder.save(RunEdit("L1", deleted=True))
    assert set(folder.read()) == before - {"L1"}


@pytest.mark.parametrize(("units", "move"), [(1, ""), (6, "move = [1000, -200.5, 40]\n")])
def test_units_and_moves_of_the_drawing_are_undone(tmp_path, units: int, move: str) -> None:
    folder = Folder(tmp_path, units=units, move=move)
    folder.save(RunEdit("L1", corners_m=MOVED))
    assert folder.read()["L1"].corners_m == pytest.approx(MOVED, abs=1e-9)


def test_a_second_save_takes_the_next_name_and_overwrites_nothing(tmp_path) -> None:
    folder = Folder(tmp_path)
    folder.save(RunEdit("L1", corners_m=MOVED))
    folder.read()
    saved = folder.save(RunEdit("L1", corners_m=MOVED + 0.1))
    assert saved.files[0] == "routes-edited-2.dxf"
    folder.read()
    assert folder.save(RunEdit("L1", corners_m=MOVED + 0.2)).files[0] == "routes-edited-3.dxf"
    assert folder.read()["L1"].corners_m == pytest.approx(MOVED + 0.2)


def test_typed_and_drawn_runs_are_saved_together(tmp_path) -> None:
    folder = Folder(tmp_path)
    new = RunEdit("new", corners_m=MOVED + 1.0, cable_id="mc", added=True)
    saved = folder.save(RunEdit("L1", corners_m=MOVED), RunEdit("typed", straps_at_m=(0.4,)), new)
    after = folder.read()
    assert after["typed"].straps_at_m == pytest.approx((0.4,))
    assert after["new"].corners_m == pytest.approx(MOVED + 1.0)
    assert len(saved.files) == 2


def test_straps_of_a_drawn_run_become_points_that_hold_it(tmp_path) -> None:
    folder = Folder(tmp_path)
    fitted = {f.run.run_id: f.pieces for f in examine(folder.project.job, folder.project.rules).scene.fitted}
    saved = folder.save(RunEdit("L1", straps_at_m=(0.3, 2.1, 3.0), supports_at_m=(1.1,)), pieces=fitted)
    assert saved.files == ("straps-planned.dxf", "route3d.toml")
    folder.read()
    examined = examine(folder.project.job, folder.project.rules)
    number = list(folder.runs).index("L1")
    held = [(s.kind, s.at_m) for s in examined.scene.attached[number].supports if s.kind in ("strap", "hanger")]
    assert [kind for kind, _ in held] == ["strap", "hanger", "strap", "strap"]
    assert [at_m for _, at_m in held] == pytest.approx([0.3, 1.1, 2.1, 3.0], abs=1e-7)
    doc = ezdxf.readfile(tmp_path / "straps-planned.dxf")
    assert {e.dxf.layer for e in doc.modelspace()} == {"E-STRAPS", "E-HNGR"}
    assert doc.header["$INSUNITS"] == 4


def refused(folder: Folder, said: str, *edits: RunEdit, pieces=None) -> None:
    """Save, and see that it fails with these words and changes nothing."""
    text, names = folder.path.read_bytes(), folder.names()
    with pytest.raises(InputError, match=said):
        folder.save(*edits, pieces=pieces)
    assert folder.path.read_bytes() == text
    assert folder.names() == names


def test_a_run_in_a_block_is_refused(tmp_path) -> None:
    folder = Folder(tmp_path)
    inside = next(run for run in folder.runs if ">" in run)
    refused(folder, "explode the block", RunEdit("L1", corners_m=MOVED), RunEdit(inside, corners_m=MOVED + 1.0))


def test_a_drawing_that_changed_on_disk_is_refused(tmp_path) -> None:
    folder = Folder(tmp_path)
    with (tmp_path / "routes.dxf").open("a", encoding="utf-8") as file:
        file.write("\n")
    refused(folder, "changed on disk", RunEdit("L1", corners_m=MOVED))


def test_a_project_that_changed_on_disk_takes_its_new_drawings_back(tmp_path) -> None:
    folder = Folder(tmp_path)
    folder.path.write_text(folder.path.read_text(encoding="utf-8") + "# later\n", encoding="utf-8")
    refused(folder, "changed on disk", RunEdit("L1", corners_m=MOVED))


def test_one_senseless_edit_among_others_stops_all(tmp_path) -> None:
    folder = Folder(tmp_path)
    refused(folder, "has no", RunEdit("L1", corners_m=MOVED), RunEdit("nowhere", end="box"))
    refused(folder, "not one of", RunEdit("L1", end="luminair"))
    refused(folder, "finite", RunEdit("L1", corners_m=MOVED * np.nan))
    refused(folder, "is not defined", RunEdit("L1", cable_id="nm"))
    refused(folder, "its fitted path", RunEdit("L1", straps_at_m=(1.0,)))
    refused(folder, "already", RunEdit("L1", corners_m=MOVED, cable_id="mc", added=True))


def test_drawings_outside_of_the_folder_are_not_written_to(tmp_path) -> None:
    inner = tmp_path / "project"
    inner.mkdir()
    folder = Folder(inner)
    (inner / "routes.dxf").rename(tmp_path / "routes.dxf")
    folder.path.write_text(folder.path.read_text().replace('"routes.dxf"', '"../routes.dxf"'), encoding="utf-8")
    folder.read()
    refused(folder, "outside of the project", RunEdit("L1", corners_m=MOVED))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["project", "routes.dxf"]


def test_a_link_that_leads_out_of_the_folder_is_not_followed(tmp_path) -> None:
    inner, outer = tmp_path / "project", tmp_path / "elsewhere"
    inner.mkdir()
    outer.mkdir()
    folder = Folder(inner)
    (inner / "routes.dxf").rename(outer / "routes.dxf")
    (inner / "sub").symlink_to(outer, target_is_directory=True)
    folder.path.write_text(folder.path.read_text().replace('"routes.dxf"', '"sub/routes.dxf"'), encoding="utf-8")
    folder.read()
    refused(folder, "outside of the project", RunEdit("L1", corners_m=MOVED))
    assert [p.name for p in outer.iterdir()] == ["routes.dxf"]


def test_names_of_runs_never_become_names_of_files(tmp_path) -> None:
    folder = Folder(tmp_path)
    doc = ezdxf.readfile(tmp_path / "routes.dxf")
    for entity in doc.modelspace().query("POLYLINE"):
        if entity.has_xdata("ROUTE3D"):
            entity.set_xdata("ROUTE3D", [(1000, "id=../../evil/x")])
    doc.saveas(tmp_path / "routes.dxf")
    folder.read()
    folder.save(RunEdit("../../evil/x", corners_m=MOVED))
    assert folder.read()["../../evil/x"].corners_m == pytest.approx(MOVED)
    assert folder.names() == ["model.dxf", "route3d.toml", "routes-edited.dxf", "routes.dxf"]


def test_a_damaged_drawing_is_not_saved_again(tmp_path) -> None:
    folder = Folder(tmp_path)
    raw = (tmp_path / "routes.dxf").read_bytes()
    cut = raw.rfind(b"CIRCLE")
    (tmp_path / "routes.dxf").write_bytes(raw[:cut])
    folder.read()
    refused(folder, "damaged", RunEdit("L1", corners_m=MOVED))
