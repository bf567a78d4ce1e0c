"""The legend: what each colour, pattern and shape on the sheet means, as far as it occurs."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from route3d.drawables import (
    DARK,
    GHOST_OPACITY,
    REQUIRED_COLOUR,
    ROLE_COLOURS,
    SEVERITY_COLOURS,
    SEVERITY_SIZES,
    VERDICT_COLOURS,
    ZONE_COLOURS,
    cable_radius_m,
)
from route3d.kernel.shapes import moved
from route3d.kernel.symbols import ICON_TILT, MARKER_SHAPES
from route3d.model.finding import CHECKS, SEVERITIES, Review
from route3d.model.job import Job
from route3d.viewer.layout import CAUTION_PX, Layout
from route3d.viewer.sheet import INK, PAPER, RULE, Sheet
from route3d.viewer.staging import Stage

LEGEND_ROWS = 7
ROW_PX = 19.5
VERDICT_WORDS = {"pass": "passes", "fail": "fails", "unchecked": "could not be checked"}

_Entry = tuple[str, Callable[[Sheet, float, float], None]]  # words, and a stroke drawer for the middle of its icon


def legend(sheet: Sheet, layout: Layout, job: Job, review: Review, staged: Stage) -> None:
    """Draw the legend below the picture: only what occurs in this job and review."""
    s = layout.scale
    top = layout.scene_top + layout.scene_height
    sheet.box(0, top, layout.scene_width, layout.height - CAUTION_PX * s, PAPER)
    sheet.line([(0, top), (layout.scene_width, top)], RULE, 1.0)
    groups = [
        ("Runs" + _exaggeration(job, review, staged), _run_entries(review, staged)),
        ("Held by, ends at", _mark_entries(review)),
        ("Findings", _finding_entries(review, staged)),
        ("Building, pale: see-through", _building_entries(staged)),
        ("Zones, not read" if review.unread else "Zones", _zone_entries(job, review)),
    ]
    groups = [(head, entries) for head, entries in groups if entries]
    size = 13.5
    while size > 8.0 and _legend_width(sheet, groups, size) > layout.scene_width - 24 * s:
        size -= 0.5
    x = 20 * s
    for head, entries in groups:
        sheet.text(x, top + 10 * s, head, size, bold=True)
        start = x
        for first in range(0, len(entries), LEGEND_ROWS):
            column = entries[first : first + LEGEND_ROWS]
            for k, (words, draw) in enumerate(column):
                y = top + 42 * s + k * ROW_PX * s
                draw(sheet, x + 17 * s, y)
                sheet.text(x + 40 * s, y, words, size, anchor="lm")
            x += _column_width(sheet, column, size)
        x = max(x, start + sheet.text_width(head, size, bold=True) + 26 * s)


def _column_width(sheet: Sheet, column: Sequence[_Entry], size: float) -> float:
    return max(sheet.text_width(words, size) for words, _ in column) + (40 + 14) * sheet.scale


def _legend_width(sheet: Sheet, groups: Sequence[tuple[str, list[_Entry]]], size: float) -> float:
    total = 20 * sheet.scale
    for head, entries in groups:
        columns = sum(
            _column_width(sheet, entries[k : k + LEGEND_ROWS], size) for k in range(0, len(entries), LEGEND_ROWS)
        )
        total += max(columns, sheet.text_width(head, size, bold=True) + 26 * sheet.scale)
    return total


def _exaggeration(job: Job, review: Review, staged: Stage) -> str:
    """How much thicker than true the runs are drawn, in words."""
    true = [cable_radius_m(job, r.fitted) for r in review.runs if len(r.fitted.pieces)]
    known = [radius_m for radius_m in true if radius_m is not None]
    thin = [radius_m for radius_m in known if radius_m < staged.least_cable_m * 0.999]
    words = ""
    if thin:
        low, high = staged.least_cable_m / max(thin), staged.least_cable_m / min(thin)
        factor = f"{high:.1f}×" if high / low < 1.05 else f"up to {high:.1f}×"
        words = f", drawn {factor} their true thickness"
    elif known:
        words = ", drawn at their true thickness"
    if len(known) < len(true):
        words += " (diameter not stated: as thin as can be seen)"
    return words


def _run_entries(review: Review, staged: Stage) -> list[_Entry]:
    def tube(verdict: str) -> Callable[[Sheet, float, float], None]:
        def draw(sheet: Sheet, x: float, y: float) -> None:
            s, colour = sheet.scale, VERDICT_COLOURS[verdict]
            stretches = [(-17, -7), (-4, 5), (8, 17)] if verdict == "unchecked" else [(-17, 17)]
            for a, b in stretches:
                sheet.line([(x + a * s, y), (x + b * s, y)], colour, 4.5)
            for at in (-8, 8) if verdict == "fail" else ():
                sheet.line([(x + at * s, y - 5.5 * s), (x + at * s, y + 5.5 * s)], colour, 4.0)

        return draw

    def pale(sheet: Sheet, x: float, y: float) -> None:
        s = sheet.scale
        tone = tuple((c + 190) // 2 for c in VERDICT_COLOURS["pass"])
        sheet.box(x - 5 * s, y - 8 * s, x + 17 * s, y + 8 * s, ROLE_COLOURS["duct"])
        sheet.line([(x - 17 * s, y), (x - 5 * s, y)], VERDICT_COLOURS["pass"], 4.5)
        sheet.line([(x - 5 * s, y), (x + 17 * s, y)], (tone[0], tone[1], tone[2]), 4.5)

    def faint(sheet: Sheet, x: float, y: float) -> None:
        s = sheet.scale
        tone = tuple(int(0.35 * c + 0.65 * 250) for c in VERDICT_COLOURS["pass"])
        sheet.line([(x - 17 * s, y), (x + 17 * s, y)], (tone[0], tone[1], tone[2]), 4.5)

    verdicts = [v for v in VERDICT_COLOURS if any(r.verdict == v for r in review.runs)]
    entries: list[_Entry] = [(VERDICT_WORDS[verdict], tube(verdict)) for verdict in verdicts]
    if not entries:
        return []
    if staged.close is not None and len(review.runs) > len(staged.close.runs):
        entries.append(("pale: another run", faint))
    return [*entries, ("behind something", pale)]


def _mark_entries(review: Review) -> list[_Entry]:
    held = {s.kind for r in review.runs for s in r.attachment.supports}
    ends = {t.kind for r in review.runs for t in (r.attachment.start, r.attachment.end)}

    def square(half: float) -> Callable[[Sheet, float, float], None]:
        return lambda sheet, x, y: sheet.box(
            x - half * sheet.scale, y - half * sheet.scale, x + half * sheet.scale, y + half * sheet.scale, DARK
        )

    def flat(sheet: Sheet, x: float, y: float) -> None:
        s = sheet.scale
        sheet.box(x - 3 * s, y - 7 * s, x + 3 * s, y + 7 * s, DARK)

    def ring(sheet: Sheet, x: float, y: float) -> None:
        sheet.disk(x, y, 7 * sheet.scale, PAPER, DARK, 2.2)

    def diamond(sheet: Sheet, x: float, y: float) -> None:
        r = 8 * sheet.scale
        sheet.polygon([(x - r, y), (x, y - r), (x + r, y), (x, y + r)], DARK)

    def disk(sheet: Sheet, x: float, y: float) -> None:
        s = sheet.scale
        sheet.polygon([(x + 10 * s * np.cos(t), y + 4.5 * s * np.sin(t)) for t in np.linspace(0, 6.3, 24)], DARK)

    def drum(sheet: Sheet, x: float, y: float) -> None:
        sheet.disk(x, y, 7 * sheet.scale, DARK, DARK, 1.0)

    entries: list[_Entry] = []
    if "strap" in held:
        entries.append(("strap, secures", flat))
    if "hanger" in held:
        entries.append(("hanger, only carries", ring))
    if "framing" in held:
        entries.append(("held in framing", diamond))
    boxes = [kind for kind in ("box", "cabinet", "fitting") if kind in ends]
    if boxes:
        entries.append((", ".join(boxes), square(8)))
    if "luminaire" in ends:
        entries.append(("luminaire", disk))
    if ends & {"equipment", "flexible-equipment"}:
        entries.append(("equipment", drum))
    if "open" in ends:
        entries.append(("open end, not terminated", ring))
    return entries


def _finding_entries(review: Review, staged: Stage) -> list[_Entry]:
    def mark(check: str, severity: str) -> Callable[[Sheet, float, float], None]:
        return lambda sheet, x, y: icon(sheet, check, severity, x, y, 10.0 * sheet.scale)

    def badge(severity: str) -> Callable[[Sheet, float, float], None]:
        def draw(sheet: Sheet, x: float, y: float) -> None:
            size = 9.0 * SEVERITY_SIZES[severity] * sheet.scale
            colour = SEVERITY_COLOURS[severity]
            fill = colour if severity == "violation" else PAPER
            sheet.disk(x, y, size, fill, INK if severity == "note" else colour, 2.0)

        return draw

    def dashes(sheet: Sheet, x: float, y: float) -> None:
        sheet.dashed([(x - 17 * sheet.scale, y), (x + 17 * sheet.scale, y)], REQUIRED_COLOUR, 3.0)

    checks = [c for c in CHECKS if any(f.check == c for f in review.findings)]
    severities = [v for v in SEVERITIES if any(f.severity == v for f in review.findings)]
    worst = {c: min((f.severity for f in review.findings if f.check == c), key=SEVERITIES.index) for c in checks}
    entries: list[_Entry] = [(severity, badge(severity)) for severity in severities]
    if staged.finding is not None and staged.finding.check == "bend":
        entries.append(("required by the rule", dashes))
    return entries + [(check, mark(check, worst[check])) for check in checks]


def _building_entries(staged: Stage) -> list[_Entry]:
    def swatch(role: str) -> Callable[[Sheet, float, float], None]:
        def draw(sheet: Sheet, x: float, y: float) -> None:
            s = sheet.scale
            colour = ROLE_COLOURS[role]
            edge = (int(colour[0] * 0.6), int(colour[1] * 0.6), int(colour[2] * 0.6))
            corners = [
                (x - 12 * s, y - 7 * s),
                (x + 12 * s, y - 7 * s),
                (x + 12 * s, y + 7 * s),
                (x - 12 * s, y + 7 * s),
            ]
            sheet.polygon(corners, colour, edge, 1.0, 0.35 if role in GHOST_OPACITY else 1.0)

        return draw

    roles = [role for role in ROLE_COLOURS if any(d.layer == "building" and d.name == role for d in staged.backdrop)]
    return [(role, swatch(role)) for role in roles]


def _zone_entries(job: Job, review: Review) -> list[_Entry]:
    def swatch(kind: str) -> Callable[[Sheet, float, float], None]:
        def draw(sheet: Sheet, x: float, y: float) -> None:
            s = sheet.scale
            corners = [
                (x - 12 * s, y - 7 * s),
                (x + 12 * s, y - 7 * s),
                (x + 12 * s, y + 7 * s),
                (x - 12 * s, y + 7 * s),
            ]
            sheet.polygon(corners, ZONE_COLOURS[kind], ZONE_COLOURS[kind], 2.0, 0.2)

        return draw

    def crossed(sheet: Sheet, x: float, y: float) -> None:
        s = sheet.scale
        for a, b in (((-12, -7), (12, 7)), ((-12, 7), (12, -7))):
            sheet.line([(x + a[0] * s, y + a[1] * s), (x + b[0] * s, y + b[1] * s)], INK, 1.5)
        corners = [(-12, -7), (12, -7), (12, 7), (-12, 7), (-12, -7)]
        sheet.line([(x + a * s, y + b * s) for a, b in corners], INK, 1.5)

    entries: list[_Entry] = [(kind, swatch(kind)) for kind in ZONE_COLOURS if any(z.kind == kind for z in job.zones)]
    if any(u.box_m is not None for u in review.unread):
        entries.append(("could not be read", crossed))
    return entries


def icon(sheet: Sheet, check: str, severity: str, x: float, y: float, size: float) -> None:
    """Draw the marker of a check as it looks in the picture."""
    points, triangles = moved(MARKER_SHAPES[check](), (0.0, 0.0, 0.0), ICON_TILT, size * SEVERITY_SIZES[severity])
    sheet.solid(points, triangles, SEVERITY_COLOURS[severity], x, y)
