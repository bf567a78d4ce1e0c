"""Scanned points as balls: in cells of a room's size, so that findings are local, and never fewer than cover the scan.

A ball is the point, as a triangle without size, in an element that is thicker by the ball's radius. Where there are
more points than can be measured against in good time, neighbours are joined into one, whose ball holds all of theirs.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from importers.dxf_collect import FARTHEST_M, Collector, Places
from importers.dxf_shape import Shape, missing

Array = NDArray[np.float64]

POINTS_MAX = 5_000_000
_WAITING = 4  # times as many points wait in memory before they are joined: joining once is finer than joining often
CELL_M = 2.0
NO_RADIUS = "points have no surface: add point_radius = … to its [[model]], half the distance between points or more"
_HERE = Places(np.eye(4)[None])
_FINEST = 1.0 / 8.0  # of the radius: the smallest grid on which points are joined
_GRID_MAX = 1 << 21  # three numbers of a grid fit into one of 64 bits


class Cloud:
    """Points of one layer, in metres in the common frame, joined as they come in; ``limit`` is how many are kept."""

    def __init__(self, radius_m: float, limit: int = POINTS_MAX) -> None:
        self._radius_m = radius_m
        self._limit = limit
        self._step_m = radius_m * _FINEST
        self._points: list[Array] = []
        self._spread: list[Array] = []  # how far the points that were joined into one are from it, at most
        self._held = 0
        self.taken = 0
        self.unusable = 0

    def add(self, points_m: Array) -> None:
        """Take in points (n, 3); those without usable coordinates are counted."""
        fit = np.isfinite(points_m).all(axis=1) & (np.abs(points_m) <= FARTHEST_M).all(axis=1)
        self.unusable += int((~fit).sum())
        self.taken += len(points_m)
        kept = points_m[fit]
        if len(kept):
            self._points.append(kept)
            self._spread.append(np.zeros(len(kept)))
            self._held += len(kept)
        if self._held > _WAITING * self._limit:
            self._thin()

    def _thin(self) -> None:
        points, spread = np.concatenate(self._points), np.concatenate(self._spread)
        if len(points) > self._limit:
            self._step_m = step_for(points, self._limit, self._step_m)
            points, spread = joined(points, spread, self._step_m)
        self._points, self._spread, self._held = [points], [spread], len(points)

    def into(self, collector: Collector, layer: str, handle: str) -> str | None:
        """Put the points into a drawing; returns what its notes should say of them, if anything."""
        if self.unusable:
            reason = f"{self.unusable} point(s) have coordinates that are no numbers, or farther out than any building"
            collector.add(missing("POINTS", handle, f"{reason}: leave them out of the export"), _HERE, [handle], layer)
        if not self._held:
            return None
        self._thin()
        points, spread = self._points[0], self._spread[0]
        order, edges = _cells(points)
        prefix = f"{handle}/" if handle else ""
        for first, last in pairwise(edges.tolist()):
            mine = order[first:last]
            cell = np.floor(points[mine[0]] / CELL_M).astype(np.int64).tolist()
            name = f"{prefix}cell {cell[0]} {cell[1]} {cell[2]}"
            triangles = np.broadcast_to(points[mine][:, None, :], (len(mine), 3, 3))
            before = len(collector.elements)
            collector.add(Shape("POINTS", name, triangles, members=len(mine)), _HERE, [name], layer)
            for number in range(before, len(collector.elements)):
                thickness = self._radius_m + float(spread[mine].max())
                collector.elements[number] = replace(collector.elements[number], thickness_m=thickness)
        most = float(spread.max())
        if most == 0.0:
            return None
        return (
            f"{layer}: {self.taken} points were joined into {len(points)}; their balls are up to {most * 1000:.1f} mm "
            f"larger than the {self._radius_m * 1000:.1f} mm asked for, so that none is left out"
        )


def joined(points: Array, spread: Array, step_m: float) -> tuple[Array, Array]:
    """Return one point for all points (n, 3) in each cube of a grid, and how far what it stands for is from it."""
    order, edges = _sorted_cells(points, step_m)
    first = edges[:-1]
    ordered = points[order]
    middle = 0.5 * (np.minimum.reduceat(ordered, first) + np.maximum.reduceat(ordered, first))
    away = np.linalg.norm(ordered - np.repeat(middle, np.diff(edges), axis=0), axis=1) + spread[order]
    return middle, np.maximum.reduceat(away, first)


def step_for(points: Array, limit: int, from_m: float) -> float:
    """Return a step, hardly larger than needed and at least ``from_m``, of a grid with at most ``limit`` full cubes."""
    too_fine, enough = from_m, from_m
    while _cubes(points, enough) > limit:
        too_fine, enough = enough, 2.0 * enough
    for _ in range(3):
        between = float(np.sqrt(too_fine * enough))
        if _cubes(points, between) > limit:
            too_fine = between
        else:
            enough = between
    return enough


def _cubes(points: Array, step_m: float) -> int:
    return len(_sorted_cells(points, step_m)[1]) - 1


def _cells(points: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    return _sorted_cells(points, CELL_M)


def _sorted_cells(points: Array, step_m: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the order in which points of one cube of the grid follow each other, and where each cube begins."""
    grid = np.floor(points / step_m)
    grid -= grid.min(axis=0)
    if grid.max(initial=0.0) < _GRID_MAX:
        whole = grid.astype(np.int64)
        key = (whole[:, 0] * _GRID_MAX + whole[:, 1]) * _GRID_MAX + whole[:, 2]
        order = np.argsort(key, kind="stable")
        changes = np.flatnonzero(np.diff(key[order])) + 1
    else:
        order = np.lexsort(grid.T)
        changes = np.flatnonzero((np.diff(grid[order], axis=0) != 0.0).any(axis=1)) + 1
    return order, np.concatenate([[0], changes, [len(points)]])
