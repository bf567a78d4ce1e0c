"""Draws the sample ``workshop``: an invented floor of offices and a workshop, with the cables above its ceilings.

Run ``python sample_models/make_workshop.py`` and the files in ``sample_models/workshop`` are written again, byte for
byte the same. Everything below is in millimetres, except for the structure, which is drawn in inches on purpose.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import ezdxf
import numpy as np
from ezdxf.document import Drawing
from ezdxf.math import OCS, Vec3
from ezdxf.render import MeshBuilder, forms

HERE = Path(__file__).parent / "workshop"
INCH = 25.4

# Heights, from the floor. Joists are 2 x 12 timber, 16 in apart, on beams; the deck lies on the joists.
CEILING = 2700.0
BEAM_BOTTOM, JOIST_BOTTOM, JOIST_TOP = 112 * INCH, 122 * INCH, 133.25 * INCH
LOW = 3088.0  # runs just under the joists, strapped to them
BORED = 3240.0  # runs through the middle of the joists
NEAR_EDGE = JOIST_BOTTOM + 25.0  # runs through holes too near to the lower edge of the joists
BAY = 3200.0  # runs between two joists, strapped to the side of one
LENGTH, WIDTH = 24000.0, 14000.0
FIRE_WALL = (14900.0, 15100.0)

Point = tuple[float, float, float]


def joist(k: int) -> float:
    """Return the x of the middle of joist ``k``."""
    return (8.0 + 16.0 * k) * INCH


def bay(k: int) -> float:
    """Return the x of a run in the bay beyond joist ``k``: at least 1 1/4 in from the joist, as nails may reach."""
    return joist(k) + 65.0


# --- shapes ---------------------------------------------------------------------------------------------------------


def box(low: Sequence[float], high: Sequence[float]) -> MeshBuilder:
    """Return a closed box with all faces turned outward."""
    mesh = forms.cube(center=False)
    size = [b - a for a, b in zip(low, high, strict=True)]
    return mesh.scale(*size).translate(*low)


def along(layout: object, start: Point, end: Point, radius: float, layer: str) -> None:
    """Draw a round pipe or duct as a circle with thickness, standing on its start and pointing to its end."""
    axis = Vec3(end) - Vec3(start)
    ocs = OCS(axis.normalize())
    layout.add_circle(  # type: ignore[attr-defined]
        ocs.from_wcs(Vec3(start)),
        radius,
        dxfattribs={"layer": layer, "thickness": axis.magnitude, "extrusion": axis.normalize()},
    )


def elbow(layout: object, corner: Point, into: Point, away: Point, bend: float, radius: float, layer: str) -> None:
    """Draw a quarter of a ring between a pipe that comes in along ``into`` and leaves along ``away``."""
    ux, uy = -Vec3(away), Vec3(into)
    centre = Vec3(corner) - Vec3(into) * bend + Vec3(away) * bend
    ring = forms.torus(6, 12, bend, radius, 0.0, math.pi / 2, caps=True)
    uz = ux.cross(uy)
    ring.vertices = [centre + ux * v.x + uy * v.y + uz * v.z for v in ring.vertices]
    ring.render_polyface(layout, dxfattribs={"layer": layer})


def new(unit: int, layers: Mapping[str, int]) -> Drawing:
    """Return an empty drawing with the application name for ids and the layers given with their colours."""
    doc = ezdxf.new("R2000", units=unit)
    doc.appids.add("ROUTE3D")
    for name, colour in layers.items():
        doc.layers.add(name, color=colour)
    return doc


# --- structure.dxf, in inches ---------------------------------------------------------------------------------------


def draw_structure() -> Drawing:
    """Joists, beams, columns, the corrugated deck and the walls."""
    doc = new(
        1,
        {
            "S-JOIS-TIMB": 32,
            "S-BEAM-STEL": 8,
            "S-COLS-STEL": 8,
            "S-DECK-CORR": 9,
            "A-WALL-PRTN": 254,
            "A-WALL-FIRE": 10,
            "A-ANNO-TEXT": 7,
        },
    )
    space = doc.modelspace()
    length, width = LENGTH / INCH, WIDTH / INCH

    joist_block = doc.blocks.new("JOIST-2X12")
    box((-0.75, 0, 0), (0.75, width, 11.25)).render_polyface(joist_block, dxfattribs={"layer": "0"})
    for k in range(59):
        space.add_blockref("JOIST-2X12", (joist(k) / INCH, 0, 122), dxfattribs={"layer": "S-JOIS-TIMB"})

    # wide-flange beams: the outline in the plane across, pushed along x
    flange, web, deep, thick = 3.0, 0.125, 10.0, 0.375
    outline = [(-flange, 0), (flange, 0), (flange, thick), (web, thick), (web, deep - thick), (flange, deep - thick)]
    outline += [(-y, z) for y, z in ((flange, deep - thick), (web, deep - thick), (web, thick), (flange, thick))]
    outline[6:6] = [(flange, deep), (-flange, deep)]
    for y in (100, 6400, 8200, 13900):
        profile = [(0.0, y / INCH + dy, 112 + dz) for dy, dz in outline]
        beam = forms.extrude(profile, [(0, 0, 0), (length, 0, 0)], close=True, caps=True)
        beam.normalize_faces()
        beam.render_mesh(space, dxfattribs={"layer": "S-BEAM-STEL"})
    for x, y in ((200, 100), (7600, 100), (200, 13900), (7600, 13900), (23800, 6400), (21400, 8200), (7600, 6400)):
        cx, cy = x / INCH, y / INCH
        corners = [(cx - 2.5, cy - 2.5), (cx + 2.5, cy - 2.5), (cx + 2.5, cy + 2.5), (cx - 2.5, cy + 2.5)]
        space.add_lwpolyline(corners, close=True, dxfattribs={"layer": "S-COLS-STEL", "thickness": 112.0})

    draw_deck(space, length, width)

    wall = {"layer": "A-WALL-PRTN"}
    mm = [
        ((0, 6340, 0), (14900, 6460, BEAM_BOTTOM)),  # corridor walls stop under the beams
        ((0, 8140, 0), (14900, 8260, BEAM_BOTTOM)),
        ((4950, 0, 0), (5050, 6340, JOIST_TOP)),  # this office wall goes up to the deck
        ((9950, 0, 0), (10050, 6340, 2800)),
        ((4950, 8260, 0), (5050, 14000, JOIST_TOP)),
        ((9950, 8260, 0), (10050, 14000, JOIST_TOP)),  # and bounds the return-air ceiling beyond
        ((-200, -200, 0), (LENGTH + 200, 0, JOIST_TOP)),
        ((-200, WIDTH, 0), (LENGTH + 200, WIDTH + 200, JOIST_TOP)),
        ((-200, 0, 0), (0, WIDTH, JOIST_TOP)),
        ((LENGTH, 0, 0), (LENGTH + 200, WIDTH, JOIST_TOP)),
    ]
    for low, high in mm:
        box([v / INCH for v in low], [v / INCH for v in high]).render_polyface(space, dxfattribs=wall)
    # the fire wall goes on down beside the shaft of the riser
    fire = box([FIRE_WALL[0] / INCH, 0, -4200 / INCH], [FIRE_WALL[1] / INCH, width, JOIST_TOP / INCH])
    fire.render_polyface(space, dxfattribs={"layer": "A-WALL-FIRE"})
    space.add_text("FIRE WALL, 2 H", height=8, dxfattribs={"layer": "A-ANNO-TEXT"}).set_placement((590, 20))
    return doc


def draw_deck(space: object, length: float, width: float) -> None:
    """Draw trapezoidal roof deck, 1 1/2 in deep at 6 in, in sheets of seven ribs; its underside is at the joists."""
    pitch, deep, low = 6.0, 1.5, 133.25
    shape = ((0.0, deep), (1.0, deep), (1.75, 0.0), (4.25, 0.0), (5.0, deep))
    ribs = math.ceil(width / pitch)
    kinds = ("polyface", "mesh", "3dfaces")  # any CAD may write a sheet in any of these ways
    for number, first in enumerate(range(0, ribs, 7)):
        line = [(pitch * r + y, z) for r in range(first, min(first + 7, ribs)) for y, z in shape]
        line = [(min(y, width), z) for y, z in line]
        if min(first + 7, ribs) < ribs:
            line.append((pitch * (first + 7), deep))
        sheet = MeshBuilder()
        sheet.vertices = [Vec3(x, y, low + z) for x in (0.0, length) for y, z in line]
        n = len(line)
        sheet.faces = [(i, n + i, n + i + 1, i + 1) for i in range(n - 1)]
        kind = kinds[number % 3]
        getattr(sheet, f"render_{kind}")(space, dxfattribs={"layer": "S-DECK-CORR"})


# --- services.dxf ---------------------------------------------------------------------------------------------------


def draw_services() -> Drawing:
    """Ducts, pipes, sprinklers and fans."""
    doc = new(
        4,
        {
            "M-DUCT-RECT": 4,
            "M-DUCT-ROND": 4,
            "M-EQPM-FANS": 6,
            "P-DOMW-HOTW": 1,
            "P-DOMW-COLD": 5,
            "F-SPKL-MAIN": 12,
            "F-SPKL-BRAN": 12,
            "M-ANNO-TEXT": 7,
        },
    )
    space = doc.modelspace()
    rect = {"layer": "M-DUCT-RECT"}
    # south main: one length of faces that share corners, one of loose faces, one as a thick outline
    box((1000, 2900, 2770), (7000, 3500, 3020)).render_polyface(space, dxfattribs=rect)
    box((7000, 2900, 2770), (14000, 3500, 3020)).render_polyface(space, dxfattribs=rect)
    box((14000, 2900, 2770), (18000, 3500, 3020)).render_3dfaces(space, dxfattribs=rect)
    outline = [(1000, 10950), (14000, 10950), (14000, 11450), (1000, 11450)]
    space.add_lwpolyline(outline, close=True, dxfattribs={**rect, "elevation": 2770, "thickness": 250})
    for x in (2500, 7500, 12500):
        along(space, (x, 3500, 2895), (x, 5400, 2895), 100, "M-DUCT-ROND")
    for x in (2700, 6700, 12700):
        branch = forms.cylinder_2p(16, 100, (x, 11450, 2895), (x, 13200, 2895), caps=True)
        branch.render_polyface(space, dxfattribs={"layer": "M-DUCT-ROND"})
    # exhaust in the workshop, the last length tilted down to a hood
    along(space, (19500, 12400, 2650), (19500, 6000, 2650), 157.5, "M-DUCT-ROND")
    along(space, (19500, 6000, 2650), (18900, 5000, 2300), 157.5, "M-DUCT-ROND")
    fan = {"layer": "M-EQPM-FANS"}
    box((19200, 12400, 2500), (19800, 13000, 3000)).render_polyface(space, dxfattribs=fan)
    box((22050, 8800, 2650), (22450, 9200, 3000)).render_polyface(space, dxfattribs=fan)

    # domestic water: over the corridor, through the fire wall, down to the wash bay; drawn with its insulation
    hot, cold, bend = 46.0, 30.0, 120.0
    for name, y, x, z, r in (("HOTW", 6900.0, 20500.0, 2870.0, hot), ("COLD", 7200.0, 20200.0, 2870.0, cold)):
        layer = f"P-DOMW-{name}"
        along(space, (500, y, z), (x - bend, y, z), r, layer)
        elbow(space, (x, y, z), (1, 0, 0), (0, -1, 0), bend, r, layer)
        along(space, (x, y - bend, z), (x, 3500 + bend, z), r, layer)
        elbow(space, (x, 3500, z), (0, -1, 0), (0, 0, -1), bend, r, layer)
        along(space, (x, 3500, z - bend), (x, 3500, 1200), r, layer)

    for y in (700, 9400):
        along(space, (300, y, 2980), (23500, y, 2980), 44.5, "F-SPKL-MAIN")
        far = (300, 2600) if y == 700 else (8600, 10700)
        for x in (4000 if y == 700 else 2700, 9600, 13500, 16000, 23200):
            along(space, (x, far[0], 2980), (x, far[1], 2980), 16.7, "F-SPKL-BRAN")
    space.add_text("SUPPLY 600 x 250", height=150, dxfattribs={"layer": "M-ANNO-TEXT"}).set_placement((2000, 3100))
    return doc


# --- runs -----------------------------------------------------------------------------------------------------------

CABLES = {  # layer ending: name, overall diameter, bend factor, largest strap interval used here
    "MC122": ("mc-12-2", 11.7, 7, 1640),
    "MC123": ("mc-12-3", 12.6, 7, 1640),
    "MC103": ("mc-10-3", 14.7, 7, 1640),
    "MC122W": ("mc-12-2-wet", 14.0, 7, 1640),
    "MC103J": ("mc-10-3-jacket", 17.3, 7, 1640),
    "MC250": ("mc-250", 47.1, 7, 3000),
    "MCF2": ("mc-smooth-2", 25.4, 12, 1640),
    "AC122": ("ac-12-2", 11.7, 5, 1240),
    "NM122": ("nm-12-2", 10.4, 5, 1240),
    "DATA": ("data", 6.0, 4, 1240),
}
FIRST = 295.0  # the first strap, where the rule says 12 in


@dataclass(frozen=True)
class Sample:
    """One run, how it is drawn, and what a check of it should say."""

    name: str
    cable: str
    path: tuple[Point, ...]
    why: str
    fails: tuple[str, ...] = ()  # checks that report a violation
    exempt: str = ""  # the exemption that a span of it needs
    straps: str | tuple[Point, ...] = "auto"  # auto, none, hangers, or the points
    drawn: str = "polyline"  # polyline, chain (lines and arcs), toml
    tags: tuple[str, ...] = ()
    toml: str = ""  # what its [[run]] says besides id, cable and path
    boxes: tuple[Point, ...] = field(default=())  # middles of the boxes that it brings along


RUNS: list[Sample] = []
ARC = 120.0  # the radius that chains of lines and arcs are drawn with


def add(name: str, cable: str, path: Sequence[Point], why: str, **more: object) -> None:
    """Keep one run."""
    RUNS.append(Sample(name, cable, tuple(path), why, **more))  # type: ignore[arg-type]


def beyond(k: int, y: float, z: float) -> tuple[Point, Point]:
    """Return the middle of a box on the far side of joist ``k``, and where a run along +x leaves it.

    The next joist is then less than 12 in from the box, so that the first strap, or the first hole, is in reach.
    """
    return (joist(k) + 70, y, z), (joist(k) + 121, y, z)


def before(k: int, y: float, z: float) -> tuple[Point, Point]:
    """Return the middle of a box on the near side of joist ``k``, and where a run along +x enters it."""
    return (joist(k) - 70, y, z), (joist(k) - 121, y, z)


def straight(name: str, cable: str, ks: tuple[int, int], y: float, z: float, why: str, **more: object) -> None:
    """Keep a run along x from a box beyond one joist to a box before another."""
    (box_a, a), (box_b, b) = beyond(ks[0], y, z), before(ks[1], y, z)
    add(name, cable, [a, b], why, boxes=(box_a, box_b), **more)


def bundle(names: Sequence[str], cable: str, ks: tuple[int, int], y: float, why: str) -> None:
    """Keep runs that lie together around one line under the joists, from box to box, strapped at the same joists."""
    z, apart = LOW - 7.0, 10.0
    (box_a, a), (box_b, b) = beyond(ks[0], y, z), before(ks[1], y, z)
    held = [round(joist(k) - a[0], 1) for k in (*range(ks[0] + 1, ks[1] - 1, 3), ks[1] - 1)]
    for number, name in enumerate(names):
        turn = 2 * math.pi * number / len(names) + math.pi / 2
        dy, dz = round(apart * math.cos(turn), 3), round(apart * math.sin(turn), 3)
        path = [(a[0], y + dy, z + dz), (b[0], y + dy, z + dz)]
        boxes = () if number else (box_a, box_b)
        add(name, cable, path, why, straps="none", drawn="toml", toml=f"straps = {held}", boxes=boxes)


def whip(name: str, cable: str, box_middle: Point, to: tuple[float, float], why: str, **more: object) -> None:
    """Keep a tail from the bottom of a box to the top of a luminaire in the grid."""
    x, y, z = box_middle
    tx, ty = to
    path = [(x, y, z - 27), (x, y, 2920.0), (tx, ty, 2920.0), (tx, ty, 2790.0)]
    add(name, cable, path, why, **{"straps": "none", **more})


def collect_runs() -> None:
    """Fill ``RUNS`` with all runs of the sample."""
    RUNS.clear()
    # lighting
    straight("L1-LTG-01", "MC122", (2, 30), 1500, BORED, "passes: straight through bored joists, held by them")
    (box_a, a), end_box = beyond(3, 2000, LOW), (joist(22), 5251.0, JOIST_BOTTOM - 27)
    add("L1-LTG-02", "MC122", [a, (joist(22), 2000, LOW), (joist(22), 5200, LOW)], "passes: under the joists, over the "
        "duct, one bend", boxes=(box_a, end_box))  # fmt: skip
    add("L1-LTG-03", "MC123", [(bay(10), 4000, BAY), (bay(10), 9500, BAY)], "passes: in a joist bay across the closed "
        "corridor ceiling, strapped on the way", boxes=((bay(10), 3949, BAY), (bay(10), 9551, BAY)))  # fmt: skip
    whip("L1-LTG-04", "MC122", end_box, (9900, 5100), "passes: whip of less than 6 ft within an accessible ceiling",
         exempt="whip", drawn="toml", toml='start = "box"\nend   = "luminaire"')  # fmt: skip
    box_b, b = before(14, 4120, LOW)
    x, y, z = box_b
    add("L1-LTG-05", "MC122", [(x, y, z - 27), (x, y, 2920), (x, 5700, 2920), (6900, 5700, 2920), (6900, 5700, 2790)],
        "whip longer than 6 ft, not secured", fails=("securing",), straps="none")  # fmt: skip
    add("L1-LTG-06", "MC122", [(joist(40) + 70, 2000, LOW - 27), (joist(40) + 70, 2000, 2940), (17400, 2000, 2940),
        (17400, 2000, 2820)], "whip outside any accessible ceiling: the 6 ft rule does not apply",
        fails=("securing",), straps="none", boxes=((joist(40) + 70, 2000, LOW),))  # fmt: skip
    box_a, a = beyond(3, 4000, LOW)
    jog = joist(8) + 180
    add("L1-LTG-07", "MC122", [a, (jog, 4000, LOW), (jog, 4120, LOW), b], "bend too tight: the jog of 120 mm leaves no "
        "room for two bends", fails=("bend",), boxes=(box_a, box_b))  # fmt: skip
    box_a, a = beyond(22, 4600, LOW)
    chords = [
        (joist(27) - 50 + 50 * math.sin(t), 4650 - 50 * math.cos(t), LOW) for t in np.radians(np.arange(0, 91, 11.25))
    ]
    end_box = (joist(27), 5851.0, JOIST_BOTTOM - 27)
    add("L1-LTG-08", "MC122", [a, *[(float(p), float(q), r) for p, q, r in chords], (joist(27), 5800, LOW)],
        "bend too tight: chords that mean a bend of 50 mm", fails=("bend",), boxes=(box_a, end_box))  # fmt: skip
    whip("L1-LTG-16", "MC122", end_box, (11700, 5700), "passes: whip", exempt="whip", tags=("end=luminaire",))
    box_a, a = beyond(3, 8700, LOW)
    end_box = (joist(10), 10451.0, JOIST_BOTTOM - 27)
    add("L1-LTG-10", "AC122", [a, (joist(10), 8700, LOW), (joist(10), 10400, LOW)], "passes: AC, strapped every 4 ft",
        boxes=(box_a, end_box))  # fmt: skip
    whip("L1-LTG-09", "AC122", end_box, (3900, 10500), "passes: AC whip", exempt="whip")
    whip("L1-LTG-15", "MC122", box_a, (900, 9300), "passes: whip", exempt="whip")
    straight("L1-LTG-11", "MC122", (26, 34), 12500, LOW, "passes: bare armour is allowed in a plenum")
    whip("L1-LTG-13", "MC122", before(34, 12500, LOW)[0], (14100, 12900), "passes: whip in a plenum", exempt="whip")
    whip("L1-LTG-14", "MC122", beyond(3, 2000, LOW)[0], (1500, 1500), "passes: whip", exempt="whip")
    straight("L1-LTG-12", "MC122", (2, 10), 350, LOW, "passes: given by its points in route3d.toml", straps="none",
             drawn="toml", toml="straps = [285.4, 1504.6, 2317.4, 2723.8]")  # fmt: skip
    straight("L1-LTG-17", "MC122", (38, 52), 7600, LOW, "passes: exposed in the workshop, over the exhaust duct")
    box_a, a = beyond(38, 4200, LOW)
    add("L1-LTG-18", "MC122", [a, (joist(44), 4200, LOW), (joist(44), 5900, LOW)], "passes: drawn as lines and an arc",
        drawn="chain", boxes=(box_a, (joist(44), 5951, JOIST_BOTTOM - 27)))  # fmt: skip

    # home run and feeders
    box_b = beyond(29, 5100, LOW)[0]
    add("L1-HR-01", "MC103", [(15175, 5100, 2000), (15175, 5100, LOW), beyond(29, 5100, LOW)[1]],
        "passes: home run through the fire wall, to be fire-stopped", boxes=(box_b,))  # fmt: skip
    add("L1-FDR-01", "MCF2", [(15175, 5350, 2000), (15175, 5350, 2600), (15175, 9500, 2600), (15175, 9500, 2000)],
        "passes: smooth-sheath feeder with wide bends, along the wall")  # fmt: skip
    add("L1-FDR-02", "MC250", [(15200, 8200, -3200), (15200, 8200, 600)], "passes: vertical riser of 250 kcmil, "
        "secured 9 ft apart where 10 ft is allowed", straps="none", drawn="toml",
        toml='start  = "cabinet"\nend    = "cabinet"\nstraps = [2750]')  # fmt: skip

    # receptacles and equipment
    box_a, a = beyond(2, 13500, LOW)
    add("L1-REC-01", "MC122", [a, (joist(9), 13500, LOW), (joist(9), 12000, LOW)], "passes: drawn as lines and an arc",
        drawn="chain", boxes=(box_a, (joist(9), 11949, JOIST_BOTTOM - 27)))  # fmt: skip
    add("L1-REC-02", "MC123", [(joist(15), 1200, 2985), (joist(15), 5500, 2985)], "goes through the duct",
        fails=("clash",), straps=tuple((joist(15), y, 2985.0) for y in (1450, 2600, 3800, 5250)),
        boxes=((joist(15), 1149, 2985), (joist(15), 5551, 2985)))  # fmt: skip
    straight(
        "L1-REC-03", "MC122", (46, 54), 5200, 3000, "too near the hot pipe, which it crosses", fails=("clearance",)
    )
    add("L1-REC-04", "MC122", [(8000, 3200, 2900), (11000, 3200, 2900)], "wholly inside a duct, not secured, open ends",
        fails=("clash", "securing"), straps="none", drawn="toml", toml='start = "open"\nend   = "open"')  # fmt: skip
    straight("L1-REC-05", "MC122", (14, 21), 5000, LOW, "meets L1-REC-06 at the same height", fails=("clash",))
    add("L1-REC-06", "MC122", [(joist(17), 4400, LOW), (joist(17), 5900, LOW)], "meets L1-REC-05 at the same height",
        fails=("clash",), boxes=((joist(17), 4349, LOW), (joist(17), 5951, LOW)))  # fmt: skip
    ks = (14, 30)
    straight("L1-REC-07", "MC122", ks, 1000, LOW, "straps 6 ft 8 in apart", fails=("securing",),
             straps=tuple((joist(k), 1000.0, LOW) for k in (15, 18, 23, 26, 29)))  # fmt: skip
    straight("L1-REC-08", "MC122", (24, 34), 2600, LOW, "first strap 2 ft 3 in from the box", fails=("securing",),
             straps=tuple((joist(k), 2600.0, LOW) for k in (26, 29, 32, 33)))  # fmt: skip
    straight("L1-REC-09", "MC122", (24, 34), 2300, LOW, "on hangers only: held, not secured", fails=("securing",),
             straps="hangers")  # fmt: skip
    straight("L1-REC-10", "NM122", (2, 10), 5700, LOW, "NM above a suspended ceiling, and this is no dwelling",
             fails=("environment",))  # fmt: skip
    straight("L1-REC-11", "MC123", (13, 23), 10000, BORED, "passes: through bored joists")
    add("L1-REC-12", "MC122", [(bay(18), 8900, BAY), (bay(18), 13000, BAY)], "passes: in a joist bay",
        boxes=((bay(18), 8849, BAY), (bay(18), 13051, BAY)))  # fmt: skip
    straight("L1-REC-13", "MC123", (14, 22), 13600, LOW, "passes: under the joists")
    straight("L1-REC-14", "MC122", (14, 20), 11900, NEAR_EDGE, "bored holes less than 1 1/4 in from the lower edge of "
             "the joists", fails=("framing",), straps="none")  # fmt: skip
    begin = beyond(14, 12200, NEAR_EDGE)[1][0]
    plates = [[round(joist(k) - begin - 25, 1), round(joist(k) - begin + 25, 1)] for k in range(15, 20)]
    straight("L1-REC-15", "MC122", (14, 20), 12200, NEAR_EDGE, "passes: as near to the edge, but behind steel plates",
             straps="none", drawn="toml", toml=f"plates = {plates}")  # fmt: skip
    straight("L1-WSH-01", "MC122", (47, 56), 1300, LOW, "bare armour in the wet wash bay", fails=("environment",))
    straight("L1-WSH-02", "MC122W", (47, 56), 1800, LOW, "passes: jacketed, rated for wet")
    straight("L1-PLN-01", "MC103J", (26, 34), 13000, LOW, "jacket that is not rated for the plenum",
             fails=("environment",))  # fmt: skip
    add("L1-EQ-01", "MC103", [(bay(42), 3000, 3356), (bay(42), 8000, 3356)], "less than 1 1/2 in below the roof deck",
        fails=("deck",), boxes=((bay(42), 2949, 3345), (bay(42), 8051, 3345)))  # fmt: skip
    box_a, a = before(40, 12200, LOW)
    add("L1-DMG-01", "MC122", [a, (15130, 12200, LOW), (15130, 12200, 1300)], "unprotected on the wall where forklifts "
        "turn", fails=("environment",), boxes=(box_a,))  # fmt: skip
    box_a, a = beyond(44, 12700, LOW)
    add("L1-EXH-01", "MC122", [a, (18850, 12700, LOW), (18850, 12700, 2880), (19200, 12700, 2880)],
        "passes: last 3 ft to a fan that vibrates", exempt="flexible", straps=((joist(45), 12700.0, LOW),),
        tags=("end=flexible-equipment",), boxes=(box_a,))  # fmt: skip
    box_a, a = beyond(50, 9000, LOW)
    add("L1-EXH-02", "AC122", [a, (21900, 9000, LOW), (21900, 9000, 2850), (22050, 9000, 2850)],
        "passes: last 2 ft of AC to a fan that vibrates", exempt="flexible", straps="none", drawn="toml",
        toml='end    = "flexible-equipment"\nstraps = [285.4, 1098.2]', boxes=(box_a,))  # fmt: skip

    # cables that lie together
    bundle(["L1-BND-01", "L1-BND-02", "L1-BND-03"], "MC103", (39, 49), 10300, "passes: three together, 9 "
           "current-carrying conductors, 70 % of the ampacity")  # fmt: skip
    bundle(["L1-BND-04", "L1-BND-05", "L1-BND-06", "L1-BND-07"], "MC122", (39, 49), 9900, "passes: four together, and "
           "relieved: 12 AWG in bare armour")  # fmt: skip

    # data, and a cable fished over the closed corridor ceiling
    add("L1-DAT-01", "DATA", [(bay(20), 5600, BAY), (bay(20), 9000, BAY)], "passes: data cable on hangers",
        straps="hangers", boxes=((bay(20), 5549, BAY), (bay(20), 9051, BAY)))  # fmt: skip
    path = [(bay(30), 5500, BAY), (bay(30), 7700, BAY), (bay(30), 7700, 2660), (bay(15), 7700, 2660)]
    path += [(bay(15), 7700, BAY), (bay(15), 9200, BAY)]
    add("L1-FSH-01", "MC122", path, "passes: fished over the closed ceiling of a finished corridor", exempt="fished",
        straps=((bay(30), 5740.0, BAY), (bay(30), 6350.0, BAY), (bay(15), 8250.0, BAY), (bay(15), 8960.0, BAY)),
        boxes=((bay(30), 5449, BAY), (bay(15), 9251, BAY)))  # fmt: skip


# --- straps ---------------------------------------------------------------------------------------------------------


def strap_points(run: Sample) -> list[Point]:
    """Return where a run is strapped: on structure, clear of its bends, the fewest that keep the intervals.

    A strap on a straight leg lies on the fitted cable too, because bends only cut the corners off.
    """
    if not isinstance(run.straps, str):
        return list(run.straps)
    if run.straps == "none" or run.path[0][2] == run.path[-1][2] == BORED:
        return []
    _, diameter, factor, interval = CABLES[run.cable]
    corners = np.array(run.path)
    legs = np.diff(corners, axis=0)
    lengths = np.linalg.norm(legs, axis=1)
    starts = np.concatenate([[0.0], np.cumsum(lengths)])
    bend = 1.5 * (factor * diameter + diameter / 2)
    stops: list[float] = []
    for i, (leg, length) in enumerate(zip(legs, lengths, strict=True)):
        free = np.arange(0.0, length, 10.0)
        if abs(leg[0]) > 0.99 * length:  # along x: only where a joist is
            free = np.array(
                [abs(joist(k) - corners[i, 0]) for k in range(59) if _within(joist(k), corners[i : i + 2, 0])]
            )
        first = 60.0 if i == 0 else setback(legs[i - 1], leg, bend) + 30.0
        last = length - 60.0 if i == len(legs) - 1 else length - setback(leg, legs[i + 1], bend) - 30.0
        stops += [float(starts[i] + s) for s in free if first <= s <= last]
    stops.sort()
    total = float(starts[-1])
    begin = max((s for s in stops if s <= FIRST), default=None)
    end = min((s for s in stops if s >= total - FIRST), default=None)
    if begin is None or end is None:
        raise ValueError(f"{run.name}: no structure within reach of an end: {stops[:2]} {total - stops[-1]}")
    chosen = [begin]
    while end - chosen[-1] > interval:
        chosen.append(max(s for s in stops if s <= chosen[-1] + interval))
    if end > chosen[-1]:
        chosen.append(end)
    points = []
    for s in chosen:
        i = min(int(np.searchsorted(starts, s, side="right")) - 1, len(legs) - 1)
        x, y, z = corners[i] + legs[i] / lengths[i] * (s - starts[i])
        points.append((round(float(x), 3), round(float(y), 3), round(float(z), 3)))
    return points


def _within(value: float, ends: np.ndarray) -> bool:
    return bool(min(ends) < value < max(ends))


def setback(before_leg: np.ndarray, after_leg: np.ndarray, radius: float) -> float:
    """Return the length that a bend takes from each of its legs."""
    cosine = float(np.dot(before_leg, after_leg) / np.linalg.norm(before_leg) / np.linalg.norm(after_leg))
    return radius * math.tan(math.acos(max(-1.0, min(1.0, cosine))) / 2)


# --- ceiling.dxf ----------------------------------------------------------------------------------------------------


def draw_ceiling() -> Drawing:
    """Tiles, luminaires, boxes, panels, straps, hangers and zones."""
    doc = new(
        4,
        {
            "A-CLNG-TILE": 252,
            "A-CLNG-GYPS": 253,
            "A-CLNG-ACCS": 3,
            "E-LITE-TROF": 2,
            "E-LITE-HIGH": 2,
            "E-BOXD-JUNC": 30,
            "E-PANL-CABT": 30,
            "E-PANL-SWBD": 30,
            "E-STRP": 6,
            "E-HNGR": 5,
            "Z-ACCS-CLNG": 3,
            "Z-INAC-CORR": 1,
            "Z-WETA-WASH": 5,
            "A-ANNO-TEXT": 7,
        },
    )
    space = doc.modelspace()
    blocks = doc.blocks
    box((0, 0, 0), (600, 600, 16)).render_polyface(blocks.new("TILE"), dxfattribs={"layer": "0"})
    # a luminaire is a nested block: the body, and the connection plate on top of it
    box((-297, -297, 0), (297, 297, 70)).render_polyface(blocks.new("TROFFER-BODY"), dxfattribs={"layer": "0"})
    box((-60, -60, 0), (60, 60, 20)).render_polyface(blocks.new("TROFFER-PLATE"), dxfattribs={"layer": "0"})
    troffer = blocks.new("TROFFER")
    troffer.add_blockref("TROFFER-BODY", (0, 0, 0))
    troffer.add_blockref("TROFFER-PLATE", (0, 0, 70))
    box((-51, -51, -27), (51, 51, 27)).render_polyface(blocks.new("JBOX-4SQ"), dxfattribs={"layer": "0"})
    for name in ("STRAP-1H", "HANGER-J"):
        mark = blocks.new(name)
        mark.add_circle((0, 0, 0), 8)
        mark.add_line((0, 0, 0), (0, 0, 10))

    lights = sorted({run.path[-1][:2] for run in RUNS if run.path[-1][2] == 2790})
    lights += [(2700.0, 900.0), (12900.0, 1500.0), (12900.0, 9900.0), (900.0, 12900.0)]
    for x, y in lights:
        space.add_blockref("TROFFER", (x, y, CEILING), dxfattribs={"layer": "E-LITE-TROF"})
    taken = {(round(x - 300), round(y - 300)) for x, y in lights}
    cells = [(600 * i, 600 * j) for i in range(24) for j in (*range(10), *range(14, 23))]
    for x, y in cells:
        if (x, y) not in taken and x not in (4800, 9600):  # the walls between offices stand in these
            space.add_blockref("TILE", (x, y, CEILING), dxfattribs={"layer": "A-CLNG-TILE"})
    lid = {"layer": "A-CLNG-GYPS"}
    box((0, 6460, 2600), (9000, 8140, 2616)).render_polyface(space, dxfattribs=lid)
    box((9600, 6460, 2600), (14900, 8140, 2616)).render_polyface(space, dxfattribs=lid)
    box((9000, 6460, 2600), (9600, 7000, 2616)).render_polyface(space, dxfattribs=lid)
    box((9000, 7600, 2600), (9600, 8140, 2616)).render_polyface(space, dxfattribs=lid)
    box((9000, 7000, 2600), (9600, 7600, 2610)).render_polyface(space, dxfattribs={"layer": "A-CLNG-ACCS"})
    box((17250, 1850, 2500), (17550, 2150, 2820)).render_polyface(space, dxfattribs={"layer": "E-LITE-HIGH"})

    for middle in sorted({middle for run in RUNS for middle in run.boxes}):
        space.add_blockref("JBOX-4SQ", middle, dxfattribs={"layer": "E-BOXD-JUNC"})
    # on the wall a box stands on edge: the same block, turned with its extrusion
    ocs = OCS((1, 0, 0))
    turned = {"layer": "E-BOXD-JUNC", "extrusion": (1, 0, 0)}
    space.add_blockref("JBOX-4SQ", ocs.from_wcs(Vec3(15130, 12200, 1249)), dxfattribs=turned)
    for layer, low, high in (
        ("CABT", (15100, 5000, 900), (15250, 5500, 2000)),  # L1
        ("CABT", (15100, 9250, 900), (15250, 9750, 2000)),  # compressor
        ("CABT", (15100, 7900, 600), (15300, 8500, 1900)),  # MDP
        ("SWBD", (15100, 7900, -4000), (15500, 8500, -3200)),  # switchboard below
    ):
        box(low, high).render_polyface(space, dxfattribs={"layer": f"E-PANL-{layer}"})

    for run in RUNS:
        hung = run.straps == "hangers"
        layer, block = ("E-HNGR", "HANGER-J") if hung else ("E-STRP", "STRAP-1H")
        for number, point in enumerate(strap_points(run)):
            if number % 4 == 3:  # some as plain circles, as found in drawings
                space.add_circle(point, 8, dxfattribs={"layer": layer})
            else:
                space.add_blockref(block, point, dxfattribs={"layer": layer})

    zone = {"layer": "Z-ACCS-CLNG"}
    box((0, 0, 2716), (14900, 6340, JOIST_TOP)).render_polyface(space, dxfattribs=zone)
    box((0, 8260, 2716), (14900, 14000, JOIST_TOP)).render_polyface(space, dxfattribs=zone)
    # an outline: how high it reaches stands in route3d.toml
    corridor = [(0, 6340), (14900, 6340), (14900, 8260), (0, 8260)]
    space.add_lwpolyline(corridor, close=True, dxfattribs={"layer": "Z-INAC-CORR"})
    box((20000, 0, 0), (24000, 4000, JOIST_TOP)).render_3dfaces(space, dxfattribs={"layer": "Z-WETA-WASH"})
    space.add_text("WASH BAY", height=200, dxfattribs={"layer": "A-ANNO-TEXT"}).set_placement((20500, 2000))
    return doc


# --- routes.dxf, route3d.toml and what is expected ------------------------------------------------------------------


def draw_routes() -> Drawing:
    """The runs that are drawn in CAD, with their ids as extended data."""
    used = sorted({run.cable for run in RUNS if run.drawn != "toml"})
    doc = new(4, {f"E-CABL-{cable}": 1 + number for number, cable in enumerate(used)})
    space = doc.modelspace()
    for run in RUNS:
        attribs = {"layer": f"E-CABL-{run.cable}"}
        if run.drawn == "polyline":
            parts = [space.add_polyline3d(run.path, dxfattribs=attribs)]
        elif run.drawn == "chain":
            parts = draw_chain(space, run, attribs)
        else:
            continue
        parts[0].set_xdata("ROUTE3D", [(1000, text) for text in (f"id={run.name}", *run.tags)])
    return doc


def draw_chain(space: object, run: Sample, attribs: dict[str, str]) -> list[object]:
    """Draw one flat corner as line, arc, line; the last line is drawn backwards, as it happens."""
    a, corner, b = (Vec3(p) for p in run.path)
    into, away = (corner - a).normalize(), (b - corner).normalize()
    t = setback(np.array(into.xyz), np.array(away.xyz), ARC)
    centre = corner - into * t + away * ARC if abs(into.dot(away)) < 1e-9 else None
    assert centre is not None, "chains here have right angles"
    first, last = corner - into * t, corner + away * t
    angles = [math.degrees(math.atan2((p - centre).y, (p - centre).x)) for p in (first, last)]
    left = into.cross(away).z > 0
    start, end = angles if left else angles[::-1]
    return [
        space.add_line(a, first, dxfattribs=attribs),  # type: ignore[attr-defined]
        space.add_arc(centre, ARC, start, end, dxfattribs=attribs),  # type: ignore[attr-defined]
        space.add_line(b, last, dxfattribs=attribs),  # type: ignore[attr-defined]
    ]


def project_text() -> str:
    """Return ``route3d.toml``: the part written by hand, and the runs that are given by points."""
    parts = [(Path(__file__).parent / "workshop_head.toml").read_text(encoding="utf-8")]
    for run in RUNS:
        if run.drawn == "toml":
            points = ", ".join(f"[{', '.join(f'{v:.10g}' for v in point)}]" for point in run.path)
            cable = CABLES[run.cable][0]
            more = f"{run.toml}\n" if run.toml else ""
            parts.append(f'[[run]]  # {run.why}\nid    = "{run.name}"\ncable = "{cable}"\npath  = [{points}]\n{more}')
    return "\n".join(parts)


def write_expected(folder: Path) -> None:
    """Write what a check should say, one row a run: a test compares it with what a check does say."""
    with (folder / "expected.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(["run", "verdict", "violations", "exempt", "why"])
        for run in sorted(RUNS, key=lambda run: run.name):
            table.writerow([run.name, "fail" if run.fails else "pass", ";".join(run.fails), run.exempt, run.why])


def write_readme(folder: Path) -> None:
    """Write the list of runs for people."""
    lines = ["| run | cable | should | why |", "| --- | --- | --- | --- |"]
    for run in sorted(RUNS, key=lambda run: run.name):
        verdict = f"fail: {', '.join(run.fails)}" if run.fails else "pass"
        lines.append(f"| {run.name} | {CABLES[run.cable][0]} | {verdict} | {run.why.removeprefix('passes: ')} |")
    head = (Path(__file__).parent / "workshop_readme.md").read_text(encoding="utf-8")
    (folder / "README.md").write_text(head + "\n" + "\n".join(lines) + "\n", encoding="utf-8")


def main(folder: Path = HERE) -> None:
    """Write everything into ``folder``."""
    folder.mkdir(exist_ok=True)
    collect_runs()
    kept = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True  # no date and no random id: the same bytes every time
    try:
        draw_structure().saveas(folder / "structure.dxf")
        draw_services().saveas(folder / "services.dxf")
        draw_ceiling().saveas(folder / "ceiling.dxf")
        draw_routes().saveas(folder / "routes.dxf")
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = kept
    (folder / "route3d.toml").write_text(project_text(), encoding="utf-8")
    write_expected(folder)
    write_readme(folder)


if __name__ == "__main__":
    main()
