"""Arcs for the corners of a polyline: how large each may be, and the path that they make.

An arc of radius R at a corner that turns by phi takes R·tan(phi/2), its set-back, from both legs.
Neighbours share a leg.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled
from route3d.kernel.path import ARC as ARC_PIECE
from route3d.kernel.path import STRAIGHT
from route3d.kernel.xyz import Xyz, beyond, dot, norm, put, row, sub, unit, zero

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

OVERLAP_M = 1e-6  # two arcs as drawn may overlap so far: they are shrunk to meet
NOTHING_M = 1e-10  # a shorter piece is left out
FOLD_RAD = 1e-3  # a corner this near to a full reversal is served last: its arc would eat its neighbours' legs
REVERSAL_RAD = 1e-6  # nearer still, no arc is tangent to both legs

_FOLD = 1.0 / math.tan(FOLD_RAD / 2.0)
_REVERSAL = 1.0 / math.tan(REVERSAL_RAD / 2.0)


def half_tangents(corners: Floats) -> Floats:
    """Return tan(phi/2) of the inner corners (n - 2,) of a polyline (n, 3): set-back per radius.

    >>> half_tangents(np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0]])).round(12).tolist()
    [1.0]
    """
    _, _, half = _legs(np.ascontiguousarray(corners, dtype=np.float64))
    return np.asarray(half)


def fill_radii(half_tan: Floats, leg: Floats, largest: float, free: Flags | None = None) -> Floats:
    """Return the radii (n,) whose smallest is as large as it can be, then the next smallest, and so on.

    All radii grow together until a leg is used up; its corners keep what they have and the others go on. That is exact:
    a corner on a full leg can only grow at the cost of one that is no larger.

    Parameters
    ----------
    half_tan : (n,) float
        tan(phi/2) of each corner, positive.
    leg : (n + 1,) float
        Length of each leg that is there to be used.
    largest : float
        No radius exceeds it.
    free : (n,) bool, optional
        Corners that take part; the others get 0 and use nothing.

    >>> fill_radii(np.array([1.0, 1.0]), np.array([1.0, 0.18, 0.05]), 0.2).round(12).tolist()
    [0.13, 0.05]
    """
    takes_part = np.ones(len(half_tan), dtype=np.bool_) if free is None else free
    return np.asarray(_fill(half_tan, leg, float(largest), takes_part))


def tangent_arcs(corners: Floats, given: Floats, firm: Flags, largest: float) -> tuple[Floats, Floats, Flags]:
    """Return the path along a polyline whose corners are replaced by tangent arcs.

    Parameters
    ----------
    corners : (n, 3) float
        The polyline, n >= 2; neighbours differ, and every inner one turns.
    given : (n,) float
        Radius that was drawn; 0 where the fit chooses.
    firm : (n,) bool
        Drawn radii whose tangent points are vertices of the drawing: they are never given up, at most shrunk to meet a
        neighbour. The others are given up where they overlap by more than ``OVERLAP_M``.
    largest : float
        Largest radius that the fit chooses; 0 leaves those corners sharp.

    Returns
    -------
    pieces : (k, 14) float
        See ``route3d.kernel.path``; consecutive pieces share point and tangent except at a bend of radius 0.
    bends : (n - 2, 9) float
        Where each begins and ends, its middle (x, y, z), turn, radius, and the lengths of its two legs. Radius 0 is
        a sharp corner without an arc: a reversal, or nothing to make an arc of.
    kept : (n - 2,) bool
        True where the drawn radius was kept.
    """
    way, leg, half = _legs(corners)
    radius, kept = _radii(half, leg, given[1:-1], firm[1:-1], float(largest))
    pieces, bends = _pieces(corners, way, leg, half, radius)
    return pieces, bends, kept


@compiled
def _legs(corners: Floats) -> tuple[Floats, Floats, Floats]:
    count = len(corners)
    way = np.empty((count - 1, 3))
    leg = np.empty(count - 1)
    half = np.empty(count - 2)
    for i in range(count - 1):
        step = sub(row(corners, i + 1), row(corners, i))
        leg[i] = norm(step)
        put(way, i, unit(step))
        if i > 0:
            apart, along = sub(row(way, i), row(way, i - 1)), beyond(row(way, i), 1.0, row(way, i - 1))
            # |b - a| / |b + a| is tan(phi/2) without loss at either end of its range
            half[i - 1] = norm(apart) / norm(along) if norm(along) > 0.0 else np.inf
    return way, leg, half


@compiled
def _fill(half: Floats, leg: Floats, largest: float, free: Flags) -> Floats:
    count = len(half)
    radius = np.zeros(count)
    waits = free.copy()
    left = leg.copy()
    waiting = 0
    for i in range(count):
        waiting += 1 if waits[i] else 0
    while waiting > 0:
        level = largest
        for e in range(count + 1):
            share = _share(half, waits, e)
            if share > 0.0:
                level = min(level, max(left[e], 0.0) / share)
        if level >= largest:
            for i in range(count):
                if waits[i]:
                    radius[i] = largest
            break
        for e in range(count + 1):
            share = _share(half, waits, e)
            if share > 0.0 and max(left[e], 0.0) <= level * share * (1.0 + 1e-12):
                for i in (e - 1, e):
                    if 0 <= i < count and waits[i] and radius[i] == 0.0:
                        radius[i] = level if level > 0.0 else -1.0
        for i in range(count):
            if waits[i] and radius[i] != 0.0:
                radius[i] = max(radius[i], 0.0)
                waits[i] = False
                waiting -= 1
                left[i] -= half[i] * radius[i]
                left[i + 1] -= half[i] * radius[i]
    return radius


@compiled
def _share(half: Floats, waits: Flags, e: int) -> float:
    share = 0.0
    if e > 0 and waits[e - 1]:
        share += half[e - 1]
    if e < len(half) and waits[e]:
        share += half[e]
    return share


@compiled
def _radii(half: Floats, leg: Floats, given: Floats, firm: Flags, largest: float) -> tuple[Floats, Flags]:
    count = len(half)
    radius = np.zeros(count)
    drawn = np.empty(count, np.bool_)
    plain = np.empty(count, np.bool_)
    left = leg.copy()
    for i in range(count):
        drawn[i] = given[i] > 0.0 and half[i] <= _FOLD
    # firm ones first: the others have what these leave
    chosen = np.empty(count, np.bool_)
    for i in range(count):
        chosen[i] = drawn[i] and firm[i]
    _grant(half, given, chosen, left, radius)
    _give_up(half, given, firm, left, drawn)
    for i in range(count):
        chosen[i] = drawn[i] and not firm[i]
    _grant(half, given, chosen, left, radius)
    if largest > 0.0:
        for i in range(count):
            plain[i] = not drawn[i] and half[i] <= _FOLD
        filled = _fill(half, left, largest, plain)
        for i in range(count):
            if plain[i]:
                radius[i] = filled[i]
                left[i] -= half[i] * filled[i]
                left[i + 1] -= half[i] * filled[i]
        for i in range(count):
            if _FOLD < half[i] <= _REVERSAL:
                before = left[i] / (2.0 if i > 0 and half[i - 1] > _FOLD else 1.0)
                after = left[i + 1] / (2.0 if i + 1 < count and half[i + 1] > _FOLD else 1.0)
                radius[i] = min(largest, max(min(before, after), 0.0) / half[i])
    for i in range(count):
        if radius[i] * 2.0 * math.atan(half[i]) <= NOTHING_M:
            radius[i] = 0.0
            drawn[i] = False
    return radius, drawn


@compiled
def _asked(half: Floats, given: Floats, chosen: Flags) -> Floats:
    """Return what the chosen corners ask of each leg for their drawn radius."""
    asked = np.zeros(len(half) + 1)
    for i in range(len(half)):
        if chosen[i]:
            asked[i] += half[i] * given[i]
            asked[i + 1] += half[i] * given[i]
    return asked


@compiled
def _give_up(half: Floats, given: Floats, firm: Flags, left: Floats, drawn: Flags) -> None:
    """Give up every arc on an overfull leg, not just one of two, so that the run's direction makes no difference."""
    chosen = drawn.copy()
    for i in range(len(half)):
        chosen[i] = drawn[i] and not firm[i]
    asked = _asked(half, given, chosen)
    for i in range(len(half)):
        for e in (i, i + 1):
            if chosen[i] and asked[e] > max(left[e], 0.0) + OVERLAP_M:
                drawn[i] = False


