"""Whether every bend is wide enough for its cable."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from route3d.checks.wording import direction
from route3d.fit import LegShortfall, Shortfall, shortfall
from route3d.kernel.path import points_at
from route3d.model.cable import Cable
from route3d.model.finding import Finding, JudgedBend, not_known
from route3d.model.run import Bend, FittedRun
from route3d.rules.bend import BendRequirement
from route3d.rules.records import BendTotalRule
from route3d.scene import Outcome, Scene
from route3d.units import TOLERANCE_M, both_units, millimetres

# Drawn points are rounded, so that four right angles do not add up to 360° exactly; no bender does a tenth of a degree.
_ROUNDING_DEG = 0.1

# What would be enough, and what must be known for it.
_EASY_WAYS = {
    "flat-side": "Bent on its flat side the cable would need {}: say in the run's bent how it is turned.",
    "silent": "On its flat side, by the minor axis, it would need {}: the text does not say which axis counts; say in "
    "the run's bent how it is turned.",
    "disputed": "On its flat side, by the minor axis, it needs {}; the text does not say which axis counts, so this is "
    "a disputed reading.",
    "one-shot": "Made with a one-shot or full-shoe bender it would need {}: say which in the cable's bender.",
}


def check(scene: Scene) -> Outcome:
    """Compare the inner radius of each bend with what is required, and a raceway's sum of bends with its limit."""
    findings: list[Finding] = []
    bends: dict[str, tuple[JudgedBend, ...]] = {}
    for i in scene.judged:
        fitted, required = scene.fitted[i], scene.bend_required[i]
        cable = scene.job.cables[fitted.run.cable_id]
        needs = [required.for_bend(bent) for bent in _lies(fitted)]
        judged = tuple(_judge(bend, cable, need) for bend, need in zip(fitted.bends, needs, strict=True))
        bends[fitted.run.run_id] = judged
        if required.problem is not None and judged:
            findings.append(_unknown(fitted, required, required.problem))
        if required.caution is not None and judged:
            findings.append(_confirm(fitted, required, required.caution))
        if len(fitted.run.bent) not in (0, 1, len(fitted.bends)):
            findings.append(_miscounted(fitted, required))
        findings.extend(_too_tight(fitted, judged, needs))
        total = scene.rules.bend_total(cable.method)
        if total is not None:
            findings.extend(_too_many(fitted, total))
    return Outcome(findings=tuple(findings), bends=bends)


def _lies(fitted: FittedRun) -> list[str | None]:
    """Return for each bend how a flat cable lies in it, None where that is not said."""
    said, count = fitted.run.bent, len(fitted.bends)
    return list(said) if len(said) == count else [said[0] if len(said) == 1 else None] * count


def _judge(bend: Bend, cable: Cable, required: BendRequirement) -> JudgedBend:
    # codes limit the inner edge; the fit works on the centre line
    diameter = cable.overall_diameter_m if cable.overall_diameter_m is not None else cable.sheath_diameter_m
    inner = bend.centre_radius_m - (0.0 if diameter is None else diameter / 2.0)
    ratio = None if required.inner_radius_m is None else inner / required.inner_radius_m
    return JudgedBend(bend, inner, required.inner_radius_m, ratio, required.rule)


def _too_tight(fitted: FittedRun, judged: tuple[JudgedBend, ...], needs: list[BendRequirement]) -> Iterable[Finding]:
    lacking: dict[float, dict[float, Shortfall]] = {}  # by the radius asked for, then by bend
    for number, (one, required) in enumerate(zip(judged, needs, strict=True), start=1):
        if required.inner_radius_m is None or required.centre_radius_m is None:
            continue
        if one.inner_radius_m + TOLERANCE_M >= required.inner_radius_m:
            continue
        centre = required.centre_radius_m
        if centre not in lacking:
            lacking[centre] = {s.bend.from_m: s for s in shortfall(fitted, centre)}
        bend = one.bend
        # what would pass under a condition of which nothing is said cannot be judged
        easy = required.easy_way_m is not None and one.inner_radius_m + TOLERANCE_M >= required.easy_way_m
        needed = f"{both_units(required.inner_radius_m)} is needed ({required.why})."
        found = f"Bend {number} of {math.degrees(bend.turn_rad):.1f}° at {bend.at_m:.2f} m has"
        if bend.centre_radius_m > 0.0:
            message = f"{found} an inner radius of {both_units(one.inner_radius_m)}; at least {needed}"
        else:
            message = f"{found} no room for an arc; an inner radius of at least {needed}"
        if easy and required.easy_way_m is not None:
            message += f" {_EASY_WAYS[required.easy_way].format(both_units(required.easy_way_m))}"
        yield Finding(
            check="bend",
            severity="caution" if easy else "violation",
            run=fitted.run.run_id,
            rule=required.rule,
            at_m=(bend.from_m, bend.to_m),
            point_m=bend.point_m,
            measured=one.inner_radius_m,
            required=required.inner_radius_m,
            unit="m",
            message=message,
            remedy=_remedy(lacking[centre].get(bend.from_m), required),
            unchecked=easy and required.easy_way != "disputed",
        )


