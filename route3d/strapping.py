"""Which straps and hangers have no structure within reach to be fastened to."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from route3d.kernel.clearance import nearest_elements
from route3d.kernel.mesh_index import MeshIndex
from route3d.kernel.path import concatenated, points_at, straight_piece
from route3d.model.finding import Finding
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.model.support import Attachment
from route3d.units import both_units

# What a strap may be fastened to; ceiling grids, pipes, ducts and sprinkler piping are not among them.
HOLDING_ROLES = frozenset({"structure", "framing", "deck", "wall", "fire-wall"})


def straps_in_the_air(
    job: Job, fitted: Sequence[FittedRun], attached: Sequence[Attachment], index: MeshIndex
) -> tuple[Finding, ...]:
    """Return one caution per run whose straps or hangers are further than ``strap_reach`` from any structure.

    Where no structure is modelled at all, nothing can be said, and one note says so.
    """
    holds = np.array([element.role in HOLDING_ROLES for element in job.elements], dtype=bool)
    places = [
        (i, support)
        for i, attachment in enumerate(attached)
        for support in attachment.supports
        if support.kind in ("strap", "hanger")
    ]
    if not places:
        return ()
    if not holds.any():
        nothing = "No structure is modelled, so what the straps hang from is not checked."
        return (_finding(None, None, None, job, nothing),)
    points = np.array([points_at(fitted[i].pieces, np.array([support.at_m]))[0] for i, support in places])
    pieces, starts = concatenated([straight_piece(p, p, 0.0)[None, :] for p in points])
    radii = [job.cables[fitted[i].run.cable_id].radius_m for i, _ in places]
    radius = np.array([0.0 if r is None else r for r in radii])
    reach = np.full(len(job.elements), job.settings.strap_reach_m)
    near = nearest_elements(index, pieces, starts, radius, reach, skip=~holds)
    lonely = np.ones(len(places), dtype=bool)
    lonely[near.path] = False
    by_run: dict[int, list[int]] = {}
    for k in np.flatnonzero(lonely).tolist():
        by_run.setdefault(places[k][0], []).append(k)
    findings = []
    for i, which in by_run.items():
        at = [places[k][1].at_m for k in which]
        listed = ", ".join(f"{a:.2f} m" for a in at[:6]) + (" …" if len(at) > 6 else "")
        message = (
            f"{len(at)} strap(s) or hanger(s) have no structure within {both_units(job.settings.strap_reach_m)} "
            f"to be fastened to: at {listed}."
        )
        point = (float(points[which[0]][0]), float(points[which[0]][1]), float(points[which[0]][2]))
        findings.append(_finding(fitted[i].run.run_id, (min(at), max(at)), point, job, message))
    return tuple(findings)


def _finding(
    run_id: str | None,
    at_m: tuple[float, float] | None,
    point_m: tuple[float, float, float] | None,
    job: Job,
    message: str,
) -> Finding:
    return Finding(
        check="securing",
        severity="note" if run_id is None else "caution",
        run=run_id,
        other=None,
        rule="project settings.strap_reach",
        at_m=at_m,
        point_m=point_m,
        measured=None,
        required=job.settings.strap_reach_m,
        unit="m",
        message=message,
        remedy="Move them to structure, plan a rod or a strut for them, or model what they hang from.",
    )
