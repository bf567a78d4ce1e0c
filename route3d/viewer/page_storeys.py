"""Which storey a run is in, as far as the model says: for filters, never for a judgement."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from route3d.model.finding import RunReview
from route3d.model.job import Job


class Storeys:
    """The storeys that elements of a job name, and how high they lie."""

    def __init__(self, job: Job) -> None:
        self.of_element: Mapping[str, str] = {e.element_id: e.storey for e in job.elements if e.storey}
        lows: dict[str, list[float]] = {}
        for element in job.elements:
            if element.storey and len(element.triangles_m):
                lows.setdefault(element.storey, []).append(float(element.triangles_m[:, :, 2].min()))
        # one thing that hangs far below its storey does not lower it
        floors = sorted((float(np.quantile(low, 0.1)), name) for name, low in lows.items())
        self._floors = np.array([low for low, _ in floors])
        self._names = [name for _, name in floors]

    def of_run(self, run: RunReview) -> str:
        """Return the storey of what a run ends at, else the highest one that begins below the middle of the run."""
        ends = {self.of_element.get(end.element_id or "", "") for end in (run.attachment.start, run.attachment.end)}
        ends.discard("")
        if len(ends) == 1:
            return ends.pop()
        corners = run.fitted.run.corners_m
        if not self._names or not len(corners):
            return ""
        height = float(np.median(corners[:, 2]))
        below = int(np.searchsorted(self._floors, height, side="right")) - 1
        return self._names[below] if below >= 0 else ""
