"""Where a circle meets planes, spheres and cylinders: roots of trigonometric polynomials of degree one and two."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled

Floats = NDArray[np.float64]

ROOT_ROOM = 64  # room that the functions here need in ``roots`` after ``count``
_NARROW = 1e-8  # radians: roots closer than this are not told apart
_TOUCH = 1e-13  # relative: a circle that misses by rounding alone touches


@compiled
def add_root(roots: Floats, count: int, angle: float, first: float, last: float) -> int:
    """Append ``angle``, give or take whole turns, if it lies in ``first``..``last``; return the new count."""
    angle -= 2.0 * math.pi * math.floor((angle - first) / (2.0 * math.pi))
    if angle <= last:
        roots[count] = angle
        return count + 1
    return count


@compiled
def linear_roots(roots: Floats, count: int, k: float, a: float, b: float, first: float, last: float) -> int:
    """Append the roots of k + a·cos t + b·sin t in ``first``..``last``, two at most; return the new count."""
    swing = math.sqrt(a * a + b * b)
    if swing <= 0.0 or abs(k) > swing * (1.0 + _TOUCH):
        return count
    middle = math.atan2(b, a)
    side = math.acos(max(-1.0, min(1.0, -k / swing)))
    count = add_root(roots, count, middle - side, first, last)
    return add_root(roots, count, middle + side, first, last)


@compiled
def _value(t: float, k: float, a1: float, b1: float, a2: float, b2: float) -> float:
    c, s = math.cos(t), math.sin(t)
    return k + a1 * c + b1 * s + a2 * (c * c - s * s) + 2.0 * b2 * c * s


@compiled
def _slope(t: float, a1: float, b1: float, a2: float, b2: float) -> float:
    c, s = math.cos(t), math.sin(t)
    return -a1 * s + b1 * c - 4.0 * a2 * c * s + 2.0 * b2 * (c * c - s * s)


@compiled
def quadratic_roots(
    roots: Floats, count: int, k: float, a1: float, b1: float, a2: float, b2: float, first: float, last: float
) -> int:
    """Append the roots of k + a1·cos t + b1·sin t + a2·cos 2t + b2·sin 2t in ``first``..``last``; return the new count.

    There are four at most unless it is zero throughout. The range is halved until a bound on the second derivative
    proves that a part has no root, or one that can be bracketed. Where a part stays undecided down to ``_NARROW`` (a
    double root) the first and the last such place are appended.
    """
    bend = math.sqrt(a1 * a1 + b1 * b1) + 4.0 * math.sqrt(a2 * a2 + b2 * b2)
    if abs(k) > bend or bend <= 1e-15 * abs(k):
        return count
    begin = np.empty(64)
    end = np.empty(64)
    begin[0], end[0] = first, last
    depth = 1
    run = 0  # undecided places in a row that end at the last root appended
    while depth > 0:
        depth -= 1
        low, high = begin[depth], end[depth]
        middle = 0.5 * (low + high)
        half = 0.5 * (high - low)
        value = _value(middle, k, a1, b1, a2, b2)
        slope = _slope(middle, a1, b1, a2, b2)
        if abs(value) > abs(slope) * half + 0.5 * bend * half * half:
            continue
        if abs(slope) > bend * half:  # rising or falling throughout
            at_low = _value(low, k, a1, b1, a2, b2)
            at_high = _value(high, k, a1, b1, a2, b2)
            if (at_low > 0.0 and at_high > 0.0) or (at_low < 0.0 and at_high < 0.0):
                continue
            for _ in range(60):
                value = _value(middle, k, a1, b1, a2, b2)
                if (value > 0.0) == (at_high > 0.0):
                    high = middle
                else:
                    low = middle
                # Newton's step where it stays inside, halving where it does not
                step = middle - value / _slope(middle, a1, b1, a2, b2)
                inside = step > low and step < high
                following = step if inside else 0.5 * (low + high)
                if abs(following - middle) < 1e-14:
                    break
                middle = following
            roots[count] = middle
            count += 1
            run = 0
            continue
        if half < _NARROW:
            if run > 0 and middle - roots[count - 1] < 4.0 * _NARROW:
                if run > 1:
                    count -= 1
                run = 2
            else:
                run = 1
            roots[count] = middle
            count += 1
            continue
        # the left half last, so that roots come in order
        begin[depth], end[depth] = middle, high
        begin[depth + 1], end[depth + 1] = low, middle
        depth += 2
    return count
