"""How the records of a stored solid hang together: bodies, lumps, shells, faces, loops and edges, walked once each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from importers.acis_records import DamagedError, FaceError, Fields, Pointer, Record

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Side:
    """An edge as one face sees it: ``backward`` where its loop runs from the edge's end to its start."""

    edge: int
    backward: bool


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """An edge between two vertices; ``curve`` is None where it is a point, the tip of a cone or the pole of a ball."""

    start: Array
    end: Array
    loops_back: bool  # start and end are one vertex
    curve: Record | None
    backward: bool  # it runs against its curve
    first: float | None  # parameters along the edge, as far as they are stored
    last: float | None


# where a walk goes on from each kind of record, and what else it may point to
_WAYS = {
    "body": (("lump",), ("wire", "transform")),
    "lump": (("lump", "shell"), ("body",)),
    "shell": (("shell", "subshell", "face"), ("wire", "lump")),
    "subshell": (("subshell", "face"), ("wire", "shell")),
    "face": (("face",), ()),
}


class Solid:
    """All records of one stored solid and the walks along their pointers."""

    def __init__(self, records: Sequence[Record | None]) -> None:
        self.records = records
        self.torn = False  # a walk met a pointer to nothing: there may have been more faces
        self.subtypes: list[tuple[Sequence[object], int]] | None = None
        self._edges: dict[int, Edge | DamagedError] = {}

    def record(self, number: int, kind: str) -> Record:
        """Return the record of this number; raises ``DamagedError`` where there is none of the kind."""
        found = self.records[number] if 0 <= number < len(self.records) else None
        if found is None or found.kind != kind:
            raise DamagedError(f"with a missing {kind}")
        return found

    def _target(self, record: Record, kind: str) -> int:
        """Return the first pointer of a record to a record of a kind, -1 without one."""
        for number in record.pointers:
            if 0 <= number < len(self.records):
                found = self.records[number]
                if found is not None and found.kind == kind:
                    return number
        return -1

    def bodies(self) -> list[int]:
        """Return the numbers of all bodies."""
        return [n for n, r in enumerate(self.records) if r is not None and r.name == "body"]

    def faces(self, body: int) -> Iterator[int]:
        """Yield the number of every face of a body once; pointers that run in a circle end the walk.

        A pointer to nothing, or to what does not belong there, sets ``torn``.
        """
        seen: set[int] = set()
        pending = [body]
        while pending:
            number = pending.pop()
            if number in seen:
                continue
            seen.add(number)
            record = self.records[number]
            assert record is not None
            if record.kind == "face":
                yield number
            follow, known = _WAYS[record.kind]
            for target in reversed(record.pointers[:1] if record.kind == "face" else record.pointers):
                found = self.records[target] if 0 <= target < len(self.records) else None
                if found is not None and found.kind in follow:
                    pending.append(target)
                elif target >= 0 and (found is None or found.kind not in known):
                    self.torn = True

    def matrix(self, body: int) -> Array | None:
        """Return the matrix (4, 4) for row vectors of a body, None where it is not moved.

        A transform record holds twelve values of a matrix without scale, and then the scale.
        """
        number = self._target(self.record(body, "body"), "transform")
        if number < 0:
            return None
        fields = Fields(self.record(number, "transform").fields)
        values = np.array([fields.number() for _ in range(12)]).reshape(4, 3)
        scale = fields.number()
        if scale <= 0.0 or abs(np.linalg.det(values[:3])) < 1e-12:
            raise DamagedError("its transform is damaged")
        matrix = np.eye(4)
        # some writers leave the scale in the axes too; a matrix that is already that long is not scaled twice
        length = abs(float(np.linalg.det(values[:3]))) ** (1.0 / 3.0)
        matrix[:3, :3] = values[:3] * (
            scale if abs(length - 1.0) <= 1e-6 or abs(length - scale) > 1e-6 * scale else 1.0
        )
        matrix[3, :3] = values[3]
        return matrix

    def loops(self, face: Record) -> list[list[Side]]:
        """Return the loops of a face, the sides of each in their order."""
        if len(face.pointers) < 5:
            raise FaceError("with a damaged record")
        result: list[list[Side]] = []
        number = face.pointers[1]
        seen: set[int] = set()
        while number >= 0 and number not in seen:
            seen.add(number)
            loop = self.record(number, "loop")
            if len(loop.pointers) < 2:
                raise FaceError("with a damaged loop")
            result.append(self._sides(loop.pointers[1]))
            number = loop.pointers[0]
        return result

    def _sides(self, first: int) -> list[Side]:
        seen: set[int] = set()
        sides: list[Side] = []
        number = first
        while number not in seen:
            if number < 0:
                raise FaceError("with an open edge loop")
            seen.add(number)
            coedge = self.record(number, "coedge")
            pointers = [k for k, f in enumerate(coedge.fields) if isinstance(f, Pointer)]
            if len(pointers) < 4:
                raise FaceError("with a damaged loop")
            sides.append(Side(int(coedge.fields[pointers[3]]), Fields(coedge.fields, pointers[3] + 1).flag()))
            number = int(coedge.fields[pointers[0]])
        if number != first:
            raise FaceError("with a tangled edge loop")
        return sides

    def sense(self, face: Record) -> bool:
        """Tell whether a face looks against the normal of its surface."""
        place = [k for k, f in enumerate(face.fields) if isinstance(f, Pointer)][4]
        return Fields(face.fields, place + 1).flag()

    def surface(self, face: Record) -> Record:
        """Return the record of the surface under a face."""
        if len(face.pointers) < 5:
            raise FaceError("with a damaged record")
        return self.record(face.pointers[4], "surface")

    def edge(self, number: int) -> Edge:
        """Return an edge, read once."""
        if number not in self._edges:
            try:
                self._edges[number] = self._edge(self.record(number, "edge"))
            except DamagedError as error:
                self._edges[number] = error
        found = self._edges[number]
        if isinstance(found, DamagedError):
            raise FaceError(str(found))
        return found

    def _edge(self, record: Record) -> Edge:
        places = [k for k, f in enumerate(record.fields) if isinstance(f, Pointer)]
        if len(places) < 4:
            raise DamagedError("with a damaged edge")
        start, end, _, curve = (int(record.fields[k]) for k in places[:4])
        bounds = [
            Fields(record.fields, k + 1).number() if k + 1 not in places and k + 1 < len(record.fields) else None
            for k in places[:2]
        ]
        return Edge(
            self._vertex(start),
            self._vertex(end),
            start == end,
            self.record(curve, "curve") if curve >= 0 else None,
            Fields(record.fields, places[3] + 1).flag(),
            *bounds,
        )

    def _vertex(self, number: int) -> Array:
        point = self._target(self.record(number, "vertex"), "point")
        return Fields(self.record(point, "point").fields).vector()

    def subtype(self, fields: Sequence[object], at: int) -> tuple[Sequence[object], int]:
        """Return where the braces that open at a field are written out: there, or where ``ref n`` points to."""
        for _ in range(8):
            if not (at + 2 < len(fields) and fields[at + 1] == "ref"):
                return fields, at + 1
            if self.subtypes is None:
                self.subtypes = [
                    (r.fields, k)
                    for r in self.records
                    if r is not None
                    for k, f in enumerate(r.fields)
                    if f == "{" and k + 1 < len(r.fields) and r.fields[k + 1] != "ref"
                ]
            fields, at = self.subtypes[Fields(fields, at + 2).count(len(self.subtypes) - 1)]
        raise FaceError("with a reference that runs in a circle")
