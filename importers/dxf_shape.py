"""What one DXF entity is in space, before anything is known about its layer's role or where its block is placed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from importers.polygons import NO_TRIANGLES, with_area
from route3d.kernel.closed import turn_outward

Array = NDArray[np.float64]

NO_SEGMENTS: Array = np.empty((0, 2, 3))
NO_SEGMENTS.setflags(write=False)

_SAME_M = 1e-6


@dataclass(frozen=True, slots=True)
class Grain:
    """What fine detail comes to in the units of one container, at the scale at which it is placed."""

    chord: float  # how far a chord may be off its curve
    same: float  # corners this close are one corner


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Surfaces, lines and what is missing of one entity (or of 3D faces that hang together), in its container's axes.

    ``triangles`` has the caps of a thick closed profile, ``uncapped`` is the same without them; ``segments`` are lines
    without surface, points are segments of no length. ``unread`` says in one clause what could not be read and how to
    mend it; the box of ``hull`` then holds the part in question, and None means that it could be anywhere.
    """

    kind: str
    handle: str
    triangles: Array = field(default_factory=lambda: NO_TRIANGLES)  # (n, 3, 3)
    closed: bool = False
    uncapped: Array | None = None  # (m, 3, 3)
    segments: Array = field(default_factory=lambda: NO_SEGMENTS)  # (k, 2, 3)
    outline: Array | None = None  # (n, 3), a closed flat profile without thickness
    unread: str | None = None
    hull: Array | None = None  # (h, 3)
    note: str | None = None  # a clause for the file's notes; they are counted
    members: int = 1  # entities of the file in it

    @property
    def is_wire(self) -> bool:
        """Whether it has lines and no surface."""
        return len(self.segments) > 0 and len(self.triangles) == 0


class Surface(Protocol):
    """Makes the shape of a surface: ``surface`` at once, ``unturned`` for many that are ``turned`` together."""

    def __call__(self, kind: str, handle: str, triangles: Array, grain: Grain, **more: Any) -> Shape:
        """Return the shape; ``more`` are other fields of it."""


def surface(kind: str, handle: str, triangles: Array, grain: Grain, **more: Any) -> Shape:
    """Return the shape of a surface: triangles without area dropped, turned outwards where they close a solid."""
    shape = surfaces(kind, [handle], triangles, [0, len(triangles)], grain)[0]
    return replace(shape, **more) if more else shape


def unturned(kind: str, handle: str, triangles: Array, grain: Grain, **more: Any) -> Shape:
    """Return what ``surface`` does, but for the turning outwards and the look whether it is closed: see ``turned``."""
    return Shape(kind, handle, triangles[with_area(triangles)], **more)


def turned(shapes: Sequence[Shape], grain: Grain) -> list[Shape]:
    """Return shapes of one kind with all surfaces among them, which are ``unturned``, turned outwards at once."""
    result = list(shapes)
    mine = [n for n, shape in enumerate(shapes) if len(shape.triangles)]
    if mine:
        handles, meshes = [shapes[n].handle for n in mine], [shapes[n].triangles for n in mine]
        starts = np.cumsum([0, *(len(mesh) for mesh in meshes)])
        done = surfaces(shapes[0].kind, handles, np.concatenate(meshes), starts, grain)
        for n, skin in zip(mine, done, strict=True):
            result[n] = replace(shapes[n], triangles=skin.triangles, closed=skin.closed)
    return result


def surfaces(kind: str, handles: Sequence[str], triangles: Array, starts: ArrayLike, grain: Grain) -> list[Shape]:
    """Return the shapes of several surfaces; ``starts`` (n + 1,) are the first triangles of each, and the end."""
    kept = with_area(triangles)
    ends = np.concatenate([[0], np.cumsum(kept)])[np.asarray(starts, dtype=np.int64)]
    # orientation merges corners at a micrometre; a power of two brings the units near to metres and back, to the bit
    scale = 2.0 ** round(math.log2(_SAME_M / grain.same))
    turned, closed = turn_outward(triangles[kept] * scale, ends)
    turned /= scale
    return [Shape(kind, handle, turned[ends[n] : ends[n + 1]], bool(closed[n])) for n, handle in enumerate(handles)]


def wire(kind: str, handle: str, points: Array, closed: bool = False, **more: Any) -> Shape:
    """Return the shape of a line through points (n, 3), or of a single point."""
    return Shape(kind, handle, segments=chain(points, closed), **more)


def chain(points: Array, closed: bool = False) -> Array:
    """Return the segments (k, 2, 3) between successive points; one point gives a segment of no length."""
    if len(points) == 1:
        return np.stack([points, points], axis=1)
    line = np.concatenate([points, points[:1]]) if closed else points
    return np.stack([line[:-1], line[1:]], axis=1)


def missing(kind: str, handle: str, reason: str, hull: Array | None = None) -> Shape:
    """Return the shape of an entity of which nothing was read."""
    return Shape(kind, handle, unread=reason, hull=hull)


def joint_box(points: Sequence[Array]) -> Array:
    """Return the eight corners (8, 3) of the box about all points."""
    every = np.concatenate([p.reshape(-1, 3) for p in points])
    return box_corners(every.min(axis=0), every.max(axis=0))


def box_corners(low: Array, high: Array) -> Array:
    """Return the eight corners (8, 3) of a box."""
    return np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
