"""Which cables lie together, place by place, without the spacing that would keep each one cool."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.alongside import Beside, paths_beside, sections_of
from route3d.kernel.path import concatenated
from route3d.model.company import Section
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.units import TOLERANCE_M

Floats = NDArray[np.float64]

# owner, partner (numbers of the job's runs), from, to, and within which distance of their centre lines
BesideRow = tuple[int, int, float, float, float]


def beside_each_other(
    job: Job,
    numbers: Sequence[int],
    fitted: Sequence[FittedRun],
    methods: Collection[str],
    origin_m: Floats,
    only: Collection[int] | None = None,
) -> list[BesideRow]:
    """Return where cables of some methods have which other one beside them, pair by pair and both ways.

    Two cables lie together where the gap between their surfaces is smaller than ``settings.bundle_spacing``, or where
    that is not said, than the diameter of the larger of the two; cables that touch always do. A gap that is as wide as
    the spacing, within the tolerance of every comparison, is kept spacing. ``numbers`` are those of the runs in the
    job, rising; ``only`` leaves out pairs that have none of these places in it.
    """
    members = [k for k, run in enumerate(fitted) if job.cables[run.run.cable_id].method in methods and len(run.pieces)]
    asked = None if only is None else [m for m, k in enumerate(members) if k in only]
    if len(members) < 2 or asked == []:
        return []
    radii = [job.cables[fitted[k].run.cable_id].radius_m for k in members]
    radius = np.array([0.0 if r is None else r for r in radii])
    said = job.settings.bundle_spacing_m
    spacing = 2.0 * radius if said is None else np.full(len(members), said)
    pieces, starts = concatenated([fitted[k].pieces for k in members])
    clear = np.maximum(spacing - TOLERANCE_M, TOLERANCE_M)
    found = paths_beside(pieces, starts, radius, clear, origin_m=origin_m, only=asked)
    named = np.array([numbers[k] for k in members], dtype=np.int64)
    owner, partner = named[found.owner].tolist(), named[found.partner].tolist()
    return list(zip(owner, partner, found.from_m.tolist(), found.to_m.tolist(), found.limit_m.tolist(), strict=True))


def sections_in(
    beside: Sequence[BesideRow], fitted: Mapping[int, FittedRun], origin_m: Floats
) -> dict[int, tuple[Section, ...]]:
    """Return for each run that lies beside others its sections, sorted by distance.

    ``beside`` holds all rows of the runs in it and of those connected with them through others; ``fitted`` these runs
    by their numbers in the job.
    """
    members = sorted({number for row in beside for number in row[:2]})
    if not members:
        return {}
    place = {number: k for k, number in enumerate(members)}
    rows = sorted(beside)
    pieces, starts = concatenated([fitted[number].pieces for number in members])
    found = sections_of(
        pieces,
        starts,
        Beside(
            np.array([place[row[0]] for row in rows], dtype=np.int64),
            np.array([place[row[1]] for row in rows], dtype=np.int64),
            np.array([row[2] for row in rows]),
            np.array([row[3] for row in rows]),
            np.array([row[4] for row in rows]),
        ),
        origin_m,
    )
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
