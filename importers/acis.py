"""Solids, regions and surfaces that a DXF file stores as boundary representation, as triangles.

The DXF library turns curved faces into nothing without an error; here every face of every record is walked and
counted. Read are planes, cylinders and cones (round or elliptical), spheres, tori (also those that cut themselves) and
splines whose points are stored, with any trimming loops. Every other face is named, with a box that is sure to hold it
where its surface and edges allow one.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from importers.acis_cells import triangles_of
from importers.acis_curves import NEAR_CHORD, Oval
from importers.acis_edges import EdgeSet
from importers.acis_patch import Patch
from importers.acis_records import DamagedError, FaceError, Record, records_of
from importers.acis_splines import SplineCurve
from importers.acis_surfaces import Cone, frame, plane_of, surface_of
from importers.acis_tiles import apart
from importers.acis_topology import Solid
from importers.dxf_open import LIBRARY_ERRORS
from importers.dxf_shape import Grain, Shape, box_corners, missing, surface
from importers.polygons import CrossingPolygonError, fill_flat, signed_area

Array = NDArray[np.float64]
Index = NDArray[np.int64]

log = logging.getLogger(__name__)

_MEND = "redraw it as a mesh, or explode it into faces"
# A corner may be off the plane of its face by this much, relative to the face: some writers keep six digits.
_FLAT = 5e-5
# Points asked for on one edge may make it jump over a line that it only touched; it settles at once.
_ROUNDS = 4
_FACES_MAX = 200_000
_CELLS_MAX = 2_000_000  # of all faces of a body: twice as many triangles


def shape_of_body(entity: Any, grain: Grain) -> Shape:
    """Return what can be read of a 3DSOLID, BODY, REGION or surface entity; what is not read is in ``unread``."""
    kind, handle = entity.dxftype(), entity.dxf.handle or ""
    try:
        records = records_of(entity)
    except (*LIBRARY_ERRORS, DamagedError) as error:
        said = str(error) if isinstance(error, DamagedError) else type(error).__name__
        return missing(kind, handle, f"its stored solid cannot be read ({said[:60]}): {_MEND}")
    if not records:
        return missing(kind, handle, f"it has no stored solid: {_MEND}")
    return shape_of_records(records, grain, kind, handle)


def shape_of_records(records: list[Record | None], grain: Grain, kind: str, handle: str) -> Shape:
    """Return what can be read of the records of one stored solid."""
    written = sum(record is not None and record.kind == "face" for record in records)
    if written == 0:
        return missing(kind, handle, f"its stored solid has no faces: {_MEND}")
    if written > _FACES_MAX:
        return missing(kind, handle, f"its stored solid has more than {_FACES_MAX} faces: {_MEND}")
    solid = Solid(records)
    triangles: list[Array] = []
    hull: list[Array] = []
    bounded = True
    reasons: dict[str, int] = {}
    walked: set[int] = set()
    for number in solid.bodies():
        faces = [face for face in solid.faces(number) if face not in walked]
        walked.update(faces)
        try:
            matrix = solid.matrix(number)
        except DamagedError as error:
            return missing(kind, handle, f"its stored solid is damaged ({error}): {_MEND}")
        body = _Body(solid, faces, grain.chord / _scale(matrix))
        triangles.append(_moved(body.triangles(), matrix))
        for face, reason in body.reasons.items():
            reasons[reason] = reasons.get(reason, 0) + 1
            points = body.hull(face)
            bounded = bounded and points is not None
            if points is not None:
                hull.append(_moved(points, matrix))
    if len(walked) < written:
        reasons["out of reach"] = written - len(walked)
        bounded = False
    clauses: list[str] = []
    if reasons:
        count = sum(reasons.values())
        said = ", ".join(f"{number} {reason}" for reason, number in reasons.items())
        clauses.append(f"{count} of its {written} faces {'is' if count == 1 else 'are'} not read ({said})")
    wires = sum(record is not None and record.kind == "wire" for record in records)
    if wires:
        clauses.append(f"{wires} of its parts {'is a wire' if wires == 1 else 'are wires'}, not read")
    if solid.torn:
        clauses.append("parts of its stored solid are missing")
    mesh = np.concatenate(triangles) if triangles else np.empty((0, 3, 3))
    if not clauses:
        return surface(kind, handle, mesh, grain)
    return surface(
        kind,
        handle,
        mesh,
        grain,
        unread=f"{' and '.join(clauses)}: {_MEND}",
        hull=np.concatenate(hull) if bounded and hull and not wires and not solid.torn else None,
    )


class _Body:
    """The faces of one body, in its own axes."""

    def __init__(self, solid: Solid, faces: list[int], tolerance: float) -> None:
        self.solid = solid
        self.faces = faces
        self.tolerance = tolerance
        self.edges = EdgeSet(solid, tolerance)
        self.reasons: dict[int, str] = {}
        self.cells = 0

    def triangles(self) -> Array:
        """Return the triangles (n, 3, 3) of all faces that can be read; ``reasons`` holds the others."""
        patches: dict[int, Patch] = {}
        for face in self.faces:
            self._tried(face, partial(self._prepared, face, patches))
        self._settle(patches)
        found: list[Index] = []
        for face in self.faces:
            if face in patches:
                self._tried(face, partial(self._curved, patches[face], found))
            elif face not in self.reasons:
                self._tried(face, partial(self._flat, face, found))
        if not found:
            return np.empty((0, 3, 3))
        joined = np.concatenate(apart(found, self.edges))
        return np.asarray(self.edges.all_points()[joined])

    def _tried(self, face: int, step: Callable[[], object]) -> None:
        """Do one step for a face; where it cannot be done note why."""
        try:
            step()
        except (DamagedError, CrossingPolygonError) as error:
            self.reasons[face] = str(error)
        except (*LIBRARY_ERRORS, FloatingPointError, np.linalg.LinAlgError, MemoryError) as error:
            log.debug("face %d: %r", face, error)
            self.reasons[face] = "with damaged values"

    def _prepared(self, face: int, patches: dict[int, Patch]) -> None:
        record = self.solid.record(face, "face")
        if self.solid.surface(record).name != "plane-surface":
            patch = Patch(
                surface_of(self.solid.surface(record), self.solid),
                self.solid.loops(record),
                self.solid.sense(record),
                self.edges,
            )
            patch.lay_lines(self.tolerance)
            self.cells += patch.lines[0].count * patch.lines[1].count
            if self.cells > _CELLS_MAX:
                raise FaceError("on a surface of too many triangles")
            patches[face] = patch

    def _settle(self, patches: dict[int, Patch]) -> None:
        """Fix the points of all edges, until every face has one wherever an edge crosses its lines."""
        for _ in range(_ROUNDS):
            good = True
            for face, patch in list(patches.items()):
                try:
                    good = patch.fits() and good
                except (DamagedError, *LIBRARY_ERRORS) as error:
                    self.reasons[face] = str(error) if isinstance(error, DamagedError) else "with damaged values"
                    del patches[face]
            if good:
                return

    @staticmethod
    def _curved(patch: Patch, found: list[Index]) -> None:
        """Add the triangles of a curved face, so that they look the way it does."""
        made = triangles_of(patch)
        found.append(made[:, ::-1] if patch.against and patch.sign > 0.0 else made)

    def _flat(self, face: int, found: list[Index]) -> None:
        """Add the triangles of a flat face, with any number of holes."""
        record = self.solid.record(face, "face")
        numbers: list[Index] = []
        rings: list[Array] = []
        for loop in self.solid.loops(record):
            pieces = []
            for side in loop:
                if self.edges.line(side.edge) is not None:
                    ids, points = self.edges.settled(side.edge)[1:]
                    pieces.append((ids[:0:-1], points[:0:-1]) if side.backward else (ids[:-1], points[:-1]))
            if pieces:
                numbers.append(np.concatenate([ids for ids, _ in pieces]))
                rings.append(np.concatenate([points for _, points in pieces]))
        if not rings:
            raise FaceError("without an edge")
        if min(len(ring) for ring in rings) < 3:
            raise FaceError("with fewer than three corners")
        origin, normal = plane_of(self.solid.surface(record))
        size = max(float(np.ptp(ring, axis=0).max()) for ring in rings)
        off = max(float(np.abs((ring - origin) @ normal).max()) for ring in rings)
        if not off <= max(_FLAT * max(size, 1.0), NEAR_CHORD * self.tolerance):
            raise FaceError("with corners off their plane")
        basis = frame(-normal if self.solid.sense(record) else normal, rings[0][1] - rings[0][0])[:2].T
        flat = [(ring - rings[0][0]) @ basis for ring in rings]
        order = [0]
        if len(flat) > 1:
            order = sorted(range(len(flat)), key=lambda k: -abs(signed_area(flat[k])))
        # they turn counter-clockwise in the plane, whichever way the loops run
        found.append(np.concatenate([numbers[k] for k in order])[fill_flat([flat[k] for k in order])])

    def hull(self, face: int) -> Array | None:
        """Return points whose box holds a face, None where that is not certain.

        A point of a flat face, a cylinder or a cone lies between points of its edges (and the tip), along a straight
        line of the surface; other surfaces are held whole.
        """
        try:
            record = self.solid.record(face, "face")
            under = self.solid.surface(record)
            points: list[Array] = []
            if under.name != "plane-surface":
                shape = surface_of(under, self.solid)
                if not isinstance(shape, Cone):
                    return shape.box()
                tip = shape.tip()
                points += [tip] if tip is not None else []
            for loop in self.solid.loops(record):
                for side in loop:
                    edge = self.solid.edge(side.edge)
                    points.append(np.array([edge.start, edge.end]))
                    if edge.curve is None or edge.curve.name == "straight-curve":
                        continue
                    if edge.curve.name == "ellipse-curve":
                        rim = Oval(edge.curve)
                        points.append(box_corners(rim.centre - rim.radius, rim.centre + rim.radius))
                        continue
                    line = self.edges.line(side.edge)
                    if line is None or not isinstance(line.curve, SplineCurve):
                        return None
                    points.append(line.curve.box)
        except (*LIBRARY_ERRORS, DamagedError):
            return None
        return np.concatenate(points) if points else None


def _scale(matrix: Array | None) -> float:
    return 1.0 if matrix is None else float(np.linalg.norm(matrix[:3, :3], axis=1).max())


def _moved(points: Array, matrix: Array | None) -> Array:
    """Return points (..., 3) moved by a row vector matrix (4, 4); equal points stay equal to the last bit."""
    if matrix is None:
        return points
    x, y, z = points[..., 0, None], points[..., 1, None], points[..., 2, None]
    return np.asarray(x * matrix[0, :3] + y * matrix[1, :3] + z * matrix[2, :3] + matrix[3, :3])
