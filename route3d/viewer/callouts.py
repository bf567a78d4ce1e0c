"""Where to put numbered labels so that none covers another, and each is near what it names."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

DIRECTIONS = 24
RINGS = 60
RING_STEP = 0.55  # of a label's radius


def place(anchors_px: Floats, radius_px: float, size: tuple[float, float], keep_out: Floats | None = None) -> Floats:
    """Return the centre (n, 2) of a round label for each anchor (n, 2).

    Labels stay inside ``size`` (width, height), clear of each other and of all anchors where there is room, and off
    the rectangles ``keep_out`` (k, 4: left, top, right, bottom). The nearest free place wins, the upper right first.
    Where a picture is so full that no free place is left, the least covered one is taken.
    """
    angles = np.radians(-50.0) + 2.0 * np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    # from the upper right outwards to both sides
    angles = angles[np.argsort(np.abs((angles + np.radians(50.0) + np.pi) % (2 * np.pi) - np.pi), kind="stable")]
    ring = radius_px * (2.3 + RING_STEP * np.arange(RINGS))
    offsets = (ring[:, None, None] * np.column_stack([np.cos(angles), np.sin(angles)])[None]).reshape(-1, 2)
    blocked = np.zeros((0, 4)) if keep_out is None else np.asarray(keep_out, dtype=np.float64)
    placed = np.zeros((0, 2))
    width, height = size
    for anchor in anchors_px:
        tries = anchor + offsets
        x, y = tries[:, 0], tries[:, 1]
        inside = (x > radius_px) & (x < width - radius_px) & (y > radius_px) & (y < height - radius_px)
        for left, top, right, bottom in blocked:
            inside &= ~(
                (x > left - radius_px) & (x < right + radius_px) & (y > top - radius_px) & (y < bottom + radius_px)
            )
        if not inside.any():
            inside[:] = True
        tries = tries[inside]
        gap_label = _nearest(tries, placed) - 2.15 * radius_px
        gap_anchor = _nearest(tries, anchors_px) - 2.0 * radius_px
        free = np.flatnonzero((gap_label >= 0.0) & (gap_anchor >= 0.0))
        if not len(free):
            # anchors may be covered before another label is
            free = np.flatnonzero(gap_label >= 0.0)
        best = free[0] if len(free) else int(np.argmax(gap_label))
        placed = np.vstack([placed, tries[best]])
    return placed


def _nearest(points: Floats, others: Floats) -> Floats:
    if not len(others):
        return np.full(len(points), np.inf)
    return np.asarray(np.linalg.norm(points[:, None] - others[None], axis=2).min(axis=1))
