"""Read-only float64 arrays of a stated shape."""

from __future__ import annotations

from typing import TypeGuard

import numpy as np
from numpy.typing import ArrayLike, NDArray


def frozen(values: ArrayLike, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Return read-only float64 ``values``, copied if anything could write to them; -1 in ``shape``: any length.

    Raises
    ------
    ValueError
        The shape differs, or a number is not finite.
    """
    array = values if _cannot_change(values) else np.array(values, dtype=np.float64)
    if array.size == 0 and -1 in shape:
        array = array.reshape(tuple(0 if n == -1 else n for n in shape))
    if not _fits(array.shape, shape):
        raise ValueError(f"an array of shape {shape} was expected, this one is {array.shape}")
    if not np.logical_and.reduce(np.isfinite(array), axis=None):
        raise ValueError("every number must be finite")
    array.setflags(write=False)
    return array


def _fits(shape: tuple[int, ...], wanted: tuple[int, ...]) -> bool:
    if len(shape) != len(wanted):
        return False
    for got, want in zip(shape, wanted, strict=True):  # noqa: SIM110  a generator takes twice as long
        if want not in (-1, got):
            return False
    return True


def _cannot_change(values: ArrayLike) -> TypeGuard[NDArray[np.float64]]:
    """Tell whether these are plain float64 numbers in memory that is read-only all the way down."""
    if not isinstance(values, np.ndarray) or values.dtype != np.float64 or not values.flags.c_contiguous:
        return False
    holder: object = values
    while isinstance(holder, np.ndarray):
        if holder.flags.writeable:
            return False
        holder = holder.base
    return holder is None or isinstance(holder, bytes)
