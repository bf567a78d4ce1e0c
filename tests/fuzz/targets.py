"""What is fuzzed: each way in by which a file or a message of others reaches the program."""

from __future__ import annotations

import io
import json
import os
import random
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

import numpy as np

import importers
from importers.project_file import parse_project
from route3d.reports.bcf_read import read_bcf
from route3d.reports.bcf_write import write_onto
from route3d.reports.results_read import read_results
from route3d.rules.rulebook import load_rulebook
from route3d.store.decisions import histories, matters
from route3d.viewer.draft_files import read_journal
from route3d.viewer.edits import added_up, edited, read_changes
from tests import mesh_files
from tests.fuzz import changes
from tests.fuzz.loop import Target, WrongError
from tests.scratch_project import FACES, Scratch, call

ROOT = Path(__file__).parents[2]
DATA = ROOT / "tests" / "data"
STATUSES = (0, 1, 2, 3)
COMMANDS = (
    ("check",), ("check",), ("straps",), ("takeoff",), ("explain", "a"), ("report", "--csv", "made.csv"),
    ("report", "--plain-html", "made.html"), ("decide", "--list", "--project"), ("rules", "--project"),
)  # fmt: skip

# every key of README's tables once, over a small building of its own
WHOLE = """
name = "made"
rules = "nec-2023"
units = "mm"
frame = "local"
occupancy = "other"

[[model]]
file = "model.dxf"
units = "mm"
move = [0, 0, 0]
[model.roles]
"M-DUCT*" = "duct"
"S-*" = "framing"
"E-PANL*" = "cabinet"
"*" = "obstacle"

[[routes]]
file = "routes.dxf"
[routes.cables]
"E-CABL*" = "mc"

[[run]]
id = "a"
cable = "mc"
path = [[0, 0, 3000], [2000, 0, 3000], [2000, 1500, 3000]]
start = "box"
end = "luminaire"
straps = [250, 1800]
supports = [900]
plates = [[1180, 1230]]
guards = [[0, 2000]]
grommets = true
serves_duct = true

[[run]]
id = "b"
cable = "nm"
path = [[0, 30, 3000], [2000, 30, 3000]]
bent = "flat-side"

[[run]]
id = "c"
cable = "emt"
from_point = [0, 0, 2900]
to_point = [500, 800, 2900]

[cable.mc]
method = "mc-interlocked"
sheath_diameter = 11.7
overall_diameter = 14.0
conductors = 3
size = "12 AWG"
jacketed = true
wet_rated = true
fitting = "dry"
bushings = true
bend_multiplier = 9
weight = "105 lb/1000 ft"
current_carrying = 2

[cable.nm]
method = "nm"
sheath_diameter = 11.0
minor_diameter = 4.6
conductors = 3

[cable.emt]
method = "emt"
sheath_diameter = 23.4
trade_size = "3/4"
bender = "one-shot"

[[zone]]
name = "corridor"
kind = "accessible-ceiling"
moves_air = false
outline = [[0, 0], [9000, 0], [9000, 2400], [0, 2400]]
bottom = 2700
top = 3600

[[panel]]
layer = "E-PANL*"
front = "+x"
volts_to_ground = 277
condition = 1
floor = 0
width = 762

[takeoff]
free_conductor = 152.4
sag = 0.015
waste = 0.075
round_up = 25.4
reusable = 1829
[takeoff.conductors]
box = 254
[takeoff.slack]
luminaire = 457
[takeoff.storeys]
"Level 1" = 0
[takeoff.run."a"]
end = 900
pull_from = "start"

[[coil]]
cable = "mc"
length = 76200
count = 4
cost = 180

[routing]
turn = 400
alternatives = 2

[framing]
"S-STUD*" = "metal"

[[firestop]]
run = "a"
system = "W-L-0001"
at = 1190

[clearance]
pipe = 25
duct = 50

[settings]
attach = 75
strap_reach = 150
chord_tolerance = 0.1
bend_target = 1.5
bore_length = 150
deck = "metal-roof"
deck_slab = 0
hole_allowance = 0
bundle_spacing = 12
"""

RULES = """
extends = "nec-2023"
title = "amended"
[securing.mc]
interval = "4 ft"
[bend.armour-x]
section = "data sheet"
title = "9 x"
methods = ["mc-interlocked"]
multiplier = 9
of = "sheath"
source = "project"
[first_strap.ac]
removed = true
"""


