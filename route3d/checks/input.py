"""What could not be read or is not known: no run that it could touch is called passed."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from route3d.checks.wording import called
from route3d.kernel.openings import enclosure, turned_alike
from route3d.kernel.path import points_at
from route3d.model.building import Unread
from route3d.model.element import SHEET_ROLES, Element
from route3d.model.finding import Finding, not_known
from route3d.model.job import WITHOUT_ROUTE, Job
from route3d.model.run import FittedRun
from route3d.scene import Outcome, Scene
from route3d.units import both_units

# A sheet encloses at most half of what is before it; a trough about two thirds.
ENCLOSED = 0.6
SHELL_STEP_M = 0.1
FEWEST_SHELL_FACES = 4


def check(scene: Scene) -> Outcome:
    """Report, run by run, the unread geometry and unclosed zones in reach, and a diameter that is not known."""
    findings = [f for f in scene.job.input_findings if f.run in _named(scene)]
    reach = max([*scene.job.clearance_m.values(), scene.job.settings.attach_m])
    unread_boxes = _boxes(scene.job.unread)
    shells = scene.of_building(_Shells, None)
    for i in scene.judged:
        fitted = scene.fitted[i]
        findings.extend(_unknown_diameter(scene, fitted))
        findings.extend(_near_unread(scene, fitted, unread_boxes, reach))
        findings.extend(_near_unclosed_zones(scene, fitted))
        findings.extend(_inside_open_shells(fitted, shells))
    return Outcome(findings=tuple(findings))


def whole(scene: Scene) -> tuple[Finding, ...]:
    """Report what reading the project found wanting, and diameters that cannot be the whole cable's."""
    told = _named(scene)
    wanting = (f for f in scene.job.input_findings if f.run not in told and not _has_route_now(f, scene))
    return (*wanting, *_jackets_without_size(scene))


def _has_route_now(finding: Finding, scene: Scene) -> bool:
    """Tell whether this is about a run given by its ends only, which has got a route since."""
    return finding.rule == WITHOUT_ROUTE and any(finding.other == scene.fitted[i].run.run_id for i in scene.judged)


def _named(scene: Scene) -> set[str | None]:
    """Return the judged runs of which reading the project found something."""
    named = {f.run for f in scene.job.input_findings}
    return named & {scene.fitted[i].run.run_id for i in scene.judged} if named else set()


class _Shells:
    """Elements whose faces do not close, though they look like bodies."""

    def __init__(self, job: Job) -> None:
        self._elements = [
            element
            for element in job.elements
            if not element.closed
            and not element.thickness_m  # scanned points are no shell
            and element.role not in SHEET_ROLES
            and len(element.triangles_m) >= FEWEST_SHELL_FACES
        ]
        self._boxes = np.array([element.box_m for element in self._elements]).reshape(-1, 2, 3)

    def meeting(self, low: NDArray[np.float64], high: NDArray[np.float64]) -> list[Element]:
        """Return those whose box meets a box."""
        meet = ((self._boxes[:, 0] <= high) & (self._boxes[:, 1] >= low)).all(axis=1)
        return [self._elements[k] for k in np.flatnonzero(meet).tolist()]


def _boxes(unread: Iterable[Unread]) -> NDArray[np.float64]:
    """Return the boxes (n, 6) of unread geometry; one of unknown extent is everywhere."""
    everywhere = ((-np.inf,) * 3, (np.inf,) * 3)
    return np.array([np.ravel(everywhere if u.box_m is None else u.box_m) for u in unread]).reshape(-1, 6)


def _reached(fitted: FittedRun, boxes: NDArray[np.float64], reach_m: float) -> NDArray[np.bool_]:
    """Tell which boxes (n, 6) a run's own boxes, grown by ``reach_m``, touch: rather too many than too few."""
    mine = fitted.boxes_m
    low, high = mine[:, None, :3] - reach_m, mine[:, None, 3:] + reach_m
    touch = (low <= boxes[None, :, 3:]) & (high >= boxes[None, :, :3])
    return np.asarray(touch.all(axis=2).any(axis=0))


