"""The building around a run, as a sheet of paper needs it: outlines, faces to measure from, ceiling and floor below."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from route3d.checks.wording import called
from route3d.kernel.shapes import crease_lines, welded
from route3d.model.element import MARK_ROLES
from route3d.model.job import Job

Floats = NDArray[np.float64]
Ring = list[tuple[float, float]]

# name of a view -> axes to the right and up, axis of depth
VIEWS = {"plan": (0, 1, 2), "toward +y": (0, 2, 1), "toward -x": (1, 2, 0)}

FACE_ROLES = frozenset({"wall", "fire-wall", "structure"})  # what one holds a tape against
FARTHEST_FACE_M = 15.0
_REACH_DOWN_M, _REACH_UP_M = 5.0, 1.5  # a face counts from a storey below the run to a little above it
_UPRIGHT = 0.02  # largest vertical part of the normal of an upright face
_SLAB_M = 1.5  # structure at least this wide both ways is a floor; narrower is a beam
_SLAB_HIGH_M = 0.6  # and as thin as this
_WHOLE = 3000  # triangles; of more, edges are drawn instead of an outline
_KEPT = 4096  # outlines kept for the next run


@dataclass(frozen=True, slots=True)
class Outline:
    """What one element looks like from one side: filled shapes, or edges where there are too many triangles."""

    role: str
    name: str
    shapes: tuple[tuple[Ring, tuple[Ring, ...]], ...]  # outer ring, holes
    edges: Floats  # (k, 2, 2)
    depth_m: float  # nearest to who looks at it


@dataclass(frozen=True, slots=True)
class Datum:
    """A face of the building that a place is measured from, at right angles."""

    name: str
    distance_m: float
    foot_m: tuple[float, float]  # plan position on the face
    normal: tuple[float, float]  # unit, from the face toward the place


@dataclass(frozen=True, slots=True)
class Heights:
    """What is below a place; ``None``: the model has nothing of that kind there."""

    above_ceiling_m: float | None
    above_floor_m: float | None


class Surroundings:
    """Searches the elements of one job; made once for all of its runs."""

    def __init__(self, job: Job) -> None:
        self.job = job
        shown = [e for e in job.elements if e.role != "ignore" and len(e.triangles_m)]
        self._elements = shown
        boxes = np.array([e.box_m for e in shown]).reshape(-1, 2, 3)
        self._low, self._high = boxes[:, 0], boxes[:, 1]
        self._outline = lru_cache(maxsize=_KEPT)(self._outline_of)
        size = self._high - self._low
        wide = [bool(size[k, :2].min() >= _SLAB_M) and _width(e.triangles_m) >= _SLAB_M for k, e in enumerate(shown)]
        # nobody holds a tape against the edge of a slab
        faced = [k for k, e in enumerate(shown) if e.role in FACE_ROLES and not (wide[k] and size[k, 2] < _SLAB_HIGH_M)]
        self._faces = _Faces([(k, shown[k].triangles_m) for k in faced])
        floors = [
            e.triangles_m for e, broad in zip(shown, wide, strict=True)
            if broad and (e.role == "structure" or (e.role == "deck" and job.settings.deck == "floor"))
        ]  # fmt: skip
        self._floors = _stacked(floors)
        self._ceilings = _stacked([e.triangles_m for e in shown if e.role == "ceiling"])

    def outlines(
        self, view: str, low_m: Sequence[float], high_m: Sequence[float], leave_out: frozenset[str] = frozenset()
    ) -> Iterator[Outline]:
        """Yield what meets a box in building axes, far things first."""
        if not self._elements:
            return
        meets = ((self._low <= np.asarray(high_m)) & (self._high >= np.asarray(low_m))).all(axis=1)
        found = [
            self._outline(k, view) for k in np.flatnonzero(meets).tolist() if self._elements[k].role not in leave_out
        ]
        yield from sorted(found, key=lambda outline: outline.depth_m)

    def _outline_of(self, k: int, view: str) -> Outline:
        element = self._elements[k]
        right, up, deep = VIEWS[view]
        # one who looks down, or toward -x, has large coordinates near; toward +y, small ones
        depth = float(-self._low[k, deep] if view == "toward +y" else self._high[k, deep])
        triangles = element.triangles_m
        none = np.zeros((0, 2, 2))
        flat = triangles[:, :, [right, up]]
        if len(triangles) > _WHOLE:
            points, faces = welded(triangles)
            return Outline(element.role, called(element), (), crease_lines(points, faces)[:, :, [right, up]], depth)
        a, b = flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]
        area = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
        solid = flat[area > 1e-10]
        if not len(solid):
            edges = flat[:, [0, 1, 1, 2]].reshape(-1, 2, 2)
            edges = edges[np.linalg.norm(edges[:, 1] - edges[:, 0], axis=1) > 1e-6]
            if not len(edges) and element.role in MARK_ROLES:
                middle, arm = self._middle(k)[[right, up]], 0.05
                cross = np.array([[[-arm, 0.0], [arm, 0.0]], [[0.0, -arm], [0.0, arm]]])
                edges = middle + cross
            return Outline(element.role, called(element), (), edges, depth)
        # a hair wider, so that neighbours join; simplified to what a printer can show
        union = shapely.union_all(shapely.buffer(shapely.polygons(solid), 1e-5, join_style="mitre")).simplify(5e-4)
        return Outline(element.role, called(element), tuple(_rings(union)), none, depth)

    def _middle(self, k: int) -> Floats:
        return np.asarray((self._low[k] + self._high[k]) / 2.0)

    def datums(self, point_m: Sequence[float]) -> tuple[Datum, ...]:
        """Return the nearest upright face, and the nearest that stands across it; fewer where there are none."""
        chosen: list[Datum] = []
        for number, distance, foot, normal in self._faces.around(np.asarray(point_m, dtype=np.float64)):
            if chosen and abs(normal @ np.array(chosen[0].normal)) > 0.5:
                continue
            element = self._elements[number]
            name = f"{called(element)}, face toward {_side(normal)}"
            if max(abs(normal)) > 0.9999:
                axis = int(np.argmax(abs(normal)))
                name += f", at {'xy'[axis]} = {foot[axis]:.3f} m"
            chosen.append(Datum(name, distance, (float(foot[0]), float(foot[1])), (float(normal[0]), float(normal[1]))))
            if len(chosen) == 2:
                break
        # the same order at both ends of a run: first across x, then across y
        return tuple(sorted(chosen, key=lambda datum: -abs(datum.normal[0])))

    def heights(self, point_m: Sequence[float]) -> Heights:
        """Return how far a place is above the ceiling and above the floor under it."""
        point = np.asarray(point_m, dtype=np.float64)
        ceiling = _below(self._ceilings, point)
        floor = _below(self._floors, point if ceiling is None else np.array([point[0], point[1], ceiling]))
        return Heights(
            None if ceiling is None else float(point[2] - ceiling), None if floor is None else float(point[2] - floor)
        )


class _Faces:
    """Upright triangles as planes in plan: n·p = d, between two places along the face, between two heights."""

    def __init__(self, meshes: Sequence[tuple[int, Floats]]) -> None:
        triangles = _stacked([mesh for _, mesh in meshes])
        owner = np.repeat([k for k, _ in meshes], [len(mesh) for _, mesh in meshes]).astype(np.int64)
        normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
        size = np.linalg.norm(normal, axis=1)
        kept = (size > 1e-6) & (np.abs(normal[:, 2]) < _UPRIGHT * size)
        triangles, self.owner = triangles[kept], owner[kept]
        flat = normal[kept, :2]
        self.normal = flat / np.linalg.norm(flat, axis=1, keepdims=True)
        self.offset = np.einsum("ij,ij->i", self.normal, triangles[:, 0, :2])
        across = np.column_stack([-self.normal[:, 1], self.normal[:, 0]])
        along = np.einsum("ij,ikj->ik", across, triangles[:, :, :2])
        self.from_m, self.to_m = along.min(axis=1), along.max(axis=1)
        self.low, self.high = triangles[:, :, 2].min(axis=1), triangles[:, :, 2].max(axis=1)

    def around(self, point: Floats) -> Iterator[tuple[int, float, Floats, Floats]]:
        """Yield owner, distance, foot and normal of the faces that a place lies before, the nearest first."""
        if not len(self.owner):
            return
        signed = self.normal @ point[:2] - self.offset
        along = -self.normal[:, 1] * point[0] + self.normal[:, 0] * point[1]
        before = (self.from_m - 1e-6 <= along) & (along <= self.to_m + 1e-6) & (np.abs(signed) < FARTHEST_FACE_M)
        before &= (self.low <= point[2] + _REACH_UP_M) & (self.high >= point[2] - _REACH_DOWN_M)
        near = np.flatnonzero(before)
        for k in near[np.argsort(np.abs(signed[near]), kind="stable")].tolist():
            toward = self.normal[k] * (1.0 if signed[k] >= 0.0 else -1.0)
            yield int(self.owner[k]), float(abs(signed[k])), point[:2] - signed[k] * self.normal[k], toward


def _below(triangles: Floats, point: Floats) -> float | None:
    """Return the height of the highest surface straight below a point."""
    if not len(triangles):
        return None
    low, high = triangles[:, :, :2].min(axis=1), triangles[:, :, :2].max(axis=1)
    near = triangles[((low <= point[:2]) & (high >= point[:2])).all(axis=1)]
    a, b, c = near[:, 0], near[:, 1], near[:, 2]
    u, v, w = b - a, c - a, point[:2] - a[:, :2]
    area = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    kept = np.abs(area) > 1e-12
    a, u, v, w, area = a[kept], u[kept], v[kept], w[kept], area[kept]
    s = (w[:, 0] * v[:, 1] - w[:, 1] * v[:, 0]) / area
    t = (u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0]) / area
    on = (s >= -1e-9) & (t >= -1e-9) & (s + t <= 1.0 + 1e-9)
    heights = (a[:, 2] + s * u[:, 2] + t * v[:, 2])[on]
    heights = heights[heights < point[2] - 1e-6]
    return float(heights.max()) if len(heights) else None


def _width(triangles: Floats) -> float:
    """Return how wide a thing is in plan, on average over its length: what is seen from above, by that length."""
    a, b = triangles[:, 1, :2] - triangles[:, 0, :2], triangles[:, 2, :2] - triangles[:, 0, :2]
    # top and bottom are both seen, so each place counts twice
    seen = float(np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()) / 4.0
    corners = triangles[:, :, :2].reshape(-1, 2)
    long = float(np.linalg.norm(np.ptp(corners, axis=0)))
    return seen / long if long > 0.0 else 0.0


def _rings(geometry: Any) -> Iterator[tuple[Ring, tuple[Ring, ...]]]:
    for part in getattr(geometry, "geoms", [geometry]):
        if part.geom_type == "Polygon" and not part.is_empty:
            yield _ring(part.exterior), tuple(_ring(hole) for hole in part.interiors)


def _ring(line: Any) -> Ring:
    return [(float(x), float(y)) for x, y in shapely.get_coordinates(line)[:-1]]


def _stacked(meshes: Sequence[Floats]) -> Floats:
    return np.concatenate(meshes) if meshes else np.empty((0, 3, 3))


def _side(normal: Floats) -> str:
    """Return which way a face looks, in building axes."""
    axis = int(np.argmax(abs(normal)))
    if abs(normal[axis]) > 0.9999:
        return f"{'+' if normal[axis] > 0 else '-'}{'xy'[axis]}"
    return f"{np.degrees(np.arctan2(normal[1], normal[0])) % 360.0:.0f}° from +x"
