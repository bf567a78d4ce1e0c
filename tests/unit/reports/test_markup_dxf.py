"""The mark-up drawing, read back: by the library that wrote it, by our own reader of routes, and by a general one."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from ezdxf import recover
from ezdxf.addons.drawing import Frontend, RenderContext
from ezdxf.addons.drawing.config import BackgroundPolicy, Configuration
from ezdxf.document import Drawing
from ezdxf.entities.dxfgfx import DXFGraphic
from ezdxf.math import OCS, Vec3
from ezdxf.tools.text import plain_mtext

from importers.dxf_routes import read_routes
from route3d.examine import Examined, examine
from route3d.kernel.path import path_length, points_at
from route3d.model.element import Element
from route3d.model.finding import CAUTION, CHECKS, Review
from route3d.model.job import Job, Settings
from route3d.model.plan import StrapPlace, StrapPlan
from route3d.model.run import Run
from route3d.reports.markup_dxf import LAYERS, TEXT_M, markup_document, write_markup
from route3d.reports.markup_runs import draw_run, plane_of
from route3d.reports.markup_text import formatted, plain, tag
from route3d.review import judge
from route3d.units import METRES_PER_UNIT
from tests.builders import block, book, cable

HOSTILE = "R1\\P{\\C1;x} %%d ^J\n\\U+0041 \u202e水 " + "z" * 300


def checked(*runs: Run, checks: tuple[str, ...] = CHECKS) -> tuple[Examined, Review]:
    elements = (
        Element("a.dxf:1", "wall", "A-WALL", "SOLID", block((-2.1, -9, 0), (0.1, 18, 3.4)), True),
        Element("a.dxf:2", "duct", "M-DUCT", "SOLID", block((2.0, -0.2, 2.9), (0.4, 0.4, 0.2)), True),
        Element("a.dxf:3", "wall", "A-WALL", "SOLID", block((-9, -1.6, 0), (18, 0.1, 3.4)), True),
    )
    job = Job("made", "other", checks, {"c": cable()}, runs, elements, (), {}, Settings())
    examined = examine(job, book())
    return examined, judge(examined, "2026-01-31T10:00:00Z")


def level(run_id: str = "R1") -> Run:
    """In one level plane, with a clash and too few straps."""
    corners = np.array([[0.0, 0, 3], [5, 0, 3], [5, 4, 3], [9, 4, 3]])
    return Run(run_id, "c", corners, start="box", end="box", straps_at_m=(0.3, 1.9))


def skew(run_id: str = "R2") -> Run:
    """In no plane: level, then down, then across."""
    corners = np.array([[0.0, 6, 3], [5, 6, 3], [5, 6, 1.0], [5, 9, 1.0], [7, 9, 2.0]])
    return Run(run_id, "c", corners, start="box", end="open", straps_at_m=(0.3,))


def upright(run_id: str = "R3") -> Run:
    """In one upright plane that no axis is in."""
    corners = np.array([[0.0, 12, 3], [3, 16, 3], [3, 16, 1.0]])
    return Run(run_id, "c", corners, start="open", end="box")


@pytest.fixture(scope="module")
def pair() -> tuple[Examined, Review]:
    return checked(level(), skew(), upright())


@pytest.fixture(scope="module")
def drawing(pair: tuple[Examined, Review]) -> Drawing:
    return markup_document(*pair)[0]


def written(pair: tuple[Examined, Review], path: Path, **given: object) -> Drawing:
    write_markup(path, *pair, **given)  # type: ignore[arg-type]
    document, auditor = recover.readfile(path)
    assert not auditor.errors and not auditor.fixes
    return document


@pytest.mark.parametrize("unit", ["mm", "m", "in", "ft"])
def test_the_file_is_sound_and_states_its_unit(pair: tuple[Examined, Review], unit: str, tmp_path: Path) -> None:
    document = written(pair, tmp_path / "m.dxf", unit=unit)
    assert document.header["$INSUNITS"] == {"mm": 4, "m": 6, "in": 1, "ft": 2}[unit]
    assert set(LAYERS) <= {layer.dxf.name for layer in document.layers}
    used = {entity.dxf.layer for entity in document.modelspace()}
    assert used <= set(LAYERS) | {"0"}


def is_run(layer: str) -> bool:
    return layer.upper().startswith("R3D-RUN-") and layer.upper() != "R3D-RUN-NAME"


def run_of(entity: DXFGraphic) -> str:
    return next(str(t.value)[3:] for t in entity.get_xdata("ROUTE3D") if str(t.value).startswith("id="))


@pytest.mark.parametrize("unit", ["mm", "ft"])
def test_our_own_reader_reads_the_same_runs(pair: tuple[Examined, Review], unit: str, tmp_path: Path) -> None:
    path = tmp_path / "m.dxf"
    written(pair, path, unit=unit)
    read = read_routes(path, name="m.dxf", wanted=is_run, units=None)
    by_id = {route.route_id: route for route in read.routes}
    assert set(by_id) == {"R1", "R2", "R3"} and not read.unread
    for fitted in pair[0].scene.fitted:
        route = by_id[fitted.run.run_id]
        assert np.allclose(route.corners_m, fitted.run.corners_m, atol=1e-6)
        drawn = [bend.centre_radius_m for bend in fitted.bends]
        assert np.allclose(route.drawn_radius_m[1:-1], drawn, atol=1e-6)


def entity_points(entity: object, count: int = 60) -> np.ndarray:
    """Return points of an arc or a polyline with bulges by its definition in the DXF reference, not by our code."""
    from ezdxf.path import make_path

    return np.array([tuple(p) for p in make_path(entity).flattening(0.01)])  # type: ignore[type-var]


def test_arcs_are_true_arcs_in_any_plane(pair: tuple[Examined, Review], drawing: Drawing) -> None:
    space = drawing.modelspace()
    assert len(space.query("LWPOLYLINE[layer ? 'R3D-RUN.*']")) == 2  # R1 level, R3 upright
    assert len(space.query("ARC[layer ? 'R3D-RUN.*']")) == len(pair[0].scene.fitted[1].bends) == 3
    for entity in space.query("LWPOLYLINE ARC LINE[layer ? 'R3D-RUN.*']"):
        name = run_of(entity)
        fitted = next(f for f in pair[0].scene.fitted if f.run.run_id == name)
        dense = points_at(fitted.pieces, np.linspace(0.0, fitted.length_m, 20001)) * 1000.0
        for point in entity_points(entity):
            # 20,000 points on some 15 m lie 0.75 mm apart, so the nearest is within 0.4 mm
            assert np.linalg.norm(dense - point, axis=1).min() < 0.5


def test_lengths_in_the_drawing_are_developed_lengths(pair: tuple[Examined, Review], drawing: Drawing) -> None:
    lengths: dict[str, float] = {}
    for entity in drawing.modelspace().query("LWPOLYLINE ARC LINE[layer ? 'R3D-RUN.*']"):
        name = run_of(entity)
        kind = entity.dxftype()
        if kind == "LINE":
            size = (entity.dxf.end - entity.dxf.start).magnitude
        elif kind == "ARC":
            size = entity.dxf.radius * math.radians((entity.dxf.end_angle - entity.dxf.start_angle) % 360.0)
        else:
            size = 0.0
            vertices = list(entity.get_points("xyb"))
            for (x, y, bulge), (u, v, _) in pairwise(vertices):
                chord = math.hypot(u - x, v - y)
                angle = 4.0 * math.atan(abs(bulge))  # DXF reference: bulge is the tangent of a quarter of the angle
                size += chord if angle == 0.0 else chord * angle / (2.0 * math.sin(angle / 2.0))
        lengths[name] = lengths.get(name, 0.0) + size
    for fitted in pair[0].scene.fitted:
        assert lengths[fitted.run.run_id] / 1000.0 == pytest.approx(path_length(fitted.pieces), abs=1e-6)


def test_marks_stand_at_their_true_places_with_attributes(pair: tuple[Examined, Review]) -> None:
    plan = StrapPlan(
        "R1", 13.0, (StrapPlace(1.0, (1.0, 0, 3), False, "a.dxf:2", "duct", 0.1, ("R2",)),), 1, 1, (), 0.1
    )  # fmt: skip
    document, counts = markup_document(*pair, [plan])
    inserts = document.modelspace().query("INSERT")
    assert len(inserts) == counts.straps
    new = next(i for i in inserts if i.dxf.layer == "R3D-STRAP-NEW")
    assert new.dxf.insert.isclose(Vec3(1000.0, 0.0, 3000.0))
    values = {a.dxf.tag: a.dxf.text for a in new.attribs}
    assert values["RUN"] == "R1" and values["MARK"] == "S1" and values["SHARED_WITH"] == "R2"
    assert values["FROM_START"] == "3 ft 3-3/8 in (1000 mm)"
    assert [a.dxf.tag for a in new.attribs if not a.is_invisible] == ["MARK"]


def test_dimensions_are_real_and_tell_the_truth() -> None:
    drawing, counts = markup_document(*checked(level(), checks=("bend",)))
    dimensions = drawing.modelspace().query("DIMENSION")
    assert dimensions and all(d.dxf.geometry in drawing.blocks for d in dimensions)
    assert len(dimensions) + counts.left_out == 4 + 3  # two faces at each end, three legs; none is lost in silence
    measured = {round(d.get_measurement(), 3) for d in dimensions}
    # R1 starts at (0, 0): 2.0 m from the wall's face at x = -2.0, 1.5 m from the one at y = -1.5; its legs
    assert {2000.0, 1500.0, 5000.0, 4000.0} <= measured
    for dimension in dimensions:
        texts = [plain_mtext(e.text) for e in dimension.get_geometry_block() if e.dxftype() == "MTEXT"]
        assert len(texts) == 1
        shown = float(re.match(r"R?([\d.]+) \[", texts[0]).group(1))  # type: ignore[union-attr]
        assert shown == pytest.approx(dimension.get_measurement(), abs=0.06)


@pytest.mark.parametrize("scale", [20, 50, 100])
def test_text_has_the_size_of_the_plot_scale(pair: tuple[Examined, Review], scale: int) -> None:
    document, _ = markup_document(*pair, plot_scale=scale)
    heights = {round(text.dxf.char_height / scale, 6) for text in document.modelspace().query("MTEXT")}
    assert heights == {TEXT_M * 1000.0}  # 2.5 mm on paper
    viewport = document.paperspace().query("VIEWPORT").last
    assert viewport.dxf.view_height / viewport.dxf.height == pytest.approx(scale)


def test_every_finding_is_listed_and_those_with_a_place_are_called_out(
    pair: tuple[Examined, Review], drawing: Drawing
) -> None:
    texts = dict.fromkeys(LAYERS, "")
    for text in drawing.modelspace().query("MTEXT"):
        texts[text.dxf.layer] += plain_mtext(text.text) + "\n"
    listed = " ".join(texts["R3D-LIST"].split())
    findings = [f for f in pair[1].findings if f.severity != "note"]
    assert findings
    for number, finding in enumerate(pair[1].findings, start=1):
        if finding.severity != "note":
            assert re.search(rf"(VIOLATION|CONFIRM|NOT CHECKED) {number} ", listed)
            assert " ".join(finding.message.split()) in listed.replace("- ", "-") or finding.message[:30] in listed
    placed = [f for f in findings if f.point_m is not None]
    leaders = [e for e in drawing.modelspace().query("LEADER") if e.dxf.layer.startswith("R3D-FIND")]
    assert len(leaders) == len(placed)
    points = [Vec3(e.vertices[0]) for e in leaders]
    for finding in placed:
        assert finding.point_m is not None
        assert any(p.isclose(Vec3(*finding.point_m) * 1000.0, abs_tol=1e-6) for p in points)
    assert CAUTION.split(":")[0] in " ".join(texts["R3D-CAUTION"].split())


@pytest.mark.parametrize("run_id", [HOSTILE, "{", "^", "%%%", "a\x00b\x1b[31m"])
def test_hostile_names_stay_text(run_id: str, tmp_path: Path) -> None:
    document = written(checked(level(run_id)), tmp_path / "m.dxf")
    name = next(t for t in document.modelspace().query("MTEXT") if t.dxf.layer == "R3D-RUN-NAME")
    shown = plain_mtext(name.text)
    assert "\n" not in shown
    for sign in "{}":
        assert shown.count(sign) == run_id.count(sign)
    (entity,) = document.modelspace().query("LWPOLYLINE[layer ? 'R3D-RUN.*']")
    assert all(len(str(t.value).encode()) <= 255 for t in entity.get_xdata("ROUTE3D"))


@pytest.mark.parametrize("text", [HOSTILE, "{\\C1;red}", "%%u under", "^I tab", "50% off", "\\", "\ud800 half"])
def test_escaped_text_reads_back_as_itself(text: str) -> None:
    said = plain_mtext(formatted(text))
    for sign in "{}\\":
        assert said.count(sign) == " ".join(text.split()).count(sign)
    assert not re.search(r"%%|\^(?! )|\\[UuMm]\+", plain(text))
    assert len(tag(text * 10).encode()) <= 255


@pytest.mark.parametrize(
    ("corners", "normal"),
    [
        ([[0, 0, 3], [5, 0, 3]], (0, 0, 1)),
        ([[0, 0, 0], [0, 0, 5]], (1, 0, 0)),
        ([[0, 0, 3], [5, 0, 3], [5, 5, 3]], (0, 0, 1)),
        ([[0, 0, 3], [5, 0, 3], [5, 0, 0]], (0, 1, 0)),
        ([[0, 0, 3], [5, 0, 3], [5, 0, 0], [5, 4, 0]], None),
    ],
)
def test_the_plane_of_a_run(corners: list[list[float]], normal: tuple[float, float, float] | None) -> None:
    fitted = examine(replace(pair_job(), runs=(Run("x", "c", np.array(corners, dtype=float)),)), book()).scene.fitted[0]
    found = plane_of(fitted.pieces)
    assert found is None if normal is None else np.allclose(found, normal)


def pair_job() -> Job:
    return Job("made", "other", CHECKS, {"c": cable()}, (), (), (), {}, Settings())


@pytest.mark.parametrize("seed", range(12))
def test_any_plane_keeps_the_points_of_a_run(seed: int) -> None:
    rng = np.random.default_rng(seed)
    axes, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    flat = np.array([[0, 0], [3, 0], [3, 2], [6, 1], [6, -2]], dtype=float)
    corners = flat @ axes[:2] + rng.normal(size=3) * 10.0
    fitted = examine(replace(pair_job(), runs=(Run("x", "c", corners),)), book()).scene.fitted[0]
    document = ezdxf.new()
    (entity,) = draw_run(document.modelspace(), fitted.pieces, 1.0, {})
    ocs = OCS(entity.dxf.extrusion)
    first = ocs.to_wcs(Vec3(*entity[0][:2], entity.dxf.elevation))  # type: ignore[index]
    assert np.allclose(tuple(first), corners[0], atol=1e-9)
    dense = points_at(fitted.pieces, np.linspace(0.0, fitted.length_m, 20001))
    for point in entity_points(entity):
        assert np.linalg.norm(dense - point, axis=1).min() < 1e-3


def test_an_independent_reader_sees_the_same(pair: tuple[Examined, Review], tmp_path: Path) -> None:
    """GDAL's DXF reader shares no code with the library that writes."""
    pyogrio = pytest.importorskip("pyogrio")
    import shapely

    path = tmp_path / "m.dxf"
    written(pair, path)
    meta, _, geometry, fields = pyogrio.raw.read(path)
    columns = dict(zip(meta["fields"], fields, strict=True))
    shapes = shapely.from_wkb(geometry)
    on_run = np.array([layer.startswith("R3D-RUN-") and layer != "R3D-RUN-NAME" for layer in columns["Layer"]])
    total = 0.0
    for shape in shapes[on_run]:
        if shape.geom_type == "LineString":
            points = shapely.get_coordinates(shape, include_z=True)
            total += float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    # it turns arcs into chords of 4°, shorter by up to 0.02 %
    assert total / 1000.0 == pytest.approx(sum(f.length_m for f in pair[0].scene.fitted), rel=1e-3)
    said = [text for text in columns["Text"] if text]
    assert any("R1 · c · FAIL" in text for text in said) and any("CAUTION: An aid" in text for text in said)
    kinds = set(" ".join(columns["SubClasses"]).split())
    assert any("AcDbBlockReference" in kind for kind in kinds) and any("AcDbLeader" in kind for kind in kinds)


