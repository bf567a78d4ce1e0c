"""Which boxes, straps, hangers and framing hold each run, and where along it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from route3d.kernel.clearance import nearest_elements
from route3d.kernel.mesh_index import MeshIndex
from route3d.kernel.path import closest_at, concatenated, path_length, points_at, straight_piece, tangents_at
from route3d.kernel.solid import elements_around
from route3d.model.element import END_ROLES
from route3d.model.finding import Finding
from route3d.model.gap import Gaps
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.model.support import Attachment, Support, Termination
from route3d.units import both_units

HOLDING_ROLES = ("strap", "hanger")

# Openings in framing hold horizontal runs; a run steeper than this hangs in them instead.
STEEPEST_HORIZONTAL_RAD = np.radians(45.0)


@dataclass(frozen=True, slots=True)
class Attached:
    """One attachment per run, and what is worth confirming about the straps."""

    runs: tuple[Attachment, ...]
    findings: tuple[Finding, ...]


def attach_runs(job: Job, fitted: Sequence[FittedRun], index: MeshIndex) -> Attached:
    """Find what ends and holds each run: what the project file says, else what is drawn within ``attach`` of it.

    ``index`` holds the job's elements in their order. Framing is added by ``with_framing`` once crossings are measured.
    """
    ends = _ends_nearby(job, fitted, index)
    held, findings = _holders_nearby(job, fitted, index)
    attachments = []
    for i, run in enumerate(fitted):
        start = _termination(job, run.run.start, ends[2 * i])
        end = _termination(job, run.run.end, ends[2 * i + 1])
        supports = [*held[i], *_declared(run), *_fittings(run, start, end)]
        attachments.append(Attachment(start, end, tuple(sorted(supports, key=lambda s: (s.at_m, not s.secures)))))
    return Attached(tuple(attachments), findings)


def with_framing(
    job: Job, fitted: Sequence[FittedRun], attached: Sequence[Attachment], gaps: Gaps
) -> tuple[Attachment, ...]:
    """Add the framing that each run passes through; horizontal runs through bored framing are held by it."""
    added: dict[int, list[Support]] = {}
    for gap in gaps.pairs:
        if gap.element is None or job.elements[gap.element].role != "framing":
            continue
        element = job.elements[gap.element]
        for from_m, to_m in gap.inside_m:
            at_m = (from_m + to_m) / 2.0
            slope = abs(tangents_at(fitted[gap.run].pieces, np.array([at_m]))[0, 2])
            if to_m - from_m <= job.settings.bore_length_m and slope <= np.sin(STEEPEST_HORIZONTAL_RAD):
                added.setdefault(gap.run, []).append(Support(at_m, "framing", True, element.element_id))
    return tuple(
        replace(a, supports=tuple(sorted([*a.supports, *added[i]], key=lambda s: (s.at_m, not s.secures))))
        if i in added
        else a
        for i, a in enumerate(attached)
    )


def _ends_nearby(job: Job, fitted: Sequence[FittedRun], index: MeshIndex) -> list[int | None]:
    """Return for each end (start, end of run 0, start, end of run 1, …) the element it goes to, or None."""
    points = np.array(
        [p for run in fitted for p in points_at(run.pieces, np.array([0.0, path_length(run.pieces)]))]
    ).reshape(-1, 3)
    is_end = np.array([element.role in END_ROLES for element in job.elements], dtype=bool)
    best: list[tuple[float, int] | None] = [None] * len(points)
    if not is_end.any():
        return [None] * len(points)

    pieces, starts = concatenated([straight_piece(p, p, 0.0)[None, :] for p in points])
    near = nearest_elements(
        index,
        pieces,
        starts,
        np.zeros(len(points)),
        job.settings.attach_m + np.array([element.thickness_m for element in job.elements]),
        skip=~is_end,
    )
    found = list(zip(near.distance_m.tolist(), near.path.tolist(), near.element.tolist(), strict=True))
    closed = np.array([element.closed for element in job.elements], dtype=bool)
    at_point, around = elements_around(index, points, closed & is_end)
    found += [(-1.0, int(p), int(e)) for p, e in zip(at_point, around, strict=True)]
    for distance, point, element in found:
        known = best[point]
        if known is None or (distance, element) < known:
            best[point] = (distance, element)
    return [None if b is None else b[1] for b in best]


def _termination(job: Job, said: str | None, nearby: int | None) -> Termination:
    element = None if nearby is None else job.elements[nearby]
    if said == "open":
        return Termination("open", None)
    if said is not None:
        return Termination(said, None if element is None else element.element_id)
    if element is None:
        return Termination("open", None)
    return Termination(element.role, element.element_id)


def _fittings(run: FittedRun, start: Termination, end: Termination) -> Iterable[Support]:
    """The fitting at a termination holds the cable, and intervals are measured from it."""
    for at_m, said, key in ((0.0, start, "start"), (run.length_m, end, "end")):
        if said.kind != "open":
            kind = "box" if said.kind in ("box", "cabinet") else "fitting"
            source = said.element_id if said.element_id is not None else f"{run.run.where} {key} = {said.kind}"
            yield Support(at_m, kind, True, source)


def _declared(run: FittedRun) -> Iterable[Support]:
    for number, at_m in enumerate(run.run.straps_at_m, start=1):
        yield Support(at_m, "strap", True, f"{run.run.where} straps[{number}]")
    for number, at_m in enumerate(run.run.supports_at_m, start=1):
        yield Support(at_m, "hanger", False, f"{run.run.where} supports[{number}]")


def _holders_nearby(
    job: Job, fitted: Sequence[FittedRun], index: MeshIndex
) -> tuple[list[list[Support]], tuple[Finding, ...]]:
    """Return the straps and hangers drawn within ``attach`` of each run's surface."""
    held: list[list[Support]] = [[] for _ in fitted]
    holds = np.array([element.role in HOLDING_ROLES for element in job.elements], dtype=bool)
    if not holds.any():
        return held, ()
    pieces, starts = concatenated([run.pieces for run in fitted])
    radius = np.array([_radius(job, run) for run in fitted])
    reach = job.settings.attach_m + np.array([element.thickness_m for element in job.elements])
    near = nearest_elements(index, pieces, starts, radius, reach, skip=~holds)
    users: dict[int, list[tuple[float, int]]] = {}
    for i, e, distance in zip(near.path.tolist(), near.element.tolist(), near.distance_m.tolist(), strict=True):
        element = job.elements[e]
        _, at_m = closest_at(fitted[i].pieces, element.centre_m)
        held[i].append(Support(at_m, element.role, element.role == "strap", element.element_id))
        users.setdefault(e, []).append((max(distance - radius[i], 0.0), i))
    findings = [f for e, near_runs in users.items() for f in _shared(job, fitted, e, near_runs)]
    unused = [e for e in np.flatnonzero(holds).tolist() if e not in users]
    return held, (*findings, *_unused(job, unused))


