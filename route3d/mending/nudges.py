"""Small changes of a line that answer one thing it lacks: legs shifted, lengthened or led around something."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from route3d.fit import Shortfall
from route3d.mending.change import tidy
from route3d.mending.site import SPARE_M, Look, Meeting

Floats = NDArray[np.float64]

FURTHEST_M = 1.5  # no leg is shifted further by one nudge
_PARALLEL = 1e-3
_SLANTS_RAD = (math.radians(30.0), math.radians(45.0))


def nudges(line: Floats, look: Look, radius_m: float, bend_m: float) -> Iterator[Floats]:
    """Yield lines that may lack less than ``line``: for its first tight bend, else for what it meets worst.

    ``radius_m`` is the cable's, ``bend_m`` the radius that its bends need. Ends never move.
    """
    for short in look.short[:1]:
        yield from _for_bend(line, short, bend_m)
    for meeting in sorted(look.meetings, key=lambda m: -m.lack_m)[:2]:
        yield from _for_meeting(line, look, meeting, radius_m, bend_m)


def _for_bend(line: Floats, short: Shortfall, bend_m: float) -> Iterator[Floats]:
    for lacking in (short.before, short.after):
        if lacking is None:
            continue
        a, b = lacking.corner_before, lacking.corner_after
        way = line[b] - line[a]
        length = float(np.linalg.norm(way))
        if length <= 0.0:
            continue
        if math.isfinite(lacking.lack_m):
            step = way / length * (lacking.lack_m + SPARE_M)
            yield from _pushed(line, b, 1, step)
            yield from _pushed(line, a, -1, -step)
            yield from _pushed(line, b, 1, step / 2.0, also=(a, -1, -step / 2.0))
        # a jog that is too short for two bends may as well go
        yield from _pushed(line, b, 1, -way)
        yield from _pushed(line, a, -1, way)
        yield from _slanted(line, a, b, bend_m)
    # or the corner itself taken out
    n = short.bend.corner
    if 0 < n < len(line) - 1:
        yield tidy(np.delete(line, n, axis=0))


def _slanted(line: Floats, a: int, b: int, bend_m: float) -> Iterator[Floats]:
    """Lay a jog from corner ``a`` to ``b`` at a slant, so that its bends turn less and fit."""
    if not 0 < a < b < len(line) - 1:
        return
    before, jog, after = line[a] - line[a - 1], line[b] - line[a], line[b + 1] - line[b]
    along = before / np.linalg.norm(before)
    if float(along @ after) < (1.0 - _PARALLEL) * float(np.linalg.norm(after)) or abs(float(along @ jog)) > 1e-6:
        return
    across = float(np.linalg.norm(jog))
    # two bends of this turn offset the line by just so much
    widest = math.acos(max(1.0 - across / (2.0 * (bend_m + SPARE_M)), 0.0))
    for slant in (widest, *(angle for angle in _SLANTS_RAD if angle < widest)):
        for share in (0.5, 0.0, 1.0):
            moved = line.copy()
            moved[a] -= along * (across / math.tan(slant)) * share
            moved[b] += along * (across / math.tan(slant)) * (1.0 - share)
            yield tidy(moved)


def _pushed(
    line: Floats, corner: int, outward: int, step: Floats, also: tuple[int, int, Floats] | None = None
) -> Iterator[Floats]:
    """Move a corner, and those beyond it up to a leg that takes the step up; nothing where only the end would."""
    moved = line.copy()
    for first, way, by in ((corner, outward, step), *((also,) if also is not None else ())):
        last = _until(line, first, way, by)
        if last is None:
            return
        low, high = min(first, last), max(first, last)
        moved[low : high + 1] += by
    yield tidy(moved)


def _until(line: Floats, corner: int, outward: int, step: Floats) -> int | None:
    """Return the last corner to move with ``corner``: the leg behind it is parallel to the step."""
    k = corner
    while 0 < k < len(line) - 1:
        leg = line[k + outward] - line[k]
        if abs(float(leg @ step)) >= (1.0 - _PARALLEL**2 / 2.0) * float(np.sqrt((leg @ leg) * (step @ step))):
            return k
        k += outward
    return None


def _for_meeting(line: Floats, look: Look, meeting: Meeting, radius_m: float, bend_m: float) -> Iterator[Floats]:
    for k in _legs_at(line, np.array(meeting.point_m)):
        a, b = line[k], line[k + 1]
        length = float(np.linalg.norm(b - a))
        along = (b - a) / length
        for way in _sideways(along):
            if meeting.down_only and way[2] > -0.9:
                continue
            for push in _pushes(meeting, a, way, radius_m):
                step = way * push
                yield from _shifted(line, k, step)
                yield from _around(line, k, meeting, along, step, radius_m, bend_m)


def _legs_at(line: Floats, point: Floats) -> list[int]:
    """Return the numbers of the legs at a point: one, or two where it is on the bend between them."""
    legs = np.diff(line, axis=0)
    squared = np.maximum((legs**2).sum(axis=1), 1e-18)
    share = np.clip(((point - line[:-1]) * legs).sum(axis=1) / squared, 0.0, 1.0)
    apart = np.linalg.norm(line[:-1] + share[:, None] * legs - point, axis=1)
    order = np.argsort(apart)
    return [int(order[0])] + [int(k) for k in order[1:2] if apart[k] - apart[order[0]] < 0.05]


def _sideways(along: Floats) -> list[Floats]:
    """Return the four directions across a leg: up, down and level for a level one."""
    up = np.array([0.0, 0.0, 1.0])
    side = np.array([1.0, 0.0, 0.0]) - along[0] * along if abs(along[2]) > 0.9 else np.cross(up, along)
    side /= np.linalg.norm(side)
    other = np.cross(along, side)
    return [side, -side, other, -other]


def _pushes(meeting: Meeting, on_leg: Floats, way: Floats, radius_m: float) -> list[float]:
    """Return how far a leg must move along ``way``: past the box of the thing, or only off its surface."""
    pushes = []
    if meeting.down_only:
        return [meeting.lack_m + SPARE_M]
    low, high = meeting.box_m
    furthest = float(np.where(way > 0.0, high, low) @ way)
    past = furthest + radius_m + meeting.allowed_m + SPARE_M - float(on_leg @ way)
    if 0.0 < past <= FURTHEST_M:
        pushes.append(past)
    off = np.array(meeting.point_m) - np.array(meeting.toward_m)
    off = -off if meeting.inside else off
    size = float(np.linalg.norm(off))
    if size > 1e-9 and float(off @ way) / size > 0.5:
        straight = (meeting.lack_m + SPARE_M) / (float(off @ way) / size)
        if not pushes or straight < pushes[0] - SPARE_M:
            pushes.append(straight)
    return pushes


def _shifted(line: Floats, k: int, step: Floats) -> Iterator[Floats]:
    """Shift leg ``k`` whole, with as many of its neighbours as are needed to keep the others' directions."""
    first, last = _until(line, k, -1, step), _until(line, k + 1, 1, step)
    if first is not None and last is not None:
        moved = line.copy()
        moved[first : last + 1] += step
        yield tidy(moved)
    if k > 0 and k + 1 < len(line) - 1:
        tilted = line.copy()
        tilted[k : k + 2] += step
        yield tidy(tilted)


