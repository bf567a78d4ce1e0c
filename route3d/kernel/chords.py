"""Arcs that somebody drew as many short chords.

Programs that know no arcs write a bend as chords of a circle: the first and the last turn half a chord's angle, so
that the legs are tangent to the circle. Such a group becomes one corner, where the tangents meet, with the circle's
radius; a group that turns further than 120° becomes several, so that every corner has a place. Everything else stays.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled
from route3d.kernel.xyz import Xyz, angle, beyond, cross, dot, norm, put, row, sub, unit, zero

Floats = NDArray[np.float64]
Numbers = NDArray[np.int64]

PART_MAX_RAD = math.radians(120.0)  # of one corner that stands for chords

_TURN_MAX = math.radians(45.0) + 1e-6  # of one corner among chords
_TOTAL_MIN = 0.02  # a group that turns less is a straight leg with drawing noise
_EXACT_M = 2e-9  # deviation of chords that a program wrote with all digits
_ROUNDED_M = 4e-6  # of chords in inches with four decimals
_NOISE_M = 2.5e-4  # largest deviation of a vertex from the arc that replaces it
# Of the whole arc's rise. On a curve whose curvature changes steadily by a share e between its ends, vertices leave the
# best circle by about 0.064·e of the rise: 0.002 keeps e near 3 %, so that no tighter part of a smooth curve is hidden.
_RISE_SHARE = 0.002

# What an arc is tangent to at one end: nothing that vouches for it, the run's end, a leg, the arc before, the next one.
_NONE, _FREE, _LEG, _SHARED, _NEXT = 0, 1, 2, 3, 4

_EXACT, _GROWING, _NOISY = 0, 1, 2


@compiled
def chord_groups(points: Floats, radius: Floats, sagitta_max: float) -> tuple[Numbers, Floats, int]:
    """Find the groups of chords that mean an arc.

    Parameters
    ----------
    points : (n, 3) float
        Neighbours differ.
    radius : (n,) float
        Above 0 where an arc was drawn as such: these points are in no group.
    sagitta_max : float
        Chords that leave their arc further than this are legs of their own.

    Returns
    -------
    groups : (n, 2) int
        First and last point of each group, both on the arc; two groups may share a point.
    arcs : (n, 12) float
        Centre, unit normal (travel is anticlockwise about it), radius, total turn; then 1 and the corner where the two
        legs meet, or 0 where the circle alone says where the corners are.
    count : int
        How many groups there are; the rest of the arrays is unused.
    """
    count = len(points)
    groups = np.empty((count, 2), np.int64)
    arcs = np.zeros((count, 12))
    ends = np.empty((count, 2), np.int64)
    arc = np.zeros(12)
    other = np.zeros(12)
    used = zero()
    first = zero()
    while sagitta_max > 0.0 and first + 2 < count:
        last = 0
        if _may_start(points, radius, first, first == 0 or (used > 0 and groups[used - 1, 1] == first)):
            last = _seek(points, radius, first, sagitta_max, _EXACT, groups, arcs, ends, used, arc, other)
            if last == 0 or ends[used, 1] == _NEXT:
                # not from leg to leg: rounding, or a hand, may have moved some points
                rough = _seek(points, radius, first, sagitta_max, _GROWING, groups, arcs, ends, used, arc, other)
                for start in range(first + 1, rough - 2):
                    # but what a program wrote with all digits is not swallowed
                    if _may_start(points, radius, start, False) and _seek(
                        points, radius, start, sagitta_max, _EXACT, groups, arcs, ends, used, arc, other
                    ):
                        rough = 0
                        break
                mode = _GROWING if rough > last else _EXACT
                last = max(last, rough)
                if last > 0:
                    _seek(points, radius, first, sagitta_max, mode, groups, arcs, ends, used, arc, other)
        if last > 0:
            groups[used, 0], groups[used, 1] = first, last
            for k in range(12):
                arcs[used, k] = arc[k]
            used += 1
            first = last
        else:
            first += 1
    return groups, arcs, _drop_unsupported(groups, arcs, ends, used)


@compiled
def place_group(points: Floats, start: int, stop: int, arc: Floats, corners: Floats, span: Numbers, used: int) -> int:
    """Write the corners that stand for one group, and the first and last of their points, from row ``used`` on.

    Returns the number of rows that are written now.
    """
    # the run's own ends are on the arc, but no corners
    low = start + 1 if start == 0 else start
    high = stop - 1 if stop == len(points) - 1 else stop
    if arc[8] == 1.0:
        put(corners, used, (arc[9], arc[10], arc[11]))
        span[used, 0], span[used, 1] = low, high
        return used + 1
    centre, normal, radius = (arc[0], arc[1], arc[2]), (arc[3], arc[4], arc[5]), arc[6]
    parts = _parts(arc[7])
    part = arc[7] / parts
    u = unit(sub(row(points, start), centre))
    v = cross(normal, u)
    out = radius / math.cos(part / 2.0)
    at = start
    reached = 0.0
    for k in range(parts):
        middle = (k + 0.5) * part
        corner = beyond(beyond(centre, out * math.cos(middle), u), out * math.sin(middle), v)
        put(corners, used, corner)
        # the points of this part; between two wide chords there may be none of its own
        span[used, 0] = min(max(at + 1 if k > 0 else at, low), high)
        while at < stop:
            step = angle(sub(row(points, at), centre), sub(row(points, at + 1), centre))
            if k < parts - 1 and reached + step > (k + 1) * part + 1e-9:
                break
            reached += step
            at += 1
        span[used, 1] = max(span[used, 0], min(max(at, low), high))
        used += 1
    return used


@compiled
def _parts(total: float) -> int:
    return math.ceil(total / PART_MAX_RAD - 1e-9)


@compiled
def _circle(p: Xyz, q: Xyz, r: Xyz, out: Floats) -> bool:
    """Write centre, unit normal and radius of the circle through three points; False if they lie on a line."""
    a, b = sub(p, r), sub(q, r)
    aa, bb = dot(a, a), dot(b, b)
    plane = cross(a, b)
    double = norm(plane)
    if double <= 1e-14 * (aa + bb):
        return False
    spoke = cross((aa * b[0] - bb * a[0], aa * b[1] - bb * a[1], aa * b[2] - bb * a[2]), plane)
    centre = beyond(r, 0.5 / (double * double), spoke)
    out[0], out[1], out[2] = centre
    out[3], out[4], out[5] = plane[0] / double, plane[1] / double, plane[2] / double
    out[6] = 0.5 / (double * double) * norm(spoke)
    return True


@compiled
def _fits(points: Floats, first: int, last: int, sagitta_max: float, mode: int, out: Floats) -> float:
    """Write the circle through the points and how far it turns; return the deviation allowed, or -1 for no arc."""
    span = last - first
    middle, end = first + span // 2, last
    start = row(points, first)
    if norm(sub(row(points, last), start)) < 0.5 * norm(sub(row(points, middle), start)):
        middle, end = first + span // 3, first + 2 * span // 3  # nearly a full turn: its ends say little of the centre
    if end == middle or middle == first or not _circle(start, row(points, middle), row(points, end), out):
        return -1.0
    centre, normal, radius = (out[0], out[1], out[2]), (out[3], out[4], out[5]), out[6]
    total, before, farthest = 0.0, 0.0, 0.0
    for i in range(first, last + 1):
        a = sub(row(points, i), centre)
        farthest = max(farthest, max(abs(norm(a) - radius), abs(dot(a, normal))))
        step = 0.0
        if i < last:
            b = sub(row(points, i + 1), centre)
            step = math.atan2(dot(normal, cross(a, b)), dot(a, b))
            if step <= 0.0 or radius * (1.0 - math.cos(step / 2.0)) > sagitta_max + 1e-9:
                return -1.0
        if (before + step) / 2.0 > _TURN_MAX:
            return -1.0
        before = step
        total += step
    out[7] = total
    rise = radius * (1.0 - math.cos(min(total, math.pi) / 2.0))
    if mode == _EXACT:
        allowed = min(_EXACT_M, 0.5 * _RISE_SHARE * rise)
    elif mode == _GROWING:
        allowed = min(_NOISE_M, max(_ROUNDED_M, 0.1 * radius * (1.0 - math.cos(total / span / 2.0))))
    else:
        allowed = min(_NOISE_M, _RISE_SHARE * rise)
    return allowed if farthest <= allowed else -1.0


@compiled
def _grow(points: Floats, radius: Floats, first: int, sagitta_max: float, mode: int, out: Floats) -> int:
    """Return the last point of the longest stretch on one circle; ``first`` if there is none."""
    end = len(points) - 1
    stop = first + 1  # an arc drawn as such is no chord, and ends the search
    while stop < end and not radius[stop] > 0.0:
        stop += 1
    if stop < end:
        stop -= 1
    last, step = first + 1, 1
    while last + step <= stop and _fits(points, first, last + step, sagitta_max, mode, out) >= 0.0:
        last += step
        step *= 2
    while step > 0:
        if last + step <= stop and _fits(points, first, last + step, sagitta_max, mode, out) >= 0.0:
            last += step
        step //= 2
    return last if last > first + 1 else first


@compiled
def _may_start(points: Floats, radius: Floats, first: int, supported: bool) -> bool:
    """Say whether an arc may start here: on a smooth curve nearly no point may, which saves the closer look.

    A leg turns into its arc by half the angle of the first chord, the next corner by half that of the first and second.
    """
    here, middle, then = row(points, first), row(points, first + 1), row(points, first + 2)
    one, two = sub(middle, here), sub(then, middle)
    turn = angle(one, two)
    if turn > _TURN_MAX or turn <= 0.0 or (first > 0 and radius[first] > 0.0):
        return False
    if supported:
        return True
    half = turn * norm(one) / (norm(one) + norm(two))
    return abs(angle(sub(here, row(points, first - 1)), one) - half) <= 0.6 * half


@compiled
def _seek(
    points: Floats,
    radius: Floats,
    first: int,
    sagitta_max: float,
    mode: int,
    groups: Numbers,
    arcs: Floats,
    ends: Numbers,
    used: int,
    arc: Floats,
    other: Floats,
) -> int:
    """Write the arc that starts at ``first`` and what vouches for its ends; return its last point, or 0 for no arc."""
    longest = _grow(points, radius, first, sagitta_max, mode, other)
    # a leg so short that it does not leave the circle may have been taken for a chord
    for last in (longest, longest - 1):
        if _vouch(points, radius, first, last, sagitta_max, mode, groups, arcs, ends, used, arc, other):
            return last
    return 0


@compiled
def _vouch(
    points: Floats,
    radius: Floats,
    first: int,
    last: int,
    sagitta_max: float,
    mode: int,
    groups: Numbers,
    arcs: Floats,
    ends: Numbers,
    used: int,
    arc: Floats,
    other: Floats,
) -> bool:
    """Say whether the stretch is an arc tangent to what is beyond its ends; write the arc and what vouches for it."""
    corners = last - first + 1
    if first == 0:
        corners -= 1
    if last == len(points) - 1:
        corners -= 1
    if last < first + 2 or corners < 3:
        return False
    final = _EXACT if mode == _EXACT else _NOISY
    allowed = _fits(points, first, last, sagitta_max, final, arc)
    if allowed < 0.0 or arc[7] < _TOTAL_MIN:
        return False
    # three points lie on a circle by themselves: only two legs can vouch for it, not another arc
    may_share = mode == _EXACT and last - first >= 3
    start = _support(points, first, last, arc, allowed, first)
    if start == _NONE and may_share and used > 0 and groups[used - 1, 1] == first:
        meets = angle(_tangent(arcs[used - 1], row(points, first)), _tangent(arc, row(points, first)))
        if meets <= _slack(points, first, last, arc, allowed, first):
            start = _SHARED
    if start == _NONE:
        return False
    stop = _support(points, first, last, arc, allowed, last)
    if stop == _NONE and may_share:
        end = _grow(points, radius, last, sagitta_max, mode, other)
        if end - last >= 3 and _fits(points, last, end, sagitta_max, final, other) > 0.0:
            meets = angle(_tangent(other, row(points, last)), _tangent(arc, row(points, last)))
            if meets <= _slack(points, first, last, arc, allowed, last):
                stop = _NEXT
    if stop == _NONE:
        return False
    arc[8] = 0.0
    ends[used, 0], ends[used, 1] = start, stop
    if start == _LEG and stop == _LEG and _parts(arc[7]) == 1:
        return _meet(points, first, last, allowed, arc)
    return True


@compiled
def _drop_unsupported(groups: Numbers, arcs: Floats, ends: Numbers, count: int) -> int:
    """Drop the arcs that lean on one that is not there, and so on; return how many stay."""
    stays = np.ones(count, np.bool_)
    changed = True
    while changed:
        changed = False
        for g in range(count):
            before = g > 0 and stays[g - 1] and groups[g - 1, 1] == groups[g, 0]
            after = g + 1 < count and stays[g + 1] and groups[g + 1, 0] == groups[g, 1]
            if stays[g] and ((ends[g, 0] == _SHARED and not before) or (ends[g, 1] == _NEXT and not after)):
                stays[g] = False
                changed = True
    used = 0
    for g in range(count):
        if stays[g]:
            groups[used, 0], groups[used, 1] = groups[g, 0], groups[g, 1]
            for k in range(12):
                arcs[used, k] = arcs[g, k]
            used += 1
    return used


@compiled
def _tangent(arc: Floats, point: Xyz) -> Xyz:
    return unit(cross((arc[3], arc[4], arc[5]), sub(point, (arc[0], arc[1], arc[2]))))


@compiled
def _slack(points: Floats, first: int, last: int, arc: Floats, allowed: float, at: int) -> float:
    """Return the angle by which a tangent may miss, given how far a point may."""
    near = min(at, last - 1)
    chord = norm(sub(row(points, near + 1), row(points, near)))
    parts = _parts(arc[7])
    # the leg swings about the set-back; where it meets the other in one corner, the arc is measured again instead
    reach = max(chord, arc[6] * math.tan(arc[7] / parts / 2.0)) if parts > 1 else chord
    # a quarter of the half chord angle by which a leg turns into its chord: a chord more is no tangent leg
    slack: float = min(4.0 * allowed / reach, 0.125 * chord / arc[6])
    return slack + 1e-9


@compiled
def _support(points: Floats, first: int, last: int, arc: Floats, allowed: float, at: int) -> int:
    if at == 0 or at == len(points) - 1:
        return _FREE
    leg = sub(row(points, at + 1), row(points, at)) if at == last else sub(row(points, at), row(points, at - 1))
    fits = angle(leg, _tangent(arc, row(points, at))) <= _slack(points, first, last, arc, allowed, at)
    return _LEG if fits else _NONE


@compiled
def _meet(points: Floats, first: int, last: int, allowed: float, arc: Floats) -> bool:
    """Write the corner of the two legs and the radius that it implies; False if the vertices are not on that arc.

    The length from corner to tangent point says the radius better than the circle does: a point that is off by d
    changes it by d / tan(turn / 2) only.
    """
    start, stop = row(points, first), row(points, last)
    before, after = sub(start, row(points, first - 1)), sub(row(points, last + 1), stop)
    if norm(before) < norm(sub(row(points, first + 1), start)) or norm(after) < norm(sub(stop, row(points, last - 1))):
        return True  # legs so short do not say a direction
    before, after = unit(before), unit(after)
    gap = sub(stop, start)
    cosine = dot(before, after)
    along, across = dot(gap, before), dot(gap, after)
    ahead = (along - cosine * across) / (1.0 - cosine * cosine)
    back = (across - cosine * along) / (1.0 - cosine * cosine)
    one, two = beyond(start, ahead, before), beyond(stop, -back, after)
    half = angle(before, after) / 2.0
    radius = (ahead + back) / 2.0 / math.tan(half)
    if not radius > 0.0 or norm(sub(two, one)) > 2.0 * allowed:
        return False
    corner = ((one[0] + two[0]) / 2.0, (one[1] + two[1]) / 2.0, (one[2] + two[2]) / 2.0)
    centre = beyond(corner, radius / math.cos(half), unit(sub(after, before)))
    normal = unit(cross(before, after))
    for i in range(first, last + 1):
        spoke = sub(row(points, i), centre)
        if abs(norm(spoke) - radius) > 2.0 * allowed or abs(dot(spoke, normal)) > 2.0 * allowed:
            return False
    arc[6] = radius
    arc[8] = 1.0
    arc[9], arc[10], arc[11] = corner
    return True
