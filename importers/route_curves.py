"""Free curves as dense corners that are certain to stay within a tolerance of the curve.

A curve is cut into Bézier pieces, and these in halves until all control points are within the tolerance of the chord:
the curve lies in the hull of its control points, so that it is within the tolerance everywhere, not only in the middle.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from importers.dxf_curves import TooManyChordsError, chord_count

Array = NDArray[np.float64]

_CORNERS_MAX = 200_000


def spline_points(controls: ArrayLike, knots: ArrayLike, weights: ArrayLike, degree: int, tolerance: float) -> Array:
    """Return points (n, 3) along a B-spline, ends included, with chords no further off it than ``tolerance``.

    ``weights`` may be empty; ``knots`` need not be clamped, the curve runs over the interval that all are defined on.

    Raises
    ------
    ValueError
        Numbers of control points, knots and weights do not fit each other, a weight is not positive, or it has a gap.
    TooManyChordsError
        The tolerance asks for more corners than a run can need.
    """
    points = np.array(controls, dtype=np.float64).reshape(-1, 3)
    knot = np.array(knots, dtype=np.float64)
    weight = np.array(weights, dtype=np.float64)
    if len(weight) == 0:
        weight = np.ones(len(points))
    if degree < 1 or len(points) <= degree or len(knot) != len(points) + degree + 1 or len(weight) != len(points):
        raise ValueError("control points, knots and weights do not fit each other")
    if not (weight > 0.0).all() or not (np.diff(knot) >= 0.0).all():
        raise ValueError("weights are not positive, or knots not in order")
    _, repeats = np.unique(knot[1:-1], return_counts=True)
    if (repeats > degree).any():
        raise ValueError("it has a gap")  # at a knot that often the curve may jump
    pieces = _bezier_pieces(np.column_stack([points * weight[:, None], weight]), knot, degree)
    done: list[Array] = []
    count = 0
    stack = list(pieces[::-1])
    while stack:
        piece = stack.pop()
        flat = piece[:, :3] / piece[:, 3:]
        if _off_chord(flat) <= tolerance:
            done.append(flat[:1])
            count += 1
            if count > _CORNERS_MAX:
                raise TooManyChordsError("it needs too many corners for the tolerance")
            last = flat[-1:]
            continue
        first, second = _halves(piece)
        stack += [second, first]
        if len(stack) > _CORNERS_MAX:
            raise TooManyChordsError("it needs too many corners for the tolerance")
    return np.concatenate([*done, last])


def ellipse_points(
    centre: ArrayLike, major: ArrayLike, minor: ArrayLike, start: float, sweep: float, tolerance: float
) -> Array:
    """Return points (n, 3) along an elliptic arc, ends included, with chords no further off it than ``tolerance``.

    ``start`` and ``sweep`` are angles of the circle that the ellipse is a stretched image of: where its chords are
    off by no more than tolerance / larger half axis, those of the ellipse are within the tolerance.
    """
    a, b = np.asarray(major, dtype=np.float64), np.asarray(minor, dtype=np.float64)
    largest = max(float(np.linalg.norm(a)), float(np.linalg.norm(b)))
    count = chord_count(largest, sweep, tolerance)
    angle = start + sweep * np.arange(count + 1) / count
    return np.asarray(np.asarray(centre, dtype=np.float64) + np.cos(angle)[:, None] * a + np.sin(angle)[:, None] * b)


def _bezier_pieces(points: Array, knots: Array, degree: int) -> list[Array]:
    """Return the control points (degree + 1, 4) of each Bézier piece, by inserting every knot ``degree`` times."""
    low, high = knots[degree], knots[len(points)]
    if not low < high:
        raise ValueError("the curve has no length")
    inner = knots[(knots >= low) & (knots <= high)]
    for value in np.unique(inner).tolist():
        for _ in range(degree - int((knots == value).sum())):
            points, knots = _with_knot(points, knots, degree, value)
    # a piece for each interval between different knots of the curve
    return [
        points[at - degree : at + 1]
        for at in range(degree, len(points))
        if knots[at] < knots[at + 1] and low <= knots[at] < high
    ]


def _with_knot(points: Array, knots: Array, degree: int, value: float) -> tuple[Array, Array]:
    """Return the same curve with one more knot (Boehm's algorithm)."""
    at = min(int(np.searchsorted(knots, value, side="right")) - 1, len(points) - 1)
    index = np.arange(at - degree + 1, at + 1)
    span = knots[index + degree] - knots[index]
    share = np.divide(value - knots[index], span, out=np.zeros(len(index)), where=span > 0.0)[:, None]
    between = share * points[index] + (1.0 - share) * points[index - 1]
    new = np.concatenate([points[: at - degree + 1], between, points[at:]])
    return new, np.insert(knots, at + 1, value)


def _off_chord(points: Array) -> float:
    """Return how far the farthest control point (k, 3) is from the chord between the first and the last."""
    start, along = points[0], points[-1] - points[0]
    length = float(along @ along)
    offset = points[1:-1] - start
    if len(offset) == 0:
        return 0.0
    if length > 0.0:
        offset = offset - np.clip(offset @ along / length, 0.0, 1.0)[:, None] * along
    return math.sqrt(float((offset**2).sum(axis=1).max()))


def _halves(points: Array) -> tuple[Array, Array]:
    """Return the control points of the two halves of a Bézier piece (de Casteljau's algorithm)."""
    left, right = [points[0]], [points[-1]]
    while len(points) > 1:
        points = (points[1:] + points[:-1]) / 2.0
        left.append(points[0])
        right.append(points[-1])
    return np.array(left), np.array(right[::-1])