def _around(
    line: Floats, k: int, meeting: Meeting, along: Floats, step: Floats, radius_m: float, bend_m: float
) -> Iterator[Floats]:
    """Lead leg ``k`` around something: four new corners, on a slant or at right angles."""
    a = line[k]
    length = float(np.linalg.norm(line[k + 1] - a))
    reach = radius_m + meeting.allowed_m + SPARE_M
    ends = sorted(
        (float(np.where(along > 0.0, meeting.box_m[0], meeting.box_m[1]) @ along),
         float(np.where(along > 0.0, meeting.box_m[1], meeting.box_m[0]) @ along))
    )  # fmt: skip
    begin, end = ends[0] - reach - float(a @ along), ends[1] + reach - float(a @ along)
    off = float(np.linalg.norm(step))
    # two bends of this turn offset the line by just so much
    least_slant = math.acos(max(1.0 - off / (2.0 * (bend_m + SPARE_M)), 0.0))
    for slant in (least_slant, *(angle for angle in (*_SLANTS_RAD, math.pi / 2.0) if angle > least_slant + 1e-9)):
        setback = (bend_m + SPARE_M) * math.tan(slant / 2.0)
        # between its two bends a slanted piece needs both set-backs
        least = 2.0 * setback * math.sin(slant)
        wide = step * max(1.0, least / off)
        run = float(np.linalg.norm(wide)) / math.tan(slant) if slant < math.pi / 2.0 else 0.0
        p, q = begin - setback, end + setback
        if p - run - setback <= 0.0 or q + run + setback >= length:
            continue
        off_and_back = np.array(
            [a + along * (p - run), a + along * p + wide, a + along * q + wide, a + along * (q + run)]
        )
        yield tidy(np.concatenate([line[: k + 1], off_and_back, line[k + 1 :]]))
