"""Openings drawn in framing that are no plain holes: open webs, large recesses, and what could not be understood.

None of them holds a run. The rule on bored holes is not for them; what it is for still matters, so a cable in one that
is as near to an edge of the member as nails reach is a caution, and so is a recess that may be a notch.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from route3d.checks.placing import listed, point_of
from route3d.checks.plates import Plates
from route3d.checks.wording import along, called
from route3d.model.finding import Finding
from route3d.model.opening import DrawnOpening
from route3d.model.run import FittedRun
from route3d.rules.protection import Asked, asked_of
from route3d.scene import Scene
from route3d.units import TOLERANCE_M, both_units


def wide_opening_findings(scene: Scene, plates: Plates) -> Iterable[Finding]:
    """Tell of each run where it passes through such openings, and which of the others do not hold it."""
    for i in scene.judged:
        fitted = scene.fitted[i]
        # where it passes through the member all the same, it is judged as a bored hole
        openings = [o for o in scene.openings_of(i) if not o.bored_m]
        if not openings:
            continue
        limit = asked_of(scene.rules, "bored-hole-edge", scene.job.cables[fitted.run.cable_id].method)
        required = None if limit is None else limit.limit_m
        wooden = [o for o in openings if required is not None and scene.job.elements[o.element].material != "metal"]
        unclear = [o for o in wooden if o.kind == "unclear"]
        if unclear:
            yield _finding(
                scene, fitted, unclear, limit, "caution", "goes into an opening drawn in", "how far its edge is from "
                "the edges of the member could not be measured on both sides", "Draw the member as one closed solid "
                "with flat sides, or measure on site.", unchecked=True,
            )  # fmt: skip
        recesses = [o for o in wooden if o.kind == "recess" and not plates.over_hole(fitted, o.stretch_m, o.edges)]
        if recesses:
            notch = asked_of(scene.rules, "notch", scene.job.cables[fitted.run.cable_id].method)
            yield _finding(
                scene, fitted, recesses, notch or limit, "caution", "passes through a recess of",
                "if it was cut out as a notch it needs a steel plate",
                "Confirm that it is no notch, or set a steel plate of 1/16 in over it.",
            )  # fmt: skip
        near = [
            o
            for o in wooden
            if o.kind == "wide" and o.edges and required is not None and o.edges[0].gap_m < required - TOLERANCE_M
            and not plates.over_hole(fitted, o.stretch_m, tuple(e for e in o.edges if e.gap_m < required - TOLERANCE_M))
        ]  # fmt: skip
        if near:
            yield _finding(
                scene, fitted, near, limit, "caution", "passes through an opening of", "it is no bored hole, but the "
                "cable is as near to the edge as nails and screws may reach",
                "Move it further from that edge, or confirm that nothing is nailed or screwed there.",
                measured=min(o.edges[0].gap_m for o in near),
            )  # fmt: skip
        rest = [o for o in openings if not o.holds and o.why_not and o not in [*unclear, *recesses, *near]]
        if rest:
            yield _finding(
                scene, fitted, rest, None, "note", "passes through an opening of", "",
                "Draw a strap where it is strapped to the member, or a hanger where it rests on something.",
            )  # fmt: skip


def _finding(
    scene: Scene,
    fitted: FittedRun,
    openings: Sequence[DrawnOpening],
    limit: Asked | None,
    severity: str,
    does: str,
    so: str,
    remedy: str,
    measured: float | None = None,
    unchecked: bool = False,
) -> Finding:
    first = openings[0] if measured is None else min(openings, key=lambda o: o.edges[0].gap_m)
    element = scene.job.elements[first.element]
    others = [o.stretch_m for o in openings if o is not first]
    also = f" (and others at {listed(others)})" if others else ""
    distance = "" if measured is None else f", {both_units(measured)} from it"
    size = f" of {both_units(first.size_m[0])} × {both_units(first.size_m[1])}"
    return Finding(
        check="framing",
        severity=severity,
        run=fitted.run.run_id,
        other=element.element_id if len({o.element for o in openings}) == 1 else None,
        rule="practice" if limit is None else limit.rule,
        at_m=(openings[0].stretch_m[0], openings[-1].stretch_m[1]),
        point_m=point_of(fitted, sum(first.stretch_m) / 2.0),
        measured=measured,
        required=None if limit is None or measured is None else limit.limit_m,
        unit="m",
        message=f"At {along(first.stretch_m)}{also} it {does} {called(element)}{size}"
        + (f"; {so}{distance}" if so else "")
        + (f". It does not count as held there: {first.why_not}." if first.why_not else "."),
        remedy=remedy,
        unchecked=unchecked,
    )
