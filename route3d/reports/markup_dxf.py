"""The mark-up drawing: runs, straps, dimensions and findings as a DXF that any CAD opens over the project's drawings.

Everything is at its true place in the building's axes. What is to be read lies level, in plan, with text of the size
that a plot at the stated scale asks for. Layers begin with R3D and are named for what they hold.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from ezdxf.document import Drawing
from ezdxf.filemanagement import new as ezdxf_new
from ezdxf.lldxf.const import DXFError
from ezdxf.math import Vec3

from route3d.errors import InputError
from route3d.examine import Examined
from route3d.kernel.path import points_at
from route3d.model.finding import Review
from route3d.model.plan import StrapPlan
from route3d.reports.markup_notes import DIMENSION_TEXT, Notes
from route3d.reports.markup_runs import draw_run
from route3d.reports.markup_text import plain, tag
from route3d.reports.pull_sheet_facts import Place, places_of, tape
from route3d.reports.surroundings import Surroundings
from route3d.reports.writing import write_whole
from route3d.units import METRES_PER_UNIT

APPLICATION = "ROUTE3D"  # of extended data: ids of runs, as routes are read
# The oldest that holds all of this; signs beyond its code page are written as codes that every reader knows.
FORMAT = "R2000"

# layer -> colour number, line weight in hundredths of a millimetre, line type, what it holds
LAYERS: dict[str, tuple[int, int, str, str]] = {
    "R3D-RUN-PASS": (3, 50, "Continuous", "runs that pass"),
    "R3D-RUN-FAIL": (1, 70, "Continuous", "runs that violate a rule"),
    "R3D-RUN-UNCHECKED": (6, 50, "DASHED", "runs that could not be checked"),
    "R3D-RUN-NAME": (7, 25, "Continuous", "names of runs"),
    "R3D-STRAP": (7, 35, "Continuous", "straps, hangers and bored framing that are there"),
    "R3D-STRAP-NEW": (4, 35, "Continuous", "straps that are planned"),
    "R3D-FIND-VIOLATION": (1, 35, "Continuous", "violations"),
    "R3D-FIND-CAUTION": (30, 25, "Continuous", "what is to be confirmed"),
    "R3D-FIND-UNCHECKED": (6, 25, "Continuous", "what could not be checked"),
    "R3D-DIM": (5, 18, "Continuous", "dimensions"),
    "R3D-LIST": (7, 25, "Continuous", "findings in full"),
    "R3D-CAUTION": (1, 35, "Continuous", "what this drawing is, and is not"),
}
_VERDICT_LAYERS = {"pass": "R3D-RUN-PASS", "fail": "R3D-RUN-FAIL", "unchecked": "R3D-RUN-UNCHECKED"}
_INSUNITS = {"mm": 4, "m": 6, "in": 1, "ft": 2}
TEXT_M = 0.0025  # height of text on paper
_TAGS = ("RUN", "MARK", "FROM_START", "HEIGHT", "WHAT", "HELD_BY", "SHARED_WITH")


@dataclass(frozen=True, slots=True)
class MarkUp:
    """What a mark-up holds, by count."""

    runs: int
    straps: int
    dimensions: int
    callouts: int
    unplaced: int  # findings without a place, and callouts without room: in the list only
    left_out: int  # dimensions without room: pull sheets state them


def write_markup(
    path: Path,
    examined: Examined,
    review: Review,
    plans: Sequence[StrapPlan] | None = None,
    *,
    unit: str = "mm",
    plot_scale: int = 50,
) -> MarkUp:
    """Write the mark-up drawing of a review; ``unit`` is mm, m, in or ft, its text is for a plot at 1:``plot_scale``.

    Without ``plans`` it shows the straps that are there now.

    Raises
    ------
    InputError
        The folder cannot be written to.
    """
    document, counts = markup_document(examined, review, plans, unit=unit, plot_scale=plot_scale)
    out = io.StringIO()
    try:
        document.write(out)
    except DXFError as error:
        raise InputError(path, f"the mark-up could not be written as DXF ({error})") from error
    write_whole(path, out.getvalue().encode(document.output_encoding, errors="dxfreplace"))
    return counts


def markup_document(
    examined: Examined,
    review: Review,
    plans: Sequence[StrapPlan] | None = None,
    *,
    unit: str = "mm",
    plot_scale: int = 50,
) -> tuple[Drawing, MarkUp]:
    """Return the mark-up drawing as ``write_markup`` writes it."""
    job = examined.scene.job
    per_m = 1.0 / METRES_PER_UNIT[unit]
    height = TEXT_M * plot_scale * per_m
    document = _document(unit, plot_scale, height)
    space = document.modelspace()
    planned = {plan.run_id: plan for plan in plans or ()}
    notes = Notes(document, review, Surroundings(job), per_m, height, plot_scale)
    straps = 0
    for number, run in enumerate(review.runs, start=1):
        drawn = run.fitted.run
        entities = draw_run(space, run.fitted.pieces, per_m, {"layer": _VERDICT_LAYERS[run.verdict]})
        ends = run.attachment
        for entity in entities:
            said = [(1000, tag(f"id={drawn.run_id}"))]
            said += [(1000, f"{key}={end.kind}") for key, end in (("start", ends.start), ("end", ends.end))]
            entity.set_xdata(APPLICATION, said)
        if len(entities) > 1:
            document.groups.new(f"R3D-RUN-{number}").set_data(entities)
        places = tuple(places_of(job, run, planned.get(drawn.run_id)))
        points = points_at(run.fitted.pieces, np.array([p.at_m for p in places])).reshape(-1, 3)
        for place, point in zip(places, points, strict=True):
            _strap(document, drawn.run_id, place, Vec3(point * per_m), height)
            notes.keep_clear(point)
        straps += len(places)
        notes.keep_clear_along(run)
    for run in review.runs:
        notes.name(run)
    notes.findings()
    for run in review.runs:
        notes.dimensions(run)
    notes.list()
    notes.caution()
    notes.plot()
    counts = MarkUp(
        len(review.runs), straps, notes.dimension_count, notes.callout_count, notes.unplaced, notes.left_out
    )  # fmt: skip
    return document, counts


def _document(unit: str, plot_scale: int, height: float) -> Drawing:
    document = ezdxf_new(FORMAT, setup=["linetypes"])
    document.appids.add(APPLICATION)
    header = document.header
    header["$INSUNITS"] = _INSUNITS[unit]
    header["$MEASUREMENT"] = 0 if unit in ("in", "ft") else 1
    header["$LUNITS"] = 2
    header["$LUPREC"] = 3 if unit in ("m", "ft") else 1
    header["$DIMSCALE"] = float(plot_scale)
    header["$LTSCALE"] = float(plot_scale) * (1.0 if unit == "mm" else METRES_PER_UNIT["mm"] / METRES_PER_UNIT[unit])
    header["$TEXTSIZE"] = height
    for name, (colour, weight, line_type, about) in LAYERS.items():
        layer = document.layers.add(name, color=colour, lineweight=weight, linetype=line_type)
        layer.description = about
    # an open font with the signs of many scripts; where it is missing, a CAD takes its own
    document.styles.add("R3D", font="DejaVuSans.ttf")
    # parts of the block of a dimension are on no layer of their own, so they state its colour
    for name, colour in (("R3D", LAYERS["R3D-DIM"][0]), ("R3D-LEADER", 256)):
        style = document.dimstyles.new(name)
        style.dxf.dimtxsty = "R3D"
        style.dxf.dimtxt = style.dxf.dimasz = DIMENSION_TEXT * height
        style.dxf.dimexe, style.dxf.dimexo, style.dxf.dimgap = 0.5 * height, 0.4 * height, 0.4 * height
        style.dxf.dimtad, style.dxf.dimtih, style.dxf.dimtoh = 1, 0, 0
        style.dxf.dimlunit, style.dxf.dimdec, style.dxf.dimdsep = 2, 3 if unit in ("m", "ft") else 1, ord(".")
        style.dxf.dimclrd = style.dxf.dimclre = style.dxf.dimclrt = colour
        style.dxf.dimscale = 1.0  # sizes above are of the model already
    _block(document, height)
    return document


def _block(document: Drawing, height: float) -> None:
    """Define the mark of a strap: a square with a stroke, with what it is as attributes."""
    half = 0.6 * height
    for name in ("R3D-STRAP", "R3D-HANGER", "R3D-FRAMING"):
        block = document.blocks.new(name)
        if name == "R3D-STRAP":
            square = [(-half, -half), (half, -half), (half, half), (-half, half)]
            block.add_lwpolyline(square, close=True, dxfattribs={"layer": "0"})
            block.add_line((-half, -half), (half, half), dxfattribs={"layer": "0"})
        elif name == "R3D-HANGER":
            block.add_circle((0, 0), half, dxfattribs={"layer": "0"})
        else:
            block.add_line((-half, 0), (half, 0), dxfattribs={"layer": "0"})
            block.add_line((0, -half), (0, half), dxfattribs={"layer": "0"})
        for k, key in enumerate(_TAGS):
            look = {"height": 0.7 * height, "style": "R3D", "layer": "0"}
            definition = block.add_attdef(key, (half * 1.4, half * 0.6 - 1.2 * height * k), dxfattribs=look)
            definition.is_invisible = key != "MARK"


def _strap(document: Drawing, run_id: str, place: Place, point: Vec3, height: float) -> None:
    name = {"S": "R3D-STRAP", "X": "R3D-STRAP", "H": "R3D-HANGER"}.get(place.mark[0], "R3D-FRAMING")
    layer = "R3D-STRAP-NEW" if place.new else "R3D-STRAP"
    insert = document.modelspace().add_blockref(name, point, dxfattribs={"layer": layer})
    values = (
        run_id, place.mark, tape(place.at_m), tape(place.height_m), place.what, place.holder, ", ".join(place.shared),
    )  # fmt: skip
    for key, value in zip(_TAGS, values, strict=True):
        visible = key == "MARK" and name != "R3D-FRAMING"
        at = point + Vec3(0.84 * height, 0.36 * height, 0.0)
        attribute = insert.add_attrib(
            key, plain(value), at, dxfattribs={"height": 0.7 * height, "style": "R3D", "layer": layer}
        )
        attribute.is_invisible = not visible
