"""Where each run may be strapped: structure in reach, off its bends, out of walls, boxes and closed construction.

All runs are measured in one call of each kernel loop; every stretch is exact, none is sampled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.clearance import nearest_elements, stretches_within
from route3d.kernel.mesh_index import MeshIndex
from route3d.kernel.path import ARC, AT, KIND, LENGTH, concatenated
from route3d.kernel.solid import inside_stretches
from route3d.model.element import END_ROLES, Element
from route3d.model.gap import Stretch
from route3d.model.run import FittedRun
from route3d.plans.strap_intervals import Places
from route3d.rules.supports import HOLDING_ROLES
from route3d.scene import Scene
from route3d.units import TOLERANCE_M

# Practice: a strap nearer to a bend than one diameter of the cable flattens it. A fitting needs as much room itself.
STRAIGHT_BEFORE_STRAP = 1.0

_SKIPPED = frozenset({"strap", "hanger", "plate"})  # meant to touch the cable


@dataclass(frozen=True, slots=True)
class Blocked:
    """A stretch in which no strap can be put, and why, as half a sentence."""

    from_m: float
    to_m: float
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class RunPlaces:
    """Where one run may be strapped."""

    in_reach: Places  # of structure
    allowed: Places  # and nothing in the way
    preferred: Places  # and, as is practice, a diameter of straight cable between it and a bend
    blocked: tuple[Blocked, ...]


@dataclass(frozen=True, slots=True)
class Holder:
    """What carries a strap, and how far it is from the cable's surface."""

    element: Element
    gap_m: float


def has_structure(scene: Scene) -> bool:
    """Tell whether the model has anything that may carry a strap; without it the check refuses no strap."""
    return any(element.role in HOLDING_ROLES for element in scene.job.elements)


def radius_of(scene: Scene, run: FittedRun) -> float:
    """Return half the overall diameter of a run's cable; 0 where it is unknown, as every check takes it."""
    radius = scene.job.cables[run.run.cable_id].radius_m
    return 0.0 if radius is None else radius


def run_places(scene: Scene, index: MeshIndex, which: Sequence[int]) -> tuple[RunPlaces, ...]:
    """Return where each of the runs ``which`` may be strapped; ``index`` holds the elements of the job in order."""
    fitted = [scene.fitted[i] for i in which]
    if not fitted:
        return ()
    pieces, starts = concatenated([run.pieces for run in fitted])
    radius = np.array([radius_of(scene, run) for run in fitted])
    reach = _in_reach(scene, index, pieces, starts, radius)
    body = _bodies(scene, index, which, pieces, starts, radius)
    answer = []
    for k, (i, run) in enumerate(zip(which, fitted, strict=True)):
        whole = Places([(0.0, run.length_m)])
        near = whole if reach is None else Places(reach[k]).within(whole)
        bends = [(float(p[AT]), float(p[AT] + p[LENGTH])) for p in run.pieces if p[KIND] == ARC]
        blocked = [
            *(Blocked(a, b, "the cable bends") for a, b in bends),
            *(Blocked(a, b, f"the cable is inside {_called(scene.job.elements[e])}") for a, b, e in body[k]),
            *(
                Blocked(s.from_m, s.to_m, f"the finished, closed zone {s.zone.name!r} cannot be reached")
                for s in scene.zones[i]
                if s.zone.kind == "inaccessible" and s.zone.finished
            ),
        ]
        # at least the tolerance off the ends: nearer, a support is the fitting itself
        straight = max(2.0 * float(radius[k]) * STRAIGHT_BEFORE_STRAP, 2.0 * TOLERANCE_M)
        ends = scene.attached[i].start.kind, scene.attached[i].end.kind
        room = [2.0 * TOLERANCE_M if kind == "open" else straight for kind in ends]
        blocked += [
            Blocked(a, b, f"the {kind} at the {name} takes the room")
            for kind, name, a, b in (
                (ends[0], "start", 0.0, room[0]),
                (ends[1], "end", run.length_m - room[1], run.length_m),
            )
            if kind != "open"
        ]
        tips = [(-1.0, room[0]), (run.length_m - room[1], run.length_m + 1.0)]
        allowed = near.without([*((b.from_m, b.to_m) for b in blocked), *tips])
        beside = [(a - straight, b + straight) for a, b in bends]
        answer.append(RunPlaces(near, allowed, allowed.without(beside), tuple(blocked)))
    return tuple(answer)