def _drawing(scene: Callable[[Scratch], None], folder: Path) -> bytes:
    scratch = Scratch(folder)
    scene(scratch)
    out = io.StringIO()
    scratch.doc.write(out)
    return out.getvalue().encode()


def _building(scratch: Scratch) -> None:
    scratch.box("M-DUCT", (900, -400, 2700), (1100, 400, 2900))
    scratch.box("S-STUD-METL", (1180, -50, 2500), (1230, 50, 3500))
    scratch.box("E-PANL", (-400, -200, 1000), (0, 200, 1800))
    scratch.box("M-OPEN", (4000, 0, 0), (5000, 400, 2900), faces=FACES[:4])
    block = scratch.doc.blocks.new("BOX4")
    block.add_circle((0, 0), 50, dxfattribs={"thickness": 40, "layer": "0"})
    inner = scratch.doc.blocks.new("PAIR")
    inner.add_blockref("BOX4", (0, 0, 0), dxfattribs={"layer": "E-BOXD"})
    inner.add_blockref("BOX4", (500, 0, 0), dxfattribs={"layer": "E-BOXD", "rotation": 30, "xscale": -1})
    grid = {"row_count": 2, "column_count": 2, "row_spacing": 300, "column_spacing": 400}
    scratch.space.add_blockref("PAIR", (100, 900, 2800), dxfattribs={"layer": "E-BOXD", **grid})
    scratch.space.add_3dface(
        [(0, 0, 4000), (5000, 0, 4000), (5000, 5000, 4000), (0, 5000, 4000)], dxfattribs={"layer": "S-DECK"}
    )
    scratch.space.add_lwpolyline(
        [(0, 0), (300, 0), (300, 300)], close=True, dxfattribs={"layer": "S-COLS", "thickness": 3000}
    )
    scratch.space.add_line((0, 0, 0), (100, 0, 0), dxfattribs={"layer": "E-STRP"})
    scratch.space.add_arc((0, 0, 100), 40, 10, 200, dxfattribs={"layer": "E-STRP", "thickness": 5})
    scratch.space.add_text("E-1", dxfattribs={"layer": "A-TEXT"})
    mesh = scratch.space.add_mesh(dxfattribs={"layer": "M-MESH"})
    with mesh.edit_data() as data:
        data.vertices = [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0)]
        data.faces = [(0, 1, 2, 3)]


def _routes(scratch: Scratch) -> None:
    scratch.doc.appids.add("ROUTE3D")
    one = scratch.space.add_polyline3d(
        [(0, 600, 3000), (2000, 600, 3000), (2000, 1500, 3000)], dxfattribs={"layer": "E-CABL"}
    )
    one.set_xdata("ROUTE3D", [(1000, "id=d"), (1000, "end=luminaire")])
    scratch.space.add_line((0, 900, 3000), (1000, 900, 3000), dxfattribs={"layer": "E-CABL"})
    scratch.space.add_arc((1000, 1000, 3000), 100, 270, 0, dxfattribs={"layer": "E-CABL"})
    scratch.space.add_line((1100, 1000, 3000), (1100, 2000, 3000), dxfattribs={"layer": "E-CABL"})
    scratch.space.add_spline([(0, 1200, 3000), (700, 1300, 3000), (1500, 1200, 3000)], dxfattribs={"layer": "E-CABL"})
    scratch.space.add_lwpolyline([(0, 1400, 0, 0, 0.4), (900, 1400), (900, 1900)], format="xyseb",
                                 dxfattribs={"layer": "E-CABL", "elevation": 3000})  # fmt: skip


# --- what comes in ----------------------------------------------------------------------------------------------------


@cache
def _parts() -> tuple[bytes, bytes]:
    with tempfile.TemporaryDirectory() as scratch:
        return _drawing(_building, Path(scratch)), _drawing(_routes, Path(scratch))


def _project_seeds(_: Path) -> dict[str, bytes]:
    building, routes = _parts()  # made here, before children are
    assert building and routes
    sample = (ROOT / "sample_models" / "workshop" / "route3d.toml").read_bytes()
    return {"whole.toml": WHOLE.encode(), "sample.toml": sample}


