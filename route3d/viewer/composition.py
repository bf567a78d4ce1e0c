"""The finished sheet: title, picture with its numbered callouts, list of findings, legend, scale and caution."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from route3d.drawables import (
    SEVERITY_COLOURS,
    SEVERITY_SIZES,
    ZONE_COLOURS,
)
from route3d.kernel.path import path_length, points_at
from route3d.model.finding import SEVERITIES, Finding, Review
from route3d.model.job import Job
from route3d.units import both_units
from route3d.viewer.callouts import place
from route3d.viewer.camera import round_length
from route3d.viewer.close_up import Dimension
from route3d.viewer.layout import CAUTION_PX, Layout
from route3d.viewer.legend import icon, legend
from route3d.viewer.sheet import GREY, INK, PAPER, RULE, Sheet
from route3d.viewer.staging import Stage

Floats = NDArray[np.float64]

BADGE_PX = 13.5
MARKER_CLEAR_PX = 12.0  # a leader ends this far from the middle of its marker
SCALE_BOX_PX = (238.0, 170.0)
NAMED_SEVERITY = {"violation": "violations", "caution": "cautions", "note": "notes"}


def compose(layout: Layout, job: Job, review: Review, staged: Stage, pixels: NDArray[np.uint8]) -> Image.Image:
    """Return the sheet with the rendered ``pixels`` (rows, columns, 3) in its place."""
    sheet = Sheet(layout.width, layout.height, layout.scale)
    sheet.paste(pixels, 0, layout.scene_top)
    _title(sheet, layout, job, review, staged)
    listed = _panel(sheet, layout, review, staged)
    busy = _busy(review, staged)
    keep_out = [_emptiest_corner(layout, SCALE_BOX_PX, busy)]
    _scale(sheet, layout, staged, keep_out[0])
    keep_out += _dimensions(sheet, layout, staged, keep_out)
    if staged.finding is None or staged.finding.check == "environment":
        keep_out += _zone_names(sheet, layout, job, staged, keep_out, busy)
    _callouts(sheet, layout, review, staged, listed, keep_out)
    legend(sheet, layout, job, review, staged)
    _caution(sheet, layout, review)
    return sheet.finished()


# --- title ------------------------------------------------------------------------------------------------------


def _title(sheet: Sheet, layout: Layout, job: Job, review: Review, staged: Stage) -> None:
    s = layout.scale
    verdicts = [r.verdict for r in review.runs]
    severities = [f.severity for f in review.findings]
    parts = [
        f"rule set {review.rules}",
        f"{len(verdicts)} runs: {verdicts.count('pass')} pass, {verdicts.count('fail')} fail, "
        f"{verdicts.count('unchecked')} not checked",
        ", ".join(f"{severities.count(kind)} {NAMED_SEVERITY[kind]}" for kind in SEVERITIES),
    ]
    if review.made:
        parts.append(review.made.replace("T", " ").removesuffix("Z")[:16])
    name = {"overview": "Overview from above", "plan": "Plan"}.get(staged.view)
    if staged.finding is not None:
        number = _number(review, staged.finding)
        name = f"Finding {number} of {len(review.findings)}: {staged.finding.check}"
    assert name is not None
    if "deck" in {e.role for e in job.elements} - {one.name for one in staged.backdrop if one.layer == "building"}:
        name += ", deck taken off"
    right = layout.width - 20 * s
    sheet.text(right, 26 * s, name, 18, bold=True, anchor="ra", colour=GREY)
    room = right - sheet.text_width(name, 18, bold=True) - 60 * s
    sheet.text(20 * s, 11 * s, sheet.shortened(review.project, 25, room, bold=True), 25, bold=True)
    sheet.text(20 * s, 45 * s, sheet.shortened("   ·   ".join(parts), 15.5, room), 15.5, colour=GREY)
    sheet.line([(0, layout.scene_top), (layout.width, layout.scene_top)], RULE, 1.0)


def _number(review: Review, finding: Finding) -> int:
    return next(i for i, f in enumerate(review.findings, 1) if f is finding)


# --- list of findings ---------------------------------------------------------------------------------------------


def _panel(sheet: Sheet, layout: Layout, review: Review, staged: Stage) -> list[int]:
    """Write the list at the side; return the indices of the findings in it, the only ones that get a number."""
    s = layout.scale
    left, top = layout.scene_width, layout.scene_top
    bottom = layout.height - CAUTION_PX * s
    sheet.box(left, top, layout.width, bottom, PAPER)
    sheet.line([(left, top), (left, bottom)], RULE, 1.0)
    x, y, width = left + 18 * s, top + 14 * s, layout.width - left - 34 * s
    y = _unread(sheet, review, x, y, width)
    if staged.finding is not None:
        y = _detail(sheet, review, staged.finding, x, y, width)
    count = len(review.findings)
    rest = [i for i in range(count) if review.findings[i] is not staged.finding]
    shown = [] if staged.finding is None else [_number(review, staged.finding) - 1]
    if not count:
        sheet.text(x, y, "No findings", 17, bold=True)
        for line in sheet.wrapped("Every check that was made passed. See the caution below.", 14.5, width, 3):
            y += 26 * s
            sheet.text(x, y, line, 14.5, colour=GREY)
        return []
    if rest:
        sheet.text(x, y, "Findings, worst first" if staged.finding is None else "Other findings", 17, bold=True)
        y += 32 * s
    foot = bottom - 34 * s
    # where not all fit, one line each lets more of them be named
    heights = [(30 + 18 * len(sheet.wrapped(f.message, 13.5, width - 74 * s, 2))) * s for f in review.findings]
    most = 2 if y + sum(heights) < foot else 1
    for place_in_rest, i in enumerate(rest):
        finding = review.findings[i]
        lines = sheet.wrapped(finding.message, 13.5, width - 74 * s, most)
        need = (20 + 18 * len(lines) + (9 if most == 2 else 6)) * s
        last = place_in_rest == len(rest) - 1
        if y + need > (bottom - 8 * s if last else foot):
            words = f"and {len(rest) - place_in_rest} more: see the report"
            sheet.text(x, foot + 6 * s, words, 14, bold=True, colour=GREY)
            break
        _badge(sheet, x + 14 * s, y + 14 * s, i + 1, finding.severity)
        icon(sheet, finding.check, finding.severity, x + 50 * s, y + 14 * s, 13 * s)
        head = f"{finding.run or 'whole job'}  ·  {finding.check}"
        sheet.text(x + 74 * s, y, sheet.shortened(head, 14, width - 74 * s, bold=True), 14, bold=True)
        for k, line in enumerate(lines):
            sheet.text(x + 74 * s, y + (20 + 18 * k) * s, line, 13.5, colour=GREY)
        y += need
        shown.append(i)
    return shown


def _detail(sheet: Sheet, review: Review, finding: Finding, x: float, y: float, width: float) -> float:
    s = sheet.scale
    _badge(sheet, x + 14 * s, y + 14 * s, _number(review, finding), finding.severity)
    icon(sheet, finding.check, finding.severity, x + 50 * s, y + 14 * s, 13 * s)
    head = f"{finding.run or 'whole job'}  ·  {finding.check}"
    sheet.text(x + 74 * s, y + 3 * s, sheet.shortened(head, 17, width - 74 * s, bold=True), 17, bold=True)
    y += 38 * s
    facts = [finding.severity, f"rule: {finding.rule}"]
    if finding.at_m is not None:
        from_m, to_m = finding.at_m
        at = f"{from_m:.2f} m" if to_m - from_m < 0.005 else f"{from_m:.2f} to {to_m:.2f} m"
        facts.append(f"at {at} along the run")
    if finding.measured is not None:
        facts.append(f"measured {_quantity(finding.measured, finding.unit)}")
    if finding.required is not None:
        facts.append(f"required {_quantity(finding.required, finding.unit)}")
    for fact in facts:
        sheet.text(x, y, sheet.shortened(fact, 14.5, width), 14.5, colour=GREY)
        y += 21 * s
    for words, bold in ((finding.message, False), (finding.remedy, True)):
        y += 6 * s
        for line in sheet.wrapped(words, 14.5, width, 7, bold=bold):
            sheet.text(x, y, line, 14.5, bold=bold)
            y += 21 * s
    y += 12 * s
    sheet.line([(x, y), (x + width, y)], RULE, 1.0)
    return y + 14 * s


def _quantity(value: float, unit: str) -> str:
    return both_units(value) if unit == "m" else f"{value:g} {unit}".strip()


# --- callouts -----------------------------------------------------------------------------------------------------


def _badge(sheet: Sheet, x: float, y: float, number: int, severity: str) -> None:
    s = sheet.scale
    colour = SEVERITY_COLOURS[severity]
    filled = severity == "violation"
    width = {"violation": 1.5, "caution": 3.0, "note": 1.5}[severity]
    # a white rim sets it off from a run of the same colour
    sheet.disk(x, y, (BADGE_PX + 1.5) * s, PAPER, PAPER, 1.0)
    sheet.disk(x, y, BADGE_PX * s, colour if filled else PAPER, INK if severity == "note" else colour, width)
    size = 14.0 if number < 100 else 11.0
    sheet.text(x, y, str(number), size, bold=True, anchor="mm", colour=PAPER if filled else INK)


def _callouts(
    sheet: Sheet, layout: Layout, review: Review, staged: Stage, listed: list[int], keep_out: list[Floats]
) -> None:
    s = layout.scale
    placed = [(i, review.findings[i]) for i in sorted(listed) if review.findings[i].point_m is not None]
    if staged.finding is not None:
        placed = [(i, f) for i, f in placed if f is staged.finding]
    if not placed:
        return
    points = np.array([f.point_m for _, f in placed]) - staged.origin
    anchors = staged.camera.project(points)
    radius = (BADGE_PX + 1.0) * s
    centres = place(anchors, radius, (layout.scene_width, layout.scene_height), np.array(keep_out).reshape(-1, 4))
    shift = np.array([0.0, layout.scene_top])
    for (_, finding), anchor, centre in zip(placed, anchors + shift, centres + shift, strict=True):
        step = centre - anchor
        length = float(np.linalg.norm(step))
        rim = MARKER_CLEAR_PX * s * SEVERITY_SIZES[finding.severity] if staged.finding is None else 4.0 * s
        if length > rim + radius:
            sheet.line([anchor + step / length * rim, centre - step / length * radius], INK, 1.2)
    for (i, finding), centre in zip(placed, centres + shift, strict=True):
        _badge(sheet, centre[0], centre[1], i + 1, finding.severity)


def _dimensions(sheet: Sheet, layout: Layout, staged: Stage, keep_out: list[Floats]) -> list[Floats]:
    s = layout.scale
    taken = list(keep_out)
    lines = [dense(staged.camera.project(dimension.line_m)) for dimension in staged.dimensions]
    busy = np.concatenate(lines) if lines else np.zeros((0, 2))
    for dimension in staged.dimensions:
        line = staged.camera.project(dimension.line_m) + np.array([0.0, layout.scene_top])
        if dimension.offset_px:
            chord = line[-1] - line[0]
            size = max(float(np.linalg.norm(chord)), 1e-9)
            aside = np.array([-chord[1], chord[0]]) / size
            if aside[1] < 0.0:
                aside = -aside
            moved_line = line + aside * dimension.offset_px * s
            for k in (0, -1):
                sheet.line([line[k], moved_line[k] + aside * 6.0 * s], dimension.colour, 1.0)
            line = moved_line
        (sheet.dashed if dimension.dashed else sheet.line)(line, dimension.colour, 2.2)
        if dimension.ticks:
            for end, inner in ((line[0], line[1]), (line[-1], line[-2])):
                along = (end - inner) / max(float(np.linalg.norm(end - inner)), 1e-9)
                across = np.array([-along[1], along[0]]) * 6.0 * s
                sheet.line([end - across, end + across], dimension.colour, 2.2)
        if dimension.words:
            taken.append(_words_beside(sheet, layout, line, dimension, taken, busy))
    return taken[len(keep_out) :]


def _words_beside(
    sheet: Sheet, layout: Layout, line: Floats, dimension: Dimension, taken: list[Floats], busy: Floats
) -> Floats:
    """Write a dimension's words where they hide least; return their box in scene pixels."""
    s = layout.scale
    size = 16.0
    width, height = sheet.text_width(dimension.words, size, bold=True), 20.0 * s
    middle = line[len(line) // 2] if len(line) > 2 else line.mean(axis=0)
    chord = line[-1] - line[0]
    aside = np.array([-chord[1], chord[0]]) / max(float(np.linalg.norm(chord)), 1e-9)
    if aside[1] < 0.0 or (abs(aside[1]) < 0.3 and aside[0] < 0.0):
        aside = -aside
    reach = abs(aside[0]) * width / 2 + abs(aside[1]) * height / 2 + 9.0 * s
    centres = [middle + sign * aside * (reach + 22 * k * s) for k in range(8) for sign in (1.0, -1.0)]
    if dimension.words_at_start:
        out = line[0] - line[-1]
        heading = float(np.arctan2(out[1], out[0]))
        centres = []
        for k in range(4):
            for turn in (0.0, 0.6, -0.6, 1.2, -1.2, 1.8, -1.8):
                way = np.array([np.cos(heading + turn), np.sin(heading + turn)])
                # from the middle of the words to their frame in that direction
                reach = min(width / 2 / max(abs(way[0]), 1e-9), height / 2 / max(abs(way[1]), 1e-9)) + (10 + 16 * k) * s
                centres.append(line[0] + way * reach)
    tries = [(centre[0] - width / 2, centre[1] - height / 2) for centre in centres]
    edge = 8.0 * s
    chosen, least = np.zeros(4), np.inf
    for left, top in tries:
        left = float(np.clip(left, edge, layout.scene_width - width - edge))
        top = float(np.clip(top - layout.scene_top, edge, layout.scene_height - height - edge))
        box = np.array([left, top, left + width, top + height])
        covered = 1e6 * sum(_overlap(box, other) for other in taken) + _covered(box, busy)
        if covered < least:
            chosen, least = box, covered
    dark = tuple(int(0.72 * c) for c in dimension.colour)
    sheet.text(
        chosen[0],
        chosen[1] + layout.scene_top,
        dimension.words,
        size,
        bold=True,
        colour=(dark[0], dark[1], dark[2]),
        halo=PAPER,
    )
    return chosen


def dense(line: Floats) -> Floats:
    """Return points (m, 2) no more than about four pixels apart along a polyline (n, 2)."""
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    stops = np.linspace(0.0, at[-1], max(2, int(at[-1] / 4.0)))
    return np.column_stack([np.interp(stops, at, line[:, k]) for k in (0, 1)])


def _covered(box: Floats, busy: Floats) -> float:
    """How many of the places (n, 2) a box hides."""
    return float(((busy > box[:2]) & (busy < box[2:])).all(axis=1).sum())


def _overlap(a: Floats, b: Floats) -> bool:
    return bool(a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3])


