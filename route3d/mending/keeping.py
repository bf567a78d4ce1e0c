"""What a run keeps when its line changes: what was fastened to, or lies along, a part of it that stays where it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.path import ARC, AT, KIND, LENGTH, ORIGIN, RADIUS, TURN, U, V, closest_at, points_at
from route3d.model.gap import Stretch, united
from route3d.model.job import Job
from route3d.model.run import FittedRun, Run
from route3d.units import TOLERANCE_M, both_units

Floats = NDArray[np.float64]

_SHORTEST_M = 1e-3  # less of a plate or guard strip is none


@dataclass(frozen=True, slots=True)
class Kept:
    """The parts at both ends of a line that another line has too."""

    head_m: float  # from its start
    tail_m: float  # to its end
    shift_m: float  # what is added to distances in the tail


def kept_parts(before: FittedRun, after: FittedRun) -> Kept:
    """Return how far two lines are the same from their starts, and from their ends."""
    head = _same_from_start(before.pieces, after.pieces)
    tail = _same_from_start(_turned(before.pieces), _turned(after.pieces))
    return Kept(head, min(tail, before.length_m - head), after.length_m - before.length_m)


def kept_stretches(stretches: Sequence[Stretch], kept: Kept, length_m: float) -> tuple[Stretch, ...]:
    """Return the parts of stretches of a line of some length that are on another one too, as distances along that."""
    tail = length_m - kept.tail_m
    found = [(a, min(b, kept.head_m)) for a, b in stretches]
    found += [(max(a, tail) + kept.shift_m, b + kept.shift_m) for a, b in stretches]
    return tuple(united([(a, b) for a, b in found if b - a >= _SHORTEST_M], TOLERANCE_M))


def still_there(before: FittedRun, after: FittedRun, at_m: Sequence[float]) -> tuple[float, ...]:
    """Return where a run still passes the places that it was fastened at; the others are dropped."""
    kept = []
    for point in points_at(before.pieces, np.array(at_m)) if len(at_m) else ():
        apart, at = closest_at(after.pieces, point)
        if apart <= TOLERANCE_M:
            kept.append(at)
    return tuple(sorted(kept))


def to_look_at(job: Job, before: Run, after: Run, moved: bool) -> tuple[str, ...]:
    """Say what else the project states by distances along a run whose line changes, and what became of it."""
    said = []
    for name, old, new in (
        ("steel plates", before.plates_m, after.plates_m),
        ("guard strips", before.guards_m, after.guards_m),
    ):
        lost = _total(old) - _total(new)
        if lost > _SHORTEST_M:
            said.append(
                f"Of the {both_units(_total(old))} behind {name}, {both_units(lost)} are on the part that moves: they "
                "count no longer there. Where the new line needs any, state them."
            )
    if moved and len(before.bent) > 1:
        said.append("Its `bent` names the bends one by one: see that each word is still at its bend.")
    places = [stop for stop in job.firestops or () if stop.run == before.run_id and stop.at_m is not None]
    if moved and places:
        said.append(
            f"{len(places)} fire-stop(s) of the project are stated by their distance along this run: see that they are "
            "where it passes through now."
        )
    return tuple(said)


def _total(stretches: Sequence[Stretch]) -> float:
    return sum(b - a for a, b in united(list(stretches), 0.0))


def _same_from_start(one: Floats, other: Floats) -> float:
    """Return the length that two rows of pieces have in common, piece by piece."""
    length = 0.0
    for a, b in zip(one, other, strict=False):
        start_apart = float(np.abs(a[ORIGIN] - b[ORIGIN]).max())
        if a[KIND] != b[KIND] or start_apart > TOLERANCE_M:
            break
        if a[KIND] == ARC:
            shape = max(float(np.abs(a[U] - b[U]).max()), float(np.abs(a[V] - b[V]).max()), abs(a[TURN] - b[TURN]))
            if abs(a[RADIUS] - b[RADIUS]) > TOLERANCE_M or shape * max(a[RADIUS], b[RADIUS]) > TOLERANCE_M:
                break
        else:
            common = min(a[LENGTH], b[LENGTH])
            if float(np.abs(a[V] - b[V]).max()) * common > TOLERANCE_M:
                break
            if abs(a[LENGTH] - b[LENGTH]) > TOLERANCE_M:
                length += float(common)
                break
        length += float(a[LENGTH])
    return length


def _turned(pieces: Floats) -> Floats:
    """Return pieces as they are met from the end."""
    rows = pieces[::-1].copy()
    for row in rows:
        if row[KIND] == ARC:
            u, v, turn = row[U].copy(), row[V].copy(), row[TURN]
            row[U] = np.cos(turn) * u + np.sin(turn) * v
            row[V] = np.sin(turn) * u - np.cos(turn) * v
        else:
            row[ORIGIN] = row[ORIGIN] + row[LENGTH] * row[V]
            row[V] = -row[V]
    rows[:, AT] = 0.0
    return rows
