"""Points and vectors inside compiled loops, as three numbers: no array is made for them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled

Xyz = tuple[float, float, float]


@compiled
def row(array: NDArray[np.float64], i: int) -> Xyz:
    """Return row ``i`` of an array (n, 3)."""
    return array[i, 0], array[i, 1], array[i, 2]


@compiled
def put(array: NDArray[np.float64], i: int, a: Xyz) -> None:
    """Write row ``i`` of an array (n, 3)."""
    array[i, 0], array[i, 1], array[i, 2] = a


@compiled
def sub(a: Xyz, b: Xyz) -> Xyz:
    """Return a - b."""
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


@compiled
def beyond(a: Xyz, length: float, way: Xyz) -> Xyz:
    """Return a + length·way."""
    return a[0] + length * way[0], a[1] + length * way[1], a[2] + length * way[2]


@compiled
def dot(a: Xyz, b: Xyz) -> float:
    """Return the scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@compiled
def cross(a: Xyz, b: Xyz) -> Xyz:
    """Return the vector product."""
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


@compiled
def norm(a: Xyz) -> float:
    """Return the length."""
    return math.sqrt(a[0] * a[0] + a[1] * a[1] + a[2] * a[2])


@compiled
def unit(a: Xyz) -> Xyz:
    """Return the vector of length 1 in the direction of ``a``; NaN for no length."""
    length = math.sqrt(a[0] * a[0] + a[1] * a[1] + a[2] * a[2])
    return a[0] / length, a[1] / length, a[2] / length


@compiled
def angle(a: Xyz, b: Xyz) -> float:
    """Return the angle between two vectors, exact for small and for flat ones."""
    return math.atan2(norm(cross(a, b)), dot(a, b))


@compiled
def zero() -> int:
    """Return 0 to count from: a literal 0 is a type of its own, and has what it is passed to compiled once more."""
    return 0
