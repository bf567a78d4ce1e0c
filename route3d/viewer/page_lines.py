"""Fitted lines as chords that a page can draw, for many runs at once; and the arc that a rule would want at a bend."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.path import (
    ARC,
    AT,
    KIND,
    LENGTH,
    ORIGIN,
    RADIUS,
    TURN,
    U,
    V,
    arc_piece,
    chords,
    concatenated,
    tangents_at,
)
from route3d.model.finding import JudgedBend
from route3d.units import TOLERANCE_M

Floats = NDArray[np.float64]

LINE_TOLERANCE_M = 0.0002  # how far a drawn chord may be from its arc
_FOLD_RAD = np.pi - 0.05  # a bend that turns further has no corner to speak of
_BEFORE_M = 1e-7  # to stand on the leg before a sharp corner


def chord_lines(paths: Sequence[Floats], tolerance_m: float = LINE_TOLERANCE_M) -> list[tuple[Floats, Floats]]:
    """Return for each path, rows of 14 numbers, points (k, 3) along it and their distances (k,); none without rows.

    Between two points the path is at most ``tolerance_m`` away from the chord; ends of pieces are among the points.
    """
    rows, starts = concatenated(paths)
    if not len(rows):
        return [(np.empty((0, 3)), np.empty(0)) for _ in paths]
    arc = rows[:, KIND] == ARC
    radius = np.where(arc, rows[:, RADIUS], 1.0)
    # the sagitta of a chord over angle a is r(1 - cos(a/2))
    step = 2.0 * np.arccos(np.maximum(1.0 - tolerance_m / radius, -1.0))
    count = np.where(arc, np.maximum(1, np.ceil(rows[:, TURN] / np.maximum(step, 1e-3))), 1).astype(np.int64)
    heads = starts[:-1][np.diff(starts) > 0]
    begins = np.zeros(len(rows), dtype=np.int64)
    begins[heads] = 1  # the first point of a path stands before its first piece
    points_per_row = count + begins
    row = np.repeat(np.arange(len(rows)), points_per_row)
    offsets = np.concatenate([[0], np.cumsum(points_per_row)])
    share = (np.arange(len(row)) - offsets[row] + 1 - begins[row]) / count[row]
    s = share * rows[row, LENGTH]
    angle = s / radius[row]
    is_arc = arc[row]
    along_u = np.where(is_arc, radius[row] * np.cos(angle), 0.0)
    along_v = np.where(is_arc, radius[row] * np.sin(angle), s)
    points = rows[row, ORIGIN] + along_u[:, None] * rows[row, U] + along_v[:, None] * rows[row, V]
    at = rows[row, AT] + s
    ends = offsets[starts]
    return [(points[a:b], at[a:b]) for a, b in pairwise(ends.tolist())]


def required_arc(pieces: Floats, judged: JudgedBend, cable_radius_m: float) -> Floats | None:
    """Return the centre line (k, 3) of the arc that would be enough at a bend, between the same two legs.

    None where the bend is enough, where no limit is known, and where the run folds back.
    """
    bend, required_m = judged.bend, judged.required_inner_m
    if required_m is None or judged.inner_radius_m + TOLERANCE_M >= required_m:
        return None
    if not 1e-3 < bend.turn_rad < _FOLD_RAD:
        return None
    sharp = bend.centre_radius_m <= 0.0
    places = np.array([bend.from_m - _BEFORE_M if sharp else bend.from_m, bend.to_m if sharp else bend.to_m - 1e-12])
    before, after = tangents_at(pieces, np.maximum(places, 0.0))
    inward = after - before
    inward = inward / np.linalg.norm(inward)
    half = bend.turn_rad / 2.0
    # the middle of an arc lies this far inside its corner
    corner = np.asarray(bend.point_m) - inward * bend.centre_radius_m * (1.0 / np.cos(half) - 1.0)
    radius = required_m + cable_radius_m
    centre = corner + inward * radius / np.cos(half)
    begin = corner - before * radius * np.tan(half)
    outward = (begin - centre) / radius
    return chords(arc_piece(centre, outward, before, radius, bend.turn_rad, 0.0)[None], LINE_TOLERANCE_M)
