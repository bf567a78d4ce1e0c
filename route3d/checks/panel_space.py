"""What stands or runs in the space that panels need: in front of them to work, above them for their own wiring."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.checks.wording import along, called
from route3d.kernel.clearance import stretches_within
from route3d.kernel.mesh_index import build_index
from route3d.kernel.path import concatenated, points_at
from route3d.kernel.shapes import box as box_solid
from route3d.kernel.solid import inside_stretches
from route3d.model.element import Element
from route3d.model.finding import Finding
from route3d.model.gap import Stretch, united
from route3d.model.job import Job
from route3d.panels import Around, Box, PanelSpaces, WorkingSpace, intrusions, panel_spaces
from route3d.rules.separation import SIGNAL_METHODS
from route3d.scene import Scene
from route3d.units import TOLERANCE_M, both_units

FOREIGN_ROLES = ("duct", "pipe", "hot-pipe", "sprinkler")
PERHAPS_FOREIGN_ROLES = ("equipment",)
IN_THE_WAY_ROLES = (
    "wall", "fire-wall", "structure", "framing", "duct", "pipe", "hot-pipe", "sprinkler", "tray", "luminaire",
    "equipment", "cabinet", "obstacle",
)  # fmt: skip
_CURB_M = 0.05  # practice: what is this low before a panel, such as a slab drawn a little high, is not in the way
_OWN_M = 0.02  # a cabinet this near to a panel is its door, its trim or its neighbour

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Volume:
    """A box that runs must keep out of."""

    spaces: PanelSpaces
    working: WorkingSpace | None  # None: the dedicated space
    boxes: tuple[Box, ...]
    sure: bool


def findings(scene: Scene) -> tuple[Finding, ...]:
    """Return which runs are in the space that a panel needs, or could be; all of check "clearance"."""
    return tuple(_runs(scene, _spaces(scene)[1])) if scene.job.panels else ()


def building_findings(scene: Scene) -> tuple[Finding, ...]:
    """Return which elements are in the space that a panel needs, or could be, and what was inferred about panels."""
    if not scene.job.panels:
        return ()
    around, spaces = _spaces(scene)
    prepared = scene.of_building(_Prepared, None)
    if prepared.findings is None:
        found: list[Finding] = []
        for panel in spaces:
            found.extend(_foreign(scene, panel, around))
            found.extend(_in_the_way(scene, panel, around))
        prepared.findings = (*found, *_inferred(spaces))
    return prepared.findings


def remember_spaces(scene: Scene, spaces: tuple[PanelSpaces, ...]) -> None:
    """Tell a scene whose job holds a part of a building the spaces of its panels that were found in the whole of it."""
    scene.of_building(_Prepared, None).spaces = spaces


def _spaces(scene: Scene) -> tuple[Around, tuple[PanelSpaces, ...]]:
    prepared = scene.of_building(_Prepared, None)
    if prepared.spaces is None:
        prepared.spaces = panel_spaces(scene.job, scene.rules, prepared.around)
    return prepared.around, prepared.spaces


class _Prepared:
    """The elements by their boxes, and the spaces of all panels, once they are asked for."""

    def __init__(self, job: Job) -> None:
        self.around = Around(job.elements)
        self.spaces: tuple[PanelSpaces, ...] | None = None
        self.findings: tuple[Finding, ...] | None = None  # of the building alone


# --- building elements ----------------------------------------------------------------------------------------------


def _foreign(scene: Scene, spaces: PanelSpaces, around: Around) -> Iterable[Finding]:
    limit = scene.rules.limit("dedicated-space")
    if spaces.dedicated is None or spaces.dedicated_possible is None or limit is None:
        return
    roles = (*FOREIGN_ROLES, *PERHAPS_FOREIGN_ROLES)
    concerned = [
        element
        for element in around.meeting(*spaces.dedicated_possible, roles)
        if element.element_id != spaces.element.element_id
    ]
    within = intrusions(concerned, _shrunk(spaces.dedicated))
    maybe = intrusions(concerned, _shrunk(spaces.dedicated_possible))
    by_id = {element.element_id: element for element in concerned}
    low, high = spaces.dedicated
    for element_id, extent in {**maybe, **within}.items():
        element = by_id[element_id]
        sure = element_id in within and element.role in FOREIGN_ROLES
        doubt = ""
        if element_id not in within:
            doubt = (
                " The floor there is not said: this is below the panel, and concerned only if it is above the floor."
            )
        elif not sure:
            doubt = " Confirm that it belongs to the electrical installation."
        above_m = float(high[2] - spaces.element.box_m[1, 2])
        what = called(element)
        yield _finding(
            None,
            element_id,
            "violation" if sure else "caution",
            limit.cite,
            (extent[0] + extent[1]) / 2.0,
            f"{what[0].upper()}{what[1:]} is in the space dedicated to {called(spaces.element)}: its width and depth, "
            f"from the floor to {both_units(above_m)} above it, here between {low[2]:.2f} m and {high[2]:.2f} m high."
            f"{doubt}",
            "Route it around that space, or move the panel.",
            None,
            None,
        )


def _in_the_way(scene: Scene, spaces: PanelSpaces, around: Around) -> Iterable[Finding]:
    """Building elements in the working space: the depth that they leave, and the width beside the panel."""
    own = spaces.element
    if len(spaces.working) != 1 or spaces.working[0].sure is None:
        return  # which way it faces is not known; the job's note says so
    working = spaces.working[0]
    assert working.sure is not None
    spare = working.width_m * np.array([1.0, 1.0, 0.0])
    others = [
        element
        for element in around.meeting(working.possible[0] - spare, working.possible[1] + spare, IN_THE_WAY_ROLES)
        if element.element_id != own.element_id
        and not (element.role in ("cabinet", "obstacle", "equipment") and _touches(element, own))
    ]
    by_id = {element.element_id: element for element in others}
    sure = intrusions(others, _off_floor(working.sure))
    possible = intrusions(others, _off_floor(working.possible))
    axis, sign = "xy".index(working.front[1]), 1.0 if working.front[0] == "+" else -1.0
    face = own.box_m[1, axis] if sign > 0 else own.box_m[0, axis]
    for element_id, extent in {**possible, **sure}.items():
        element = by_id[element_id]
        left = max(min(sign * (extent[0][axis] - face), sign * (extent[1][axis] - face)), 0.0)
        certain = element_id in sure and element.role != "obstacle"
        asked = working.depth_m if element_id in sure else working.possible_depth_m
        doubt = "" if element_id in sure else f" ({'; '.join(spaces.missing)}: {both_units(working.depth_m)} at least)"
        yield _finding(
            None,
            element_id,
            "violation" if certain else "caution",
            working.rule,
            (extent[0] + extent[1]) / 2.0,
            f"{both_units(left)} deep is the working space in front of {called(own)} (facing {working.front}) up to "
            f"{called(element)}; {both_units(asked)} is asked{doubt}.",
            "Move one of the two, or turn the panel.",
            left,
            asked,
        )
    yield from _too_narrow(scene, spaces, working, others, {*sure, *possible})


def _too_narrow(
    scene: Scene, spaces: PanelSpaces, working: WorkingSpace, others: Sequence[Element], before: set[str]
) -> Iterable[Finding]:
    """The asked width may lie to either side of a narrower panel: what stands on one side only is in nobody's way."""
    assert working.sure is not None
    across = 1 - "xy".index(working.front[1])
    low, high = (corner.copy() for corner in working.sure)
    begin, end = float(low[across]), float(high[across])
    spare = working.width_m - (end - begin)
    if spare <= TOLERANCE_M:
        return
    low[across], high[across] = begin - spare, end + spare
    beside = intrusions([e for e in others if e.element_id not in before], _off_floor((low, high)))
    left = max((float(x[1][across]) for x in beside.values() if x[1][across] <= begin + TOLERANCE_M), default=-np.inf)
    right = min((float(x[0][across]) for x in beside.values() if x[0][across] >= end - TOLERANCE_M), default=np.inf)
    limit = scene.rules.limit("working-space-width")
    if right - left >= working.width_m - TOLERANCE_M or limit is None:
        return
    yield _finding(
        None,
        spaces.element.element_id,
        "violation",
        limit.cite,
        (working.sure[0] + working.sure[1]) / 2.0,
        f"{both_units(right - left)} wide is the working space in front of {called(spaces.element)} between "
        f"{' and '.join(sorted(beside))}; {both_units(working.width_m)} is asked.",
        "Move what stands beside it.",
        right - left,
        working.width_m,
    )