def _parse(path: Path) -> str:
    """A project file as far as its tables."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        return "no text"
    parse_project(text, "route3d.toml")
    return "read"


def _commands(path: Path) -> str:
    """A project file through whole commands, as a user runs them."""
    folder = path.parent / "project"
    folder.mkdir(exist_ok=True)
    for left in folder.iterdir():
        if left.is_file():
            left.unlink()
    building, routes = _parts()
    (folder / "model.dxf").write_bytes(building)
    (folder / "routes.dxf").write_bytes(routes)
    data = path.read_bytes()
    (folder / "route3d.toml").write_bytes(data)
    command = COMMANDS[len(data) % len(COMMANDS)]
    before = os.getcwd()
    os.chdir(folder)
    try:
        words = (
            [*command, "."]
            if command[0] not in ("check", "report", "explain")
            else [command[0], *command[1:], "--no-cache"]
        )
        if command[0] == "rules":
            words = ["rules", "330.30"]
        if command[0] == "check":
            words += ["--json", "made.json"]
        status, said = call(*words)
    finally:
        os.chdir(before)
    _as_promised(command[0], status, said)
    made = folder / "made.json"
    if command[0] == "check" and made.exists():
        results = json.loads(made.read_text("utf-8"), parse_constant=_no_number)
        bad = sum(f["severity"] == "violation" for f in results["findings"])
        if (status == 1) != (bad > 0):
            raise WrongError("status and violations differ")
        if status == 0 and (results["unread"] or any(f["unchecked"] for f in results["findings"])):
            raise WrongError("clear with something unread")
    left = [p.name for p in folder.iterdir() if p.name.endswith((".part", ".tmp"))]
    if left:
        raise WrongError("half-written files left")
    return f"{command[0]} {status}"


def _no_number(name: str) -> float:
    raise WrongError(f"{name} in JSON")


def _as_promised(command: str, status: int, said: str) -> None:
    if "a fault in route3d itself" in said or "Traceback" in said:
        at = said.find("a fault in route3d itself")
        raise WrongError(f"{command}: {said[at : at + 90]}")
    if status not in STATUSES:
        raise WrongError(f"{command}: status {status}")
    if status == 2 and not said.strip():
        raise WrongError(f"{command}: status 2 without a word")


def _model(path: Path) -> str:
    """Building geometry of any format: only finite triangles, and never nothing without a word."""
    units = None if path.suffix in (".glb", ".gltf", ".e57", ".ifc", ".ifczip") else "mm"
    more = {"point_radius": 5.0} if path.suffix in importers.MESHES | importers.SCANS else {}
    drawing = importers.read_model(
        path, name=path.name, role_of=lambda layer, *_: "wall" if layer.startswith("S") else "duct", units=units, **more
    )
    for element in drawing.elements:
        if not np.isfinite(element.triangles_m).all():
            raise WrongError("triangles that are not finite")
    if not (drawing.elements or drawing.unread or drawing.source.notes or drawing.outlines):
        raise WrongError("nothing, and no word of it")
    _writable(drawing)
    return "unread" if drawing.unread else "read"


def _drawn_routes(path: Path) -> str:
    drawing = importers.read_routes(path, name=path.name, wanted=lambda _: True, units="mm")
    for route in drawing.routes:
        if not np.isfinite(route.corners_m).all():
            raise WrongError("corners that are not finite")
    if not (drawing.routes or drawing.unread or drawing.source.notes):
        raise WrongError("no route, and no word of it")
    _writable(drawing)
    return "unread" if drawing.unread else "read"


def _writable(record: object) -> None:
    repr(record).encode("utf-8")


def _dxf_seeds(_: Path) -> dict[str, bytes]:
    building, routes = _parts()
    more = {path.name: path.read_bytes() for path in sorted(DATA.glob("*.dxf"))}
    return {"building.dxf": building, "routes.dxf": routes, **more}


def _mesh_seeds(_: Path) -> dict[str, bytes]:
    points, faces = mesh_files.CUBE_POINTS * 1000.0, mesh_files.CUBE_QUADS
    mixed = [*mesh_files.CUBE_FACES.tolist()[:6], *faces[3:]]
    scene = {
        "meshes": [{"name": "duct", "primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "nodes": [{"name": "a", "children": [1, 2]}, {"name": "b", "mesh": 0, "matrix": np.eye(4).ravel().tolist()},
                  {"mesh": 0, "translation": [5, 0, 0], "rotation": [0, 0, 0, 1], "scale": [1, 2, 1]}],
        "scenes": [{"nodes": [0]}],
        "scene": 0,
    }  # fmt: skip
    return {
        "b.stl": mesh_files.stl_binary(mesh_files.CUBE),
        "a.stl": mesh_files.stl_text(one=mesh_files.CUBE),
        "a.obj": b"o one\ng lid\nusemtl steel\n" + mesh_files.obj(points, faces),
        "groups.obj": (DATA / "groups.obj").read_bytes(),
        "a.ply": mesh_files.ply(points, mixed, ""),
        "b.ply": mesh_files.ply(points, mixed, "<"),
        "c.ply": mesh_files.ply(points, [], ">", "float"),
        "a.glb": mesh_files.gltf(scene, points.astype("f4"), mesh_files.CUBE_FACES.reshape(-1).astype("u2")),
        "pole.glb": (DATA / "pole_scene.glb").read_bytes(),
    }


def _mesh_changed(data: bytes, rnd: random.Random) -> bytes:
    if data[:4] == b"glTF":
        return changes.glb_changed(data, rnd)
    if b"\0" in data[:400]:
        return changes.bytes_changed(data, rnd)
    return changes.lines_changed(data, rnd) if rnd.random() < 0.7 else changes.bytes_changed(data, rnd)


def _scan_seeds(folder: Path) -> dict[str, bytes]:
    points = np.random.default_rng(3).random((400, 3)) * 5.0 + [4e5, 2e5, 10.0]
    made = {
        "a.las": mesh_files.las(folder / "whole.las", points).read_bytes(),
        "a.laz": mesh_files.las(folder / "whole.laz", points).read_bytes(),
        "a.e57": mesh_files.e57(folder / "whole.e57", points).read_bytes(),
    }
    for name in ("whole.las", "whole.laz", "whole.e57"):
        (folder / name).unlink()
    return made


def _ifc_seeds(folder: Path) -> dict[str, bytes]:
    from tests.ifc_building import IfcBuilding

    made = IfcBuilding(unit="mm")
    for number in range(3):
        wall = made.box("IfcWall", f"wall {number}", (0, 3 * number, 0), (4, 3 * number + 0.2, 3), storey="Level 1")
        made.opening(wall, (1, 3 * number - 0.1, 0), (2, 3 * number + 0.3, 2))
    path = made.write(folder / "whole.ifc")
    data = path.read_bytes()
    path.unlink()
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("whole.ifc", data)
    return {"whole.ifc": data, "whole.ifczip": packed.getvalue()}


def _ifc_changed(data: bytes, rnd: random.Random) -> bytes:
    if data[:2] == b"PK":
        return changes.zip_changed(data, rnd) if rnd.random() < 0.5 else changes.bytes_changed(data, rnd)
    if rnd.random() < 0.5:
        words = data.split(b",")
        words[rnd.randrange(len(words))] = rnd.choice(
            (*changes.TOKENS, b"$", b"*", b"#1", b"#999999", b"(", b"())", b"''")
        )
        return b",".join(words)
    return changes.lines_changed(data, rnd) if rnd.random() < 0.5 else changes.bytes_changed(data, rnd)


@cache
def _results() -> bytes:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        building, routes = _parts()
        (folder / "model.dxf").write_bytes(building)
        (folder / "routes.dxf").write_bytes(routes)
        (folder / "route3d.toml").write_text(WHOLE)
        status, said = call("check", str(folder), "--json", str(folder / "made.json"), "--no-cache")
        assert status in (1, 3), said
        return (folder / "made.json").read_bytes()


def _compared(path: Path) -> str:
    """Results of an earlier check, read and compared with the whole ones."""
    read_results(path)
    other = path.parent.parent / "whole-results.json"
    if not other.exists():
        other.write_bytes(_results())
    status, said = call("compare", str(path), str(other), "--json", str(path) + ".out")
    _as_promised("compare", status, said)
    status, said = call("compare", str(other), str(path))
    _as_promised("compare", status, said)
    return f"compared {status}"


def _bcf_seeds(folder: Path) -> dict[str, bytes]:
    (folder / "p").mkdir(exist_ok=True)
    building, routes = _parts()
    (folder / "p" / "model.dxf").write_bytes(building)
    (folder / "p" / "routes.dxf").write_bytes(routes)
    (folder / "p" / "route3d.toml").write_text(WHOLE)
    made = {}
    for version in ("2.1", "3.0"):
        path = folder / f"{version}.bcf"
        _, said = call("report", str(folder / "p"), "--bcf", str(path), "--bcf-version", version, "--pictures", "0")
        assert path.exists(), said
        with zipfile.ZipFile(path) as archive:
            entries = [(i.filename, archive.read(i)) for i in archive.infolist()][:9]
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, content in entries:
                if name.endswith("markup.bcf"):
                    content = content.replace(
                        b"</Topic>",
                        b'</Topic><Comment Guid="6a0b1d2e-3f40-4152-8364-758697a8b9c0">'
                        b"<Date>2026-01-02T03:04:05Z</Date><Author>B. Fitter</Author><Comment>x</Comment></Comment>",
                        1,
                    )
                archive.writestr(name, content)
        made[path.name] = out.getvalue()
        path.unlink()
    return made


def _bcf(path: Path) -> str:
    """A BCF file of others: read, and written onto; what is written can be read again."""
    topics = read_bcf(path)
    made = path.with_suffix(".made.bcf")
    write_onto(made, path, iter(()))
    if read_bcf(made).topics != topics.topics:
        raise WrongError("what was read is not what was written")
    made.unlink()
    return "read"


def _bcf_taken(path: Path) -> str:
    """A BCF file of others taken into decisions, through the command."""
    project = path.parent.parent / "p"
    if not (project / "route3d.toml").exists():
        project = path.parent / "p"
        project.mkdir(exist_ok=True)
        building, routes = _parts()
        (project / "model.dxf").write_bytes(building)
        (project / "routes.dxf").write_bytes(routes)
        (project / "route3d.toml").write_text(WHOLE)
    status, said = call("decide", "--project", str(project), "--from-bcf", str(path))
    _as_promised("decide", status, said)
    return f"decide {status}"


def _store_seeds(folder: Path) -> dict[str, bytes]:
    (folder / "s").mkdir(exist_ok=True)
    building, routes = _parts()
    (folder / "s" / "model.dxf").write_bytes(building)
    (folder / "s" / "routes.dxf").write_bytes(routes)
    (folder / "s" / "route3d.toml").write_text(WHOLE)
    status, said = call(
        "decide", "1", "--project", str(folder / "s"), "--as", "to-mend", "--by", "A. Foreman", "--due", "2026-01-31"
    )
    assert status == 0, said
    store = folder / "s" / "route3d.decisions.sqlite"
    with sqlite3.connect(store) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    data = store.read_bytes()
    return {"route3d.decisions.sqlite": data}


def _sql_changed(data: bytes, rnd: random.Random) -> bytes:
    """Change bytes, or one value of one table."""
    if rnd.random() < 0.5:
        return changes.bytes_changed(data, rnd)
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "x.sqlite"
        path.write_bytes(data)
        try:
            connection = sqlite3.connect(path, isolation_level=None)
            try:
                connection.execute("PRAGMA ignore_check_constraints = ON")
                for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                    connection.execute(f'DROP TRIGGER "{name}"')
                tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
                table = rnd.choice(tables)
                columns = [row[1] for row in connection.execute(f'PRAGMA table_info("{table}")')]
                value = rnd.choice((*changes.WORDS, *changes.NUMBERS[:24], None, b"\xff\x00"))
                kind = rnd.randrange(6)
                if kind <= 3:
                    connection.execute(f'UPDATE "{table}" SET "{rnd.choice(columns)}" = ?', (value,))
                elif kind == 4:
                    connection.execute(f'DELETE FROM "{table}" WHERE rowid % ? = 0', (rnd.choice((1, 2, 3)),))
                else:
                    connection.execute(f"PRAGMA user_version = {rnd.choice((0, 1, 2, 99, -1))}")
            finally:
                connection.close()
        except (sqlite3.Error, OverflowError, UnicodeError, IndexError):
            return changes.bytes_changed(data, rnd)
        return path.read_bytes()


def _store(path: Path) -> str:
    """A database of decisions as others left it, listed, and checked with."""
    for number in {m.number for m in matters(path)}:
        assert isinstance(number, int)
    histories(path)
    folder = path.parent / "project"
    folder.mkdir(exist_ok=True)
    building, routes = _parts()
    (folder / "model.dxf").write_bytes(building)
    (folder / "routes.dxf").write_bytes(routes)
    (folder / "route3d.toml").write_text(WHOLE)
    for left in folder.glob("route3d.decisions.sqlite*"):
        left.unlink()
    (folder / path.name).write_bytes(path.read_bytes())
    for words in (
        ("check", str(folder)),
        ("decide", "--project", str(folder), "--list"),
        ("decide", "1", "--history", "--project", str(folder)),
    ):
        status, said = call(*words)
        _as_promised(words[0], status, said)
    return "used"


def _rule_file(path: Path) -> str:
    load_rulebook(path.name, path.parent)
    return "read"


# --- the viewer -------------------------------------------------------------------------------------------------------

_EDIT = {
    "run": "a", "corners_m": [[0, 0, 3], [2, 0, 3], [2, 1.5, 3]], "straps_at_m": [0.25], "supports_at_m": [0.9],
    "cable": "mc", "start": "box", "end": "open", "added": False, "deleted": False,
}  # fmt: skip


def _messages(_: Path) -> dict[str, bytes]:
    return {
        "draft.json": json.dumps([_EDIT]).encode(),
        "added.json": json.dumps([{**_EDIT, "run": "new", "added": True}, {"run": "b", "deleted": True}]).encode(),
    }


@cache
def _runs() -> Mapping[str, object]:
    from route3d.model.run import Run

    path = np.array([[0, 0, 3], [2, 0, 3], [2, 1.5, 3]], float)
    return {name: Run(run_id=name, cable_id="mc", corners_m=path) for name in ("a", "b")}


def _edits(path: Path) -> str:
    """Edits of a message, added to drafts and applied."""
    try:
        said = json.loads(path.read_bytes())
    except (ValueError, RecursionError):
        return "no JSON"
    runs = _runs()
    changed = read_changes(said, np.zeros(3), runs)  # type: ignore[arg-type]
    drafts = added_up({}, changed, runs, ["mc"])  # type: ignore[arg-type]
    for name, edit in drafts.items():
        json.dumps(edit.as_json(), allow_nan=False)
        edited(edit, runs.get(name), "route3d.toml")  # type: ignore[arg-type]
    return "taken"


def _journal_seeds(_: Path) -> dict[str, bytes]:
    lines = [
        {"format": 1, "project": "route3d", "at": "2026-01-02T03:04:05Z"},
        {"at": "2026-01-02T03:04:05Z", "runs": {"a": _EDIT, "b": None}},
    ]
    return {"a.jsonl": b"\n".join(json.dumps(line).encode() for line in lines) + b"\n"}


def _journal(path: Path) -> str:
    found = read_journal(path, "route3d")
    return "other" if found is None else "unreadable" if found.unreadable else "read"


TARGETS: Mapping[str, Target] = {
    target.name: target
    for target in (
        Target("project", _project_seeds, changes.toml_changed, _parse),
        Target("commands", _project_seeds, changes.toml_changed, _commands),
        Target("rules", lambda _: {"own.toml": RULES.encode()}, changes.toml_changed, _rule_file),
        Target("dxf", _dxf_seeds, changes.tags_changed, _model),
        Target("routes", _dxf_seeds, changes.tags_changed, _drawn_routes),
        Target("mesh", _mesh_seeds, _mesh_changed, _model),
        Target("scan", _scan_seeds, changes.bytes_changed, _model),
        Target("ifc", _ifc_seeds, _ifc_changed, _model),
        Target("results", lambda _: {"old.json": _results()}, changes.json_changed, _compared),
        Target("bcf", _bcf_seeds, changes.zip_changed, _bcf),
        Target("bcf-taken", _bcf_seeds, changes.zip_changed, _bcf_taken),
        Target("store", _store_seeds, _sql_changed, _store),
        Target("edits", _messages, changes.json_changed, _edits),
        Target("journal", _journal_seeds, changes.lines_changed, _journal),
    )
}
