"""The parts of a line that have to change: from a place before what is wrong to one behind it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.path import points_at
from route3d.mending.change import tidy
from route3d.model.gap import Stretch, united
from route3d.model.run import FittedRun

Floats = NDArray[np.float64]

_AT_M = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """A part of a polyline, by distances along it."""

    from_m: float
    to_m: float
    corners_m: Floats  # (n, 3), both its ends included


def on_polyline(line: Floats, fitted: FittedRun, at_m: Iterable[float]) -> list[float]:
    """Return the distances along a polyline of places along the line that was fitted to it."""
    at = np.clip(np.array(list(at_m)), 0.0, fitted.length_m)
    points = points_at(fitted.pieces, at) if len(at) else np.empty((0, 3))
    legs = np.diff(line, axis=0)
    lengths = np.linalg.norm(legs, axis=1)
    begin = np.append(0.0, np.cumsum(lengths))
    answer = []
    for point, expected in zip(points, at / max(fitted.length_m, 1e-9) * begin[-1], strict=True):
        share = np.clip(((point - line[:-1]) * legs).sum(axis=1) / np.maximum(lengths, 1e-12) ** 2, 0.0, 1.0)
        apart = np.linalg.norm(line[:-1] + share[:, None] * legs - point, axis=1)
        along = begin[:-1] + share * lengths
        # of legs that are about as near, the one that comes then
        near = np.flatnonzero(apart <= apart.min() + 0.01)
        answer.append(float(along[near[np.argmin(np.abs(along[near] - expected))]]))
    return answer


def sections(line: Floats, stretches: Sequence[Stretch], margin_m: float, bend_m: float) -> list[Section]:
    """Return the sections that hold some stretches of a polyline, at least ``margin_m`` longer on both sides.

    A section begins and ends where the line has room for a bend between there and its next corner outside, or at the
    ends of the run.
    """
    begin = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1)))
    grown = [(_room(begin, a - margin_m, -1, bend_m), _room(begin, b + margin_m, 1, bend_m)) for a, b in stretches]
    return [Section(a, b, part_of(line, a, b)) for a, b in united(grown, 2.0 * bend_m)]


def _room(begin: Floats, at_m: float, outward: int, bend_m: float) -> float:
    """Return a place at ``at_m`` or further outward that is free for a bend."""
    total = float(begin[-1])
    if outward > 0:
        return total - _room((total - begin)[::-1], total - at_m, -1, bend_m)
    at = at_m
    while at > 0.0:
        k = int(np.searchsorted(begin, at, side="right")) - 1
        corner = float(begin[k])
        needed = corner + (bend_m if k == 0 else 2.0 * bend_m)
        if at >= needed:
            # near the next corner inside the section, its bend is drawn anew: leave it its set-back
            return at
        at = corner - 1e-6
    return 0.0


def part_of(line: Floats, from_m: float, to_m: float) -> Floats:
    """Return the part of a polyline between two distances along it."""
    begin = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1)))
    inner = line[(begin > from_m + 1e-9) & (begin < to_m - 1e-9)]
    return np.concatenate([_at(line, begin, from_m)[None], inner, _at(line, begin, to_m)[None]])


def ways_of(line: Floats, part: Section) -> tuple[Floats | None, Floats | None]:
    """Return the ways (3,) of a polyline before and behind a part of it; None where the polyline begins or ends."""
    begin = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1)))
    came = int(np.searchsorted(begin, part.from_m - _AT_M)) - 1
    goes = int(np.searchsorted(begin, part.to_m + _AT_M)) - 1
    return (
        line[came + 1] - line[came] if part.from_m > _AT_M else None,
        line[goes + 1] - line[goes] if part.to_m < begin[-1] - _AT_M else None,
    )


def replaced(line: Floats, parts: Sequence[tuple[Section, Floats]]) -> Floats:
    """Return a polyline with other corners in some sections, which are in its order."""
    begin = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1)))
    rows = [line[:1]]
    at = 0.0
    for section, corners in parts:
        rows += [line[(begin > at) & (begin < section.from_m)], corners]
        at = section.to_m
    rows += [line[(begin > at)]]
    if not len(rows[-1]):
        rows.append(line[-1:])
    return tidy(np.concatenate(rows))


def _at(line: Floats, begin: Floats, at_m: float) -> Floats:
    k = min(max(int(np.searchsorted(begin, at_m, side="right")) - 1, 0), len(line) - 2)
    way = line[k + 1] - line[k]
    return np.asarray(line[k] + way * (at_m - begin[k]) / max(float(np.linalg.norm(way)), 1e-12))