# --- scale, what was not read, caution ------------------------------------------------------------------------------


def _busy(review: Review, staged: Stage) -> Floats:
    """Places (n, 2) in scene pixels that should stay visible."""
    camera, origin = staged.camera, staged.origin
    runs = [r.fitted.pieces for r in review.runs if len(r.fitted.pieces)]
    lines = [points_at(p, np.linspace(0.0, path_length(p), 200)) - origin for p in runs]
    lines += [np.array([f.point_m] * 2) - origin for f in review.findings if f.point_m is not None]
    lines += [d.line_m for d in staged.dimensions]
    return np.concatenate([dense(camera.project(line)) for line in lines]) if lines else np.zeros((0, 2))


def _emptiest_corner(layout: Layout, size: tuple[float, float], busy: Floats) -> Floats:
    """Return the box (left, top, right, bottom) of ``size`` in the corner of the scene where it hides least."""
    rim = 12.0 * layout.scale
    width, height = size[0] * layout.scale, size[1] * layout.scale
    best, least = np.zeros(4), np.inf
    for left in (rim, layout.scene_width - rim - width):
        for top in (layout.scene_height - rim - height, rim):
            box = np.array([left, top, left + width, top + height])
            hidden = _covered(box, busy)
            if hidden < least:
                best, least = box, hidden
    return best


