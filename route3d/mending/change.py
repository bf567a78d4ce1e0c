"""How much a line differs from the one drawn: moves of points, new corners, length."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.polyline import distances_to_line, fewest_moves, without_idle_points

Floats = NDArray[np.float64]

# What the search holds against a change besides the sum of its moves and its added length, in metres: practice.
NEW_CORNER_M = 0.10
OFF_AXIS_LEG_M = 0.03
OFF_LINE = 0.02  # share of the length that lies off the drawn line, so that a way around something is short
OFF_CORRIDOR = 0.02  # the same of what is not beside another run, where others are near
BESIDE_M = 0.35  # so near to another run is in its corridor
END_TURNED_M = 0.15  # for each end at which the cable leaves its box in another direction

_GONE_CORNER_M = 0.02
_ON_AXIS = 1e-6  # 0.08 degrees
_SAME_WAY = 5e-7
_OFF_M = 1e-4
_ALONG = math.cos(math.radians(10.0))
_SHARES = np.linspace(0.1, 0.9, 5)

AXES: Floats = np.eye(3)
AXES.setflags(write=False)
NO_LEGS: Floats = np.empty((0, 2, 3))


@dataclass(frozen=True, slots=True)
class Change:
    """What becomes of the drawn points."""

    moved_m: float  # sum over all points: those that move, and new and dropped ones by how far they are off
    moved: int  # how many points move
    new_corners: int
    corners_gone: int
    longer_m: float  # of the polyline; negative: shorter


def tidy(corners_m: Floats) -> Floats:
    """Return a polyline without repeated points, points on straight legs and spikes; its ends stay."""
    return without_idle_points(np.array(corners_m))


def polyline_length(corners_m: Floats) -> float:
    """Return the length of a polyline (n, 3)."""
    return float(np.sqrt((np.diff(corners_m, axis=0) ** 2).sum(axis=1)).sum())


def to_line(points_m: Floats, corners_m: Floats) -> Floats:
    """Return the distance of each point (k, 3) from a polyline (n, 3)."""
    return distances_to_line(np.array(points_m), np.array(corners_m))


def change_of(before_m: Floats, after_m: Floats) -> Change:
    """Return the smallest change that turns one polyline into another: points matched in order."""
    moved_m, moved, new, gone = fewest_moves(
        np.array(before_m), np.array(after_m), NEW_CORNER_M, _GONE_CORNER_M
    ).tolist()
    return Change(moved_m, int(moved), int(new), int(gone), polyline_length(after_m) - polyline_length(before_m))


def cost_of(before_m: Floats, after_m: Floats, turn: Floats = AXES, corridors_m: Floats = NO_LEGS) -> float:
    """Return what the search minimises: moves, added length, and what the constants above name; in metres.

    ``turn`` (3, 3) has the directions of the building's grid as columns, ``corridors_m`` (k, 2, 3) are the legs of
    other runs, beside which a leg that leaves its line goes if it can.
    """
    change = change_of(before_m, after_m)
    extra = _off_grid(after_m, turn) - _off_grid(before_m, turn)
    off = to_line(0.5 * (after_m[:-1] + after_m[1:]), before_m) > _OFF_M
    lengths = np.sqrt((np.diff(after_m, axis=0) ** 2).sum(axis=1))
    alone = 0.0
    if len(corridors_m) and off.any():
        alone = float(lengths[off].sum()) - beside_length(after_m[:-1][off], after_m[1:][off], corridors_m)
    turned = sum(float(_way(before_m, n) @ _way(after_m, n)) < 1.0 - _SAME_WAY for n in (0, -1))
    return (
        change.moved_m
        + max(change.longer_m, 0.0)
        + NEW_CORNER_M * change.new_corners
        + OFF_AXIS_LEG_M * max(extra, 0)
        + OFF_LINE * float(lengths[off].sum())
        + OFF_CORRIDOR * alone
        + END_TURNED_M * turned
    )


def _way(corners_m: Floats, end: int) -> Floats:
    """Return the unit vector in which a polyline leaves its start (0) or its end (-1)."""
    way = corners_m[1] - corners_m[0] if end == 0 else corners_m[-2] - corners_m[-1]
    return np.asarray(way / np.sqrt(way @ way))


def _off_grid(corners_m: Floats, turn: Floats) -> int:
    """Count the legs that run along none of the directions of a grid."""
    legs = np.diff(corners_m, axis=0) @ turn
    lengths = np.sqrt((legs**2).sum(axis=1))
    return int((np.abs(legs).max(axis=1) < (1.0 - _ON_AXIS) * lengths).sum())


def beside_length(from_m: Floats, to_m: Floats, corridors_m: Floats) -> float:
    """Return the length of legs, from (n, 3) to (n, 3), that runs along and near to one of the legs (k, 2, 3)."""
    legs, ways = to_m - from_m, corridors_m[:, 1] - corridors_m[:, 0]
    size = np.sqrt((ways**2).sum(axis=1))
    ways, there, size = ways[size > 0.0] / size[size > 0.0, None], corridors_m[size > 0.0, 0], size[size > 0.0]
    lengths = np.sqrt((legs**2).sum(axis=1))
    along = np.abs(legs @ ways.T) >= _ALONG * lengths[:, None]
    points = from_m[:, None] + _SHARES[None, :, None] * legs[:, None]
    offset = points[:, :, None] - there[None, None]
    at = np.clip((offset * ways).sum(axis=3), 0.0, size)
    apart = np.sqrt(((offset - at[..., None] * ways) ** 2).sum(axis=3))
    near = ((apart <= BESIDE_M) & along[:, None]).any(axis=2)
    return float((near.mean(axis=1) * lengths).sum())
