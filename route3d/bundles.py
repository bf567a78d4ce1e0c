"""Which cables lie together, place by place, without the spacing that would keep each one cool."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from route3d.kernel.alongside import side_by_side
from route3d.kernel.path import concatenated
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.units import TOLERANCE_M


@dataclass(frozen=True, slots=True)
class Section:
    """A part of one run that has the same company all along."""

    from_m: float
    to_m: float
    runs: tuple[int, ...]  # all runs that lie together here, this one among them, in the job's order


def find_bundles(job: Job, fitted: Sequence[FittedRun], methods: Collection[str]) -> dict[int, tuple[Section, ...]]:
    """Return for each run that lies beside others its sections, sorted by distance; only cables of some methods count.

    Two cables lie together where the gap between their surfaces is smaller than ``settings.bundle_spacing``, or where
    that is not said, than the diameter of the larger of the two; cables that touch always do. A gap that is as wide as
    the spacing, within the tolerance of every comparison, is kept spacing.
    """
    members = [i for i, run in enumerate(fitted) if job.cables[run.run.cable_id].method in methods and len(run.pieces)]
    if len(members) < 2:
        return {}
    radii = [job.cables[fitted[i].run.cable_id].radius_m for i in members]
    radius = np.array([0.0 if r is None else r for r in radii])
    said = job.settings.bundle_spacing_m
    spacing = 2.0 * radius if said is None else np.full(len(members), said)
    pieces, starts = concatenated([fitted[i].pieces for i in members])
    found = side_by_side(pieces, starts, radius, np.maximum(spacing - TOLERANCE_M, TOLERANCE_M))

    order = np.lexsort((found.path, found.group))
    edges = np.searchsorted(found.group[order], np.arange(found.group.max(initial=-1) + 2))
    company = [
        tuple(members[i] for i in np.unique(found.path[order[a:b]]).tolist())
        for a, b in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    ]
    sections: dict[int, list[Section]] = {}
    for path, low, high, group in zip(*(column.tolist() for column in found), strict=True):
        if len(company[group]) > 1:
            sections.setdefault(members[path], []).append(Section(low, high, company[group]))
    return {i: tuple(parts) for i, parts in sections.items()}
