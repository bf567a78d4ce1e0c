"""A grid over the room around a line, its edges measured exactly: where a cable can lie, and what that costs.

Grid lines stand at the coordinates of the drawn corners, at the faces of what is in the way (grown by what the cable
needs), and between these at even spacing. An edge is blocked where the tube around it comes nearer to something than
allowed: boxes only tell which edges need to be measured, the measuring is exact.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.clearance import nearest_elements
from route3d.kernel.grid_path import cheapest_path
from route3d.kernel.path import path_boxes
from route3d.kernel.solid import elements_around
from route3d.mending.change import tidy, to_line
from route3d.mending.directions import turn_by
from route3d.mending.pauses import pause
from route3d.mending.site import SPARE_M, Site
from route3d.model.routing import Routing
from route3d.rules.supports import HOLDING_ROLES
from route3d.units import TOLERANCE_M

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

PLAIN_ZONES = frozenset({"accessible-ceiling", "plenum"})  # where cables usually run
NODES_MAX = 250_000
_NEAR_M = 0.005  # a face so near to a grid line adds none
_CUT = 1.0 - math.sqrt(0.5)  # of its radius: how far the bend at a right angle stays off its corner, along each leg
_TIP_M = 0.02
_STRAIGHT = math.cos(1e-3)


@dataclass(slots=True)
class Bans:
    """Places that a check refused, each with its radius, and boxes that are closed."""

    points_m: list[tuple[Floats, float]] = field(default_factory=list)
    boxes_m: list[Floats] = field(default_factory=list)


class Lattice:
    """A grid along that of the building; or, around a line of which no level leg is along it, along its longest."""

    def __init__(
        self,
        site: Site,
        line: Floats,
        *,
        box_m: Floats,
        width_m: float,
        spacing_m: tuple[float, float],
        faces: Sequence[Floats] = (),
        weights: Routing,
        off_line: float = 0.0,
        keep_m: float = 0.0,
        on_axes: bool = False,
    ) -> None:
        """Lay a grid around a line: nodes up to ``width_m`` from it, lines ``spacing_m`` (level, upright) apart.

        It reaches as far beyond the line's extent as ``box_m`` (2, 3) says, below and above. ``faces`` are boxes
        (2, 3) whose faces get grid lines. ``off_line`` is the share of length that is added per metre off the line,
        ``keep_m`` what is kept free between this and other runs. ``on_axes``: the grid is that of the building,
        whatever the line.
        """
        self.site, self.weights, self.off_line, self.keep_m = site, weights, off_line, keep_m
        self.turn = site.turn if on_axes else _turn_of(line, site.turn)
        self.line = line @ self.turn
        # one line as near as the cable may lie, and one that leaves room for bends, which cut their corners inside
        cut = _CUT * site.job.settings.bend_target * site.bend_m
        grown = [self._box(box, site.radius_m + more) for box in faces for more in (2.0 * SPARE_M, cut + SPARE_M)]
        self.axes = self._axes(box_m, spacing_m, grown)
        self.length = [np.diff(axis) for axis in self.axes]
        self.cost = self._lay(width_m)
        # what blocks each edge: the number of an element, of a run as -2 - its number; -1 nothing does
        self.shut_by = [np.full(cost.shape, -1, dtype=np.int32) for cost in self.cost]
        self._block()

    # --- the grid ----------------------------------------------------------------------------------------------------

    def _axes(self, box_m: Floats, spacing_m: tuple[float, float], grown: Sequence[Floats]) -> list[Floats]:
        low, high = self.line.min(axis=0) - box_m[0], self.line.max(axis=0) + box_m[1]
        coarser = 1.0
        while True:
            axes = [
                _axis(self.line[:, d], low[d], high[d], coarser * spacing_m[d // 2], [g[:, d] for g in grown])
                for d in range(3)
            ]
            if math.prod(len(a) for a in axes) <= NODES_MAX or coarser > 20.0:
                return axes
            coarser *= 1.3

    def _lay(self, width_m: float) -> list[Floats]:
        """Return the costs of all edges, infinite outside of the corridor."""
        grid = np.stack(np.meshgrid(*self.axes, indexing="ij"), axis=-1)
        shape = grid.shape[:3]
        off = to_line(grid.reshape(-1, 3), self.line).reshape(shape)
        cost = []
        for d in range(3):
            a, b = _sides(off, d)
            length = self.length[d].reshape([-1 if k == d else 1 for k in range(3)])
            middle = 0.5 * (a + b)
            edges = length * (1.0 + self.off_line * middle)
            edges[np.maximum(a, b) > width_m] = np.inf
            cost.append(edges)
        return cost

    def _ranges(self, box: Floats) -> tuple[list[slice], list[slice]]:
        """Return which nodes a box holds along each axis, and which edges it meets."""
        nodes, edges = [], []
        for d in range(3):
            axis = self.axes[d]
            first, last = int(np.searchsorted(axis, box[0, d])), int(np.searchsorted(axis, box[1, d], side="right"))
            nodes.append(slice(first, last))
            edges.append(slice(max(first - 1, 0), min(last, len(axis) - 1)))
        return nodes, edges

    def _mark(self, marks: list[Flags], box: Floats) -> None:
        """Mark the edges that meet a box."""
        nodes, edges = self._ranges(box)
        for d in range(3):
            marks[d][tuple(edges[k] if k == d else nodes[k] for k in range(3))] = True

    def _blank(self) -> list[Flags]:
        return [np.zeros(cost.shape, dtype=bool) for cost in self.cost]

    def _box(self, box_m: Floats, grow_m: float) -> Floats:
        """Return a box of the building, grown, as a box along the grid."""
        corners = np.array([[box_m[i, 0], box_m[j, 1], box_m[k, 2]] for i in (0, 1) for j in (0, 1) for k in (0, 1)])
        corners = corners @ self.turn
        return np.array([corners.min(axis=0) - grow_m, corners.max(axis=0) + grow_m])

    def _extent(self) -> tuple[Floats, Floats]:
        """Return the box of the building that holds the grid."""
        corners = np.array([[x, y, z] for x in self.axes[0][[0, -1]] for y in self.axes[1][[0, -1]]
                            for z in self.axes[2][[0, -1]]])  # fmt: skip
        corners = corners @ self.turn.T
        return corners.min(axis=0), corners.max(axis=0)

    # --- what is in the way ------------------------------------------------------------------------------------------

    def _block(self) -> None:
        site, around = self.site, self.site.examined.around
        low, high = self._extent()
        boxes = around.boxes_m
        reach = site.allowed_m + site.radius_m + SPARE_M
        meet = (boxes[:, 0] <= high + reach[:, None]).all(axis=1) & (boxes[:, 1] >= low - reach[:, None]).all(axis=1)
        suspects = self._blank()
        for e in np.flatnonzero(meet & ~site.ignored):
            self._mark(suspects, self._box(boxes[e], float(reach[e])))
        self._measure(suspects)
        self._block_runs(low, high)
        self._weigh_unheld(low, high)
        self._weigh_zones()

    def _measure(self, suspects: list[Flags]) -> None:
        """Measure the marked edges against the building, and block or weigh those that come too near."""
        site, around = self.site, self.site.examined.around
        for d in range(3):
            where = np.argwhere(suspects[d] & np.isfinite(self.cost[d]))
            if not len(where):
                continue
            pause()
            rows = self._pieces(where, d)
            starts = np.arange(len(rows) + 1)
            reach = site.allowed_m + around.thick_m + SPARE_M
            near = nearest_elements(
                around.index, rows, starts, np.full(len(rows), site.radius_m), reach, skip=site.ignored
            )
            limit = site.radius_m + reach[near.element] - TOLERANCE_M
            close = near.distance_m < limit
            edge, element = near.path[close].astype(np.int64), near.element[close].astype(np.int64)
            inside_edge, inside_element = elements_around(around.index, rows[:, 3:6], around.closed & ~site.ignored)
            edge = np.concatenate([edge, inside_edge])
            element = np.concatenate([element, inside_element])
            free = self._at_own_end(rows, edge, element)
            edge, element = edge[~free], element[~free]
            hole = site.passable[element]
            shut = tuple(where[edge[~hole]].T)
            self.cost[d][shut] = np.inf
            self.shut_by[d][shut] = element[~hole]
            bored = np.unique(edge[hole])
            self.cost[d][tuple(where[bored].T)] += self.weights.hole_m

    def _pieces(self, where: NDArray[np.int64], d: int) -> Floats:
        """Return edges as straight paths in the building, one piece each."""
        point = np.stack([self.axes[k][where[:, k]] for k in range(3)], axis=1)
        rows = np.zeros((len(where), 14))
        rows[:, 2] = self.length[d][where[:, d]]
        rows[:, 3:6] = point @ self.turn.T
        rows[:, 9:12] = self.turn.T[d]
        return rows

    def _at_own_end(self, rows: Floats, edge: NDArray[np.int64], element: NDArray[np.int64]) -> Flags:
        """Tell the pairs of an edge near an end of the run, and the box that this end goes into."""
        site = self.site
        free = np.zeros(len(edge), dtype=bool)
        for tip, end in ((site.corners_m[0], site.alone.start), (site.corners_m[-1], site.alone.end)):
            number = None if end.element_id is None else site.examined.around.ends.get(end.element_id)
            if number is None:
                continue
            box = site.examined.around.boxes_m[number]
            size = float(np.linalg.norm(box[1] - box[0])) + site.job.settings.attach_m
            middle = rows[edge, 3:6] + 0.5 * rows[edge, 2, None] * rows[edge, 9:12]
            free |= (element == number) & (np.linalg.norm(middle - tip, axis=1) <= size)
        return free

    def _block_runs(self, low: Floats, high: Floats) -> None:
        """Block what other runs take; by the boxes of their pieces, the check tells exactly."""
        site = self.site
        tips = np.array([site.corners_m[0], site.corners_m[-1]]) @ self.turn
        for i in site.near_runs(low - self.keep_m - 0.1, high + self.keep_m + 0.1):
            marks = self._blank()
            grow = site.radius_m + site.radius_of(i) + max(SPARE_M, self.keep_m)
            pieces = _cut(site.examined.scene.fitted[i].pieces, tips @ self.turn.T, grow)
            for box in path_boxes(pieces).reshape(-1, 2, 3):
                grown = self._box(box, grow)
                if not ((tips >= grown[0] - _TIP_M) & (tips <= grown[1] + _TIP_M)).all(axis=1).any():
                    self._mark(marks, grown)
            for d in range(3):
                self.cost[d][marks[d]] = np.inf
                self.shut_by[d][marks[d]] = -2 - i

    def _weigh_unheld(self, low: Floats, high: Floats) -> None:
        """Make dearer what no structure is near that could hold it."""
        site, around = self.site, self.site.examined.around
        holding = around.having(tuple(HOLDING_ROLES))
        if not holding.any() or not {"securing", "supporting"} & set(site.job.checks):
            return
        reach = site.job.settings.strap_reach_m + site.radius_m
        boxes = around.boxes_m
        meet = (boxes[:, 0] <= high + reach).all(axis=1) & (boxes[:, 1] >= low - reach).all(axis=1)
        held = np.zeros([len(axis) for axis in self.axes], dtype=bool)
        for e in np.flatnonzero(meet & holding):
            box = self._box(boxes[e], 0.0)
            nodes, _ = self._ranges(box + np.array([[-reach], [reach]]))
            off = [np.maximum(np.maximum(box[0, d] - x, x - box[1, d]), 0.0) ** 2
                   for d, x in enumerate(axis[part] for axis, part in zip(self.axes, nodes, strict=True))]  # fmt: skip
            held[tuple(nodes)] |= off[0][:, None, None] + off[1][:, None] + off[2] <= reach**2
        self._weigh([~np.logical_and(*_sides(held, d)) for d in range(3)], 1.0 + self.weights.unheld)

    def _weigh(self, marks: list[Flags], factor: float) -> None:
        for d in range(3):
            self.cost[d][marks[d]] *= factor

    def _weigh_zones(self) -> None:
        for zone in self.site.job.zones:
            if zone.kind in PLAIN_ZONES:
                continue
            for solid in zone.solids_m:
                points = solid.reshape(-1, 3)
                marks = self._blank()
                self._mark(marks, self._box(np.array([points.min(axis=0), points.max(axis=0)]), 0.0))
                self._weigh(marks, 1.0 + self.weights.zone)

    def ban(self, bans: Bans) -> None:
        """Block the surroundings of refused places; ends stay reachable."""
        marks = self._blank()
        tips = self.line[[0, -1]]
        for point, radius in bans.points_m:
            # as wide as leaves the ends free; a place at an end can only be left out by going another way behind it
            free_m = min(radius, float(np.abs(tips - point @ self.turn).max(axis=1).min()) - _TIP_M)
            if free_m > 0.0:
                self._mark(marks, self._box(np.array([point, point]), free_m))
        for box in bans.boxes_m:
            self._mark(marks, self._box(box, 0.0))
        for d in range(3):
            self.cost[d][marks[d]] = np.inf

    def weigh_beside(self, lines: Sequence[Floats], width_m: float, *, beside: float = 1.0, apart: float = 1.0) -> None:
        """Make edges dearer that are beside some lines, by the factor ``beside``, or ``apart`` from all of them."""
        if not lines:
            return
        marks = self._blank()
        for line in lines:
            for a, b in pairwise(line):
                self._mark(marks, self._box(np.array([np.minimum(a, b), np.maximum(a, b)]), width_m))
        for d in range(3):
            self.cost[d] *= np.where(marks[d], beside, apart)

    def weigh_crowded(self, spacing_m: float | None, factor: float) -> None:
        """Make dearer what is nearer to other runs than the spacing at which cables are no bundle.

        None stands for the diameter of the larger one of two.
        """
        site = self.site
        low, high = self._extent()
        marks = self._blank()
        for i in site.near_runs(low - 0.1, high + 0.1):
            other = site.radius_of(i)
            apart = 2.0 * max(other, site.radius_m) if spacing_m is None else spacing_m
            for box in site.examined.scene.fitted[i].boxes_m.reshape(-1, 2, 3):
                self._mark(marks, self._box(box, apart + other + site.radius_m))
        self._weigh(marks, factor)

    # --- the search --------------------------------------------------------------------------------------------------

    def cheapest(self, bend_m: float, came: Floats | None = None, goes: Floats | None = None) -> Floats | None:
        """Return the corners of the cheapest line between the ends with room for bends; None without one.

        ``came`` and ``goes`` (3,) are the ways of the line before and behind it; None where it begins or ends.
        """
        start, goal = (
            np.array([np.argmin(np.abs(self.axes[d] - self.line[n, d])) for d in range(3)], dtype=np.int64)
            for n in (0, -1)
        )
        pause()
        room = bend_m + SPARE_M
        nodes = cheapest_path(
            self.axes[0],
            self.axes[1],
            self.axes[2],
            self.cost[0],
            self.cost[1],
            self.cost[2],
            start,
            goal,
            self.weights.turn_m,
            2.0 * room,
            room,
            self._way(came),
            self._way(goes),
        )
        if not len(nodes):
            return None
        line = np.stack([self.axes[d][nodes[:, d]] for d in range(3)], axis=1) @ self.turn.T
        return tidy(line)

    def _way(self, way: Floats | None) -> int:
        """Return the number of a way along the grid, see ``cheapest_path``."""
        if way is None:
            return -1
        along = way @ self.turn
        d = int(np.argmax(np.abs(along)))
        if abs(along[d]) < _STRAIGHT * float(np.linalg.norm(along)):
            return 6
        return 2 * d + int(along[d] < 0.0)


def _turn_of(line: Floats, building: Floats) -> Floats:
    """Return the rotation (3, 3), as columns, of a grid for a line: the building's where any level leg is along it."""
    legs = np.diff(line @ building, axis=0)
    level = np.hypot(legs[:, 0], legs[:, 1])
    on_grid = (level > 0.0) & (np.abs(legs[:, :2]).min(axis=1) <= 1e-3 * level)
    if on_grid.any() or not level.any():
        return building
    k = int(np.argmax(level))
    return building @ turn_by(math.atan2(legs[k, 1], legs[k, 0]))


