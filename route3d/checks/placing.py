"""Stretches of a run that several checks cut out, join and name."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from route3d.checks.wording import along
from route3d.kernel.clearance import stretches_within
from route3d.kernel.mesh_index import MeshIndex, build_index
from route3d.kernel.path import point_at
from route3d.model.gap import Gap, Stretch
from route3d.model.run import FittedRun
from route3d.scene import Scene

Floats = NDArray[np.float64]

_SHOWN = 6


def mesh_index(meshes: Sequence[Floats]) -> MeshIndex:
    """Return the search index over meshes, each (n, 3, 3)."""
    starts = np.zeros(len(meshes) + 1, dtype=np.int64)
    starts[1:] = np.cumsum([len(mesh) for mesh in meshes])
    return build_index(np.concatenate(meshes) if meshes else np.empty((0, 3, 3)), starts)


def within_each(fitted: FittedRun, index: MeshIndex, limit_m: float) -> list[list[Stretch]]:
    """Return for each element of an index where the centre line is at most ``limit_m`` from it."""
    count = index.element_count
    starts = np.array([0, len(fitted.pieces)])
    found = stretches_within(
        index, fitted.pieces, starts, np.zeros(count, dtype=np.int64), np.arange(count), np.full(count, limit_m)
    )
    parts: list[list[Stretch]] = [[] for _ in range(count)]
    for pair, a, b in zip(found.pair.tolist(), found.from_m.tolist(), found.to_m.tolist(), strict=True):
        parts[pair].append((a, b))
    return parts


def gaps_by_run(scene: Scene) -> dict[int, list[Gap]]:
    """Return the gaps to elements of each judged run, by its number."""
    groups: dict[int, list[Gap]] = {i: [] for i in scene.judged}
    for gap in scene.gaps.pairs:
        if gap.element is not None and gap.run in groups:
            groups[gap.run].append(gap)
    return groups


def common(first: Iterable[Stretch], second: Sequence[Stretch]) -> list[Stretch]:
    """Return what two sets of stretches have in common.

    >>> common([(0.0, 2.0)], [(1.0, 3.0), (5.0, 6.0)])
    [(1.0, 2.0)]
    """
    both = [(max(a, c), min(b, d)) for a, b in first for c, d in second]
    return sorted((a, b) for a, b in both if b > a)


def without(stretches: Iterable[Stretch], taken: Sequence[Stretch]) -> list[Stretch]:
    """Return what of the stretches is left when others are taken out.

    >>> without([(0.0, 3.0)], [(1.0, 2.0)])
    [(0.0, 1.0), (2.0, 3.0)]
    """
    rest = list(stretches)
    for c, d in taken:
        rest = [part for a, b in rest for part in ((a, min(b, c)), (max(a, d), b)) if part[1] > part[0]]
    return sorted(rest)


def listed(stretches: Sequence[Stretch]) -> str:
    """Return stretches in words, no more than a handful of them."""
    return ", ".join(along(s) for s in stretches[:_SHOWN]) + (" …" if len(stretches) > _SHOWN else "")


def point_of(fitted: FittedRun, at_m: float) -> tuple[float, float, float]:
    """Return the point of the centre line at a distance along it."""
    return point_at(fitted.pieces, at_m)
