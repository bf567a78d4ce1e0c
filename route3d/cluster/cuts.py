"""A job cut in space: blocks of elements, parts of runs, and which elements each part needs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from route3d.fit import CHORD_SAGITTA_M
from route3d.model.job import Job

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def cut(points_m: Floats, weight: Floats, largest: float) -> list[Ints]:
    """Return the numbers of points (n, 3) in groups of neighbours that weigh no more than ``largest``, each sorted.

    Groups are halved by weight across their longest side; a point that is too heavy stands alone, and so do points that
    all lie in one place. The same points always give the same groups.
    """
    waiting, groups = [np.arange(len(points_m))], []
    while waiting:
        rows = waiting.pop()
        if len(rows) == 0:
            continue
        spread = np.ptp(points_m[rows], axis=0)
        if len(rows) == 1 or float(weight[rows].sum()) <= largest:
            groups.append(np.sort(rows))
            continue
        order = rows[np.argsort(points_m[rows, int(np.argmax(spread))], kind="stable")]
        below = np.cumsum(weight[order])
        half = int(np.searchsorted(below, 0.5 * below[-1])) + 1
        half = min(max(half, 1), len(order) - 1)
        waiting += [order[half:], order[:half]]
    return groups


def run_boxes(job: Job) -> Floats:
    """Return a box (runs, 2, 3) around each run that holds its fitted line: bends lie inside the drawn corners.

    Only where chords become a bend the line comes out of them, by less than the radius of its cable.
    """
    radii = [cable.radius_m for cable in job.cables.values() if cable.radius_m is not None]
    spare = max([*radii, 0.0]) + CHORD_SAGITTA_M
    boxes = np.array([[run.corners_m.min(axis=0), run.corners_m.max(axis=0)] for run in job.runs]).reshape(-1, 2, 3)
    return np.asarray(boxes + np.array([-spare, spare])[:, None])


def holds(box_m: Floats, line_boxes_m: Floats) -> bool:
    """Tell whether a box (2, 3) of ``run_boxes`` holds a line, given by the boxes (k, 6) of its pieces."""
    if len(line_boxes_m) == 0:
        return True
    low, high = line_boxes_m[:, :3].min(axis=0), line_boxes_m[:, 3:].max(axis=0)
    return bool((box_m[0] <= low).all() and (high <= box_m[1]).all())


class Plan:
    """The boxes of all elements in plan, to be asked for what is within reach of runs."""

    def __init__(self, boxes_m: Floats, decks: NDArray[np.bool_]) -> None:
        """Sort boxes (n, 2, 3), inverted where an element has no surface; decks matter at any height."""
        self.there = np.flatnonzero((boxes_m[:, 0] <= boxes_m[:, 1]).all(axis=1))
        self._boxes, self._decks = boxes_m[self.there], decks[self.there]
        low, high = self._boxes[:, 0], self._boxes[:, 1]
        self._tree = shapely.STRtree(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))

    def near(self, boxes_m: Floats, reach_m: float) -> Ints:
        """Return the numbers of the elements whose box is within reach of one of some boxes (k, 2, 3), rising."""
        low, high = boxes_m[:, 0] - reach_m, boxes_m[:, 1] + reach_m
        box, met = self._tree.query(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))
        level = (low[box, 2] <= self._boxes[met, 1, 2]) & (high[box, 2] >= self._boxes[met, 0, 2])
        return np.asarray(self.there[np.unique(met[level | self._decks[met]])])


def blocks_of(boxes_m: Floats, triangles: Sequence[int], there: Ints, largest: float) -> list[Ints]:
    """Return the elements that are there in blocks of neighbours with no more than so many triangles each."""
    weight = np.array(triangles, dtype=np.float64)[there]
    return [there[rows] for rows in cut(boxes_m[there].mean(axis=1), weight, largest)]
