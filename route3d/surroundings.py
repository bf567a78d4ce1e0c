"""What runs are examined against: the building and its zones, prepared once for many examinations."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.edited import with_another, with_element
from route3d.kernel.mesh_index import MeshIndex, build_index
from route3d.model.element import END_ROLES, ROLES, Element
from route3d.model.facts import Facts, facts_of
from route3d.model.job import Job
from route3d.model.zone import Zone

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Coordinates are computed relative to the middle of the building, rounded to this, so that an edit seldom moves it.
ORIGIN_STEP_M = 128.0

_CODES = {role: code for code, role in enumerate(ROLES)}
_NO_ROLE = len(ROLES)


@dataclass(frozen=True, slots=True, eq=False)
class ZoneSolids:
    """The closed solids of all zones; all but the index have one entry per solid."""

    index: MeshIndex
    zone: Ints  # number of its zone in the job
    low_m: Floats  # (n, 3)
    high_m: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Surroundings:
    """The elements of a job with their search index, and its zones; arrays have one entry per element."""

    elements: tuple[Element, ...]
    index: MeshIndex
    roles: NDArray[np.int8]  # places in ``ROLES``
    closed: NDArray[np.bool_]
    thick_m: Floats
    boxes_m: Floats  # (n, 2, 3), as those of the elements
    ends: dict[str, int]  # id of what a run may end at -> its number
    zones: tuple[Zone, ...]
    solids: ZoneSolids
    facts: Facts
    _masks: dict[frozenset[str], NDArray[np.bool_]] = field(default_factory=dict, repr=False)

    @property
    def origin_m(self) -> Floats:
        """What coordinates are computed relative to, (3,)."""
        return self.index.origin_m

    def having(self, roles: Collection[str]) -> NDArray[np.bool_]:
        """Tell which elements have one of some roles."""
        asked = frozenset(roles)
        if asked not in self._masks:
            table = np.zeros(_NO_ROLE + 1, dtype=bool)
            table[[_CODES[role] for role in asked]] = True
            mask = np.asarray(table[self.roles])
            mask.setflags(write=False)
            self._masks[asked] = mask
        return self._masks[asked]

    def by_role(self, values: dict[str, float], other: float) -> Floats:
        """Return a number for each element, by its role."""
        table = np.full(_NO_ROLE + 1, other)
        for role, value in values.items():
            if role in _CODES:
                table[_CODES[role]] = value
        return np.asarray(table[self.roles])

    def with_element(self, number: int, element: Element) -> Surroundings:
        """Return the surroundings with one element in another one's place; one without triangles is not there."""
        elements = (*self.elements[:number], element, *self.elements[number + 1 :])
        index = with_element(self.index, number, element.triangles_m)
        return self._edited(elements, index, number, element)

    def with_added(self, element: Element) -> Surroundings:
        """Return the surroundings with one more element, the last."""
        index = with_another(self.index, element.triangles_m)
        return self._edited((*self.elements, element), index, len(self.elements), element)

    def _edited(self, elements: tuple[Element, ...], index: MeshIndex, number: int, element: Element) -> Surroundings:
        keep = np.minimum(np.arange(len(elements)), len(self.elements) - 1)
        roles, closed, thick, boxes = self.roles[keep], self.closed[keep], self.thick_m[keep], self.boxes_m[keep]
        boxes[number] = element.box_m
        roles[number] = _CODES.get(element.role, _NO_ROLE)
        closed[number], thick[number] = element.closed, element.thickness_m
        before = self.elements[number] if number < len(self.elements) else element
        ends, facts = self.ends, self.facts
        if {before.role, element.role} & END_ROLES:
            ends = _ends(elements)
        known = frozenset(ROLES[code] for code in np.unique(roles).tolist() if code != _NO_ROLE) - {"ignore"}
        if "access-panel" in (before.role, element.role):
            facts = facts_of(elements)
        elif known != facts.roles & _CODES.keys():
            facts = replace(facts, roles=known)
        return replace(
            self,
            elements=elements,
            index=index,
            roles=roles,
            closed=closed,
            thick_m=thick,
            boxes_m=boxes,
            ends=ends,
            facts=facts,
            _masks={},
        )