def _scale(sheet: Sheet, layout: Layout, staged: Stage, box: Floats) -> None:
    """Draw legs of a stated length along the building's axes: without perspective they are a scale for each."""
    s = layout.scale
    camera = staged.camera
    for target in (110.0, 90.0, 75.0, 60.0):
        length_m = round_length(target * s * camera.metres_per_px)
        legs = (np.eye(3) * length_m) @ camera.axes[:2].T / camera.metres_per_px * (1.0, -1.0)
        if np.ptp(np.vstack([legs, np.zeros(2)])[:, 1]) < 96.0 * s:
            break
    words = f"{length_m:g} m" if length_m >= 1.0 else f"{length_m * 1000:g} mm"
    sheet.polygon(
        [(box[i], box[j] + layout.scene_top) for i, j in ((0, 1), (2, 1), (2, 3), (0, 3))], PAPER, RULE, 1.0, 0.88
    )
    ends = np.vstack([legs, np.zeros(2)])
    middle = (ends.min(axis=0) + ends.max(axis=0)) / 2.0
    at = np.array([(box[0] + box[2]) / 2, box[1] + layout.scene_top + 78 * s]) - middle
    tips: list[Floats] = []
    for leg, name in sorted(zip(legs, "xyz", strict=True), key=lambda pair: -float(np.linalg.norm(pair[0]))):
        size = float(np.linalg.norm(leg))
        if size > 4.0 * s:
            sheet.line([at, at + leg], INK, 3.0)
            tip = at + leg * (1.0 + 13.0 * s / size)
            if any(np.linalg.norm(tip - other) < 16.0 * s or abs(_cross(leg, other - at)) < 9.0 for other in tips):
                # two legs in one line: the shorter one's letter stands beside it
                tip = at + leg + np.array([15.0 * s, 4.0 * s])
            tips.append(tip)
            sheet.text(tip[0], tip[1], name, 15, bold=True, anchor="mm")
    sheet.text(
        (box[0] + box[2]) / 2,
        box[3] + layout.scene_top - 9 * s,
        f"each leg is {words}; building axes",
        13,
        anchor="ms",
        colour=GREY,
    )


