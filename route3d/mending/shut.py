"""Why no line was found: what shuts an end in, or where the way between the ends is too narrow for bends."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from route3d.checks.wording import called
from route3d.mending.lattice import Lattice
from route3d.mending.site import Site
from route3d.units import both_units

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_NAMED = 3
_SHARES = (0.75, 0.5, 0.25, 0.0)  # of the room that bends need


@dataclass(frozen=True, slots=True, eq=False)
class Shut:
    """What stands in the way, in one sentence, and the boxes (2, 3) of it."""

    why: str
    boxes_m: tuple[Floats, ...]


def what_shuts(site: Site, grid: Lattice, width_m: float) -> Shut | None:
    """Say why a grid over a whole line, without bans, has no way with room for bends; None where it has one.

    ``width_m`` is how far from the drawn line it reaches.
    """
    if grid.cheapest(site.bend_m) is not None:
        return None
    labels = _labels(grid)
    tips = [tuple(int(np.argmin(np.abs(grid.axes[d] - grid.line[n, d]))) for d in range(3)) for n in (0, -1)]
    ours = [int(labels[tip]) for tip in tips]
    if ours[0] != ours[1]:
        sizes = [int((labels == one).sum()) for one in ours]
        which = int(np.argmin(sizes))
        return _shut_in(site, grid, labels == ours[which], which, width_m)
    return _too_narrow(site, grid)


def _labels(grid: Lattice) -> Ints:
    """Return for each node the number of the part of the grid that a thin thread can reach from it."""
    shape = [len(axis) for axis in grid.axes]
    number = np.arange(int(np.prod(shape))).reshape(shape)
    rows, columns = [], []
    for d in range(3):
        free = np.isfinite(grid.cost[d])
        rows.append(np.take(number, range(shape[d] - 1), axis=d)[free])
        columns.append(np.take(number, range(1, shape[d]), axis=d)[free])
    a, b = np.concatenate(rows), np.concatenate(columns)
    graph = coo_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(number.size, number.size))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64).reshape(shape)


def _shut_in(site: Site, grid: Lattice, inside: NDArray[np.bool_], which: int, width_m: float) -> Shut:
    count: Counter[int] = Counter()
    open_side = False
    for d in range(3):
        size = inside.shape[d]
        rim = np.take(inside, range(size - 1), axis=d) != np.take(inside, range(1, size), axis=d)
        count.update(grid.shut_by[d][rim].tolist())
        open_side = open_side or bool((np.isinf(grid.cost[d]) & (grid.shut_by[d] == -1) & rim).any())
    tip = site.corners_m[-which]
    holding = [n for n, _ in count.most_common() if n >= 0 and _contains(site.examined.around.boxes_m[n], tip)]
    others = [n for n, _ in count.most_common() if n != -1 and n not in holding]
    end, other = ("start", "end") if which == 0 else ("end", "start")
    where = f"its {end} at ({', '.join(f'{v:.3f}' for v in tip)}) m"
    if holding:
        why = f"No way leads to its {other} from {where}: that is inside {_named(site, holding)}"
    else:
        beyond = f" within {both_units(width_m)} of the drawn line" if open_side else ""
        why = f"No way leads to its {other} from {where}{beyond}: {_named(site, others)} shut it in"
    boxes = tuple(site.examined.around.boxes_m[n] for n in [*holding, *others][:12] if n >= 0)
    return Shut(f"{why} (searched on a grid {both_units(_finest(grid))} wide or finer).", boxes)


def _too_narrow(site: Site, grid: Lattice) -> Shut:
    lines = (grid.cheapest(share * site.bend_m) for share in _SHARES)
    line = next(line for line in lines if line is not None)  # without room for bends there is one
    lengths = np.linalg.norm(np.diff(line, axis=0), axis=1)
    needed = np.full(len(lengths), 2.0 * site.bend_m)
    needed[[0, -1]] = site.bend_m
    # of the legs that are too short, the one with most in its way: others could be longer
    short = np.flatnonzero(lengths < needed)
    legs = {int(k): _near(grid, 0.5 * (line[k] + line[k + 1])) for k in (short if len(short) else [0])}
    k = max(legs, key=lambda number: (legs[number].total(), -number))
    place = 0.5 * (line[k] + line[k + 1])
    near = [n for n, _ in legs[k].most_common()]
    between = f", between {_named(site, near)}" if near else ""
    why = (
        "Ways lead from end to end, but none was found with room for its bends of "
        f"{both_units(site.bend_m)} (centre line): narrowest near ({', '.join(f'{v:.3f}' for v in place)}) m{between}, "
        f"where {both_units(float(lengths[k]))} are free and {both_units(float(needed[k]))} are needed."
    )
    return Shut(why, tuple(site.examined.around.boxes_m[n] for n in near[:12] if n >= 0))


def _near(grid: Lattice, place: Floats) -> Counter[int]:
    """Count the edges around a place that things block, by the number of the thing."""
    at = [int(np.argmin(np.abs(grid.axes[d] - v))) for d, v in enumerate(place @ grid.turn)]
    part = tuple(slice(max(i - 3, 0), i + 4) for i in at)
    count = Counter(n for d in range(3) for n in grid.shut_by[d][part].ravel().tolist())
    del count[-1]
    return count


def _named(site: Site, numbers: list[int]) -> str:
    """Name things by their numbers: elements, and runs as ``Lattice.shut_by`` counts them."""
    names = [
        called(site.examined.around.elements[n]) if n >= 0 else f"the run {site.job.runs[-n - 2].run_id}"
        for n in numbers[:_NAMED]
    ]
    more = f" and {len(numbers) - _NAMED} more" if len(numbers) > _NAMED else ""
    return ", ".join(names) + more if names else "what is there"


def _contains(box: Floats, point: Floats) -> bool:
    return bool(((point >= box[0]) & (point <= box[1])).all())


def _finest(grid: Lattice) -> float:
    return max(float(lengths.max()) for lengths in grid.length)
