"""A project on disk in a few lines: boxes in a drawing, runs in the project file, and the check run as users run it."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click.testing
import ezdxf
import numpy as np
from ezdxf import xref
from ezdxf.render import MeshBuilder

from route3d.cli import main
from tests.published_schemas import described

# 12.00 mm interlocked metal-clad cable: inner radius 84.00 mm, centre radius 90.00 mm
CABLE = """
[cable.mc]
method = "mc-interlocked"
sheath_diameter = 12.0
conductors = 3
size = "12 AWG"
"""

FACES = ((0, 3, 2, 1), (4, 5, 6, 7), (0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7))


class Checked:
    """What one run of ``route3d check`` gave."""

    def __init__(self, status: int, output: str, results: dict) -> None:
        self.status, self.output, self.results = status, output, results

    def run(self, run_id: str = "a") -> dict:
        return next(run for run in self.results["runs"] if run["id"] == run_id)

    def findings(self, check: str, run_id: str | None = None) -> list[dict]:
        return [f for f in self.results["findings"] if f["check"] == check and (run_id is None or f["run"] == run_id)]

    def violations(self) -> list[dict]:
        return [f for f in self.results["findings"] if f["severity"] == "violation"]


class Scratch:
    """A project being written; lengths in millimetres."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.doc = ezdxf.new("R2010", units=4)
        self.space = self.doc.modelspace()
        self.head: list[str] = []
        self.tables: list[str] = []
        self.roles: list[str] = []

    def box(self, layer: str, low, high, *, faces=FACES):
        """Add a closed box as a polyface mesh; fewer ``faces`` leave it open."""
        (x0, y0, z0), (x1, y1, z1) = low, high
        mesh = MeshBuilder()
        mesh.vertices = [
            (x0, y0, z0), (x1, y0, z0), (x1, y1, z0), (x0, y1, z0),
            (x0, y0, z1), (x1, y0, z1), (x1, y1, z1), (x0, y1, z1),
        ]  # fmt: skip
        mesh.faces = [list(face) for face in faces]
        return mesh.render_polyface(self.space, dxfattribs={"layer": layer})

    def role(self, layer: str, role: str) -> None:
        self.roles.append(f'"{layer}" = "{role}"')

    def run(self, path, run_id: str = "a", cable: str = "mc", *, start="box", end="box", **more) -> None:
        keys = {"start": start, "end": end, **more}
        said = "\n".join(f"{key} = {json.dumps(value)}" for key, value in keys.items() if value is not None)
        self.tables.append(
            f'[[run]]\nid = "{run_id}"\ncable = "{cable}"\npath = {json.dumps([list(p) for p in path])}\n{said}\n'
        )

    def table(self, text: str) -> None:
        self.tables.append(text)

    def write(self) -> Path:
        text = "\n".join(self.head) + "\n"
        if len(self.space):
            self.doc.saveas(self.folder / "model.dxf")
            text += '[[model]]\nfile = "model.dxf"\n'
            text += "[model.roles]\n" + "\n".join(self.roles) + "\n" if self.roles else ""
        text += "\n".join(self.tables)
        if "[cable." not in text:
            text += CABLE
        (self.folder / "route3d.toml").write_text(text, encoding="utf-8")
        return self.folder

    def check(self, *options: str) -> Checked:
        folder = self.write()
        out = folder / "results.json"
        status, output = call("check", str(folder), "--json", str(out), "--all", *options)
        results = json.loads(out.read_text()) if out.exists() else {}
        if results:
            described("results", results)  # whatever a test is about, its results are as the schema says
        return Checked(status, output, results)


def brought_in(scratch: Scratch) -> Path:
    """Write a project whose files bring in others: an attached drawing, numbers of a mesh, rules that extend rules."""
    folder = scratch.folder
    for name in ("level", "rules"):
        (folder / name).mkdir()
    frame = ezdxf.new("R2010", units=4)
    frame.modelspace().add_3dface([(0, 800, 3000), (100, 800, 3000), (100, 900, 3000)], dxfattribs={"layer": "S-BEAM"})
    frame.saveas(folder / "level" / "frame.dxf")
    host = ezdxf.new("R2010", units=4)
    xref.attach(host, block_name="X", filename="level/frame.dxf")
    host.saveas(folder / "host.dxf")
    points = np.array([[0, 2, 0], [1, 2, 0], [1, 2, 1]], dtype="<f4").tobytes()
    (folder / "plate.bin").write_bytes(points)
    mesh = {
        "asset": {"version": "2.0"},
        "buffers": [{"uri": "plate.bin", "byteLength": len(points)}],
        "bufferViews": [{"buffer": 0, "byteLength": len(points)}],
        "accessors": [{"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3"}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}}]}],
        "nodes": [{"mesh": 0, "name": "plate"}],
    }
    (folder / "plate.gltf").write_text(json.dumps(mesh), encoding="utf-8")
    (folder / "rules" / "county.toml").write_text('extends = "nec-2023"\ntitle = "the county\'s"\n', encoding="utf-8")
    (folder / "town.toml").write_text('extends = "rules/county.toml"\ntitle = "the town\'s"\n', encoding="utf-8")
    scratch.head.append('rules = "town.toml"')
    scratch.run([[0, 0, 3000], [1000, 0, 3000]], straps=[300, 700])
    scratch.table('[[model]]\nfile = "host.dxf"\n[model.roles]\n"*" = "structure"\n')
    scratch.table('[[model]]\nfile = "plate.gltf"\nunits = "m"\n[model.roles]\n"*" = "structure"\n')
    return scratch.write()


def call(*arguments: str, columns: int = 200) -> tuple[int, str]:
    """Run the command line as a user does; return exit status and everything printed."""
    runner = click.testing.CliRunner(env={"COLUMNS": str(columns)})
    with runner.isolation() as streams:
        sys.argv, before = ["route3d", *arguments], sys.argv
        try:
            main.run()
            status = 0
        except SystemExit as stop:
            status = stop.code if isinstance(stop.code, int) else 0
        finally:
            sys.argv = before
        return status, streams[2].getvalue().decode()
