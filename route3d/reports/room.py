"""Which parts of a sheet or drawing hold something already."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

Box = tuple[float, float, float, float]  # left, low, right, high


class Taken:
    """Rectangles that are taken, found by cells of ``cell`` by ``cell``."""

    def __init__(self, cell: float) -> None:
        self._cell = cell
        self._cells: dict[tuple[int, int], list[Box]] = {}

    def free(self, left: float, low: float, right: float, high: float) -> bool:
        """Take a rectangle if nothing is there, and tell whether that was so.

        >>> taken = Taken(10.0)
        >>> taken.free(0, 0, 5, 5), taken.free(4, 4, 8, 8), taken.free(5, 0, 8, 4)
        (True, False, True)
        """
        return self.all_free([(left, low, right, high)])

    def all_free(self, boxes: Sequence[Box]) -> bool:
        """Take rectangles if nothing is in any of them, and tell whether that was so; they may overlap each other."""
        for left, low, right, high in boxes:
            for cell in self._around((left, low, right, high)):
                for a, b, c, d in self._cells.get(cell, ()):
                    if left < c and right > a and low < d and high > b:
                        return False
        for box in boxes:
            self.take(*box)
        return True

    def take(self, left: float, low: float, right: float, high: float) -> None:
        """Take a rectangle whether something is there or not."""
        box = (left, low, right, high)
        for cell in self._around(box):
            self._cells.setdefault(cell, []).append(box)

    def _around(self, box: Box) -> Iterable[tuple[int, int]]:
        left, low, right, high = (math.floor(edge / self._cell) for edge in box)
        return ((i, j) for i in range(left, right + 1) for j in range(low, high + 1))