def test_it_renders_and_runs_have_the_colour_of_their_verdict(pair: tuple[Examined, Review], drawing: Drawing) -> None:
    from ezdxf.addons.drawing.matplotlib import MatplotlibBackend
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(14, 8))
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_axes((0, 0, 1, 1))
    config = Configuration(background_policy=BackgroundPolicy.WHITE)
    backend = MatplotlibBackend(axes, adjust_figure=False)
    Frontend(RenderContext(drawing), backend, config=config).draw_layout(drawing.modelspace(), finalize=True)
    canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())[:, :, :3].astype(int)
    red = (pixels[:, :, 0] > 200) & (pixels[:, :, 1] < 90) & (pixels[:, :, 2] < 90)
    assert red.sum() > 200  # R1 fails, and its findings are red
    assert (pixels.sum(axis=2) < 300).sum() > 100


def test_units_scale_everything(pair: tuple[Examined, Review]) -> None:
    sizes = {}
    for unit in ("mm", "in"):
        document, _ = markup_document(*pair, unit=unit)
        low = min(i.dxf.insert.x for i in document.modelspace().query("INSERT"))
        high = max(i.dxf.insert.x for i in document.modelspace().query("INSERT"))
        sizes[unit] = (high - low) * METRES_PER_UNIT[unit]
    assert sizes["mm"] == pytest.approx(sizes["in"])
