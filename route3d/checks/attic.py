"""Cables across the framing of attics: guard strips near the hatch, or everywhere where stairs lead up."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from route3d.checks.members import Members, straights
from route3d.checks.placing import common, gaps_by_run, listed, mesh_index, point_of, within_each, without
from route3d.kernel.clearance import nearest_elements
from route3d.kernel.mesh_index import MeshIndex
from route3d.kernel.path import concatenated, path_length, trimmed
from route3d.model.finding import Finding
from route3d.model.gap import Gap, Stretch, united
from route3d.model.run import FittedRun
from route3d.model.zone import Zone, ZoneStretch
from route3d.rules.protection import of_family
from route3d.rules.records import LimitRule
from route3d.scene import Scene
from route3d.units import TOLERANCE_M, both_units

ACROSS_DEG = 45.0  # a run at a larger angle to a member's axis lies across it, at a smaller one along it
JOIN_M = 0.65  # from one member to the next: common framing stands up to 24 in apart
SHORTEST_M = 0.01


def attic_findings(scene: Scene, members: Members) -> Iterable[Finding]:
    """Judge every run that enters an attic, of the methods that need guards there."""
    gaps = gaps_by_run(scene)
    index = mesh_index([e.triangles_m for e in scene.facts.hatches])
    for i in scene.judged:
        fitted = scene.fitted[i]
        rule = of_family(scene.rules, "attic-guard", scene.job.cables[fitted.run.cable_id].method)
        attics: dict[int, list[ZoneStretch]] = {}
        for stretch in scene.zones[i]:
            if stretch.zone.kind == "attic":
                attics.setdefault(id(stretch.zone), []).append(stretch)
        if rule is None or rule.value_m is None:
            continue
        for inside in attics.values():
            finding = _judged(scene, i, inside, rule, (members, index, gaps[i]))
            if finding is not None:
                yield finding


def _judged(
    scene: Scene,
    i: int,
    inside: Sequence[ZoneStretch],
    rule: LimitRule,
    around: tuple[Members, MeshIndex, Sequence[Gap]],
) -> Finding | None:
    members, hatches, gaps = around
    fitted, zone = scene.fitted[i], inside[0].zone
    radius = scene.job.cables[fitted.run.cable_id].radius_m
    radius = 0.0 if radius is None else radius
    stretches = common([(s.from_m, s.to_m) for s in inside], _low_enough(scene, fitted, zone))
    across = common(stretches, _across(scene, i, members, radius, gaps))
    bare = [s for s in without(across, fitted.run.guards_m) if s[1] - s[0] >= SHORTEST_M]
    if not bare:
        return None
    if zone.stairs:
        return _finding(fitted, zone, bare, rule, "attic with permanent stairs: guards are needed wherever", None)
    if not hatches.element_count:
        return _no_hatch(fitted, zone, bare, rule)
    assert rule.value_m is not None
    near = [s for part in within_each(fitted, hatches, rule.value_m + radius - TOLERANCE_M) for s in part]
    bare = [s for s in common(bare, united(near, TOLERANCE_M)) if s[1] - s[0] >= SHORTEST_M]
    if not bare:
        return None
    return _finding(fitted, zone, bare, rule, "attic without stairs: near its hatch guards are needed where",
                    _nearest(fitted, bare, hatches) - radius)  # fmt: skip


def _across(scene: Scene, i: int, members: Members, radius: float, gaps: Sequence[Gap]) -> list[Stretch]:
    """Return where a run lies across framing that it could be fastened to, from the first member to the last."""
    fitted, reach = scene.fitted[i], scene.job.settings.strap_reach_m + radius
    bored = [s for gap in gaps if gap.through for s in gap.stretches_m]
    bored += [o.stretch_m for o in scene.openings_of(i) if o.kind in ("hole", "notch")]
    pieces = members.near(fitted, reach)
    if not pieces:
        return []
    found: list[Stretch] = []
    index = mesh_index([p.triangles_m for p in pieces])
    for piece, near in zip(pieces, within_each(fitted, index, reach), strict=True):
        # what passes through a member is in a bored hole, and not on it
        on = [s for s in near if not any(a < s[1] and s[0] < b for a, b in bored)]
        if piece.member is not None:
            on = common(on, straights(fitted, piece.member.axis, ACROSS_DEG, 90.0))
        found += on
    return list(united(found, JOIN_M))


def _low_enough(scene: Scene, fitted: FittedRun, zone: Zone) -> list[Stretch]:
    """Return where a run is no higher above the floor of its attic than guards are asked for."""
    height = scene.rules.limit("attic-height")
    if height is None or height.value_m is None or not zone.solids_m:
        return [(0.0, path_length(fitted.pieces))]
    top = min(float(solid[:, :, 2].min()) for solid in zone.solids_m) + height.value_m
    low, high = fitted.run.corners_m.min(axis=0), fitted.run.corners_m.max(axis=0)
    if high[2] <= top:
        return [(0.0, path_length(fitted.pieces))]
    # everything below a level sheet that is larger than the run: within so much of a slab far below
    reach = float(np.linalg.norm(high - low)) + 10.0
    x, y = (low[:2] + high[:2]) / 2.0
    floor = min(float(low[2]), top) - 1.0
    a, b = np.array([x - reach, y - reach, floor]), np.array([x + reach, y - reach, floor])
    c, d = np.array([x + reach, y + reach, floor]), np.array([x - reach, y + reach, floor])
    return within_each(fitted, mesh_index([np.array([[a, b, c], [a, c, d]])]), top - floor)[0]


def _nearest(fitted: FittedRun, bare: Sequence[Stretch], hatches: MeshIndex) -> float:
    rows, starts = concatenated([trimmed(fitted.pieces, a, b) for a, b in bare])
    near = nearest_elements(hatches, rows, starts, np.zeros(len(bare)), np.full(hatches.element_count, 100.0))
    return float(near.distance_m.min())


def _finding(
    fitted: FittedRun, zone: Zone, bare: Sequence[Stretch], rule: LimitRule, where: str, gap_m: float | None
) -> Finding:
    length = sum(b - a for a, b in bare)
    near = "" if gap_m is None or rule.value_m is None else (
        f", {both_units(gap_m)} from the edge of the hatch, and guards are asked for within {both_units(rule.value_m)}"
    )  # fmt: skip
    return Finding(
        check="framing",
        severity="violation",
        run=fitted.run.run_id,
        rule=rule.cite,
        at_m=(bare[0][0], bare[-1][1]),
        point_m=point_of(fitted, sum(bare[0]) / 2.0),
        measured=gap_m,
        required=None if gap_m is None else rule.value_m,
        unit="m",
        message=f"{zone.name!r} is an {where} the cable lies across framing: at {listed(bare)} it has none{near}.",
        remedy=f"Set guard strips at least as high as the cable over {both_units(length)} and say so in the run's "
        "guards, run it along the sides of the framing or through bored holes.",
    )


def _no_hatch(fitted: FittedRun, zone: Zone, bare: Sequence[Stretch], rule: LimitRule) -> Finding:
    return Finding(
        check="framing",
        severity="caution",
        run=fitted.run.run_id,
        rule=rule.cite,
        at_m=(bare[0][0], bare[-1][1]),
        point_m=point_of(fitted, sum(bare[0]) / 2.0),
        required=rule.value_m,
        unit="m",
        message=f"The cable lies across framing in the attic {zone.name!r} at {listed(bare)}, and its hatch is "
        "not drawn: whether guard strips are needed cannot be told.",
        remedy="Draw the hatch on a layer of role access-panel, or say stairs = true of the zone.",
        unchecked=True,
    )
