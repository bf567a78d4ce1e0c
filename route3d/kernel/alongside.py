"""Which paths run side by side, place by place: connected through neighbours, cut where anyone joins or leaves."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from route3d.kernel.between import nearest_paths, stretches_between
from route3d.kernel.compiled import compiled
from route3d.kernel.feet import feet_on, path_foot, path_point, points_on
from route3d.kernel.groups import components
from route3d.kernel.mesh_index import checked_pieces, path_starts
from route3d.kernel.path import AT, LENGTH, ORIGIN, middle_of
from route3d.kernel.stretches import grown

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SNAP_M = 5e-5  # cuts nearer to each other than this are one
APART_M = 0.1  # practice: paths that part for less than this, as round a bend, stay side by side
DRIFT_M = 0.005  # where paths are not parallel, the place beside the place beside a place is not quite that place again
SLIVER_M = 0.05  # sections shorter than this need one that faces them on the other path
_END_M = 1e-9
_STEP_M = 1e-5
_CROSSING_WIDTHS = 3.0  # at 45 degrees, one path is within a limit of another for 2 sqrt(2) limits at most
_STEEP_COSINE = float(np.cos(np.radians(45.0)))
_HERE = np.zeros(3)  # paths are already relative to where they are computed


class Sections(NamedTuple):
    """Parts of paths, sorted by path and then by distance along it; arrays of one length.

    Sections of one ``group`` lie side by side: each is within its limit of the next one in some order.
    """

    path: Ints
    from_m: Floats
    to_m: Floats
    group: Ints


class Beside(NamedTuple):
    """Where the path ``owner`` has ``partner`` beside it, within ``limit_m``; arrays of one length."""

    owner: Ints
    partner: Ints
    from_m: Floats
    to_m: Floats
    limit_m: Floats


def side_by_side(pieces: ArrayLike, starts: ArrayLike, radius_m: ArrayLike, spacing_m: ArrayLike) -> Sections:
    """Return where paths lie side by side, each path cut wherever the company it is in changes.

    Two paths are side by side where their centre lines are within both radii and the larger of both spacings, and stay
    it where they part for less than ``APART_M``. What one path has beside it beyond the other one's end is not
    counted, so that both have the same length in common; nor are crossings at more than 45 degrees. Places on two
    paths belong together by the foot of the perpendicular.

    Parameters
    ----------
    pieces, starts : (n, 14) float, (paths + 1,) int
        See ``path.py``.
    radius_m, spacing_m : (paths,) float
        Radius of each path's tube, and the spacing from surface to surface that it asks for.
    """
    rows = checked_pieces(pieces)
    origin = middle_of(rows) if len(rows) else np.zeros(3)
    return sections_of(rows, starts, paths_beside(rows, starts, radius_m, spacing_m, origin_m=origin), origin)


def paths_beside(
    pieces: ArrayLike,
    starts: ArrayLike,
    radius_m: ArrayLike,
    spacing_m: ArrayLike,
    *,
    origin_m: ArrayLike,
    only: ArrayLike | None = None,
) -> Beside:
    """Return where each path has which other one beside it, see ``side_by_side``: the first half of it, pair by pair.

    Rows are sorted by owner, partner and distance. What is told of a pair does not depend on the other paths, but on
    ``origin_m`` (3,), to which the computation is relative; ``only`` (k,) leaves out pairs that have none of these.
    """
    rows, firsts = _relative(pieces, starts, origin_m)
    radius = np.array(radius_m, dtype=np.float64)
    spacing = np.array(spacing_m, dtype=np.float64)
    if not radius.shape == spacing.shape == (len(firsts) - 1,):
        raise ValueError("one radius and one spacing per path are needed")
    return _pairs_beside(rows, firsts, radius, spacing, only)


def sections_of(pieces: ArrayLike, starts: ArrayLike, beside: Beside, origin_m: ArrayLike) -> Sections:
    """Return the sections that ``paths_beside`` gives, see ``side_by_side``: the second half of it.

    Paths that are not connected through others do not matter to each other: a connected part may be done alone, as
    long as its paths are in the same order and ``origin_m`` (3,) is the same.
    """
    rows, firsts = _relative(pieces, starts, origin_m)
    if not len(beside.owner):
        none = np.empty(0, np.int64)
        return Sections(none, np.empty(0), np.empty(0), none)
    path, low, high = _sections(rows, firsts, beside)
    group = _grouped(rows, firsts, beside, path, low, high)
    keep = _company(group, path)[group] > 1
    return Sections(path[keep], low[keep], high[keep], np.unique(group[keep], return_inverse=True)[1])


def _relative(pieces: ArrayLike, starts: ArrayLike, origin_m: ArrayLike) -> tuple[Floats, Ints]:
    rows = checked_pieces(pieces)
    rows[:, ORIGIN] -= np.asarray(origin_m, dtype=np.float64)
    return rows, path_starts(starts, len(rows))


def _pairs_beside(rows: Floats, starts: Ints, radius: Floats, spacing: Floats, only: ArrayLike | None) -> Beside:
    near = nearest_paths(rows, starts, radius, spacing, only=only, origin_m=_HERE)
    limit = radius[near.first] + radius[near.second] + np.maximum(spacing[near.first], spacing[near.second])
    within = near.distance_m <= limit
    first, second, limit = near.first[within], near.second[within], limit[within]
    owner, partner, limits = np.append(first, second), np.append(second, first), np.append(limit, limit)
    found = stretches_between(rows, starts, owner, partner, limits, _HERE)
    owner, partner, limits = owner[found.pair], partner[found.pair], limits[found.pair]
    low, high = _without_caps(rows, starts, owner, partner, found.from_m, found.to_m)
    real = (high - low > SNAP_M) & ~_crossing(rows, starts, owner, partner, low, high, limits)
    joined = _bridged(found.pair[real], Beside(owner[real], partner[real], low[real], high[real], limits[real]))
    order = np.lexsort((joined.from_m, joined.partner, joined.owner))
    return Beside(
        joined.owner[order],
        joined.partner[order],
        joined.from_m[order],
        joined.to_m[order],
        joined.limit_m[order],
    )


def _bridged(pair: Ints, beside: Beside) -> Beside:
    """Make one of the stretches of a pair that are less than ``APART_M`` from each other."""
    if not len(pair):
        return beside
    order = np.lexsort((beside.from_m, pair))
    pair, owner, partner = pair[order], beside.owner[order], beside.partner[order]
    low, high, limit = beside.from_m[order], beside.to_m[order], beside.limit_m[order]
    new = np.ones(len(pair), dtype=bool)
    new[1:] = (pair[1:] != pair[:-1]) | (low[1:] - high[:-1] > APART_M)
    begin = np.flatnonzero(new)
    return Beside(owner[begin], partner[begin], low[begin], np.maximum.reduceat(high, begin), limit[begin])


def _without_caps(
    rows: Floats, starts: Ints, owner: Ints, partner: Ints, from_m: Floats, to_m: Floats
) -> tuple[Floats, Floats]:
    """Cut off what reaches beyond the ends of the partner: there is nothing beside it any more."""
    lengths = _lengths(rows, starts)
    ends = []
    for at in (from_m, to_m):
        points = points_on(rows, starts, owner, at)
        _, foot = feet_on(rows, starts, partner, points, np.zeros(len(at)), lengths[partner], _HERE)
        beyond = (foot <= _END_M) | (foot >= lengths[partner] - _END_M)
        end_points = points_on(rows, starts, partner, foot)
        _, back = feet_on(rows, starts, owner, end_points, from_m, to_m, _HERE)
        ends.append(np.where(beyond, back, at))
    return ends[0], ends[1]


def _crossing(
    rows: Floats, starts: Ints, owner: Ints, partner: Ints, low: Floats, high: Floats, limits: Floats
) -> NDArray[np.bool_]:
    """Tell stretches where one path crosses another at more than 45 degrees: they touch, but do not run together."""
    middle = 0.5 * (low + high)
    foot = feet_on(
        rows,
        starts,
        partner,
        points_on(rows, starts, owner, middle),
        np.zeros(len(low)),
        _lengths(rows, starts)[partner],
        _HERE,
    )[1]
    one = points_on(rows, starts, owner, middle + _STEP_M) - points_on(rows, starts, owner, middle - _STEP_M)
    two = points_on(rows, starts, partner, foot + _STEP_M) - points_on(rows, starts, partner, foot - _STEP_M)
    norm = np.linalg.norm(one, axis=1) * np.linalg.norm(two, axis=1)
    along = np.abs(np.einsum("ij,ij->i", one, two)) / np.where(norm > 0.0, norm, 1.0)
    return np.asarray((high - low <= _CROSSING_WIDTHS * limits) & (along < _STEEP_COSINE))


def _lengths(rows: Floats, starts: Ints) -> Floats:
    last = np.maximum(starts[1:] - 1, 0)
    return np.where(starts[1:] > starts[:-1], rows[last, AT] + rows[last, LENGTH], 0.0)


def _sections(rows: Floats, starts: Ints, beside: Beside) -> tuple[Ints, Floats, Floats]:
    """Cut every path that has company at its ends, and wherever anyone in its company joins or leaves."""
    order = np.argsort(beside.partner, kind="stable")
    by_partner = np.searchsorted(beside.partner[order], np.arange(len(starts)))
    cut_path, cut_at = _snapped(np.append(beside.owner, beside.owner), np.append(beside.from_m, beside.to_m))
    lengths = _lengths(rows, starts)
    cells = np.append(0, np.cumsum((lengths / (0.5 * DRIFT_M)).astype(np.int64) + 3))
    carried = _carried(
        rows,
        starts,
        order,
        by_partner,
        beside.owner,
        beside.from_m,
        beside.to_m,
        beside.limit_m,
        cut_path,
        cut_at,
        cells,
    )
    paths = np.unique(beside.owner)
    lengths = lengths[paths]
    path, at = _snapped(
        np.concatenate([cut_path, carried[:, 0].astype(np.int64), paths, paths]),
        np.concatenate([cut_at, carried[:, 1], np.zeros(len(paths)), lengths]),
    )
    same = path[1:] == path[:-1]
    return path[:-1][same], at[:-1][same], at[1:][same]


def _snapped(path: Ints, at: Floats) -> tuple[Ints, Floats]:
    """Return cuts sorted by path and place, those that are as good as one only once."""
    order = np.lexsort((at, path))
    path, at = path[order], at[order]
    new = np.ones(len(at), dtype=bool)
    new[1:] = (path[1:] != path[:-1]) | (at[1:] - at[:-1] > SNAP_M)
    return path[new], at[new]


@compiled
def _carried(
    rows: Floats,
    starts: Ints,
    order: Ints,
    by_partner: Ints,
    owner: Ints,
    from_m: Floats,
    to_m: Floats,
    limit: Floats,
    cut_path: Ints,
    cut_at: Floats,
    cells: Ints,
) -> Floats:
    """Return rows (path, place): where cuts come to lie on the paths beside theirs, and on those beside these.

    ``cells[path]`` is where the cells of a path begin, each half of ``DRIFT_M`` long. A cut that comes to lie near
    another one is dropped: that one is carried on, or has been.
    """
    taken = np.zeros(cells[-1], np.bool_)
    stack = np.empty((len(cut_path) + 256, 2))
    for cut in range(len(cut_path)):
        taken[cells[cut_path[cut]] + 1 + int(cut_at[cut] / (0.5 * DRIFT_M))] = True
        stack[cut, 0], stack[cut, 1] = cut_path[cut], cut_at[cut]
    depth = len(cut_path)
    found = np.empty((256, 2))
    count = 0
    while depth > 0:
        depth -= 1
        path, at = int(stack[depth, 0]), stack[depth, 1]
        x, y, z = path_point(rows, starts[path], starts[path + 1], at)
        for m in range(by_partner[path], by_partner[path + 1]):
            k = order[m]  # a stretch of some path that has this one beside it
            i = owner[k]
            near, foot = path_foot(rows, starts[i], starts[i + 1], x, y, z, from_m[k], to_m[k])
            if near > limit[k] + APART_M or foot <= from_m[k] or foot >= to_m[k]:
                continue
            cell = cells[i] + 1 + int(foot / (0.5 * DRIFT_M))
            if taken[cell - 1] or taken[cell] or taken[cell + 1]:
                continue
            taken[cell] = True
            if count == len(found):
                found = grown(found)
            found[count, 0], found[count, 1] = i, foot
            count += 1
            if depth == len(stack):
                stack = grown(stack)
            stack[depth, 0], stack[depth, 1] = i, foot
            depth += 1
    return found[:count].copy()


def _grouped(rows: Floats, starts: Ints, beside: Beside, path: Ints, low: Floats, high: Floats) -> Ints:
    """Return the group of each section: sections whose middles face each other are connected.

    Where paths are not parallel, cuts that should face each other leave slivers between them. A sliver would connect
    what only meets at it, so it joins nothing by itself: it goes with the section before or after it on its own path.
    """
    middle = 0.5 * (low + high)
    begin = np.searchsorted(path, np.arange(len(starts))).astype(np.int64)
    # a section lies wholly in or out of each stretch, as every end of a stretch is a cut
    first = _first_after(middle, beside.owner, beside.from_m, begin)
    last = _first_after(middle, beside.owner, beside.to_m, begin)
    count = last - first
    section = np.repeat(first, count) + np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    other = np.repeat(beside.partner, count)
    limit = np.repeat(beside.limit_m, count)
    in_company = begin[other + 1] > begin[other]
    section, other, limit = section[in_company], other[in_company], limit[in_company]
    lengths = _lengths(rows, starts)

    def facing(sections: Ints, paths: Ints) -> tuple[Ints, Floats]:
        points = points_on(rows, starts, path[sections], middle[sections])
        near, foot = feet_on(rows, starts, paths, points, np.zeros(len(paths)), lengths[paths], _HERE)
        return np.minimum(_first_after(high, paths, foot, begin), begin[paths + 1] - 1), near

    neighbour, _ = facing(section, other)
    back, near = facing(neighbour, path[section])
    mutual = (back == section) & (near <= limit + APART_M)
    sliver = high - low < SLIVER_M
    link = mutual | ~sliver[section]
    labels = components(section[link], neighbour[link], len(path))
    loose = np.zeros(len(path), dtype=bool)
    loose[section[~link]] = True
    return _absorbed(labels, loose, path)


def _absorbed(labels: Ints, loose: NDArray[np.bool_], path: Ints) -> Ints:
    """Give each loose section the group of the next firm one on its path, before or after: the one with more paths."""
    company = _company(labels, path)
    number = np.arange(len(path))
    firm_before = np.maximum.accumulate(np.where(loose, -1, number))
    firm_after = np.minimum.accumulate(np.where(loose, len(path), number)[::-1])[::-1]
    result = labels.copy()
    for k in np.flatnonzero(loose).tolist():
        near = [n for n in (firm_before[k], firm_after[k]) if 0 <= n < len(path) and path[n] == path[k]]
        if near:
            result[k] = labels[max(near, key=lambda n: company[labels[n]])]
    return result


def _company(labels: Ints, path: Ints) -> Ints:
    """Return how many different paths each group has."""
    pairs = np.unique(np.stack([labels, path], axis=1), axis=0)
    return np.asarray(np.bincount(pairs[:, 0], minlength=int(labels.max(initial=-1)) + 1))


@compiled
def _first_after(places: Floats, of: Ints, at: Floats, begin: Ints) -> Ints:
    """Return for each path ``of`` (k,) the number of its first section whose place is greater than ``at`` (k,).

    One beyond its last section where none is.
    """
    found = np.empty(len(of), np.int64)
    for k in range(len(of)):
        low, high = begin[of[k]], begin[of[k] + 1]
        while low < high:
            middle = (low + high) // 2
            if places[middle] > at[k]:
                high = middle
            else:
                low = middle + 1
        found[k] = low
    return found
