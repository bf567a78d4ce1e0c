"""The shapes of points, lines, arcs and polylines that were read in bulk.

The plainest become lines all at once; the others one by one, by the same code as entities of the DXF library.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from importers.dxf_curves import TooManyChordsError, axes_of, chord_count
from importers.dxf_kinds import attempt
from importers.dxf_parts import BulkArcs, BulkPaths, BulkProfiles
from importers.dxf_profiles import Profile, round_of, shape_of_profile
from importers.dxf_records import ranges
from importers.dxf_shape import Grain, Shape, turned, unturned
from importers.dxf_tokens import Ints, Mask, Strings

Array = NDArray[np.float64]


def shapes_of_paths(paths: BulkPaths, grain: Grain) -> list[Shape]:
    """Return the shapes of points, lines, and polylines in space; they need no grain."""
    closed = paths.closed & (np.diff(paths.starts) > 2)
    return _wires(paths.kind, _names(paths.handles), paths.points, paths.starts, closed, outlined=False)


def shapes_of_arcs(arcs: BulkArcs, grain: Grain) -> list[Shape]:
    """Return the shapes of arcs or circles."""
    names = _names(arcs.handles)
    is_arc = arcs.kind == "ARC"
    axes = axes_of(arcs.extrusion)
    shapes: list[Shape | None] = [None] * len(names)
    by_count: dict[int, list[int]] = {}
    starts = np.zeros(len(names))
    sweeps = np.full(len(names), math.tau)
    angles, radii, thickness = arcs.degrees.tolist(), arcs.radii.tolist(), arcs.thickness.tolist()
    for n, name in enumerate(names):
        if is_arc:
            starts[n] = math.radians(angles[n][0])
            sweeps[n] = math.radians((angles[n][1] - angles[n][0]) % 360.0) or math.tau
        count = 0
        if thickness[n] == 0.0 and radii[n] != 0.0:
            with contextlib.suppress(TooManyChordsError):  # said below, as of every entity
                count = chord_count(radii[n], sweeps[n], grain.chord)
        if count:
            by_count.setdefault(count, []).append(n)
            continue
        turn = (float(starts[n]), float(sweeps[n])) if is_arc else None
        make = partial(
            round_of, arcs.kind, name, arcs.centres[n], radii[n], turn, axes[n], thickness[n], grain, unturned
        )
        shapes[n] = attempt(arcs.kind, name, make)
    for count, group in by_count.items():
        mine = np.array(group)
        angle = starts[mine, None] + sweeps[mine, None] * np.arange(count + 1) / count
        flat = np.stack([np.cos(angle), np.sin(angle)], axis=2) * np.abs(arcs.radii[mine])[:, None, None]
        flat = arcs.centres[mine, None, :2] + flat
        if not is_arc:
            flat = flat[:, :-1]
        each = flat.shape[1]
        points = _to_world(
            flat.reshape(-1, 2), np.repeat(arcs.centres[mine, 2], each), np.repeat(axes[mine], each, axis=0)
        )
        loops = np.full(len(mine), not is_arc)
        ends = np.arange(len(mine) + 1) * each
        made = _wires(arcs.kind, [names[n] for n in group], points, ends, loops, outlined=True)
        for n, shape in zip(group, made, strict=True):
            shapes[n] = shape
    return turned([shape for shape in shapes if shape is not None], grain)


def shapes_of_profiles(profiles: BulkProfiles, grain: Grain) -> list[Shape]:
    """Return the shapes of flat polylines."""
    names = _names(profiles.handles)
    axes = axes_of(profiles.extrusion)
    starts = profiles.starts
    bent = np.logical_or.reduceat(profiles.corners[:, 2:].any(axis=1), starts[:-1]) | (profiles.thickness != 0.0)
    plain = np.flatnonzero(~bent)
    shapes: list[Shape | None] = [None] * len(names)
    for n, shape in zip(plain.tolist(), _straight(profiles, names, plain, axes), strict=True):
        shapes[n] = shape
    for n in np.flatnonzero(bent).tolist():
        rows = profiles.corners[starts[n] : starts[n + 1]]
        profile = Profile(
            rows[:, :2],
            rows[:, 4],
            rows[:, 2:4],
            bool(profiles.closed[n]),
            float(profiles.elevation[n]),
            axes[n],
            float(profiles.thickness[n]),
        )
        make = partial(shape_of_profile, profiles.kind, names[n], profile, grain, unturned)
        shapes[n] = attempt(profiles.kind, names[n], make)
    return turned([shape for shape in shapes if shape is not None], grain)


def _straight(profiles: BulkProfiles, names: Sequence[str], chosen: Ints, axes: Array) -> list[Shape]:
    """Return the shapes of polylines without bends, width and thickness, as ``shape_of_profile`` makes them."""
    if len(chosen) == 0:
        return []
    size = np.diff(profiles.starts)[chosen]
    flat = profiles.corners[ranges(profiles.starts[chosen], size), :2]
    owner = np.repeat(np.arange(len(chosen)), size)
    ends = np.cumsum(size)
    # corners that repeat the one before are one; a line that comes back to its start is closed
    keep = np.ones(len(flat), dtype=bool)
    keep[:-1] = (flat[1:] != flat[:-1]).any(axis=1) | (owner[1:] != owner[:-1])
    kept = np.bincount(owner[keep], minlength=len(chosen))
    first = np.flatnonzero(keep)[np.cumsum(kept) - kept]
    back = (kept > 2) & (flat[first] == flat[ends - 1]).all(axis=1)
    keep[ends[back] - 1] = False
    kept -= back
    points = _to_world(flat[keep], profiles.elevation[chosen][owner[keep]], axes[chosen][owner[keep]])
    starts = np.concatenate([[0], np.cumsum(kept)])
    closed = (profiles.closed[chosen] | back) & (kept > 2)
    return _wires(profiles.kind, [names[n] for n in chosen.tolist()], points, starts, closed, outlined=True)


def _wires(
    kind: str, names: Sequence[str], points: Array, starts: Ints, closed: Mask, *, outlined: bool
) -> list[Shape]:
    """Return the shapes of lines through points (p, 3), each of one point or more; closed ones may be outlines too."""
    size = np.diff(starts)
    # from each point to the next one; the last one goes back to the first, or has none behind it
    following = np.arange(1, len(points) + 1)
    last = starts[1:] - 1
    following[last] = np.where(closed, starts[:-1], last)
    used = np.ones(len(points), dtype=bool)
    used[last] = closed | (size == 1)
    segments = np.stack([points, points[following]], axis=1)[used]
    ends = np.concatenate([[0], np.cumsum(np.add.reduceat(used.astype(np.int64), starts[:-1]))]).tolist()
    edges = starts.tolist()
    loops = (closed & outlined).tolist()
    return [
        Shape(
            kind,
            name,
            segments=segments[ends[n] : ends[n + 1]],
            outline=points[edges[n] : edges[n + 1]] if loops[n] else None,
        )
        for n, name in enumerate(names)
    ]


def _to_world(flat: Array, elevation: Array, axes: Array) -> Array:
    """Return points (p, 2) of planes with axes (p, 3, 3) in the world (p, 3)."""
    x, y = flat[:, 0, None] * axes[:, 0], flat[:, 1, None] * axes[:, 1]
    return np.asarray(x + y + elevation[:, None] * axes[:, 2])


def _names(handles: Strings) -> list[str]:
    return [handle.decode() for handle in handles.tolist()]