@compiled
def _grant(half: Floats, given: Floats, chosen: Flags, left: Floats, radius: Floats) -> None:
    """Give the chosen corners their drawn radius, shrunk to meet where they overlap, and take it from the legs."""
    asked = _asked(half, given, chosen)
    for i in range(len(half)):
        if chosen[i]:
            radius[i] = given[i]
            for e in (i, i + 1):
                if asked[e] > left[e] + NOTHING_M:
                    radius[i] = min(radius[i], given[i] * max(left[e], 0.0) / asked[e])
    for i in range(len(half)):
        if chosen[i]:
            left[i] -= half[i] * radius[i]
            left[i + 1] -= half[i] * radius[i]


@compiled
def _pieces(corners: Floats, way: Floats, leg: Floats, half: Floats, radius: Floats) -> tuple[Floats, Floats]:
    count = len(half)
    pieces = np.zeros((2 * count + 1, 14))
    bends = np.zeros((count, 9))
    used = zero()
    at = 0.0
    behind = 0.0  # set-back that the last corner took from this leg
    for i in range(count + 1):
        setback = half[i] * radius[i] if i < count and radius[i] > 0.0 else 0.0
        length = leg[i] - behind - setback
        ahead = row(way, i)
        if length > NOTHING_M:
            _write(pieces, used, STRAIGHT, at, length, beyond(row(corners, i), behind, ahead), (0.0, 0.0, 0.0), ahead)
            used += 1
            at += length
        behind = setback
        if i == count:
            break
        turn = 2.0 * math.atan(half[i])
        corner = row(corners, i + 1)
        bends[i, 0] = at
        middle = corner
        if radius[i] > 0.0:
            then = row(way, i + 1)
            inward = unit(beyond(then, -dot(then, ahead), ahead))
            inward = unit(beyond(inward, -dot(inward, ahead), ahead))  # once more: a fold leaves few digits
            centre = beyond(beyond(corner, -setback, ahead), radius[i], inward)
            outward = (-inward[0], -inward[1], -inward[2])
            _write(pieces, used, ARC_PIECE, at, radius[i] * turn, centre, outward, ahead)
            pieces[used, 12], pieces[used, 13] = radius[i], turn
            middle = beyond(centre, radius[i] * math.sin(turn / 2.0), ahead)
            middle = beyond(middle, radius[i] * math.cos(turn / 2.0), outward)
            used += 1
            at += radius[i] * turn
        bends[i, 1] = at
        bends[i, 2], bends[i, 3], bends[i, 4] = middle
        bends[i, 5], bends[i, 6] = turn, radius[i]
        bends[i, 7], bends[i, 8] = leg[i], leg[i + 1]
    return pieces[:used].copy(), bends


@compiled
def _write(pieces: Floats, k: int, kind: float, at: float, length: float, origin: Xyz, u: Xyz, v: Xyz) -> None:
    pieces[k, 0], pieces[k, 1], pieces[k, 2] = kind, at, length
    for axis in range(3):
        pieces[k, 3 + axis], pieces[k, 6 + axis], pieces[k, 9 + axis] = origin[axis], u[axis], v[axis]
