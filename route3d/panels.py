"""The space that each panel needs in front of it and above it, as boxes along the axes, and what is not known of it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from route3d.kernel.clip import clipped
from route3d.kernel.mesh_index import build_index
from route3d.kernel.solid import inside_points
from route3d.model.element import Element
from route3d.model.job import Job
from route3d.model.panel import FRONTS, Panel
from route3d.rules.panel import working_depth
from route3d.rules.rulebook import RuleBook

Floats = NDArray[np.float64]
Box = tuple[Floats, Floats]  # low and high corner

# A panel stands with its back to these.
_BACK_ROLES = ("wall", "fire-wall", "structure")
_BACK_REACH_M = 0.1  # practice: how far behind a panel its wall may be
_THIN = 0.75  # practice: a panel that is not thinner than this share of its width may face any way
_SQUARE = 0.9  # share of its box in plan that something square to the axes fills
_COVERED = 0.99  # share of a panel's plan that a structural ceiling covers
_PROBE_M = 1e-3


@dataclass(frozen=True, slots=True)
class WorkingSpace:
    """The space in front of a panel, for one way that it may face; boxes are as wide as the panel."""

    front: str
    sure: Box | None  # None: the front is only one of several that are possible
    possible: Box  # with what voltage, condition and floor could be at most
    depth_m: float
    possible_depth_m: float
    width_m: float  # asked, at least
    rule: str


@dataclass(frozen=True, slots=True)
class PanelSpaces:
    """All that is derived for one panel; ``missing`` says in words what had to be left open or was inferred."""

    panel: Panel
    element: Element
    working: tuple[WorkingSpace, ...]
    dedicated: Box | None
    dedicated_possible: Box | None
    missing: tuple[str, ...]
    unchecked: str = ""  # why nothing could be derived


class Around:
    """The elements of a job, to be looked up by their boxes."""

    def __init__(self, elements: Sequence[Element]) -> None:
        self._elements = elements
        boxes = np.array([element.box_m for element in elements]).reshape(-1, 2, 3)
        self._low, self._high = boxes[:, 0], boxes[:, 1]

    def meeting(self, low: Floats, high: Floats, roles: Collection[str]) -> list[Element]:
        """Return the elements of some roles whose boxes reach into a box."""
        meet = ((self._low < high) & (self._high > low)).all(axis=1)
        return [self._elements[k] for k in np.flatnonzero(meet).tolist() if self._elements[k].role in roles]


def panel_spaces(job: Job, rules: RuleBook, around: Around) -> tuple[PanelSpaces, ...]:
    """Return the spaces of every panel of the job.

    What a project does not say is never assumed: from the least and the most that it could be come a part that is sure
    and a part that is only possible. A front is inferred only from a panel that is thin one way, with a wall behind it
    and none before it. The floor, where it is not said, is no higher than the panel's bottom, and no lower than the
    height of the working space below its top.
    """
    elements = {element.element_id: element for element in job.elements}
    return tuple(_spaces(panel, elements[panel.element_id], around, rules) for panel in job.panels)


def _spaces(panel: Panel, element: Element, around: Around, rules: RuleBook) -> PanelSpaces:
    box = element.box_m
    size = box[1] - box[0]
    if (size < _PROBE_M).any():
        return PanelSpaces(panel, element, (), None, None, (), "it is drawn without a body")
    plan = shapely.MultiPoint(element.triangles_m.reshape(-1, 3)[:, :2]).convex_hull
    if plan.area < _SQUARE * size[0] * size[1]:
        return PanelSpaces(panel, element, (), None, None, (), "it is not square to the axes")
    missing: list[str] = []
    height_limit = rules.limit("working-space-height")
    height = 0.0 if height_limit is None or height_limit.value_m is None else height_limit.value_m
    height = max(height, panel.height_m if panel.height_m is not None else 0.0)
    low_floor = high_floor = panel.floor_m
    if low_floor is None or high_floor is None:
        missing.append("floor not said")
        high_floor = float(box[0, 2])
        low_floor = min(high_floor, float(box[1, 2]) - height)
    working = tuple(_working(panel, box, around, rules, (low_floor, high_floor, height), missing))
    dedicated, possible = _dedicated(box, around, rules, low_floor, high_floor)
    volts = "" if panel.volts_to_ground is None else f" for {panel.volts_to_ground:g} V to ground"
    unchecked = "" if working else f"the rule set states no depth{volts}"
    return PanelSpaces(panel, element, working, dedicated, possible, tuple(missing), unchecked)


def _working(
    panel: Panel,
    box: Floats,
    around: Around,
    rules: RuleBook,
    floor: tuple[float, float, float],
    missing: list[str],
) -> Iterable[WorkingSpace]:
    depth = working_depth(panel.volts_to_ground, panel.condition, rules)
    if depth is None:
        return
    if depth.possible_m > depth.sure_m:
        missing.append("volts_to_ground or condition not said")
    width_limit = rules.limit("working-space-width")
    least = 0.0 if width_limit is None or width_limit.value_m is None else width_limit.value_m
    fronts: tuple[str, ...] = (panel.front,) if panel.front is not None else ()
    if not fronts:
        fronts = tuple(_facing(box, around))
        missing.append(
            f"front taken as {fronts[0]} from the wall behind it" if len(fronts) == 1
            else f"front not said, could be {' or '.join(fronts)}"
        )  # fmt: skip
    low_floor, high_floor, height = floor
    sure_z = (high_floor, max(low_floor + height, box[1, 2]))
    possible_z = (low_floor, max(high_floor + height, box[1, 2]))
    for front in fronts:
        axis = "xy".index(front[1])
        across = 1 - axis
        wide = max(least, panel.width_m if panel.width_m is not None else 0.0, float(box[1, across] - box[0, across]))
        sure = _before(box, front, depth.sure_m, sure_z, panel.width_m)
        possible = _before(box, front, depth.possible_m, possible_z, panel.width_m)
        yield WorkingSpace(
            front, sure if len(fronts) == 1 else None, possible, depth.sure_m, depth.possible_m, wide, depth.rule
        )


def _before(box: Floats, front: str, depth_m: float, z: tuple[float, float], width_m: float | None) -> Box:
    """Return the box before a panel: as wide as the panel, or about its middle where the project asks for more."""
    axis = "xy".index(front[1])
    across = 1 - axis
    low, high = box[0].copy(), box[1].copy()
    if front[0] == "+":
        low[axis], high[axis] = box[1, axis], box[1, axis] + depth_m
    else:
        low[axis], high[axis] = box[0, axis] - depth_m, box[0, axis]
    if width_m is not None and width_m > high[across] - low[across]:
        middle = (low[across] + high[across]) / 2.0
        low[across], high[across] = middle - width_m / 2.0, middle + width_m / 2.0
    low[2], high[2] = z
    return low, high


def _facing(box: Floats, around: Around) -> Iterable[str]:
    """Return the ways that a panel may face: one where it is thin that way and has a wall on exactly one side."""
    size = box[1] - box[0]
    thin = int(np.argmin(size[:2]))
    if size[thin] > _THIN * size[1 - thin]:
        return FRONTS
    fronts = [front for front in FRONTS if "xy".index(front[1]) == thin]
    free = [front for front in fronts if not _walled(box, front, around)]
    return free if len(free) == 1 else fronts


def _walled(box: Floats, front: str, around: Around) -> bool:
    axis = "xy".index(front[1])
    middle = (box[0] + box[1]) / 2.0
    low, high = middle - _PROBE_M, middle + _PROBE_M
    if front[0] == "+":
        high[axis] = box[1, axis] + _BACK_REACH_M
    else:
        low[axis] = box[0, axis] - _BACK_REACH_M
    return any(clipped(element.triangles_m, low, high) for element in around.meeting(low, high, _BACK_ROLES))


def _dedicated(
    box: Floats, around: Around, rules: RuleBook, low_floor: float, high_floor: float
) -> tuple[Box | None, Box | None]:
    limit = rules.limit("dedicated-space")
    if limit is None or limit.value_m is None:
        return None, None
    low, high = box[0].copy(), box[1].copy()
    high[2] = _ceiling(box, around, box[1, 2] + limit.value_m)
    low[2] = min(high_floor, low[2])
    deeper = low.copy()
    deeper[2] = min(low_floor, low[2])
    return (low, high), (deeper, high)


def _ceiling(box: Floats, around: Around, top: float) -> float:
    """Return the height of the structural ceiling over a panel, or ``top`` where there is none below it.

    Decks count together, any other structure only where it alone covers the panel: a beam is no ceiling.
    """
    low = np.array([*box[0, :2], box[1, 2]])
    high = np.array([*box[1, :2], top])
    parts: dict[str, list[Floats]] = {}
    for element in around.meeting(low, high, ("deck", "structure")):
        name = "deck" if element.role == "deck" else element.element_id
        parts.setdefault(name, []).extend(clipped(element.triangles_m, low, high))
    lowest = top
    wanted = _COVERED * float(np.prod(high[:2] - low[:2]))
    for polygons in parts.values():
        flat = [shapely.Polygon(p[:, :2]) for p in polygons if len(p) >= 3]
        cover = shapely.union_all([p for p in flat if p.is_valid and p.area > 0.0])
        if cover.area >= wanted:
            lowest = min(lowest, min(float(p[:, 2].min()) for p in polygons))
    return lowest


def _meets(box: Floats, low: Floats, high: Floats) -> bool:
    return bool((box[0] < high).all() and (box[1] > low).all())


def intrusions(elements: Iterable[Element], box: Box) -> Mapping[str, Box]:
    """Return for each element that reaches into a box the extent of what is inside; one that fills it, the box."""
    found: dict[str, Box] = {}
    for element in elements:
        if not _meets(element.box_m, *box):
            continue
        polygons = clipped(element.triangles_m, *box)
        if polygons:
            points = np.concatenate(polygons)
            found[element.element_id] = (points.min(axis=0), points.max(axis=0))
        elif element.closed and _fills(element, box):
            found[element.element_id] = box
    return found


def _fills(element: Element, box: Box) -> bool:
    index = build_index(element.triangles_m, [0, len(element.triangles_m)])
    return bool(inside_points(index, [0], [(box[0] + box[1]) / 2.0])[0])
