"""The block references of a DXF text as arrays."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from importers.dxf_parts import BulkInserts
from importers.dxf_records import ATTRIB, FARTHEST, SEQEND, VERTEX, Records, stated_extrusion
from importers.dxf_tokens import Ints, Mask, Strings

Array = NDArray[np.float64]


class Inserts:
    """Block references that nothing belongs to; ``names`` are those of their blocks, None where they are in doubt."""

    def __init__(
        self, head: Records, record: Ints, kinds: NDArray[np.int8], names: Callable[[Ints], tuple[list[str], Mask]]
    ) -> None:
        self.head, self.record, self.end = head, record, record + 1
        self.sort = np.zeros(len(record), dtype=np.int64)
        self._names, plain = names(head.name)
        behind = np.append(kinds, 0)[self.end]
        self.good = head.good & plain & (head.integers[66] == 0) & ~np.isin(behind, (ATTRIB, SEQEND, VERTEX))
        self.good &= (np.abs(head.points[10]) < FARTHEST).all(axis=1)

    def part(self, layer: str, handles: Strings, own: Ints, invisible: int) -> BulkInserts:
        """Return some of them in a row."""
        head = self.head

        def numbers(codes: tuple[int, ...], usual: float) -> Array:
            return np.stack([np.nan_to_num(head.floats[code][own], nan=usual) for code in codes], axis=1)

        return BulkInserts(
            layer,
            handles,
            tuple(self._names[n] for n in own.tolist()),
            head.points[10][own],
            numbers((41, 42, 43), 1.0),
            numbers((50,), 0.0)[:, 0],
            np.stack([head.integers[70][own], head.integers[71][own]], axis=1),
            numbers((44, 45), 0.0),
            stated_extrusion(head.points[210][own]),
            invisible,
        )