def _cross(leg: Floats, other: Floats) -> float:
    """How far ``other`` is beside the line of ``leg``, in pixels; far where it points the other way."""
    size = float(np.linalg.norm(leg))
    return np.inf if leg @ other < 0.0 else float(leg[0] * other[1] - leg[1] * other[0]) / size


def _unread(sheet: Sheet, review: Review, x: float, y: float, width: float) -> float:
    """Write the notice of what could not be read; return where the next thing begins."""
    if not review.unread:
        return y
    s = sheet.scale
    count = len(review.unread)
    placed = sum(u.box_m is not None for u in review.unread)
    head = f"Not read: {count} {'object' if count == 1 else 'objects'}, so not clear"
    kinds = ", ".join(sorted({f"{u.kind} on {u.layer}" for u in review.unread}))
    known = f"{placed} of them shown as crossed boxes" if placed else "none of them has a known place"
    lines = [sheet.shortened(words, 13.5, width - 24 * s) for words in (kinds, known)]
    bottom = y + (40 + 19 * len(lines)) * s
    sheet.polygon([(x, y), (x + width, y), (x + width, bottom), (x, bottom)], PAPER, INK, 2.0)
    sheet.text(x + 12 * s, y + 8 * s, head, 15, bold=True)
    for k, words in enumerate(lines):
        sheet.text(x + 12 * s, y + (31 + 19 * k) * s, words, 13.5, colour=GREY)
    return bottom + 14 * s


