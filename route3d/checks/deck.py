"""How far runs stay below the roof deck, where fasteners come through."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from route3d.checks.wording import along, called
from route3d.kernel.path import chords, points_at
from route3d.kernel.underside import Underside, gap_below
from route3d.model.element import Element
from route3d.model.finding import Finding
from route3d.model.gap import Stretch, united
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.rules.deck import deck_gap
from route3d.scene import Outcome, Scene
from route3d.units import TOLERANCE_M, both_units

_CHORD_M = 1e-5  # far below the tolerance of the comparison
_SEAM_M = 0.02  # sheets that are laid side by side are one deck


def check(scene: Scene) -> Outcome:
    """Report each run that is nearer than allowed below the lowest surface of roof decking, at its worst place."""
    decks = scene.of_building(_decks, ("deck",))
    findings = []
    for i in scene.judged:
        finding = _worst(scene, scene.fitted[i], decks) if decks else None
        if finding is not None:
            findings.append(finding)
    return Outcome(findings=tuple(findings))


def _decks(job: Job) -> list[tuple[Element, NDArray[np.float64]]]:
    return [(e, e.box_m) for e in job.elements if e.role == "deck" and len(e.triangles_m)]


def _worst(scene: Scene, fitted: FittedRun, decks: list[tuple[Element, NDArray[np.float64]]]) -> Finding | None:
    cable = scene.job.cables[fitted.run.cable_id]
    limit = deck_gap(scene.rules, scene.job.settings.deck, cable.method, scene.job.settings.deck_slab_m)
    if limit.gap_m is None:
        return None
    radius = 0.0 if cable.radius_m is None else cable.radius_m
    boxes = fitted.boxes_m
    low, high = boxes[:, :3].min(axis=0), boxes[:, 3:].max(axis=0)
    needed = limit.gap_m + radius
    line: NDArray[np.float64] | None = None
    at: NDArray[np.float64] | None = None
    worst: tuple[Underside, Element] | None = None
    below: list[Stretch] = []
    for deck, box in decks:
        if (box[0, :2] > high[:2]).any() or (box[1, :2] < low[:2]).any() or box[0, 2] - high[2] >= needed:
            continue
        if line is None or at is None:
            line = chords(fitted.pieces, _CHORD_M)
            at = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1)))
            at *= fitted.length_m / at[-1]
        underside = deck.triangles_m - np.array([0.0, 0.0, deck.thickness_m])
        found = gap_below(line, at, underside, needed - TOLERANCE_M)
        below.extend(found.below_m)
        if found.below_m and (worst is None or found.gap_m < worst[0].gap_m):
            worst = (found, deck)
    if worst is None:
        return None
    found, deck = worst
    gap = found.gap_m - radius
    point = points_at(fitted.pieces, np.array([found.at_m]))[0]
    stretches = united(below, _SEAM_M)
    stretch = next((s for s in stretches if s[0] - 1e-6 <= found.at_m <= s[1] + 1e-6), stretches[0])
    places = ", ".join(along(s) for s in stretches[:4]) + (" …" if len(stretches) > 4 else "")
    return Finding(
        check="deck",
        severity="violation",
        run=fitted.run.run_id,
        other=deck.element_id,
        rule=limit.rule,
        at_m=stretch,
        point_m=(float(point[0]), float(point[1]), float(point[2])),
        measured=gap,
        required=limit.gap_m,
        unit="m",
        message=f"The top of the cable is {both_units(gap)} below the lowest surface of {called(deck)} at {places}; "
        f"{both_units(limit.gap_m)} is needed.",
        remedy=f"Lower the run there by {both_units(limit.gap_m - gap)}.",
    )