def surround(
    job: Job, *, origin_m: ArrayLike | None = None, facts: Facts | None = None, searched: bool = True
) -> Surroundings:
    """Prepare the building and the zones of a job.

    A job that holds only a part of a building, its elements in the same order, is given ``origin_m`` (3,) and ``facts``
    of the whole: then what is told of a run does not differ, as long as every element within ``reach_m`` is there.
    Where nobody is going to search for triangles (not ``searched``), they are neither sorted nor copied.
    """
    elements = job.elements
    meshes = [element.triangles_m if searched else np.empty((0, 3, 3)) for element in elements]
    triangles = np.concatenate(meshes) if meshes else np.empty((0, 3, 3))
    starts = _starts(meshes)
    boxes = _boxes(elements, triangles, starts) if searched else _own_boxes(elements)
    if origin_m is None:
        origin_m = frame_origin(*extent_of(boxes, job))
    return Surroundings(
        elements=elements,
        index=build_index(triangles, starts, origin_m),
        roles=np.array([_CODES.get(element.role, _NO_ROLE) for element in elements], dtype=np.int8),
        closed=np.array([element.closed for element in elements], dtype=bool),
        thick_m=np.array([element.thickness_m for element in elements], dtype=np.float64),
        ends=_ends(elements),
        boxes_m=boxes,
        zones=job.zones,
        solids=_zone_solids(job.zones),
        facts=facts_of(elements) if facts is None else facts,
    )


def extent_of(boxes_m: Floats, job: Job) -> tuple[Floats, Floats]:
    """Return low and high corner (3,) of boxes (n, 2, 3); of the runs of a job where there are none."""
    low, high = boxes_m[:, 0].min(axis=0, initial=np.inf), boxes_m[:, 1].max(axis=0, initial=-np.inf)
    if (low <= high).all():
        return low, high
    if not job.runs:
        return np.zeros(3), np.zeros(3)
    corners = np.concatenate([run.corners_m for run in job.runs])
    return corners.min(axis=0), corners.max(axis=0)


def frame_origin(low_m: Floats, high_m: Floats) -> Floats:
    """Return what everything within an extent is computed relative to, (3,): bits of the results depend on it."""
    return np.asarray(np.round(0.5 * (low_m + high_m) / ORIGIN_STEP_M) * ORIGIN_STEP_M)


def index_of(meshes: Sequence[Floats]) -> MeshIndex:
    """Return the search index over meshes, each (n, 3, 3)."""
    return build_index(np.concatenate(meshes) if meshes else np.empty((0, 3, 3)), _starts(meshes))


def _starts(meshes: Sequence[Floats]) -> Ints:
    starts = np.zeros(len(meshes) + 1, dtype=np.int64)
    starts[1:] = np.cumsum([len(mesh) for mesh in meshes])
    return starts


def _boxes(elements: Sequence[Element], triangles: Floats, starts: Ints) -> Floats:
    """Return the boxes of all elements at once, and leave each of them its own."""
    boxes = np.empty((len(elements), 2, 3))
    boxes[:, 0], boxes[:, 1] = np.inf, -np.inf
    full = np.flatnonzero(np.diff(starts))
    if len(full):
        points = triangles.reshape(-1, 3)
        boxes[full, 0] = np.minimum.reduceat(points, 3 * starts[full], axis=0)
        boxes[full, 1] = np.maximum.reduceat(points, 3 * starts[full], axis=0)
    thick = np.array([element.thickness_m for element in elements], dtype=np.float64)[:, None]
    boxes[:, 0] -= thick
    boxes[:, 1] += thick
    boxes.setflags(write=False)
    for element, box in zip(elements, boxes, strict=True):
        element.keep_box(box)
    return boxes


def _own_boxes(elements: Sequence[Element]) -> Floats:
    boxes = np.array([element.box_m for element in elements]).reshape(-1, 2, 3)
    boxes.setflags(write=False)
    return boxes


def _ends(elements: Sequence[Element]) -> dict[str, int]:
    return {element.element_id: k for k, element in enumerate(elements) if element.role in END_ROLES}


def _zone_solids(zones: Sequence[Zone]) -> ZoneSolids:
    solids = [(number, solid) for number, zone in enumerate(zones) for solid in zone.solids_m]
    return ZoneSolids(
        index_of([solid for _, solid in solids]),
        np.array([number for number, _ in solids], dtype=np.int64),
        np.array([solid.reshape(-1, 3).min(axis=0) for _, solid in solids]).reshape(-1, 3),
        np.array([solid.reshape(-1, 3).max(axis=0) for _, solid in solids]).reshape(-1, 3),
    )
