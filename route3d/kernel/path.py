"""Paths as flat arrays: straight pieces and true circular arcs, each with its distance along the path.

A piece is one row of 14 numbers. With ``s`` the length from the start of the piece, its points are

    straight:  origin + s·v
    arc:       origin + radius·(cos(s/radius)·u + sin(s/radius)·v)

so ``v`` is the unit tangent at the start of either kind. Many paths are one ``(n, 14)`` array with ``starts`` of
shape (paths + 1,): path ``i`` owns the rows ``starts[i]:starts[i + 1]``, in order, each starting where the last ended.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

KIND, AT, LENGTH = 0, 1, 2
ORIGIN, U, V = slice(3, 6), slice(6, 9), slice(9, 12)
RADIUS, TURN = 12, 13
WIDTH = 14

STRAIGHT, ARC = 0.0, 1.0


def straight_piece(start: NDArray[np.float64], stop: NDArray[np.float64], at: float) -> NDArray[np.float64]:
    """Return the row of a straight piece from ``start`` to ``stop`` (3,), which begins ``at`` metres along its path."""
    row = np.zeros(WIDTH)
    step = stop - start
    length = float(np.linalg.norm(step))
    row[KIND], row[AT], row[LENGTH] = STRAIGHT, at, length
    row[ORIGIN] = start
    row[V] = step / length if length > 0.0 else 0.0
    return row


def point_pieces(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the rows (k, 14) of straight pieces without length at points (k, 3), each a path of its own."""
    rows = np.zeros((len(points), WIDTH))
    rows[:, ORIGIN] = points
    return rows


def arc_piece(
    centre: NDArray[np.float64],
    to_start: NDArray[np.float64],
    tangent: NDArray[np.float64],
    radius: float,
    turn: float,
    at: float,
) -> NDArray[np.float64]:
    """Return the row of an arc; ``to_start`` and ``tangent`` are unit vectors at right angles, ``turn`` in radians."""
    row = np.zeros(WIDTH)
    row[KIND], row[AT], row[LENGTH] = ARC, at, radius * turn
    row[ORIGIN], row[U], row[V] = centre, to_start, tangent
    row[RADIUS], row[TURN] = radius, turn
    return row