def _touches(element: Element, own: Element) -> bool:
    a, b = element.box_m, own.box_m
    return bool((a[0] <= b[1] + _OWN_M).all() and (a[1] >= b[0] - _OWN_M).all())


def _shrunk(box: Box) -> Box:
    """Return a box that what only touches stays out of."""
    return box[0] + TOLERANCE_M, box[1] - TOLERANCE_M


def _off_floor(box: Box) -> Box:
    low, high = _shrunk(box)
    low[2] += _CURB_M
    return low, high


# --- runs -----------------------------------------------------------------------------------------------------------


def _runs(scene: Scene, spaces: Sequence[PanelSpaces]) -> Iterable[Finding]:
    volumes = [volume for panel in spaces for volume in _volumes(scene, panel)]
    boxes = [(n, box) for n, volume in enumerate(volumes) for box in volume.boxes]
    judged = list(scene.judged)
    if not boxes or not judged:
        return
    fitted = [scene.fitted[i] for i in judged]
    solids = [box_solid(((high - low) / 2.0).tolist(), ((low + high) / 2.0).tolist()) for _, (low, high) in boxes]
    meshes = [points[triangles] for points, triangles in solids]
    index = build_index(np.concatenate(meshes), np.arange(len(meshes) + 1) * len(meshes[0]))
    pieces, starts = concatenated([run.pieces for run in fitted])
    radii = [scene.job.cables[run.run.cable_id].radius_m for run in fitted]
    radius = np.array([0.0 if r is None else r for r in radii])
    own = [run.boxes_m for run in fitted]
    low = np.array([b[:, :3].min(axis=0) for b in own]) - radius[:, None]
    high = np.array([b[:, 3:].max(axis=0) for b in own]) + radius[:, None]
    box_low, box_high = (np.array([box[k] for _, box in boxes]) for k in range(2))
    meet = ((low[:, None] < box_high[None]) & (high[:, None] > box_low[None])).all(axis=2)
    run, solid = np.nonzero(meet)
    if not len(run):
        return
    near = stretches_within(index, pieces, starts, run, solid, np.maximum(radius[run] - TOLERANCE_M, 0.0))
    inside = inside_stretches(index, pieces, starts, run, solid)
    found: dict[tuple[int, int], list[Stretch]] = {}
    for part in (near, inside):
        for pair, a, b in zip(part.pair.tolist(), part.from_m.tolist(), part.to_m.tolist(), strict=True):
            found.setdefault((judged[int(run[pair])], boxes[int(solid[pair])][0]), []).append((a, b))
    told: set[tuple[int, str, bool]] = set()
    for (i, n), stretches in sorted(found.items(), key=lambda item: (not volumes[item[0][1]].sure, item[0])):
        volume = volumes[n]
        name = volume.spaces.element.element_id
        cable = scene.job.cables[scene.fitted[i].run.cable_id]
        if volume.working is None and cable.method not in SIGNAL_METHODS:
            continue  # electrical cable is not foreign there
        key = (i, name, volume.working is None)
        ends = {scene.attached[i].start.element_id, scene.attached[i].end.element_id}
        if name in ends or key in told:
            continue
        told.add(key)
        yield _run_finding(scene, i, volume, united(stretches, TOLERANCE_M))