def _shared(job: Job, fitted: Sequence[FittedRun], e: int, near_runs: list[tuple[float, int]]) -> Iterable[Finding]:
    """A strap drawn on one run counts for every run within reach of it: say so where it does not touch that run."""
    near_runs = sorted(near_runs)
    nearest_gap, nearest_run = near_runs[0]
    element = job.elements[e]
    for gap, i in near_runs[1:]:
        if gap <= nearest_gap + 1e-3:
            continue
        _, at_m = closest_at(fitted[i].pieces, element.centre_m)
        yield Finding(
            check="supporting" if element.role == "hanger" else "securing",
            severity="caution",
            run=fitted[i].run.run_id,
            other=element.element_id,
            rule="route3d attach",
            at_m=(at_m, at_m),
            point_m=tuple(points_at(fitted[i].pieces, np.array([at_m]))[0].tolist()),
            measured=gap,
            required=job.settings.attach_m,
            unit="m",
            message=f"The {element.role} {element.element_id} is counted for this run {both_units(gap)} away, but it "
            f"is nearer to {fitted[nearest_run].run.run_id}.",
            remedy="Confirm that it holds both, draw one for each, or make settings.attach smaller.",
        )


def _unused(job: Job, unused: list[int]) -> Iterable[Finding]:
    if unused:
        reach = both_units(job.settings.attach_m)
        names = ", ".join(job.elements[e].element_id for e in unused[:5]) + (" …" if len(unused) > 5 else "")
        yield Finding(
            check="input",
            severity="note",
            run=None,
            other=None,
            rule="route3d attach",
            at_m=None,
            point_m=None,
            measured=float(len(unused)),
            required=None,
            unit="",
            message=f"{len(unused)} strap(s) or hanger(s) hold no run within {reach}: {names}.",
            remedy="Move them onto their run, or make settings.attach larger.",
        )


def _radius(job: Job, run: FittedRun) -> float:
    # a run whose diameter is unknown is checked as a bare line, and is reported as not fully checked
    radius = job.cables[run.run.cable_id].radius_m
    return 0.0 if radius is None else radius
