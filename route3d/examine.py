"""A job in, everything that checks and plans look at out: runs fitted, held, measured, their zones found."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from route3d.attach import attach_runs, with_framing
from route3d.errors import InputError
from route3d.fit import fit_run
from route3d.kernel.mesh_index import MeshIndex, build_index
from route3d.kernel.path import concatenated, path_boxes
from route3d.kernel.solid import inside_stretches
from route3d.measure import measure_gaps
from route3d.model.finding import Finding
from route3d.model.gap import united
from route3d.model.job import Job
from route3d.model.run import FittedRun, Run
from route3d.model.zone import ZoneStretch
from route3d.rules.bend import BendRequirement, required_bend
from route3d.rules.rulebook import RuleBook
from route3d.scene import Scene
from route3d.strapping import judge_straps
from route3d.units import TOLERANCE_M, both_units

# Chords count as one bend where they stay this near to it; half the cable's diameter where that is known.
CHORD_SAGITTA_M = 0.005


@dataclass(frozen=True, slots=True, eq=False)
class Examined:
    """A scene, the search index of its elements in the order of the job, and what was found while holding the runs."""

    scene: Scene
    index: MeshIndex
    findings: tuple[Finding, ...]  # of attachments and straps


def examine(job: Job, rules: RuleBook, say: Callable[[str], None] = lambda _: None) -> Examined:
    """Fit every run, find what holds it, measure its gaps and find its zones; ``say`` is told what is being done.

    Raises
    ------
    InputError
        A strap is placed beyond the end of its run.
    """
    say("fitting bends")
    required = [required_bend(job.cables[run.cable_id], rules) for run in job.runs]
    fitted = tuple(_fit(job, run, need) for run, need in zip(job.runs, required, strict=True))
    for run in fitted:
        _refuse_straps_beyond(run)

    say("sorting the building")
    index = index_of([element.triangles_m for element in job.elements])
    attached = attach_runs(job, fitted, index)
    say("measuring gaps")
    gaps = measure_gaps(job, fitted, attached.runs, index)
    strapped = judge_straps(job, fitted, attached.runs, index, rules)
    say("finding zones")
    scene = Scene(
        job=job,
        rules=rules,
        fitted=fitted,
        bend_required=tuple(required),
        attached=with_framing(job, fitted, strapped.runs, gaps),
        zones=_zone_stretches(job, fitted),
        gaps=gaps,
    )
    return Examined(scene, index, (*attached.findings, *strapped.findings))


def index_of(meshes: Sequence[np.ndarray]) -> MeshIndex:
    """Return the search index over meshes, each (n, 3, 3)."""
    starts = np.zeros(len(meshes) + 1, dtype=np.int64)
    starts[1:] = np.cumsum([len(mesh) for mesh in meshes])
    triangles = np.concatenate(meshes) if meshes else np.empty((0, 3, 3))
    return build_index(triangles, starts)


def _fit(job: Job, run: Run, need: BendRequirement) -> FittedRun:
    radius = job.cables[run.cable_id].radius_m
    return fit_run(run, need.centre_radius_m, job.settings.bend_target, CHORD_SAGITTA_M if radius is None else radius)


def _refuse_straps_beyond(fitted: FittedRun) -> None:
    for key, places in (("straps", fitted.run.straps_at_m), ("supports", fitted.run.supports_at_m)):
        for number, at_m in enumerate(places, start=1):
            if at_m > fitted.length_m + TOLERANCE_M:
                raise InputError(
                    fitted.run.file,
                    f"{both_units(at_m)} is beyond the end of the run, whose fitted length is "
                    f"{both_units(fitted.length_m)}; correct the distance",
                    f"{fitted.run.where} {key}[{number}]",
                )


def _zone_stretches(job: Job, fitted: Sequence[FittedRun]) -> tuple[tuple[ZoneStretch, ...], ...]:
    """Return for each run where it is inside which zone, sorted by distance; solids of one zone are one."""
    solids = [(zone, solid) for zone in job.zones for solid in zone.solids_m]
    result: list[list[ZoneStretch]] = [[] for _ in fitted]
    if not solids or not fitted:
        return tuple(() for _ in fitted)
    index = index_of([solid for _, solid in solids])
    pieces, starts = concatenated([run.pieces for run in fitted])
    boxes = [path_boxes(run.pieces) for run in fitted]
    low = np.array([box[:, :3].min(axis=0) for box in boxes])
    high = np.array([box[:, 3:].max(axis=0) for box in boxes])
    solid_low = np.array([solid.reshape(-1, 3).min(axis=0) for _, solid in solids])
    solid_high = np.array([solid.reshape(-1, 3).max(axis=0) for _, solid in solids])
    meet = ((low[:, None] <= solid_high[None]) & (high[:, None] >= solid_low[None])).all(axis=2)
    run, solid = np.nonzero(meet)
    found = inside_stretches(index, pieces, starts, run, solid)
    inside: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for pair, a, b in zip(found.pair.tolist(), found.from_m.tolist(), found.to_m.tolist(), strict=True):
        zone = solids[int(solid[pair])][0]
        inside.setdefault((int(run[pair]), job.zones.index(zone)), []).append((a, b))
    for (i, z), stretches in inside.items():
        result[i].extend(ZoneStretch(job.zones[z], a, b) for a, b in united(stretches, TOLERANCE_M))
    return tuple(tuple(sorted(stretches, key=lambda s: (s.from_m, s.to_m))) for stretches in result)