def _in_reach(
    scene: Scene, index: MeshIndex, pieces: NDArray[np.float64], starts: NDArray[np.int64], radius: NDArray[np.float64]
) -> list[list[Stretch]] | None:
    """Return for each run where its surface is within ``strap_reach`` of structure; None: the model has none."""
    if not has_structure(scene):
        return None
    elements = scene.job.elements
    thick = np.array([element.thickness_m for element in elements])
    skip = np.array([element.role not in HOLDING_ROLES for element in elements], dtype=bool)
    reach = scene.job.settings.strap_reach_m
    near = nearest_elements(index, pieces, starts, radius, reach + thick, skip=skip)
    limit = radius[near.path] + reach + thick[near.element]
    found = stretches_within(index, pieces, starts, near.path, near.element, limit)
    answer: list[list[Stretch]] = [[] for _ in radius]
    for pair, a, b in zip(found.pair.tolist(), found.from_m.tolist(), found.to_m.tolist(), strict=True):
        answer[int(near.path[pair])].append((a, b))
    return answer


def _bodies(
    scene: Scene,
    index: MeshIndex,
    which: Sequence[int],
    pieces: NDArray[np.float64],
    starts: NDArray[np.int64],
    radius: NDArray[np.float64],
) -> list[list[tuple[float, float, int]]]:
    """Return for each run where its body is in something (from, to, element): walls, framing, its own boxes."""
    elements = scene.job.elements
    answer: list[list[tuple[float, float, int]]] = [[] for _ in which]
    if not elements:
        return answer
    thick = np.array([element.thickness_m for element in elements])
    skip = np.array([element.role in _SKIPPED for element in elements], dtype=bool)
    thin = np.maximum(radius - TOLERANCE_M, 0.0)  # lying on a surface is not being in it
    near = nearest_elements(index, pieces, starts, thin, thick, skip=skip)
    limit = thin[near.path] + thick[near.element]
    found = stretches_within(index, pieces, starts, near.path, near.element, limit)
    for pair, a, b in zip(found.pair.tolist(), found.from_m.tolist(), found.to_m.tolist(), strict=True):
        answer[int(near.path[pair])].append((a, b, int(near.element[pair])))
    of_run = {i: k for k, i in enumerate(which)}
    for gap in scene.gaps.pairs:
        if gap.run in of_run and gap.element is not None:
            answer[of_run[gap.run]].extend((a, b, gap.element) for a, b in gap.inside_m)
    # the way through the box at a run's own end is no gap, and is measured here
    number = {element.element_id: e for e, element in enumerate(elements) if element.role in END_ROLES}
    own = [
        (k, number[end.element_id])
        for k, i in enumerate(which)
        for end in (scene.attached[i].start, scene.attached[i].end)
        if end.element_id in number and elements[number[end.element_id]].closed
    ]
    if own:
        path, element = np.array(own, dtype=np.int64).T
        inner = inside_stretches(index, pieces, starts, path, element)
        for pair, a, b in zip(inner.pair.tolist(), inner.from_m.tolist(), inner.to_m.tolist(), strict=True):
            answer[int(path[pair])].append((a, b, int(element[pair])))
    return answer


def holders(
    scene: Scene, index: MeshIndex, points_m: NDArray[np.float64], radius: NDArray[np.float64], reach_m: float
) -> list[tuple[Holder, ...]]:
    """Return for each point (k, 3) of runs with ``radius`` (k,) what may carry a strap there, the nearest first.

    Where structure is in reach besides a tray, the structure comes first, as the check tells it.
    """
    found: list[list[Holder]] = [[] for _ in points_m]
    if not len(points_m) or not has_structure(scene):
        return [() for _ in found]
    elements = scene.job.elements
    thick = np.array([element.thickness_m for element in elements])
    skip = np.array([element.role not in HOLDING_ROLES for element in elements], dtype=bool)
    rows = np.zeros((len(points_m), 14))
    rows[:, 3:6] = points_m
    near = nearest_elements(index, rows, np.arange(len(points_m) + 1), radius, reach_m + thick, skip=skip)
    for k, e, distance in zip(near.path.tolist(), near.element.tolist(), near.distance_m.tolist(), strict=True):
        found[k].append(Holder(elements[e], max(distance - float(radius[k]) - float(thick[e]), 0.0)))
    return [tuple(sorted(some, key=lambda h: (h.element.role == "tray", h.gap_m))) for some in found]


def _called(element: Element) -> str:
    return f"{element.role} {element.element_id}"
