"""What was taken out of a DXF text in bulk: rows of entities of one kind and layer, as arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from importers.dxf_tokens import Ints, Mask, Strings

Array = NDArray[np.float64]

PLACEHOLDER = "ROUTE3D_BULK"  # the kind of entity that stands for a row of faces and meshes


@dataclass(frozen=True, slots=True, eq=False)
class BulkFaces:
    """3D faces of one layer in a row."""

    layer: str
    handles: Strings  # (n,)
    corners: Array  # (n, 4, 3)
    invisible: int

    def __len__(self) -> int:
        return len(self.handles)


@dataclass(frozen=True, slots=True, eq=False)
class BulkMeshes:
    """Polyface and polygon meshes, or MESH entities, of one layer in a row, already cut into triangles."""

    kind: str
    layer: str
    handles: Strings  # (n,)
    triangles: Array  # (t, 3, 3)
    starts: Ints  # (n + 1,) first triangle of each
    invisible: int

    def __len__(self) -> int:
        return len(self.handles)


@dataclass(frozen=True, slots=True, eq=False)
class BulkPaths:
    """Points, lines, and polylines in space of one layer in a row: what has neither bends nor width nor thickness."""

    kind: str
    layer: str
    handles: Strings  # (n,)
    points: Array  # (p, 3)
    starts: Ints  # (n + 1,) first point of each
    closed: Mask  # (n,)
    invisible: int

    def __len__(self) -> int:
        return len(self.handles)


@dataclass(frozen=True, slots=True, eq=False)
class BulkArcs:
    """Arcs or circles of one layer in a row."""

    kind: str
    layer: str
    handles: Strings  # (n,)
    centres: Array  # (n, 3)
    radii: Array  # (n,)
    degrees: Array  # (n, 2) start and end; of circles nothing
    thickness: Array  # (n,)
    extrusion: Array  # (n, 3)
    invisible: int

    def __len__(self) -> int:
        return len(self.handles)


@dataclass(frozen=True, slots=True, eq=False)
class BulkProfiles:
    """Flat polylines of one layer in a row; each has a corner at least."""

    kind: str
    layer: str
    handles: Strings  # (n,)
    corners: Array  # (c, 5) x, y, width at start and end of what follows, bulge
    starts: Ints  # (n + 1,) first corner of each
    closed: Mask  # (n,)
    elevation: Array  # (n,)
    thickness: Array  # (n,)
    extrusion: Array  # (n, 3)
    invisible: int

    def __len__(self) -> int:
        return len(self.handles)


@dataclass(frozen=True, slots=True, eq=False)
class BulkInserts:
    """Block references of one layer in a row, without attributes."""

    layer: str
    handles: Strings  # (n,)
    names: tuple[str, ...]  # (n,) of their blocks
    points: Array  # (n, 3)
    scales: Array  # (n, 3)
    degrees: Array  # (n,)
    counts: Ints  # (n, 2) columns and rows
    spacings: Array  # (n, 2) between columns and between rows
    extrusion: Array  # (n, 3)
    invisible: int

    def __len__(self) -> int:
        return len(self.handles)


Part = BulkInserts | BulkFaces | BulkMeshes | BulkPaths | BulkArcs | BulkProfiles

Rows = TypeVar("Rows", BulkMeshes, BulkPaths, BulkArcs, BulkProfiles)


def joined(parts: Sequence[Rows]) -> Rows:
    """Return parts of one kind end to end, whatever their layers: the first one's stands for all."""
    values: dict[str, Any] = {}
    for name in (field.name for field in fields(parts[0])):
        some = [getattr(part, name) for part in parts]
        if name == "starts":
            values[name] = np.concatenate([[0], np.cumsum(np.concatenate([np.diff(starts) for starts in some]))])
        elif isinstance(some[0], np.ndarray):
            values[name] = np.concatenate(some)
    return replace(parts[0], **values)
