"""How far two picked things are apart: the shortest way between their surfaces, exact."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.errors import Route3DError
from route3d.kernel.between import nearest_paths
from route3d.kernel.clearance import closest_points, distance_at, nearest_elements
from route3d.kernel.path import ORIGIN, concatenated, point_at, straight_piece
from route3d.model.finding import RunReview
from route3d.model.job import Job
from route3d.surroundings import index_of

Floats = NDArray[np.float64]

TRIANGLES_MAX = 200_000  # of both together: more would keep drafts waiting for seconds


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """A thing with a surface: triangles, or a fitted path with the radius of its tube about it."""

    name: str
    triangles_m: Floats | None = None  # (n, 3, 3)
    pieces: Floats | None = None  # (n, 14), see kernel/path.py
    radius_m: float = 0.0  # of the tube; of a scanned point, the ball about it


@dataclass(frozen=True, slots=True)
class Apart:
    """The shortest way between two surfaces; 0 where they touch or pass through each other."""

    gap_m: float
    from_m: tuple[float, float, float]
    to_m: tuple[float, float, float]


def body_of(job: Job, runs: Mapping[str, RunReview], thing: object) -> Body:
    """Return the body that the page names: ``{"run": id}`` or ``{"element": id}``.

    Raises
    ------
    Route3DError
        It is not there, or its surface is not known.
    """
    named = thing if isinstance(thing, dict) else {}
    run, element = runs.get(str(named.get("run"))), job.element(str(named.get("element")))
    if run is not None:
        radius_m = job.cables[run.fitted.run.cable_id].radius_m
        name = f"run {run.fitted.run.run_id}"
        if radius_m is None:
            raise Route3DError(f"the diameter of {name} is not known, so its surface is not either")
        return Body(name, pieces=run.fitted.pieces, radius_m=radius_m)
    if element is None:
        raise Route3DError("a distance is measured between two runs or elements that are there")
    return Body(f"{element.role} {element.element_id}", triangles_m=element.triangles_m, radius_m=element.thickness_m)


def apart(one: Body, other: Body) -> Apart:
    """Return the shortest way between the surfaces of two things.

    Raises
    ------
    Route3DError
        One of them has no surface, or both have too many triangles to be asked at once.
    """
    for body in (one, other):
        if (body.triangles_m is None or not len(body.triangles_m)) and (body.pieces is None or not len(body.pieces)):
            raise Route3DError(f"{body.name} has no surface to measure to")
    if sum(len(body.triangles_m) for body in (one, other) if body.triangles_m is not None) > TRIANGLES_MAX:
        raise Route3DError(
            f"{one.name} and {other.name} have too many triangles for an exact distance; click two places"
        )
    start, stop = _centres(one, other)
    # from centre line, or from triangles, to the surfaces about them
    way = stop - start
    length = float(np.linalg.norm(way))
    gap = length - one.radius_m - other.radius_m
    if gap <= 0.0:
        middle = start + way * (one.radius_m / max(one.radius_m + other.radius_m, 1e-12) if length > 0.0 else 0.0)
        return Apart(0.0, _point(middle), _point(middle))
    unit = way / length
    return Apart(gap, _point(start + unit * one.radius_m), _point(stop - unit * other.radius_m))


def _centres(one: Body, other: Body) -> tuple[Floats, Floats]:
    """Return the ends of the shortest way between centre lines and triangles."""
    if one.pieces is not None and other.pieces is not None:
        pieces, starts = concatenated([one.pieces, other.pieces])
        found = nearest_paths(pieces, starts, [0.0, 0.0], np.inf)
        return np.array(point_at(one.pieces, found.first_at_m[0])), np.array(
            point_at(other.pieces, found.second_at_m[0])
        )
    if other.pieces is not None:
        return _to_triangles(other.pieces, one)[::-1]
    if one.pieces is not None:
        return _to_triangles(one.pieces, other)
    # triangles come nearest to each other at an edge of one of them
    first = _to_triangles(_edges(one), other, joined=False)
    second = _to_triangles(_edges(other), one, joined=False)[::-1]
    return min(first, second, key=lambda ends: float(np.linalg.norm(ends[1] - ends[0])))


def _to_triangles(pieces: Floats, body: Body, *, joined: bool = True) -> tuple[Floats, Floats]:
    """Return the ends of the shortest way from pieces, one path where ``joined``, to triangles."""
    assert body.triangles_m is not None
    index = index_of([body.triangles_m])
    starts = [0, len(pieces)] if joined else np.arange(len(pieces) + 1)
    # no further than from the nearest of all corners
    corners = pieces[:, ORIGIN]
    limit = float(distance_at(index, np.zeros(len(corners), dtype=np.int64), corners).min())
    found = nearest_elements(index, pieces, starts, np.zeros(len(starts) - 1), [limit])
    best = int(found.distance_m.argmin())
    path = pieces if joined else pieces[found.path[best]][None]
    start = np.array(point_at(path, found.at_m[best]))
    return start, closest_points(index, [0], start[None])[0]


def _edges(body: Body) -> Floats:
    """Return the edges of triangles as straight pieces, each once."""
    triangles = body.triangles_m
    assert triangles is not None
    ends = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=2).reshape(-1, 6)
    swap = [row[:3] > row[3:] for row in ends.tolist()]
    ends[swap] = ends[swap][:, [3, 4, 5, 0, 1, 2]]
    ends = np.unique(ends, axis=0)
    return np.array([straight_piece(row[:3], row[3:], 0.0) for row in ends])


def _point(point: Floats) -> tuple[float, float, float]:
    x, y, z = point.tolist()
    return x, y, z
