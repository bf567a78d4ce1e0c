"""Cover over what runs in the ground: the shortest way from the top of cable or raceway to grade.

A buried zone is the earth around a run, and its upper surface is grade. Where a run comes up out of it, on a leg
steeper than 45° and the bend below that, there is no cover to ask for; protection is told instead.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from route3d.checks.placing import common, listed, mesh_index, point_of, within_each, without
from route3d.kernel.clearance import nearest_elements
from route3d.kernel.mesh_index import MeshIndex
from route3d.kernel.path import ARC, AT, KIND, LENGTH, V, concatenated, trimmed
from route3d.model.finding import Finding
from route3d.model.gap import Stretch, united
from route3d.model.run import FittedRun
from route3d.model.zone import Zone
from route3d.rules.protection import burial_cover
from route3d.rules.records import BurialRule
from route3d.scene import Scene
from route3d.units import TOLERANCE_M, both_units

STEEP = float(np.sin(np.radians(45.0)))
UPWARD = 0.05  # faces whose normal points up by more than this are grade, the others sides and bottom
SHORTEST_M = 0.001
_FAR_M = 1e4


def burial_findings(scene: Scene) -> Iterable[Finding]:
    """Judge the cover of each run in each buried zone; one finding per run and zone."""
    for i in scene.judged:
        fitted = scene.fitted[i]
        by_zone: dict[int, tuple[Zone, list[Stretch]]] = {}
        for s in scene.zones[i]:
            if s.zone.kind == "buried":
                by_zone.setdefault(id(s.zone), (s.zone, []))[1].append((s.from_m, s.to_m))
        for zone, inside in by_zone.values():
            yield from _judged(scene, fitted, zone, inside)


def _judged(scene: Scene, fitted: FittedRun, zone: Zone, inside: Sequence[Stretch]) -> Iterable[Finding]:
    cable = scene.job.cables[fitted.run.cable_id]
    rule = burial_cover(scene.rules, zone.location, cable.method)
    if rule is None:
        yield _no_row(scene, fitted, zone, inside)
        return
    if rule.raceway_only:
        message = (
            f"{cable.cable_id} ({cable.method}) is in the ground at {listed(inside)}, in {zone.name!r}: {rule.title}."
        )
        yield _finding(fitted, inside, rule, None, message, "Lay it in a raceway there, or around the building.")
        return
    radius = 0.0 if cable.radius_m is None else cable.radius_m
    grade = mesh_index([g for g in (_grade(solid) for solid in zone.solids_m) if len(g)])
    rising = _rising(fitted)
    lying = [s for s in without(inside, rising) if s[1] - s[0] >= SHORTEST_M]
    near = [s for part in within_each(fitted, grade, rule.cover_m + radius - TOLERANCE_M) for s in part]
    shallow = [s for s in common(lying, united(near, TOLERANCE_M)) if s[1] - s[0] >= SHORTEST_M]
    if shallow and rule.cover_m > 0.0:
        at_m, distance = _nearest(fitted, shallow, grade)
        cover = distance - radius
        message = f"{cable.cable_id} has {both_units(cover)} of cover at {listed(shallow)} in {zone.name!r} "
        message += f"({zone.location}); {both_units(rule.cover_m)} is needed, from its top to grade."
        remedy = f"Lay it {both_units(rule.cover_m - cover)} deeper there."
        yield _finding(fitted, shallow, rule, (cover, rule.cover_m, at_m), message, remedy)
    emerging = common(inside, rising)
    if emerging:
        yield _emerging(scene, fitted, emerging)


def _grade(solid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the faces of a closed solid that look up, whichever way it is turned."""
    cross = np.cross(solid[:, 1] - solid[:, 0], solid[:, 2] - solid[:, 0])
    about = solid.reshape(-1, 3).mean(axis=0)
    volume = np.einsum("ij,ij->i", solid[:, 0] - about, np.cross(solid[:, 1] - about, solid[:, 2] - about)).sum()
    size = np.linalg.norm(cross, axis=1)
    up = np.where(size > 0.0, cross[:, 2] / np.where(size > 0.0, size, 1.0), 0.0) * (1.0 if volume >= 0.0 else -1.0)
    return np.asarray(solid[up > UPWARD])


def _rising(fitted: FittedRun) -> list[Stretch]:
    """Return the steep straight legs of a run with the bends that join them."""
    rows = fitted.pieces
    steep = (rows[:, KIND] != ARC) & (np.abs(rows[:, V][:, 2]) > STEEP)
    arc = rows[:, KIND] == ARC
    taken = steep.copy()
    taken[:-1] |= arc[:-1] & steep[1:]
    taken[1:] |= arc[1:] & steep[:-1]
    return list(united([(float(r[AT]), float(r[AT] + r[LENGTH])) for r in rows[taken]], TOLERANCE_M))


def _nearest(fitted: FittedRun, stretches: Sequence[Stretch], grade: MeshIndex) -> tuple[float, float]:
    rows, starts = concatenated([trimmed(fitted.pieces, a, b) for a, b in stretches])
    near = nearest_elements(grade, rows, starts, np.zeros(len(stretches)), np.full(grade.element_count, _FAR_M))
    best = int(np.argmin(near.distance_m))
    return stretches[int(near.path[best])][0] + float(near.at_m[best]), float(near.distance_m[best])


def _no_row(scene: Scene, fitted: FittedRun, zone: Zone, inside: Sequence[Stretch]) -> Finding:
    method = scene.job.cables[fitted.run.cable_id].method
    return Finding(
        check="environment",
        severity="caution",
        run=fitted.run.run_id,
        rule=scene.rules.code,
        at_m=(inside[0][0], inside[-1][1]),
        point_m=point_of(fitted, sum(inside[0]) / 2.0),
        unit="m",
        message=f"The rule set states no cover for {method} in the ground ({zone.location}): {zone.name!r}, at "
        f"{listed(inside)}.",
        remedy="Confirm the cover with the listing, or state it in a rule file of your own.",
        unchecked=True,
    )


def _emerging(scene: Scene, fitted: FittedRun, rising: Sequence[Stretch]) -> Finding:
    rule = scene.rules.limit("emerging")
    return Finding(
        check="environment",
        severity="note",
        run=fitted.run.run_id,
        rule="practice" if rule is None else rule.cite,
        at_m=(rising[0][0], rising[-1][1]),
        point_m=point_of(fitted, sum(rising[0]) / 2.0),
        unit="m",
        message=f"It comes up out of the ground at {listed(rising)}; no cover is asked for there"
        + ("." if rule is None else f", but protection ({rule.title})."),
        remedy="Protect it there with a raceway or another approved means.",
    )


def _finding(
    fitted: FittedRun,
    stretches: Sequence[Stretch],
    rule: BurialRule,
    numbers: tuple[float, float, float] | None,
    message: str,
    remedy: str,
) -> Finding:
    at_m = sum(stretches[0]) / 2.0 if numbers is None else numbers[2]
    return Finding(
        check="environment",
        severity="violation",
        run=fitted.run.run_id,
        rule=rule.cite,
        at_m=(stretches[0][0], stretches[-1][1]),
        point_m=point_of(fitted, at_m),
        measured=None if numbers is None else numbers[0],
        required=None if numbers is None else numbers[1],
        unit="m",
        message=message,
        remedy=remedy,
    )
