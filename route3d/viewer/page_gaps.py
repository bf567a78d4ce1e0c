"""The line between the two nearest points of a gap or an overlap, from surface to surface."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.clearance import closest_points
from route3d.kernel.mesh_index import MeshIndex, build_index
from route3d.kernel.path import closest_at, points_at, tangents_at
from route3d.model.finding import Finding
from route3d.model.job import Job
from route3d.model.run import FittedRun

Floats = NDArray[np.float64]
Point = tuple[float, float, float]

MEASURED_ON_A_LINE = ("clash", "clearance", "separation")

# The line is drawn only where its length is what the finding measured: another kind of distance gets none.
_SAME_M = 2e-4


class Gaps:
    """Finds the line of a finding; search trees of single elements are kept for the next time."""

    def __init__(self, job: Job, index: MeshIndex | None = None) -> None:
        self._elements = {element.element_id: i for i, element in enumerate(job.elements)}
        self._job = job
        self._index = index
        self._own: dict[int, MeshIndex] = {}

    def lines(self, findings: Sequence[Finding], fitted: Mapping[str, FittedRun]) -> list[tuple[Floats, Floats] | None]:
        """Return for each finding the point on the cable's surface and that on the other's, building axes, or None."""
        lines: list[tuple[Floats, Floats] | None] = [None] * len(findings)
        asked: list[tuple[int, FittedRun, int, Point]] = []
        for k, finding in enumerate(findings):
            if finding.check not in MEASURED_ON_A_LINE or finding.point_m is None or finding.unit != "m":
                continue
            run = None if finding.run is None else fitted.get(finding.run)
            if finding.measured is None or run is None or finding.other is None:
                continue
            if finding.other in self._elements:
                asked.append((k, run, self._elements[finding.other], finding.point_m))
            elif finding.other in fitted:
                lines[k] = self._to_run(finding, run, fitted[finding.other])
        nearest = self._nearest([e for _, _, e, _ in asked], [point for _, _, _, point in asked])
        for (k, run, e, _), toward in zip(asked, nearest, strict=True):
            lines[k] = self._line(findings[k], run, toward, self._job.elements[e].thickness_m)
        return lines

    def _nearest(self, elements: Sequence[int], points: Sequence[Point]) -> Floats:
        if not elements:
            return np.empty((0, 3))
        if self._index is not None:
            return closest_points(self._index, np.array(elements), np.array(points))
        missing = sorted(set(elements) - self._own.keys())
        for e in missing:
            triangles = self._job.elements[e].triangles_m
            self._own[e] = build_index(triangles, np.array([0, len(triangles)]))
        found = [closest_points(self._own[e], [0], [point])[0] for e, point in zip(elements, points, strict=True)]
        return np.array(found)

    def _radius_m(self, fitted: FittedRun) -> float:
        radius = self._job.cables[fitted.run.cable_id].radius_m
        return 0.0 if radius is None else radius

    def _to_run(self, finding: Finding, fitted: FittedRun, other: FittedRun) -> tuple[Floats, Floats] | None:
        if not len(other.pieces):
            return None
        at = np.asarray(finding.point_m)
        _, other_at = closest_at(other.pieces, at)
        toward = points_at(other.pieces, np.array([other_at]))[0]
        return self._line(finding, fitted, toward, self._radius_m(other))

    def _line(
        self, finding: Finding, fitted: FittedRun, toward: Floats, other_radius_m: float
    ) -> tuple[Floats, Floats] | None:
        centre = np.asarray(finding.point_m, dtype=np.float64)
        radius = self._radius_m(fitted)
        step = toward - centre
        distance = float(np.linalg.norm(step))
        if not np.isfinite(distance):
            return None
        across = step / distance if distance > 1e-9 else _any_across(fitted, centre)
        assert finding.measured is not None
        for side in (1.0, -1.0):  # outside, and inside of a solid
            if abs(side * distance - radius - other_radius_m - finding.measured) <= _SAME_M:
                return centre + side * radius * across, toward - side * other_radius_m * across
        return None


def _any_across(fitted: FittedRun, centre: Floats) -> Floats:
    """Return a unit vector at right angles to the run: where centre lines touch, every direction is the nearest one."""
    _, at = closest_at(fitted.pieces, centre)
    tangent = tangents_at(fitted.pieces, np.array([at]))[0]
    helper = np.eye(3)[int(np.argmin(np.abs(tangent)))]
    across = np.cross(tangent, helper)
    return np.asarray(across / np.linalg.norm(across))