def _remedy(lack: Shortfall | None, required: BendRequirement) -> str:
    assert required.centre_radius_m is not None
    if lack is None:
        return f"Give the centre line a radius of {both_units(required.centre_radius_m)}."
    steps = []
    if lack.radius_to_draw_m is not None:
        steps.append(f"draw this arc with a radius of {both_units(lack.radius_to_draw_m)} at the centre line")
    steps += [_lengthen(leg) for leg in (lack.before, lack.after) if leg is not None]
    if not steps:
        steps = [f"give the centre line a radius of {both_units(required.centre_radius_m)}"]
    text = ", and ".join(steps)
    return f"{text[0].upper()}{text[1:]}."


def _lengthen(leg: LegShortfall) -> str:
    between = f"points {leg.corner_before + 1} and {leg.corner_after + 1}"
    if not math.isfinite(leg.lack_m):
        return f"take out the turn beside {between}: the run folds back there"
    moved = (
        f"point {leg.move_corner + 1}"
        if leg.move_corner == leg.move_to_corner
        else f"points {leg.move_corner + 1} to {leg.move_to_corner + 1}"
    )
    x, y, z = (float(part) for part in leg.direction)
    shift = direction((0.0, 0.0, 0.0), (x, y, z), leg.lack_m)
    end = "; the end of the run moves with it" if leg.moves_end else ""
    return (
        f"make the leg between {between} {both_units(leg.lack_m)} longer "
        f"({millimetres(leg.leg_m)} now, {millimetres(leg.needed_m)} needed): move {moved} {shift}{end}"
    )


def _unknown(fitted: FittedRun, required: BendRequirement, problem: str) -> Finding:
    count = len(fitted.bends)
    judged = f"the {count} bend{'' if count == 1 else 's'} of this run"
    message = f"No bend limit for {judged}: {problem}"
    return not_known(fitted.run.run_id, None, required.rule, message, problem, point_m=_middle(fitted))


def _miscounted(fitted: FittedRun, required: BendRequirement) -> Finding:
    said, count = len(fitted.run.bent), len(fitted.bends)
    message = f"The run's bent names {said} bends, and the fit has {count}: none of them was taken from it."
    remedy = f"Give bent one word for all bends, or {count} of them."
    return not_known(fitted.run.run_id, None, required.rule, message, remedy, point_m=_middle(fitted))


def _confirm(fitted: FittedRun, required: BendRequirement, caution: str) -> Finding:
    return Finding(
        check="bend",
        severity="caution",
        run=fitted.run.run_id,
        rule=required.rule,
        point_m=_middle(fitted),
        required=required.inner_radius_m,
        unit="m",
        message=caution,
        remedy="Confirm the multiplier with the maker's data and the listing.",
    )


def _too_many(fitted: FittedRun, rule: BendTotalRule) -> Iterable[Finding]:
    total = math.degrees(sum(bend.turn_rad for bend in fitted.bends))
    if total <= rule.degrees_max + _ROUNDING_DEG:
        return
    over = total - rule.degrees_max
    yield Finding(
        check="bend",
        severity="violation",
        run=fitted.run.run_id,
        rule=rule.cite,
        at_m=(fitted.bends[0].from_m, fitted.bends[-1].to_m),
        point_m=fitted.bends[-1].point_m,
        measured=total,
        required=rule.degrees_max,
        unit="deg",
        message=f"The {len(fitted.bends)} bends of this raceway add up to {total:.1f}°; {rule.degrees_max:g}° at most "
        "are allowed between pull points.",
        remedy=f"Take out {over:.1f}° of bends, or set a pull point (a box or a conduit body) on the way.",
    )


def _middle(fitted: FittedRun) -> tuple[float, float, float]:
    x, y, z = points_at(fitted.pieces, np.array([fitted.length_m / 2.0]))[0].tolist()
    return (x, y, z)
