"""What is to be read on a mark-up: names of runs, dimensions, callouts of findings, the list of them, the caution."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from ezdxf.document import Drawing
from ezdxf.math import UCS, Vec3
from numpy.typing import NDArray

from route3d.kernel.path import ARC, AT, KIND, LENGTH, ORIGIN, RADIUS, TURN, U, V, chords, points_at
from route3d.model.finding import Finding, Review, RunReview
from route3d.reports.markup_text import formatted
from route3d.reports.pull_sheet_strip import compact
from route3d.reports.room import Taken
from route3d.reports.rows import counts_of
from route3d.reports.surroundings import Surroundings
from route3d.units import METRES_PER_UNIT, TOLERANCE_M, millimetres

Floats = NDArray[np.float64]

_WIDE = 0.74  # width of a letter against its height: enough for wide ones
_LINE = 1.66  # distance of lines against height, as MTEXT has them
_DIRECTIONS = [(1, 1), (-1, 1), (1, -1), (-1, -1), (1, 0.25), (-1, 0.25), (0.3, 1.4), (0.3, -1.4)]
_SHORTEST = 6.0  # heights of text: legs shorter than this carry no dimension of their own
DIMENSION_TEXT = 0.8  # height of text of dimensions, against that of other text
_LIST_WIDTH = 90.0  # letters
_BLOCK = 60  # lines of the list in one text
_WORDS = {"violation": "VIOLATION", "caution": "CONFIRM", "unchecked": "NOT CHECKED"}


class Notes:
    """Writes on one drawing; what is placed keeps its place clear."""

    def __init__(
        self, document: Drawing, review: Review, around: Surroundings, per_m: float, height: float, plot_scale: int
    ) -> None:
        self.document, self.space, self.review = document, document.modelspace(), review
        self.around, self.per_m, self.height, self.plot_scale = around, per_m, height, plot_scale
        self.taken = Taken(8.0 * height)
        self.dimension_count = self.callout_count = self.unplaced = self.left_out = 0
        self._listed: list[str] = []
        runs = [r for r in review.runs if len(r.fitted.pieces)]
        points = np.concatenate([chords(r.fitted.pieces, 0.01) for r in runs]) if runs else np.zeros((1, 3))
        self.low, self.high = points.min(axis=0) * per_m, points.max(axis=0) * per_m
        self._edges = [*self.low[:2].tolist(), *self.high[:2].tolist()]

    def keep_clear(self, point_m: Floats) -> None:
        """Keep the place of a mark and its name clear."""
        x, y = (point_m * self.per_m)[:2]
        self.taken.take(x - 0.7 * self.height, y - 0.7 * self.height, x + 2.6 * self.height, y + 1.1 * self.height)

    def keep_clear_along(self, run: RunReview) -> None:
        """Keep the line of a run clear."""
        length = run.fitted.length_m
        step = 0.8 * self.height / self.per_m
        count = max(2, min(int(length / step) + 1, 4000))
        for x, y, _ in (points_at(run.fitted.pieces, np.linspace(0.0, length, count)) * self.per_m).tolist():
            pad = 0.3 * self.height
            self.taken.take(x - pad, y - pad, x + pad, y + pad)

    def _grow(self, left: float, low: float, right: float, high: float) -> None:
        edges = self._edges
        self._edges = [min(edges[0], left), min(edges[1], low), max(edges[2], right), max(edges[3], high)]

    def _lines(
        self, point: Vec3, lines: Sequence[str], layer: str, anchor: int = 1, height: float | None = None
    ) -> None:
        """Write lines of text that is escaped already; ``anchor`` is an attachment point of MTEXT."""
        size = self.height if height is None else height
        look = {"layer": layer, "style": "R3D", "char_height": size, "attachment_point": anchor, "insert": point}
        self.space.add_mtext("\\P".join(lines), dxfattribs=look)

    # --- runs -----------------------------------------------------------------------------------------------------

    def name(self, run: RunReview) -> None:
        """Write the name of a run beside its longest piece, or where there is no room, at the end of a leader."""
        rows = run.fitted.pieces
        if not len(rows):
            return
        drawn = run.fitted.run
        text = f"{drawn.run_id} · {drawn.cable_id} · {run.verdict.upper()}"
        h, long = self.height, _WIDE * self.height * len(text)
        level = np.where(rows[:, KIND] == ARC, 0.0, rows[:, LENGTH] * np.linalg.norm(rows[:, V][:, :2], axis=1))
        row = rows[int(np.argmax(level))]
        spots = points_at(rows, row[AT] + row[LENGTH] * np.array([0.5, 0.25, 0.75])) * self.per_m
        for x, y, z in spots.tolist():
            for up in (2.4, -1.2, 4.4, -3.2):
                box = (x - long / 2.0, y + (up - 1.4) * h, x + long / 2.0, y + up * h)
                if self.taken.free(*box):
                    self._lines(Vec3(box[0], box[3], z), [formatted(text)], "R3D-RUN-NAME")
                    self._grow(*box)
                    return
        if not self._pointed(Vec3(*spots[0]), [text], "R3D-RUN-NAME"):
            self._lines(Vec3(*spots[0]), [formatted(text)], "R3D-RUN-NAME")

    def dimensions(self, run: RunReview) -> None:
        """Draw distances of both ends from two faces, lengths of level legs, radii of level bends that fail."""
        rows = run.fitted.pieces
        if not len(rows):
            return
        tight = {
            (j.bend.from_m, j.bend.to_m) for j in run.bends
            if j.required_inner_m is not None and j.inner_radius_m < j.required_inner_m - TOLERANCE_M
        }  # fmt: skip
        for row in rows[rows[:, KIND] == ARC]:
            level = abs(np.cross(row[U], row[V])[2]) > 1.0 - 1e-9
            if level and any(a - 1e-6 <= row[AT] + row[LENGTH] / 2.0 <= b + 1e-6 for a, b in tight):
                self._radius(row)
        for end in points_at(rows, np.array([0.0, run.fitted.length_m])):
            for datum in self.around.datums(end):
                self._linear(np.array([*datum.foot_m, end[2]]), end)
        for a, b in pairwise(run.fitted.run.corners_m):
            flat = float(np.linalg.norm((b - a)[:2])) * self.per_m
            if flat >= _SHORTEST * self.height and abs(b[2] - a[2]) < 1e-3:
                self._linear(a, b)

    def _text(self, length_m: float) -> str:
        # the drawing's own number, and the other system beside it
        inches = self.per_m in (1.0 / METRES_PER_UNIT["in"], 1.0 / METRES_PER_UNIT["ft"])
        return f"<> [{millimetres(length_m) if inches else compact(length_m)}]"

    def _linear(self, a_m: Floats, b_m: Floats) -> None:
        """Draw the level distance of two places beside the line between them, where there is room."""
        h = self.height
        a, b = Vec3(a_m[0], a_m[1]) * self.per_m, Vec3(b_m[0], b_m[1]) * self.per_m
        if (b - a).magnitude < 1e-9:
            return
        if (round(b.x - a.x, 6), round(b.y - a.y, 6)) < (0.0, 0.0):
            a, b = b, a  # text reads from the left, or from below
        along = (b - a).normalize()
        over = along.orthogonal()
        text = self._text((b - a).magnitude / self.per_m)
        # its text is to be read, so it keeps clear; its lines may cross others
        reach = _WIDE * DIMENSION_TEXT * h * (len(text) + 4)
        middle = a.lerp(b)
        for beside in (2.0, -2.0, 4.2, -4.2, 6.4, -6.4, 8.6, -8.6, 12.0, -12.0, 16.0, -16.0):
            steps = max(1, int(reach / h))
            boxes = []
            for k in range(steps + 1):
                spot = middle + along * (reach * (k / steps - 0.5)) + over * (beside + 0.6) * h
                boxes.append((spot.x - 0.6 * h, spot.y - 0.6 * h, spot.x + 0.6 * h, spot.y + 0.6 * h))
            if self.taken.all_free(boxes):
                dimension = self.space.add_linear_dim(
                    base=a + over * (beside * h), p1=a, p2=b, angle=along.angle_deg, text=text, dimstyle="R3D",
                    dxfattribs={"layer": "R3D-DIM"},
                )  # fmt: skip
                dimension.render(ucs=UCS(origin=(0.0, 0.0, float(b_m[2]) * self.per_m)))
                self.dimension_count += 1
                for box in (boxes[0], boxes[-1]):
                    self._grow(*box)
                return
        self.left_out += 1

    def _radius(self, row: Floats) -> None:
        middle = row[ORIGIN] + row[RADIUS] * (np.cos(row[TURN] / 2.0) * row[U] + np.sin(row[TURN] / 2.0) * row[V])
        centre = Vec3(row[ORIGIN][0], row[ORIGIN][1]) * self.per_m
        edge = Vec3(middle[0], middle[1]) * self.per_m
        out = (edge - centre).normalize()
        text = self._text(float(row[RADIUS]))
        dimension = self.space.add_radius_dim(
            centre,
            edge,
            radius=float(row[RADIUS]) * self.per_m,
            text=text,
            dimstyle="R3D",
            location=edge + out * (7.0 * self.height),
            dxfattribs={"layer": "R3D-DIM"},
        )
        dimension.render(ucs=UCS(origin=(0.0, 0.0, float(middle[2]) * self.per_m)))
        self.dimension_count += 1

    # --- findings -------------------------------------------------------------------------------------------------

    def findings(self) -> None:
        """Call out every finding that has a place and is more than a note."""
        for number, finding in enumerate(self.review.findings, start=1):
            kind = _kind(finding)
            if kind == "note":
                continue
            placed = False
            if finding.point_m is not None:
                lines = [f"{_WORDS[kind]} {number}: {finding.check}"]
                if finding.measured is not None and finding.required is not None and finding.unit == "m":
                    lines.append(f"{millimetres(finding.measured)}, asked {millimetres(finding.required)}")
                placed = self._pointed(Vec3(*finding.point_m) * self.per_m, lines, f"R3D-FIND-{kind.upper()}")
            self.callout_count += placed
            self.unplaced += not placed
            words = (
                f"{_WORDS[kind]} {number} · {finding.check} · run {finding.run or 'all'} · {finding.rule}: "
                f"{finding.message} {finding.remedy}"
            )
            self._listed += _wrapped(words + ("" if placed else " (not called out in the drawing)"), int(_LIST_WIDTH))

    def _pointed(self, point: Vec3, lines: Sequence[str], layer: str) -> bool:
        """Write lines at the end of a leader where there is room for them; tell whether there was."""
        h = self.height
        wide, high = max(len(line) for line in lines) * _WIDE * h, (len(lines) * _LINE - 0.5) * h
        for reach in (4.0, 7.0, 11.0, 16.0, 24.0, 34.0):
            for dx, dy in _DIRECTIONS:
                elbow = point + Vec3(dx, dy) * (reach * h)
                side = 1.0 if dx > 0 else -1.0
                landing = elbow + Vec3(side * 1.5 * h, 0.0)
                left = landing.x + 0.4 * h if side > 0 else landing.x - 0.4 * h - wide
                box = (left, landing.y - high / 2.0, left + wide, landing.y + high / 2.0)
                pad = 0.3 * h
                if self.taken.free(box[0] - pad, box[1] - pad, box[2] + pad, box[3] + pad):
                    self.space.add_leader([point, elbow, landing], dimstyle="R3D-LEADER", dxfattribs={"layer": layer})
                    anchor = Vec3(box[0] if side > 0 else box[2], landing.y, point.z)
                    written = [formatted(line) for line in lines]
                    self._lines(anchor, written, layer, anchor=4 if side > 0 else 6)
                    self._grow(*box)
                    return True
        return False

    def list(self) -> None:
        """Write all findings in full beside the drawing."""
        listed = self._listed or ["No violation and nothing to confirm."]
        left, top = self._edges[2] + 10.0 * self.height, self._edges[3]
        for k in range(0, len(listed), _BLOCK):
            # several texts, since one of many pages is slow in any CAD
            lines = [formatted(line) for line in listed[k : k + _BLOCK]]
            self._lines(Vec3(left, top - k * _LINE * self.height, self.low[2]), lines, "R3D-LIST")
        self._grow(left, top - len(listed) * _LINE * self.height, left + _LIST_WIDTH * _WIDE * self.height, top)

    # --- around the drawing ---------------------------------------------------------------------------------------

    def caution(self) -> None:
        """Write what the drawing is under it."""
        review = self.review
        head = (
            f"{review.project} · mark-up of cable runs · rules {review.rules} · checked {review.made} · drawn to be "
            f"plotted at 1:{self.plot_scale} · true coordinates, distances along the fitted cable"
        )
        counts = " · ".join(f"{name.replace('_', ' ')} {count}" for name, count in counts_of(review).items())
        if self.left_out:
            counts += f" · {self.left_out} dimensions had no room: the pull sheets state them"
        lines = [*_wrapped(head, 110), *_wrapped(counts, 110), *_wrapped(f"CAUTION: {review.caution}", 110)]
        top = self._edges[1] - 8.0 * self.height
        left = self._edges[0]
        self._lines(Vec3(left, top, self.low[2]), [formatted(line) for line in lines], "R3D-CAUTION")
        self._grow(left, top - len(lines) * _LINE * self.height, left + 110 * _WIDE * self.height, top)

    def plot(self) -> None:
        """Set up a sheet that shows the whole drawing at its scale, and what is seen first."""
        left, low, right, high = self._edges
        middle, size = ((left + right) / 2.0, (low + high) / 2.0), (right - left, high - low)
        per_mm = self.per_m * METRES_PER_UNIT["mm"] * self.plot_scale  # drawing units to the millimetre of paper
        paper = size[0] / per_mm * 1.02 + 20.0, size[1] / per_mm * 1.02 + 20.0
        layout = self.document.paperspace()
        layout.page_setup(size=paper, margins=(10, 10, 10, 10), units="mm")
        layout.add_viewport(
            center=(paper[0] / 2.0 - 10.0, paper[1] / 2.0 - 10.0), size=(paper[0] - 20.0, paper[1] - 20.0),
            view_center_point=middle, view_height=(paper[1] - 20.0) * per_mm, status=2,
        )  # fmt: skip
        self.document.set_modelspace_vport(height=size[1] * 1.05, center=middle)
        self.space.reset_extents(Vec3(left, low, self.low[2]), Vec3(right, high, self.high[2]))


def _kind(finding: Finding) -> str:
    return "unchecked" if finding.unchecked and finding.severity != "violation" else finding.severity


def _wrapped(text: str, most: int) -> list[str]:
    """Return text in lines of at most ``most`` letters; words that are longer are broken."""
    return textwrap.wrap(" ".join(text.split()), most) or [""]
