"""Steel plates: those that a run states, and those drawn on a layer of role plate."""

from __future__ import annotations

import numpy as np

from route3d.checks.placing import mesh_index, within_each
from route3d.kernel.bore import Edge
from route3d.kernel.clearance import distance_at
from route3d.model.gap import Stretch
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.units import TOLERANCE_M

# A plate lies on the edge of its member; over finish or bent round a corner it may be drawn a little off.
REACH_M = 0.025
SYMBOL_M = 0.01  # a plate drawn no longer than this is a symbol: its place counts, its size is not known


class Plates:
    """All plates of a job."""

    def __init__(self, job: Job) -> None:
        self._meshes = [e.triangles_m for e in job.elements if e.role == "plate" and len(e.triangles_m)]
        self._index = mesh_index(self._meshes)

    def over_hole(self, fitted: FittedRun, hole: Stretch, edges: tuple[Edge, ...]) -> bool:
        """Tell whether a plate protects a hole at each of the edges that it is too near to."""
        if any(a <= hole[0] + TOLERANCE_M and hole[1] <= b + TOLERANCE_M for a, b in fitted.run.plates_m):
            return True
        return bool(self._meshes) and all(self._on(edge) for edge in edges)

    def along(self, fitted: FittedRun, reach_m: float) -> list[Stretch]:
        """Return where a run is behind plates; drawn ones count up to ``reach_m`` from its centre line."""
        drawn = [s for part in within_each(fitted, self._index, reach_m + REACH_M) for s in part]
        return [*fitted.run.plates_m, *drawn] if self._meshes else list(fitted.run.plates_m)

    def _on(self, edge: Edge) -> bool:
        count = len(self._meshes)
        away = distance_at(self._index, np.arange(count), np.tile(edge.point_m, (count, 1)))
        for k in np.flatnonzero(away <= REACH_M):
            place = (self._meshes[k].reshape(-1, 3) - edge.point_m) @ edge.along
            half = edge.width_m / 2.0 - TOLERANCE_M
            if np.ptp(place) <= SYMBOL_M or (place.min() <= -half and place.max() >= half):
                return True
        return False
