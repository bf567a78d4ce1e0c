"""Holes and notches: how far each is from the edges of its framing member, where nails and screws come in.

The rule measures from the edge of the hole. A hole that is drawn is measured from its own rim; where a run passes
through a member in which none is drawn, a hole is taken to be bored as wide as ``hole_allowance`` says.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from route3d.checks.members import Members
from route3d.checks.placing import gaps_by_run, listed, point_of
from route3d.checks.plates import Plates
from route3d.checks.wording import along, called, direction
from route3d.kernel.bore import Edge
from route3d.kernel.path import points_at, tangents_at
from route3d.model.element import Element
from route3d.model.finding import Finding
from route3d.model.gap import Gap, Stretch
from route3d.model.opening import DrawnOpening
from route3d.model.run import FittedRun
from route3d.rules.protection import Asked, asked_of
from route3d.scene import Scene
from route3d.units import TOLERANCE_M, both_units

_AT_END_M = 1e-6
REACH_M = 0.1  # edges further from a hole than this are not told, but for the nearest


@dataclass(frozen=True, slots=True, eq=False)
class Hole:
    """One crossing of a run and a framing member; ``edges`` is empty where they could not be found."""

    stretch: Stretch
    element: Element
    edges: tuple[Edge, ...]  # of the mouth that is nearer to an edge, the nearest first
    drawn: bool = False
    open_to_edge: bool = False  # drawn as a notch

    @property
    def gap_m(self) -> float:
        """From the rim of the hole to the nearest edge of the member."""
        return self.edges[0].gap_m

    @property
    def is_notch(self) -> bool:
        """Whether it breaks through an edge."""
        return self.open_to_edge or (bool(self.edges) and self.gap_m < -TOLERANCE_M)


def bored_findings(scene: Scene, plates: Plates, members: Members) -> Iterable[Finding]:
    """Judge the holes of every run; what they have in common is one finding per run."""
    by_run = gaps_by_run(scene)
    for i in scene.judged:
        fitted, gaps = scene.fitted[i], by_run[i]
        openings = [o for o in scene.openings_of(i) if o.kind in ("hole", "notch") or o.bored_m]
        holes = _holes(scene, fitted, gaps, openings, members)
        if holes:
            yield from _judged(scene, fitted, holes, plates)


def _holes(
    scene: Scene, fitted: FittedRun, gaps: Sequence[Gap], openings: Sequence[DrawnOpening], members: Members
) -> list[Hole]:
    settings = scene.job.settings
    diameter = scene.job.cables[fitted.run.cable_id].overall_diameter_m
    radius = ((0.0 if diameter is None else diameter) + settings.hole_allowance_m) / 2.0
    holes = [_drawn(scene, fitted, opening, radius, members) for opening in openings]
    for gap in gaps:
        if not gap.through or gap.element is None:
            continue
        element = scene.job.elements[gap.element]
        if element.role != "framing":
            continue
        taken = [s for o in openings if o.element == gap.element for s in o.bored_m]
        for a, b in gap.inside_m:
            if (a, b) not in taken and any(c - TOLERANCE_M <= a and b <= d + TOLERANCE_M for c, d in gap.stretches_m):
                mouths = [(a, 1.0), (b, -1.0)]
                holes.append(Hole((a, b), element, _edges(fitted, element, mouths, radius, members)))
    return sorted(holes, key=lambda hole: hole.stretch)


def _drawn(scene: Scene, fitted: FittedRun, opening: DrawnOpening, radius: float, members: Members) -> Hole:
    """Return a drawn opening as a hole; where the run misses one of its mouths, with the hole to be bored there."""
    element, (a, b), edges = scene.job.elements[opening.element], opening.stretch_m, opening.edges
    missed = [(a, 1.0)] if any(abs(c - a) <= _AT_END_M for c, _ in opening.bored_m) else []
    missed += [(b, -1.0)] if any(abs(d - b) <= _AT_END_M for _, d in opening.bored_m) else []
    missed = [(at_m, into) for at_m, into in missed if _AT_END_M < at_m < fitted.length_m - _AT_END_M]
    is_notch = opening.kind in ("notch", "recess")
    if missed and not is_notch:
        bored = _edges(fitted, element, missed, radius, members)
        edges = min(edges, bored, key=lambda e: e[0].gap_m) if edges and bored else ()
    return Hole((a, b), element, edges, True, is_notch)


def _edges(
    fitted: FittedRun, element: Element, mouths: Sequence[tuple[float, float]], radius: float, members: Members
) -> tuple[Edge, ...]:
    """Return the edges beside the mouth of a bored hole that is nearer to one; each is a place, and 1 in or -1 out."""
    found = []
    for at_m, into in mouths:
        if not _AT_END_M < at_m < fitted.length_m - _AT_END_M:
            continue  # the run begins or ends inside: it has no mouth there
        place = np.array([at_m])
        point, tangent = points_at(fitted.pieces, place)[0], tangents_at(fitted.pieces, place)[0]
        edges = members.around(element, point).edges_beside(point, tangent, radius, into, REACH_M)
        if not edges:
            return ()
        found.append(edges)
    return min(found, key=lambda edges: edges[0].gap_m) if found else ()


def _judged(scene: Scene, fitted: FittedRun, holes: Sequence[Hole], plates: Plates) -> Iterable[Finding]:
    method = scene.job.cables[fitted.run.cable_id].method
    wooden = [hole for hole in holes if hole.element.material != "metal"]
    metal = [hole for hole in holes if hole.element.material == "metal"]
    limit = asked_of(scene.rules, "bored-hole-edge", method)
    if wooden and limit is not None and limit.relieved:
        yield _note(scene, fitted, wooden, limit, f"{method} is relieved of the distance to the edges of the members.")
    elif wooden and limit is not None and limit.limit_m is not None:
        yield from _in_wood(scene, fitted, wooden, limit, plates)
    elif wooden:
        yield _note(scene, fitted, wooden, None, "The rule set asks for no distance to the edges of the members.")
    if metal:
        yield from _in_metal(scene, fitted, metal, plates)
    unnamed = [hole for hole in wooden if hole.element.material is None]
    if unnamed and asked_of(scene.rules, "nm-metal-framing", method) is not None and not fitted.run.grommets:
        yield _grommets(scene, fitted, unnamed, known=False)


def _in_wood(scene: Scene, fitted: FittedRun, holes: Sequence[Hole], limit: Asked, plates: Plates) -> Iterable[Finding]:
    required = limit.limit_m
    assert required is not None
    unknown = [hole for hole in holes if not hole.edges]
    if unknown:
        yield _unmeasured(fitted, unknown, limit)
    near = [hole for hole in holes if hole.edges and hole.gap_m < required - TOLERANCE_M]
    plated = [hole for hole in near if plates.over_hole(fitted, hole.stretch, _too_near(hole, required))]
    bare = [hole for hole in near if hole not in plated]
    notch = asked_of(scene.rules, "notch", scene.job.cables[fitted.run.cable_id].method)
    notches = [hole for hole in bare if notch is not None and hole.is_notch]
    if notch is not None and notches:
        yield _too_near_finding(scene, fitted, notches, notch.rule, required, "Notches")
    holes_near = [hole for hole in bare if hole not in notches]
    if holes_near:
        yield _too_near_finding(scene, fitted, holes_near, limit.rule, required, "Holes")
    fine = [hole for hole in holes if hole.edges and hole not in bare]
    if fine:
        least = min((hole.gap_m for hole in fine if hole not in plated), default=None)
        said = "" if least is None else f"The nearest edge of a member is {both_units(least)} from a hole's rim. "
        said += f"{len(plated)} of them behind steel plates. " if plated else ""
        yield _note(scene, fitted, fine, limit, said.strip(), least)


def _too_near(hole: Hole, required: float) -> tuple[Edge, ...]:
    return tuple(edge for edge in hole.edges if edge.gap_m < required - TOLERANCE_M)


def _too_near_finding(
    scene: Scene, fitted: FittedRun, holes: Sequence[Hole], rule: str, required: float, what: str
) -> Finding:
    worst = min(holes, key=lambda hole: hole.gap_m)
    edge = worst.edges[0]
    at_m = sum(worst.stretch) / 2.0
    others = [hole.stretch for hole in holes if hole is not worst]
    if worst.open_to_edge:
        found = f"is a notch of {both_units(edge.deep_m)} in {called(worst.element)}: it needs a steel plate"
    elif what == "Notches":
        found = f"breaks through the edge of {called(worst.element)} by {both_units(-edge.gap_m)}: a notch, which "
        found += "needs a steel plate"
    else:
        found = f"comes within {both_units(edge.gap_m)} of the edge of {called(worst.element)}; {both_units(required)} "
        found += "is needed without a steel plate"
    also = f" So do {len(others)} more, at {listed(others)}." if others else ""
    lacking = required - edge.gap_m
    sides = len(_too_near(worst, required))
    plate = f"set a steel plate of 1/16 in (or one listed for it) over {'the edge' if sides == 1 else f'{sides} edges'}"
    plate += f" of the member at {along(worst.stretch)}, at least {both_units(edge.width_m)} long, centred on the "
    plate += "notch" if worst.open_to_edge else "hole"
    if worst.open_to_edge:
        remedy = f"{plate[0].upper()}{plate[1:]}."
    elif edge.room_m < edge.deep_m + 2.0 * required - TOLERANCE_M:
        remedy = f"The member is only {both_units(edge.room_m)} across: {plate}."
    else:
        x, y, z = edge.away.tolist()
        remedy = f"Move the hole {direction((0.0, 0.0, 0.0), (x, y, z), lacking)}, or {plate}."
    return Finding(
        check="framing",
        severity="violation",
        run=fitted.run.run_id,
        other=worst.element.element_id if len({hole.element.element_id for hole in holes}) == 1 else None,
        rule=rule,
        at_m=(holes[0].stretch[0], holes[-1].stretch[1]),
        point_m=point_of(fitted, at_m),
        measured=edge.gap_m,
        required=required,
        unit="m",
        message=f"The {'drawn opening' if worst.drawn else 'bored hole'} at {along(worst.stretch)} {found}.{also}"
        f"{_bored(scene, fitted, holes)}{_wood(holes)}",
        remedy=remedy,
    )


def _bored(scene: Scene, fitted: FittedRun, holes: Sequence[Hole]) -> str:
    """Say how wide the holes are taken to be."""
    if all(hole.drawn for hole in holes):
        return " They are measured as drawn." if len(holes) > 1 else " It is measured as drawn."
    diameter = scene.job.cables[fitted.run.cable_id].overall_diameter_m
    allowance = scene.job.settings.hole_allowance_m
    wide = (0.0 if diameter is None else diameter) + allowance
    how = "as wide as the cable" if allowance == 0.0 else f"{both_units(allowance)} wider than the cable"
    which = "Holes that are not drawn" if any(hole.drawn for hole in holes) else "Holes"
    return f" {which} are taken as {both_units(wide)} wide, {how}."


def _kind(holes: Sequence[Hole]) -> str:
    drawn = sum(hole.drawn for hole in holes)
    return "drawn opening" if drawn == len(holes) else "bored hole" if not drawn else "bored hole(s) and drawn opening"


def _wood(holes: Sequence[Hole]) -> str:
    unnamed = sorted({hole.element.layer for hole in holes if hole.element.material is None})
    if not unnamed:
        return ""
    return f" {', '.join(unnamed)} counts as wood, since [framing] does not say what it is made of."


def _unmeasured(fitted: FittedRun, holes: Sequence[Hole], limit: Asked) -> Finding:
    return Finding(
        check="framing",
        severity="caution",
        run=fitted.run.run_id,
        other=holes[0].element.element_id if len(holes) == 1 else None,
        rule=limit.rule,
        at_m=(holes[0].stretch[0], holes[-1].stretch[1]),
        point_m=point_of(fitted, sum(holes[0].stretch) / 2.0),
        required=limit.limit_m,
        unit="m",
        message=f"How far {len(holes)} bored hole(s) at {listed([h.stretch for h in holes])} are from the edges of "
        "their members could not be measured: no flat face with a closed outline is where the run goes in and out.",
        remedy="Draw the members as closed solids with flat sides, or measure on site.",
        unchecked=True,
    )


def _note(
    scene: Scene, fitted: FittedRun, holes: Sequence[Hole], limit: Asked | None, said: str, least: float | None = None
) -> Finding:
    names = sorted({hole.element.layer for hole in holes})
    return Finding(
        check="framing",
        severity="note",
        run=fitted.run.run_id,
        other=holes[0].element.element_id if len(holes) == 1 else None,
        rule="practice" if limit is None else limit.rule,
        at_m=(holes[0].stretch[0], holes[-1].stretch[1]),
        point_m=point_of(fitted, sum(holes[0].stretch) / 2.0),
        measured=least,
        required=None if limit is None or least is None else limit.limit_m,
        unit="m",
        message=f"Passes through {', '.join(names)} in {len(holes)} {_kind(holes)}(s): "
        f"{listed([h.stretch for h in holes])}.{said and ' ' + said}{_bored(scene, fitted, holes)}{_wood(holes)}",
        remedy="The structural designer agrees to holes in framing.",
    )


def _in_metal(scene: Scene, fitted: FittedRun, holes: Sequence[Hole], plates: Plates) -> Iterable[Finding]:
    method = scene.job.cables[fitted.run.cable_id].method
    nails = asked_of(scene.rules, "nm-metal-nails", method)
    if asked_of(scene.rules, "nm-metal-framing", method) is None:
        yield _note(scene, fitted, holes, None, "It is metal: the distance to its edges is asked in wood only.")
        return
    if not fitted.run.grommets:
        yield _grommets(scene, fitted, holes, known=True)
    if nails is None or nails.limit_m is None:
        return
    near = [h for h in holes if not h.edges or h.gap_m < nails.limit_m - TOLERANCE_M]
    near = [h for h in near if not h.edges or not plates.over_hole(fitted, h.stretch, _too_near(h, nails.limit_m))]
    if near:
        least = min((h.gap_m for h in near if h.edges), default=None)
        yield Finding(
            check="framing",
            severity="caution",
            run=fitted.run.run_id,
            rule=nails.rule,
            at_m=(near[0].stretch[0], near[-1].stretch[1]),
            point_m=point_of(fitted, sum(near[0].stretch) / 2.0),
            measured=least,
            required=nails.limit_m,
            unit="m",
            message=f"{method} passes through metal framing at {listed([h.stretch for h in near])}, nearer to the edge "
            "than nails and screws may reach. The code states no distance for metal; that of wood is compared.",
            remedy="Protect it with steel sleeves, plates or clips of 1/16 in where nails or screws are likely.",
        )


def _grommets(scene: Scene, fitted: FittedRun, holes: Sequence[Hole], known: bool) -> Finding:
    method = scene.job.cables[fitted.run.cable_id].method
    rule = asked_of(scene.rules, "nm-metal-framing", method)
    assert rule is not None
    missing = known and fitted.run.grommets is False
    what = "metal framing" if known else "framing of which the project does not say what it is made of"
    return Finding(
        check="framing",
        severity="violation" if missing else "caution" if known else "note",
        run=fitted.run.run_id,
        rule=rule.rule,
        at_m=(holes[0].stretch[0], holes[-1].stretch[1]),
        point_m=point_of(fitted, sum(holes[0].stretch) / 2.0),
        message=f"{method} passes through {what} in {len(holes)} place(s), at {listed([h.stretch for h in holes])}; "
        f"{'there' if known else 'in metal there'} a bushing or grommet is in place before it is pulled"
        + (", and the project says that there is none." if missing else "."),
        remedy="Set grommets in the openings and say grommets = true of the run"
        + ("." if known else ", or say in [framing] that it is wood."),
    )
