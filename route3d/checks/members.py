"""The straight members of the framing that runs come near, found once for all runs."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.bore import Borable
from route3d.kernel.meeting import boxes_met
from route3d.kernel.member import Member, member_of, shells
from route3d.kernel.path import ARC, AT, KIND, LENGTH, V
from route3d.model.element import Element
from route3d.model.gap import Stretch
from route3d.model.job import Job
from route3d.model.run import FittedRun

Floats = NDArray[np.float64]


SMALL = 2000  # triangles: an element with no more of them is looked at as a whole
EDGE_M = 1e-4


class Piece:
    """One shell of a framing element."""

    def __init__(self, element: Element, triangles_m: Floats) -> None:
        self.element = element
        self.triangles_m = triangles_m  # (n, 3, 3)

    @cached_property
    def member(self) -> Member | None:
        """What it is as a straight member of one section; None where it is none."""
        return member_of(self.triangles_m)


class Members:
    """Framing, shell by shell; an element is taken apart when the first run comes near it."""

    def __init__(self, job: Job) -> None:
        self._elements = [e for e in job.elements if e.role == "framing" and len(e.triangles_m)]
        self._boxes = np.array([e.box_m for e in self._elements]).reshape(-1, 6)
        self._number = {e.element_id: k for k, e in enumerate(self._elements)}
        self._pieces: dict[int, list[tuple[Piece, Floats]]] = {}
        self._borable: dict[tuple[int, tuple[int, ...]], Borable] = {}

    def around(self, element: Element, point: Floats) -> Borable:
        """Return what of an element may be bored at a point: the members whose box holds it; all of a small one."""
        k = self._number[element.element_id]
        chosen = self._holding(k, point)
        if (k, chosen) not in self._borable:
            parts = [self._taken_apart(k)[j][0].triangles_m for j in chosen]
            triangles = np.concatenate(parts) if parts else element.triangles_m
            self._borable[k, chosen] = Borable(triangles, element.closed)
        return self._borable[k, chosen]

    def _holding(self, k: int, point: Floats) -> tuple[int, ...]:
        element = self._elements[k]
        if not element.closed or len(element.triangles_m) <= SMALL:
            return ()
        pieces = self._taken_apart(k)
        boxes = np.array([box for _, box in pieces])
        holding = ((boxes[:, 0] - EDGE_M <= point) & (boxes[:, 1] + EDGE_M >= point)).all(axis=1)
        return tuple(np.flatnonzero(holding).tolist())

    def near(self, fitted: FittedRun, reach_m: float) -> list[Piece]:
        """Return the pieces whose box is within ``reach_m`` of a box around some piece of a run's line."""
        found = []
        for k in boxes_met(self._boxes, fitted.boxes_m, reach_m).tolist():
            pieces = self._taken_apart(k)
            boxes = np.array([box for _, box in pieces])
            found += [pieces[j][0] for j in boxes_met(boxes, fitted.boxes_m, reach_m).tolist()]
        return found

    def _taken_apart(self, k: int) -> list[tuple[Piece, Floats]]:
        if k not in self._pieces:
            element = self._elements[k]
            parts = [element.triangles_m[which] for which in shells(element.triangles_m)]
            self._pieces[k] = [(Piece(element, part), _box(part)) for part in parts]
        return self._pieces[k]


def straights(fitted: FittedRun, axis: Floats, from_deg: float, to_deg: float) -> list[Stretch]:
    """Return the straight stretches of a run that stand to an axis at an angle between two angles, 0° to 90°."""
    rows = fitted.pieces
    angle = np.degrees(np.arccos(np.clip(np.abs(rows[:, V] @ axis), 0.0, 1.0)))
    chosen = (rows[:, KIND] != ARC) & (angle >= from_deg) & (angle <= to_deg)
    return [(float(row[AT]), float(row[AT] + row[LENGTH])) for row in rows[chosen]]


def _box(triangles: Floats) -> Floats:
    points = triangles.reshape(-1, 3)
    return np.array([points.min(axis=0), points.max(axis=0)])