def _jackets_without_size(scene: Scene) -> Iterable[Finding]:
    """A jacketed cable whose overall diameter is taken from the sheath is a little thicker than it is measured."""
    for cable in scene.job.cables.values():
        if (
            cable.jacketed
            and cable.sheath_diameter_m is not None
            and cable.overall_diameter_m == cable.sheath_diameter_m
        ):
            yield Finding(
                check="input",
                severity="caution",
                run=None,
                rule=f"cable {cable.cable_id}",
                message=f"Cable {cable.cable_id!r} is jacketed, but its overall diameter is that of the sheath: gaps "
                "are told too large by the thickness of the jacket.",
                remedy=f"Add cable.{cable.cable_id}.overall_diameter.",
            )


def _unknown_diameter(scene: Scene, fitted: FittedRun) -> Iterable[Finding]:
    cable = scene.job.cables[fitted.run.cable_id]
    if cable.overall_diameter_m is None:
        yield not_known(
            fitted.run.run_id,
            None,
            f"cable {cable.cable_id}",
            f"The diameter of cable {cable.cable_id!r} is not given: it was measured as a bare line, so gaps are too "
            "large by half its diameter.",
            f"Add cable.{cable.cable_id}.overall_diameter (or sheath_diameter).",
        )


def _near_unread(scene: Scene, fitted: FittedRun, boxes: NDArray[np.float64], reach_m: float) -> Iterable[Finding]:
    if not len(boxes):
        return
    radius = scene.job.cables[fitted.run.cable_id].radius_m
    near = [
        unread
        for unread, touched in zip(
            scene.job.unread,
            _reached(fitted, boxes, reach_m + (0.0 if radius is None else radius)),
            strict=True,
        )
        if touched
    ]
    if near:
        names = "; ".join(f"{u.kind} {u.handle} on {u.layer} ({u.file}): {u.reason}" for u in near[:3])
        more = f"; and {len(near) - 3} more" if len(near) > 3 else ""
        yield not_known(
            fitted.run.run_id,
            None,
            "route3d unread geometry",
            f"{len(near)} thing(s) that could not be read may be within {both_units(reach_m)} of this run: "
            f"{names}{more}.",
            "Mend or re-export them as the reason says, or give their layer the role ignore if no cable can meet them.",
        )


def _near_unclosed_zones(scene: Scene, fitted: FittedRun) -> Iterable[Finding]:
    for zone in scene.job.zones:
        boxes = np.array([np.ravel(box) for box in zone.unclosed_m]).reshape(-1, 6)
        if len(boxes) and _reached(fitted, boxes, 0.0).any():
            yield not_known(
                fitted.run.run_id,
                None,
                f"zone {zone.name!r}",
                f"Zone {zone.name!r} ({zone.kind}) is not closed, so whether this run is inside cannot be told.",
                "Close the solid: every edge shared by two faces, no face missing.",
            )


def _inside_open_shells(fitted: FittedRun, shells: _Shells) -> Iterable[Finding]:
    """Warn where a run seems to be inside something whose faces do not close, since only its skin was measured."""
    mine = fitted.boxes_m
    for element in shells.meeting(mine[:, :3].min(axis=0), mine[:, 3:].max(axis=0)):
        box = element.box_m
        at_m = np.arange(SHELL_STEP_M / 2.0, fitted.length_m, SHELL_STEP_M)
        points = points_at(fitted.pieces, at_m) if len(at_m) else np.empty((0, 3))
        within = ((points >= box[0]) & (points <= box[1])).all(axis=1)
        if not within.any():
            continue
        share = enclosure(turned_alike(element.triangles_m), points[within])
        if share.max() > ENCLOSED:
            worst = at_m[within][int(np.argmax(share))]
            yield not_known(
                fitted.run.run_id,
                element.element_id,
                "route3d open shell",
                f"Seems to be inside {called(element)} at {worst:.2f} m, whose faces do not close: only the gap to its "
                "faces was measured.",
                "Draw it as a closed solid, or give its layer the role ignore if it is not there.",
            )
