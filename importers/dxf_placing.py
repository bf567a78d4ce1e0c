"""Where block references put things: 4 by 4 matrices in row vector order, many at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from ezdxf.entities.insert import Insert
from ezdxf.math import Vec3
from numpy.typing import NDArray

from importers.dxf_curves import plane_axes
from importers.dxf_parts import BulkInserts

Array = NDArray[np.float64]

_LARGEST = 1e15


def reference_matrices(insert: Any, base_point: Array, rows: int, columns: int) -> Array:
    """Return the matrices (rows * columns, 4, 4) of a reference: block axes to those of its container, row vectors.

    Base point to the origin, scale, rotate about the extrusion, move to the insertion point, then along the array.
    """
    dxf = insert.dxf
    scale = np.array([[dxf.xscale, dxf.yscale, dxf.zscale]], dtype=np.float64)
    along, linear, origin = placings(
        np.array([dxf.insert.xyz], dtype=np.float64),
        plane_axes(dxf.extrusion)[None],
        [float(dxf.rotation)],
        scale,
        base_point[None],
    )
    row, column = np.divmod(np.arange(rows * columns), columns)
    steps = (
        origin
        + (column * float(dxf.column_spacing))[:, None] * along[0, 0]
        + (row * float(dxf.row_spacing))[:, None] * along[0, 1]
    )
    return as_matrices(np.broadcast_to(linear, (rows * columns, 3, 3)), steps)


def placings(
    points: Array, axes: Array, degrees: Sequence[float], scales: Array, bases: Array
) -> tuple[Array, Array, Array]:
    """Return how references (n,) are turned (n, 3, 3), turned and scaled (n, 3, 3), and where they begin (n, 3)."""
    # right angles to the last bit: a wall turned by 90 degrees stays square to the axes
    turns = np.array([_cosine_and_sine(angle) for angle in degrees]).reshape(-1, 2)
    cos, sin = turns[:, :1], turns[:, 1:]
    along = np.stack([axes[:, 0] * cos + axes[:, 1] * sin, axes[:, 1] * cos - axes[:, 0] * sin, axes[:, 2]], axis=1)
    linear = along * scales[:, :, None]
    return along, linear, _combined(points, axes) - _combined(bases, linear)


def _combined(factors: Array, vectors: Array) -> Array:
    """Return sums (n, 3) of vectors (n, 3, 3) by factors (n, 3), each by itself whatever else is in the arrays."""
    first, second = factors[:, 0, None] * vectors[:, 0], factors[:, 1, None] * vectors[:, 1]
    return np.asarray(first + second + factors[:, 2, None] * vectors[:, 2])


def _cosine_and_sine(degrees: float) -> tuple[float, float]:
    angle = math.radians(degrees)
    if degrees % 90.0 == 0.0:
        return round(math.cos(angle), 15) + 0.0, round(math.sin(angle), 15) + 0.0
    return math.cos(angle), math.sin(angle)


def as_matrices(linear: Array, origin: Array) -> Array:
    """Return matrices (n, 4, 4) that turn and scale (n, 3, 3) and put their origin somewhere (n, 3)."""
    matrices = np.zeros((len(origin), 4, 4))
    matrices[:, :3, :3] = linear
    matrices[:, 3, :3] = origin
    matrices[:, 3, 3] = 1.0
    return matrices


def entity_of(inserts: BulkInserts, number: int, handle: str) -> Insert:
    """Return one of the references that were read in bulk as an entity of the library."""
    columns, rows = inserts.counts[number].tolist()
    across, along = inserts.spacings[number].tolist()
    x, y, z = inserts.scales[number].tolist()
    entity = Insert.new(handle)
    stated = {
        "name": inserts.names[number],
        "insert": Vec3(inserts.points[number].tolist()),
        "xscale": x,
        "yscale": y,
        "zscale": z,
        "rotation": float(inserts.degrees[number]),
        "column_count": columns,
        "row_count": rows,
        "column_spacing": across,
        "row_spacing": along,
        "extrusion": Vec3(inserts.extrusion[number].tolist()),
    }
    for name, value in stated.items():
        entity.dxf.unprotected_set(name, value)  # as it is when a file is loaded: nothing is mended
    return entity


def placed(points: Array, matrices: Array) -> Array:
    """Return points (..., 3) at each of the places (k, 4, 4) as (k, ..., 3); equal points stay equal to the bit."""
    lift = (slice(None),) + (None,) * (points.ndim - 1)
    x, y, z = points[..., 0], points[..., 1], points[..., 2]
    result = np.empty((len(matrices), *points.shape))
    for axis in range(3):
        # three products and sums for each number, not a matrix product: that one rounds by position in the array
        m = matrices[:, :, axis]
        result[..., axis] = x * m[:, 0][lift] + y * m[:, 1][lift] + z * m[:, 2][lift] + m[:, 3][lift]
    return result


def sane(matrices: Array) -> NDArray[np.bool_]:
    """Tell which places (k, 4, 4) are numbers that can be worked with; whether they lie in a building is seen later."""
    with np.errstate(invalid="ignore"):
        return np.asarray((np.abs(matrices) <= _LARGEST).all(axis=(1, 2)))


def products(inner: Array, outer: Array) -> Array:
    """Return all combinations (k_outer * k_inner, 4, 4): first the inner placing, then the outer one."""
    return np.asarray(np.einsum("iab,obc->oiac", inner, outer).reshape(-1, 4, 4))


def scale_steps(matrices: Array) -> NDArray[np.int64]:
    """Return for each place the power of two (k,) that is no smaller than its largest stretch."""
    stretch = np.linalg.norm(matrices[:, :3, :3], ord=2, axis=(1, 2))
    with np.errstate(divide="ignore"):
        steps = np.ceil(np.log2(stretch) - 1e-9)
    return np.asarray(np.clip(np.nan_to_num(steps, neginf=-60.0, posinf=60.0), -60, 60), dtype=np.int64)