def _zone_names(
    sheet: Sheet, layout: Layout, job: Job, staged: Stage, taken: list[Floats], busy: Floats
) -> list[Floats]:
    """Write each zone's name at a rim of it, where there is room."""
    s = layout.scale
    written: list[Floats] = []
    for zone in job.zones:
        parts = [solid.reshape(-1, 3) for solid in zone.solids_m if len(solid)] + list(zone.unclosed_m)
        if not parts:
            continue
        words = zone.name if zone.solids_m else f"{zone.name} (not closed)"
        seen = staged.camera.project(np.concatenate(parts) - staged.origin)
        seen = np.clip(seen, 0.0, (layout.scene_width, layout.scene_height))
        width, height = sheet.text_width(words, 14, bold=True), 17.0 * s
        lowest, highest = seen[np.argmax(seen[:, 1])], seen[np.argmin(seen[:, 1])]
        left, right = seen[:, 0].min() + 8 * s, seen[:, 0].max() - width - 8 * s
        top, bottom = seen[:, 1].min() + 6 * s, seen[:, 1].max() - height - 6 * s
        within = [(left, bottom), (right, bottom), (right, top), (left, top)]
        below = (lowest[0] - width / 2, lowest[1] + 5 * s)
        above = (highest[0] - width / 2, highest[1] - height - 5 * s)
        chosen, least = None, np.inf
        for x, y in [*within, below, above] if staged.view == "plan" else [below, above, *within]:
            box = np.array([x, y, x + width, y + height])
            inside = box[0] > 0 and box[1] > 0 and box[2] < layout.scene_width and box[3] < layout.scene_height
            covered = _covered(box, busy)
            if inside and covered < least and not any(_overlap(box, other) for other in taken + written):
                chosen, least = box, covered
        if chosen is not None:
            dark = [int(0.55 * c) for c in ZONE_COLOURS[zone.kind]]
            colour = (dark[0], dark[1], dark[2])
            sheet.text(chosen[0], chosen[1] + layout.scene_top, words, 14, bold=True, colour=colour, halo=PAPER)
            written.append(chosen)
    return written


def _caution(sheet: Sheet, layout: Layout, review: Review) -> None:
    s = layout.scale
    top = layout.height - CAUTION_PX * s
    sheet.line([(0, top), (layout.width, top)], RULE, 1.0)
    size = 14.0
    lines = sheet.wrapped(review.caution, size, layout.width - 40 * s, 9)
    while len(lines) > 2 and size > 7.0:
        # the sentence is never cut: it gets smaller until it fits
        size -= 0.5
        lines = sheet.wrapped(review.caution, size, layout.width - 40 * s, 9)
    for k, line in enumerate(lines):
        sheet.text(20 * s, top + (6 + 20 * k) * s, line, size)
