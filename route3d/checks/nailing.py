"""Runs along framing: how far from the edges to which finish is nailed. How that is read: route3d.rules.protection."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from route3d.checks.members import Members, Piece, straights
from route3d.checks.placing import common, gaps_by_run, listed, mesh_index, point_of, within_each, without
from route3d.checks.plates import Plates
from route3d.checks.wording import along, called
from route3d.kernel.clearance import nearest_elements
from route3d.kernel.path import concatenated, trimmed
from route3d.model.finding import Finding
from route3d.model.gap import Gap, Stretch, united
from route3d.model.run import FittedRun
from route3d.rules.protection import Asked, asked_of
from route3d.scene import Scene
from route3d.units import TOLERANCE_M, both_units

PARALLEL_DEG = 5.0  # a run within this angle of a member's axis runs along it
SHORTEST_M = 0.05  # practice: a shorter stretch is where a run passes by
UNJUDGED_M = 0.3  # beside framing of no recognised shape: from this length on it is said


@dataclass(frozen=True, slots=True, eq=False)
class _Beside:
    """One stretch of a run along one member, nearer to its nailing edge than asked."""

    stretch: Stretch
    at_m: float
    gap_m: float
    piece: Piece


@dataclass(frozen=True, slots=True)
class _Places:
    """Where one run is concealed, where it may be fished, and where it is above lay-in ceilings."""

    concealed: tuple[Stretch, ...]
    fished: tuple[Stretch, ...]
    lay_in: tuple[Stretch, ...]


def nailing_findings(scene: Scene, plates: Plates, members: Members) -> Iterable[Finding]:
    """Judge every run along the members that it is within reach of."""
    gaps = gaps_by_run(scene)
    for i in scene.judged:
        fitted = scene.fitted[i]
        cable = scene.job.cables[fitted.run.cable_id]
        limit = asked_of(scene.rules, "parallel-to-framing", cable.method)
        if limit is None or limit.limit_m is None:
            continue
        radius = 0.0 if cable.radius_m is None else cable.radius_m
        pieces = members.near(fitted, limit.limit_m + radius)
        if not pieces:
            continue
        places = _places(scene, i, gaps[i])
        beside, unknown = _beside(fitted, pieces, limit.limit_m, radius, plates.along(fitted, limit.limit_m + radius))
        yield from _judged(fitted, beside, places, limit)
        yield from _unjudged(fitted, unknown, places, limit)


def _places(scene: Scene, i: int, gaps: Sequence[Gap]) -> _Places:
    zones = scene.zones[i]
    closed = [(s.from_m, s.to_m) for s in zones if s.zone.kind == "inaccessible"]
    for gap in gaps:
        if gap.element is not None and scene.job.elements[gap.element].role in ("wall", "fire-wall"):
            closed += gap.inside_m
    finished = [(s.from_m, s.to_m) for s in zones if s.zone.kind == "inaccessible" and s.zone.finished]
    held = [s.at_m for s in scene.attached[i].supports if s.kind in ("strap", "hanger", "framing")]
    # what is strapped in there was not fished
    fished = [(a, b) for a, b in finished if not any(a - TOLERANCE_M <= at <= b + TOLERANCE_M for at in held)]
    lay_in = [(s.from_m, s.to_m) for s in zones if s.zone.kind == "accessible-ceiling"]
    return _Places(
        united([s for s in closed if s[1] > s[0]], TOLERANCE_M),
        united(fished, TOLERANCE_M),
        united(without(lay_in, closed), TOLERANCE_M),
    )


def _beside(
    fitted: FittedRun, pieces: Sequence[Piece], limit_m: float, radius: float, plated: Sequence[Stretch]
) -> tuple[list[_Beside], list[tuple[Stretch, Piece]]]:
    """Return where a run is too near to nailing edges, and where it is beside framing of no recognised shape."""
    meshes = [p.triangles_m if p.member is None else p.member.strips.reshape(-1, 3, 3) for p in pieces]
    index = mesh_index(meshes)
    reach = limit_m + radius - TOLERANCE_M
    found: list[_Beside] = []
    unknown: list[tuple[Stretch, Piece]] = []
    for number, (piece, near) in enumerate(zip(pieces, within_each(fitted, index, reach), strict=True)):
        if piece.member is None:
            unknown += [(s, piece) for s in near if s[1] - s[0] >= UNJUDGED_M]
            continue
        parallel = common(near, straights(fitted, piece.member.axis, 0.0, PARALLEL_DEG))
        for stretch in without(united(parallel, TOLERANCE_M), plated):
            if stretch[1] - stretch[0] < SHORTEST_M:
                continue
            rows, starts = concatenated([trimmed(fitted.pieces, *stretch)])
            skip = np.arange(len(pieces)) != number
            nearest = nearest_elements(
                index, rows, starts, np.zeros(1), np.full(len(pieces), reach + radius + 1.0), skip=skip
            )
            worst = stretch[0] + float(nearest.at_m[0])
            found.append(_Beside(stretch, worst, float(nearest.distance_m[0]) - radius, piece))
    return found, unknown


def _judged(fitted: FittedRun, beside: Sequence[_Beside], places: _Places, limit: Asked) -> Iterable[Finding]:
    hidden = [b for b in beside if _longest(common([b.stretch], without(places.concealed, places.fished)))]
    exposed = [b for b in beside if _longest(without([b.stretch], [*places.concealed, *places.lay_in]))]
    fished = [b for b in beside if _longest(common([b.stretch], places.fished))]
    if hidden:
        yield _finding(fitted, hidden, limit, "violation", "Inside closed construction the cable")
    elif exposed:
        yield _finding(fitted, exposed, limit, "caution", "Where it is exposed the cable")
    if fished:
        yield Finding(
            check="framing",
            severity="note",
            run=fitted.run.run_id,
            rule=limit.rule,
            at_m=(fished[0].stretch[0], fished[-1].stretch[1]),
            point_m=point_of(fitted, fished[0].at_m),
            measured=min(b.gap_m for b in fished),
            required=limit.limit_m,
            unit="m",
            message=f"Along framing at {listed([b.stretch for b in fished])} it counts as fished in finished "
            "construction, since nothing holds it there; fishing is exempt from the distance to nailing edges.",
            remedy="If it is not fished, keep the distance or set plates.",
        )


def _longest(parts: Sequence[Stretch]) -> bool:
    return any(b - a >= SHORTEST_M for a, b in parts)


def _finding(fitted: FittedRun, beside: Sequence[_Beside], limit: Asked, severity: str, where: str) -> Finding:
    required = limit.limit_m
    assert required is not None
    worst = min(beside, key=lambda b: b.gap_m)
    stretches = united([b.stretch for b in beside], TOLERANCE_M)
    length = sum(b - a for a, b in stretches)
    also = f" (and along others at {listed([b.stretch for b in beside if b is not worst])})" if len(beside) > 1 else ""
    confirm = "" if severity == "violation" else " It matters if anything is nailed or screwed to that edge."
    return Finding(
        check="framing",
        severity=severity,
        run=fitted.run.run_id,
        other=worst.piece.element.element_id,
        rule=limit.rule,
        at_m=(stretches[0][0], stretches[-1][1]),
        point_m=point_of(fitted, worst.at_m),
        measured=worst.gap_m,
        required=required,
        unit="m",
        message=f"{where} runs along {called(worst.piece.element)} at {along(worst.stretch)}{also}, "
        f"{both_units(worst.gap_m)} from the edge to which finish is nailed; "
        f"{both_units(required)} is needed.{confirm}",
        remedy=f"Move it {both_units(required - worst.gap_m)} further from that edge, or protect it with steel "
        f"plates or a sleeve of 1/16 in over {both_units(length)}, at {listed(stretches)}, and say so in the run's "
        "plates.",
    )


def _unjudged(
    fitted: FittedRun, unknown: Sequence[tuple[Stretch, Piece]], places: _Places, limit: Asked
) -> Iterable[Finding]:
    said = [(s, p) for s, p in unknown if _longest(without([s], [*places.lay_in, *places.fished]))]
    if not said:
        return
    hidden = any(_longest(common([s], places.concealed)) for s, _ in said)
    yield Finding(
        check="framing",
        severity="caution",
        run=fitted.run.run_id,
        other=said[0][1].element.element_id,
        rule=limit.rule,
        at_m=said[0][0],
        point_m=point_of(fitted, sum(said[0][0]) / 2.0),
        required=limit.limit_m,
        unit="m",
        message=f"Runs close beside {called(said[0][1].element)} at {listed([s for s, _ in said])}, whose shape is not "
        "that of one straight member: the distance to its nailing edges is not judged.",
        remedy="Draw each member as a body of its own, or confirm the distance on site.",
        unchecked=hidden,
    )
