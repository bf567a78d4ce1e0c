"""Read-only float64 arrays of a stated shape."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def frozen(values: ArrayLike, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Return a read-only float64 copy of ``values``; -1 in ``shape`` stands for any length.

    Raises
    ------
    ValueError
        The shape differs, or a number is not finite.
    """
    array = np.array(values, dtype=np.float64)
    if array.size == 0 and -1 in shape:
        array = array.reshape(tuple(0 if n == -1 else n for n in shape))
    if array.ndim != len(shape) or any(want not in (-1, got) for want, got in zip(shape, array.shape, strict=True)):
        raise ValueError(f"an array of shape {shape} was expected, this one is {array.shape}")
    if not np.isfinite(array).all():
        raise ValueError("every number must be finite")
    array.setflags(write=False)
    return array