def points_at(pieces: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the points (k, 3) of one path at the distances ``at`` (k,); distances beyond either end are clamped."""
    rows, s = _locate(pieces, at)
    arc = rows[:, KIND] == ARC
    radius = np.where(arc, rows[:, RADIUS], 1.0)
    angle = s / radius
    along_u = np.where(arc, radius * np.cos(angle), 0.0)
    along_v = np.where(arc, radius * np.sin(angle), s)
    return np.asarray(rows[:, ORIGIN] + along_u[:, None] * rows[:, U] + along_v[:, None] * rows[:, V])


def point_at(pieces: NDArray[np.float64], at: float) -> tuple[float, float, float]:
    """Return the point of one path at one distance, as ``points_at`` does; for one point this is much faster."""
    which = max(int(pieces[:, AT].searchsorted(at, side="right")) - 1, 0)
    kind, begin, length, *numbers, radius, _ = pieces[which].tolist()
    s = min(max(at - begin, 0.0), length)
    (x, y, z), (ux, uy, uz), (vx, vy, vz) = numbers[:3], numbers[3:6], numbers[6:]
    if kind == ARC:
        u, v = radius * math.cos(s / radius), radius * math.sin(s / radius)
        return x + u * ux + v * vx, y + u * uy + v * vy, z + u * uz + v * vz
    return x + s * vx, y + s * vy, z + s * vz


def tangents_at(pieces: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the unit tangents (k, 3) of one path at the distances ``at`` (k,)."""
    rows, s = _locate(pieces, at)
    arc = rows[:, KIND] == ARC
    angle = s / np.where(arc, rows[:, RADIUS], 1.0)
    along_u = np.where(arc, -np.sin(angle), 0.0)
    along_v = np.where(arc, np.cos(angle), 1.0)
    return np.asarray(along_u[:, None] * rows[:, U] + along_v[:, None] * rows[:, V])


def path_length(pieces: NDArray[np.float64]) -> float:
    """Return the length of one path; 0 when it has no piece."""
    return float(pieces[-1, AT] + pieces[-1, LENGTH]) if len(pieces) else 0.0


def chords(pieces: NDArray[np.float64], tolerance: float) -> NDArray[np.float64]:
    """Return a polyline (k, 3) that stays within ``tolerance`` of one path: for drawing, never for measuring."""
    stops = [0.0]
    for row in pieces:
        count = 1
        if row[KIND] == ARC:
            # sagitta of a chord over angle a is r(1 - cos(a/2))
            step = 2.0 * np.arccos(max(1.0 - tolerance / row[RADIUS], -1.0))
            count = max(1, int(np.ceil(row[TURN] / max(step, 1e-3))))
        stops.extend(row[AT] + row[LENGTH] * np.arange(1, count + 1) / count)
    return points_at(pieces, np.array(stops))


def closest_at(pieces: NDArray[np.float64], point: NDArray[np.float64]) -> tuple[float, float]:
    """Return the distance from ``point`` (3,) to one path, and where along the path that is; exact on arcs too."""
    offset = point - pieces[:, ORIGIN]
    along_u = np.einsum("ij,ij->i", offset, pieces[:, U])
    along_v = np.einsum("ij,ij->i", offset, pieces[:, V])
    length = pieces[:, LENGTH]
    arc = pieces[:, KIND] == ARC
    foot = np.where(arc, np.mod(np.arctan2(along_v, along_u), 2.0 * np.pi) * pieces[:, RADIUS], along_v)
    # beyond the end of an arc the nearest point is one of its two ends, so both are tried
    candidates = np.concatenate([np.clip(foot, 0.0, length), np.zeros_like(length), length])
    at = np.tile(pieces[:, AT], 3) + candidates
    distance = np.linalg.norm(points_at(pieces, at) - point, axis=1)
    best = int(np.argmin(distance))
    return float(distance[best]), float(at[best])


def trimmed(pieces: NDArray[np.float64], from_at: float, to_at: float) -> NDArray[np.float64]:
    """Return the part of one path between two distances along it, as a path of its own that starts at 0."""
    rows = []
    for row in pieces:
        begin = max(from_at - row[AT], 0.0)
        end = min(to_at - row[AT], row[LENGTH])
        if end <= begin:
            continue
        cut = row.copy()
        cut[AT], cut[LENGTH] = row[AT] + begin - from_at, end - begin
        if row[KIND] == ARC:
            angle = begin / row[RADIUS]
            cut[U] = np.cos(angle) * row[U] + np.sin(angle) * row[V]
            cut[V] = np.cos(angle) * row[V] - np.sin(angle) * row[U]
            cut[TURN] = (end - begin) / row[RADIUS]
        else:
            cut[ORIGIN] = row[ORIGIN] + begin * row[V]
        rows.append(cut)
    return np.array(rows).reshape(-1, WIDTH)


def concatenated(paths: Sequence[NDArray[np.float64]]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return many paths as one array of pieces and its ``starts``."""
    starts = np.zeros(len(paths) + 1, dtype=np.int64)
    starts[1:] = np.cumsum([len(path) for path in paths])
    pieces = np.concatenate(paths) if paths else np.empty((0, WIDTH))
    return np.ascontiguousarray(pieces.reshape(-1, WIDTH)), starts


def path_boxes(pieces: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the box (n, 6) of each piece, low x y z then high x y z; arcs are boxed by their exact extremes."""
    begin, end = _ends(pieces)
    low, high = np.minimum(begin, end), np.maximum(begin, end)
    arcs = np.flatnonzero(pieces[:, KIND] == ARC)
    if len(arcs):
        rows = pieces[arcs]
        # a coordinate is r·hypot(u, v)·cos(angle - peak): its extremes are at peak and peak + pi
        peak = np.arctan2(rows[:, V], rows[:, U])
        reach = rows[:, RADIUS, None] * np.hypot(rows[:, U], rows[:, V])
        turn, origin = rows[:, TURN, None], rows[:, ORIGIN]
        high[arcs] = np.where(np.mod(peak, 2.0 * np.pi) <= turn, origin + reach, high[arcs])
        low[arcs] = np.where(np.mod(peak + np.pi, 2.0 * np.pi) <= turn, origin - reach, low[arcs])
    return np.hstack([low, high])


def middle_of(pieces: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the middle (3,) of the origins of pieces: near enough to all of them to keep their digits."""
    return np.asarray(0.5 * (pieces[:, ORIGIN].min(axis=0) + pieces[:, ORIGIN].max(axis=0)))


def _ends(pieces: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    arc = (pieces[:, KIND] == ARC)[:, None]
    radius, turn = pieces[:, RADIUS, None], pieces[:, TURN, None]
    begin = np.where(arc, pieces[:, ORIGIN] + radius * pieces[:, U], pieces[:, ORIGIN])
    end = np.where(
        arc,
        pieces[:, ORIGIN] + radius * (np.cos(turn) * pieces[:, U] + np.sin(turn) * pieces[:, V]),
        pieces[:, ORIGIN] + pieces[:, LENGTH, None] * pieces[:, V],
    )
    return begin, end


def _locate(pieces: NDArray[np.float64], at: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    at = np.asarray(at, dtype=np.float64)
    which = np.clip(np.searchsorted(pieces[:, AT], at, side="right") - 1, 0, len(pieces) - 1)
    rows = pieces[which]
    return rows, np.clip(at - rows[:, AT], 0.0, rows[:, LENGTH])