def _axis(musts: Floats, low: float, high: float, spacing_m: float, faces: Sequence[Floats]) -> Floats:
    """Return sorted grid coordinates: the corners', the faces' unless next to one, and even ones between."""
    lines = list(np.unique(musts))
    for value in sorted({float(v) for pair in faces for v in pair}):
        if low < value < high and min(abs(value - line) for line in lines) > _NEAR_M:
            lines.append(value)
    known = np.array(sorted({low, high, *(float(v) for v in lines)}))
    known = known[np.append(True, np.diff(known) > 1e-9)]
    filled = [known[:1]]
    for a, b in pairwise(known):
        count = max(1, math.ceil((b - a) / spacing_m - 1e-9))
        filled.append(np.linspace(a, b, count + 1)[1:])
    return np.ascontiguousarray(np.concatenate(filled))


def _sides(values: NDArray[Any], d: int) -> tuple[NDArray[Any], NDArray[Any]]:
    size = values.shape[d]
    return np.take(values, range(size - 1), axis=d), np.take(values, range(1, size), axis=d)


def _cut(pieces: Floats, tips: Floats, grow_m: float) -> Floats:
    """Cut straight pieces into parts of 0.2 m: slanted ones, and those near a tip, so that few boxes hold that."""
    rows = []
    for row, box in zip(pieces, path_boxes(pieces), strict=True):
        at_tip = ((tips >= box[:3] - grow_m - _TIP_M) & (tips <= box[3:] + grow_m + _TIP_M)).all(axis=1).any()
        fine = row[0] == 0.0 and (at_tip or np.abs(row[9:12]).max() < 0.999)
        count = max(1, math.ceil(row[2] / 0.2)) if fine else 1
        for n in range(count):
            part = row.copy()
            if count > 1:
                part[2] = row[2] / count
                part[3:6] = row[3:6] + n * part[2] * row[9:12]
            rows.append(part)
    return np.array(rows)