def _volumes(scene: Scene, spaces: PanelSpaces) -> Iterable[_Volume]:
    for working in spaces.working:
        if working.sure is not None:
            yield _Volume(spaces, working, tuple(_without_associated(scene, spaces, working, working.sure)), True)
        yield _Volume(spaces, working, tuple(_without_associated(scene, spaces, working, working.possible)), False)
    if spaces.dedicated is not None:
        yield _Volume(spaces, None, (_shrunk(spaces.dedicated),), True)


def _without_associated(scene: Scene, spaces: PanelSpaces, working: WorkingSpace, box: Box) -> Iterable[Box]:
    """Leave out, above and below the panel, what other electrical equipment may take: a little in front of it."""
    limit = scene.rules.limit("working-space-associated")
    out = 0.0 if limit is None or limit.value_m is None else limit.value_m
    bottom, top = spaces.element.box_m[:, 2]
    axis = "xy".index(working.front[1])
    for part, (z0, z1) in enumerate(((bottom, top), (box[0][2], bottom), (top, box[1][2]))):
        low, high = box[0].copy(), box[1].copy()
        low[2], high[2] = max(z0, low[2]), min(z1, high[2])
        if part:
            if working.front[0] == "+":
                low[axis] += out
            else:
                high[axis] -= out
        if (high - low > 2.0 * TOLERANCE_M).all():
            yield low, high


