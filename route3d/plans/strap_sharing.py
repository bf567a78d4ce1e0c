"""Straps of neighbouring runs brought to one place, so that one strut or one rod carries them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from route3d.kernel.path import points_at, tangents_at
from route3d.plans.strap_fewest import Task, is_enough

# All practice: how far apart runs on one strut are, how exactly side by side, and what even spacing gives up for it.
STRUT_M = 0.3
SIDE_BY_SIDE_M = 0.005
GIVEN_UP = 0.1  # of the shortest interval

_BROUGHT_M = 0.001  # a move ends this exactly beside its neighbour, so that several in a row stay side by side

_PARALLEL_RAD = np.radians(10.0)


@dataclass(frozen=True, slots=True, eq=False)
class Draft:
    """The straps of one run on the way to a plan; ``task`` is None where none may be moved."""

    run_id: str
    pieces: NDArray[np.float64]
    task: Task | None
    straps: tuple[float, ...]  # added
    existing: tuple[float, ...]

    @property
    def all_straps(self) -> tuple[float, ...]:
        """Those that are there and those that are added, sorted."""
        return tuple(sorted((*self.existing, *self.straps)))


def brought_together(drafts: Sequence[Draft]) -> list[Draft]:
    """Move added straps beside those of neighbours that come earlier in the list, where their task stays finished."""
    answer = list(drafts)
    owner, at, points, tangents = _placed(answer)
    if len(owner) < 2:
        return answer
    tree = cKDTree(points)
    shift = max((_most_given_up(d) for d in answer), default=0.0)
    pairs = tree.query_pairs(STRUT_M + shift, output_type="ndarray")
    pairs = pairs[owner[pairs[:, 0]] != owner[pairs[:, 1]]]
    pairs = pairs[_parallel(tangents, pairs)]
    first, second = np.minimum(pairs[:, 0], pairs[:, 1]), np.maximum(pairs[:, 0], pairs[:, 1])
    for k in np.lexsort((first, second)).tolist():
        anchor, mover = int(first[k]), int(second[k])
        draft = answer[int(owner[mover])]
        x = float(at[mover])
        if draft.task is None or x not in draft.straps:
            continue
        here = points[mover]
        along = float((points[anchor] - here) @ tangents[mover])
        if not _BROUGHT_M < abs(along) <= _most_given_up(draft):
            continue
        if any(_beside(points, tangents, owner, mover, other) for other in tree.query_ball_point(here, STRUT_M)):
            continue  # it shares a place already
        wanted = round(x + along, 4)
        moved = points_at(draft.pieces, np.array([wanted]))[0]
        off = points[anchor] - moved
        if float(np.linalg.norm(off)) > STRUT_M or abs(float(off @ tangents[anchor])) > _BROUGHT_M:
            continue
        straps = tuple(sorted(wanted if s == x else s for s in draft.straps))
        if is_enough(draft.task, straps):
            answer[int(owner[mover])] = replace(draft, straps=straps)
            at[mover], points[mover] = wanted, moved
    return answer


def shared(drafts: Sequence[Draft]) -> dict[tuple[int, float], tuple[str, ...]]:
    """Return for straps (number of the draft, distance) which other runs are strapped right beside them."""
    owner, at, points, tangents = _placed(drafts)
    if len(owner) < 2:
        return {}
    pairs = cKDTree(points).query_pairs(STRUT_M, output_type="ndarray")
    pairs = pairs[owner[pairs[:, 0]] != owner[pairs[:, 1]]]
    pairs = pairs[_parallel(tangents, pairs)]
    off = points[pairs[:, 1]] - points[pairs[:, 0]]
    along = np.abs(np.einsum("ij,ij->i", off, tangents[pairs[:, 0]]))
    pairs = pairs[along <= SIDE_BY_SIDE_M]
    found: dict[tuple[int, float], set[str]] = {}
    for a, b in pairs.tolist():
        for one, other in ((a, b), (b, a)):
            found.setdefault((int(owner[one]), float(at[one])), set()).add(drafts[int(owner[other])].run_id)
    return {key: tuple(sorted(names)) for key, names in found.items()}


def _most_given_up(draft: Draft) -> float:
    if draft.task is None or not draft.task.reaches:
        return 0.0
    return GIVEN_UP * min(r.limit_m for r in draft.task.reaches)


def _placed(
    drafts: Sequence[Draft],
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return owner, distance, point and direction of every strap, in the order of the drafts."""
    places = [d.all_straps for d in drafts]
    owner = np.repeat(np.arange(len(drafts)), [len(p) for p in places])
    at = np.array([x for p in places for x in p], dtype=np.float64)
    if not len(at):
        return owner, at, np.empty((0, 3)), np.empty((0, 3))
    some = [(d.pieces, np.array(p)) for d, p in zip(drafts, places, strict=True) if p]
    points = np.concatenate([points_at(pieces, p) for pieces, p in some])
    tangents = np.concatenate([tangents_at(pieces, p) for pieces, p in some])
    return owner, at, points, tangents


def _parallel(tangents: NDArray[np.float64], pairs: NDArray[np.int64]) -> NDArray[np.bool_]:
    cosine = np.abs(np.einsum("ij,ij->i", tangents[pairs[:, 0]], tangents[pairs[:, 1]]))
    return np.asarray(cosine >= np.cos(_PARALLEL_RAD))


def _beside(
    points: NDArray[np.float64], tangents: NDArray[np.float64], owner: NDArray[np.int64], a: int, b: int
) -> bool:
    """Tell whether two straps of different runs are exactly side by side as the points stand now."""
    if owner[a] == owner[b] or abs(float(tangents[a] @ tangents[b])) < np.cos(_PARALLEL_RAD):
        return False
    off = points[b] - points[a]
    return abs(float(off @ tangents[a])) <= _BROUGHT_M and float(np.linalg.norm(off)) <= STRUT_M
