"""Runs through joists and studs: holes to bore, and what is still to be measured on site."""

from __future__ import annotations

from route3d.checks.wording import along
from route3d.model.finding import Finding
from route3d.model.gap import Gap
from route3d.scene import Outcome, Scene
from route3d.units import both_units


def check(scene: Scene) -> Outcome:
    """List the framing that each run passes through, one finding per run.

    The distance from hole to edge is not measured yet, so it is a caution that asks for it.
    """
    by_run: dict[int, list[Gap]] = {}
    for gap in scene.gaps.pairs:
        if gap.through and gap.element is not None and scene.job.elements[gap.element].role == "framing":
            by_run.setdefault(gap.run, []).append(gap)
    return Outcome(findings=tuple(_finding(scene, i, gaps) for i, gaps in by_run.items()))


def _finding(scene: Scene, i: int, gaps: list[Gap]) -> Finding:
    limit = scene.rules.limit("bored-hole-edge")
    edge_m = None if limit is None else limit.value_m
    keep = "" if edge_m is None else f"Keep each hole's edge at least {both_units(edge_m)} from the nearest edge of "
    holes = sorted(
        (stretch, scene.job.elements[gap.element].element_id)
        for gap in gaps
        if gap.element is not None
        for stretch in gap.stretches_m
    )
    listed = ", ".join(f"{along(stretch)} ({name})" for stretch, name in holes[:6]) + (" …" if len(holes) > 6 else "")
    worst = min(gaps, key=lambda gap: gap.at_m)
    return Finding(
        check="framing",
        severity="caution",
        run=scene.fitted[i].run.run_id,
        other=scene.job.elements[worst.element].element_id if worst.element is not None and len(gaps) == 1 else None,
        rule="practice" if limit is None else limit.cite,
        at_m=(holes[0][0][0], holes[-1][0][1]),
        point_m=worst.point_m,
        measured=None,
        required=edge_m,
        unit="m",
        message=f"Passes through framing in {len(holes)} place(s), as bored holes: {listed}. Their distance from the "
        "edges of the members is not checked here.",
        remedy=f"{keep}the member, or protect it with a plate; the structural designer agrees to holes."
        if keep
        else "The structural designer agrees to holes.",
    )
