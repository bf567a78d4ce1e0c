"""Parts that were read in bulk, made into shapes many at a time, however often their layers take turns."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields
from functools import partial
from typing import Any

import numpy as np

from importers.dxf_faces import shapes_of_meshes
from importers.dxf_parts import BulkArcs, BulkMeshes, BulkPaths, BulkProfiles, joined
from importers.dxf_shape import Grain, Shape
from importers.dxf_wires import shapes_of_arcs, shapes_of_paths, shapes_of_profiles

Part = BulkMeshes | BulkPaths | BulkArcs | BulkProfiles

_NUMBERS_MAX = 4_000_000  # of one batch, about: what is worked out at once takes some ten times their room


class Batches:
    """The parts of one container: those of a kind go together, up to a size."""

    def __init__(self) -> None:
        self._open: dict[str, _Batch] = {}

    def add(self, part: Part) -> Callable[[Grain], Sequence[Shape]]:
        """Take in a part, and return what makes its shapes, one for each of its entities, in order."""
        key = f"{type(part).__name__} {part.kind}"
        if key not in self._open or self._open[key].numbers > _NUMBERS_MAX:
            self._open[key] = _Batch()
        batch = self._open[key]
        low = batch.entities
        batch.add(part)
        return partial(_stretch, batch, low, batch.entities)


class _Batch:
    """Parts of one kind."""

    def __init__(self) -> None:
        self.entities = 0
        self.numbers = 0
        self._parts: list[Any] = []
        self._shapes: dict[Grain, list[Shape]] = {}

    def add(self, part: Part) -> None:
        self._parts.append(part)
        self.entities += len(part)
        arrays = [getattr(part, field.name) for field in fields(part)]
        self.numbers += sum(array.size for array in arrays if isinstance(array, np.ndarray))

    def shapes(self, grain: Grain) -> list[Shape]:
        """Return the shapes of all, worked out once for each grain."""
        if grain not in self._shapes:
            if len(self._parts) > 1:
                self._parts = [joined(self._parts)]
            shapes = _shapes_of(self._parts[0], grain)
            assert len(shapes) == self.entities
            self._shapes[grain] = shapes
        return self._shapes[grain]


def _shapes_of(part: Part, grain: Grain) -> list[Shape]:
    if isinstance(part, BulkMeshes):
        return shapes_of_meshes(part, grain)
    if isinstance(part, BulkPaths):
        return shapes_of_paths(part, grain)
    if isinstance(part, BulkArcs):
        return shapes_of_arcs(part, grain)
    return shapes_of_profiles(part, grain)


def _stretch(batch: _Batch, low: int, high: int, grain: Grain) -> Sequence[Shape]:
    return batch.shapes(grain)[low:high]