def _run_finding(scene: Scene, i: int, volume: _Volume, stretches: Sequence[Stretch]) -> Finding:
    fitted, spaces = scene.fitted[i], volume.spaces
    longest = max(stretches, key=lambda s: s[1] - s[0])
    point = points_at(fitted.pieces, np.array([(longest[0] + longest[1]) / 2.0]))[0]
    places = ", ".join(along(s) for s in stretches[:4]) + (" …" if len(stretches) > 4 else "")
    limit = scene.rules.limit("dedicated-space" if volume.working is None else "working-space-height")
    rule = "" if limit is None else limit.cite
    if volume.working is None:
        message = (
            f"Limited-energy cable in the space above {called(spaces.element)} that is dedicated to electrical "
            f"equipment, at {places}: whether it is foreign there is a matter of reading."
        )
        return _finding(
            fitted.run.run_id, spaces.element.element_id, "caution", rule, point, message,
            "Route it around that space, or confirm with the authority having jurisdiction.", None, None, longest,
        )  # fmt: skip
    working = volume.working
    top = (working.sure if volume.sure and working.sure is not None else working.possible)[1][2]
    message = (
        f"Runs through the working space in front of {called(spaces.element)} (facing {working.front}) at {places}, "
        f"below {top:.2f} m, and does not end there"
    )
    doubt = f", if it is that large: {'; '.join(spaces.missing)}" if not volume.sure else ""
    return _finding(
        fitted.run.run_id, spaces.element.element_id, "violation" if volume.sure else "caution", rule, point,
        f"{message}{doubt}.",
        "Route it above that space or beside it." if volume.sure else "Say front, volts_to_ground, condition and floor "
        "of this panel in a [[panel]] table, or route the run around it.",
        None, None, longest, unchecked=not volume.sure,
    )  # fmt: skip


# --- what was left open ---------------------------------------------------------------------------------------------


def _inferred(spaces: Sequence[PanelSpaces]) -> Iterable[Finding]:
    """Say once what was inferred or left open about panels, and for each one that has no space, why."""
    for panel in spaces:
        if panel.unchecked:
            yield _finding(
                None, panel.element.element_id, "note", "route3d panel spaces", None,
                f"The working space of {called(panel.element)} is not checked: {panel.unchecked}.",
                "Draw it as a body along the axes, and say volts_to_ground in a [[panel]] table.", None, None,
                unchecked=True,
            )  # fmt: skip
    by_words: dict[tuple[str, ...], list[str]] = {}
    for panel in spaces:
        if panel.missing:
            by_words.setdefault(panel.missing, []).append(panel.element.element_id)
    for words, names in by_words.items():
        listed = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
        yield _finding(
            None, names[0], "note", "route3d panel spaces", None,
            f"Space at {len(names)} panel(s), {listed}: {'; '.join(words)}. What is sure is judged; what is only "
            "possible gives a caution where a run goes through it.",
            "Say front, volts_to_ground, condition and floor in a [[panel]] table.", None, None,
        )  # fmt: skip


def _finding(
    run: str | None,
    other: str | None,
    severity: str,
    rule: str,
    point: Floats | None,
    message: str,
    remedy: str,
    measured: float | None,
    required: float | None,
    at_m: Stretch | None = None,
    unchecked: bool = False,
) -> Finding:
    return Finding(
        check="clearance",
        severity=severity,
        run=run,
        other=other,
        rule=rule,
        at_m=at_m,
        point_m=None if point is None else (float(point[0]), float(point[1]), float(point[2])),
        measured=None if measured is None else float(measured),
        required=None if required is None else float(required),
        unit="" if measured is None else "m",
        message=message,
        remedy=remedy,
        unchecked=unchecked,
    )
