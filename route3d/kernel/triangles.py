"""Exact distances between points, straight pieces, arcs and triangles.

A triangle is a row of 12 numbers, its *frame*: the start A of its longest edge, that edge e, the height w that rises
at right angles from it to the third corner, where on the edge it rises (0 to 1), 1/e·e and 1/w·w. A point of the
plane is A + x·e + y·w; corners are (0, 0), (1, 0) and (foot, 1). As foot lies between 0 and 1, the frame is as well
conditioned for a sliver as for an equilateral triangle. A triangle that is a straight line has w = 0, one that is a
point has e = 0 too; with the reciprocal set to 0, every function here treats these as the segment or the point that
they are.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.compiled import compiled, compiled_bare

FRAME_WIDTH = 12
TOLERANCE_M = 5e-7  # distances from arcs are certified to this
_FLAT_M = 1e-12  # heights and edges below this are nothing
_PARALLEL = 1e-20  # squared sine of the angle between lines that are taken as parallel
_SURE = 1.0 - 1e-9  # squared distances are sure to this share
_INSIDE = 1e-4  # as a share of the triangle; far above rounding, for slivers too
_INFINITE = math.inf
HALVES = 64  # parts of an arc that may wait to be looked at

Floats = NDArray[np.float64]


@compiled
def clamp01(x: float) -> float:
    """Return ``x`` limited to 0..1."""
    return 0.0 if x < 0.0 else (1.0 if x > 1.0 else x)


@compiled_bare
def write_frame(corners: Floats, frame: Floats) -> None:
    """Write the frame (12,) of a triangle given as 9 numbers; the direction of its normal e × w is kept."""
    longest = 0
    longest2 = -1.0
    for k in range(3):
        a = 3 * k
        b = 3 * ((k + 1) % 3)
        edge2 = (
            (corners[b] - corners[a]) ** 2
            + (corners[b + 1] - corners[a + 1]) ** 2
            + (corners[b + 2] - corners[a + 2]) ** 2
        )
        if edge2 > longest2:
            longest2 = edge2
            longest = k
    a = 3 * longest
    b = 3 * ((longest + 1) % 3)
    c = 3 * ((longest + 2) % 3)
    for k in range(3):
        frame[k] = corners[a + k]
        frame[3 + k] = 0.0
        frame[6 + k] = 0.0
    frame[9] = 0.0
    frame[10] = 0.0
    frame[11] = 0.0
    if longest2 < _FLAT_M * _FLAT_M:
        return
    for k in range(3):
        frame[3 + k] = corners[b + k] - corners[a + k]
    frame[10] = 1.0 / longest2
    rise = 0.0
    for k in range(3):
        rise += (corners[c + k] - corners[a + k]) * frame[3 + k]
    foot = clamp01(rise / longest2)
    frame[9] = foot
    lean = 0.0
    for k in range(3):
        frame[6 + k] = corners[c + k] - corners[a + k] - foot * frame[3 + k]
        lean += frame[6 + k] * frame[3 + k]
    height2 = 0.0
    for k in range(3):  # once more, as rounding leaves a trace of the edge in the height
        frame[6 + k] -= lean / longest2 * frame[3 + k]
        height2 += frame[6 + k] ** 2
    if height2 < _FLAT_M * _FLAT_M:
        for k in range(3):
            frame[6 + k] = 0.0
    else:
        frame[11] = 1.0 / height2


@compiled_bare
def point_triangle(px: float, py: float, pz: float, frames: Floats, i: int) -> tuple[float, float, float, float]:
    """Return the squared distance from a point to triangle ``i``, and the nearest point of the triangle."""
    ex, ey, ez = frames[i, 3], frames[i, 4], frames[i, 5]
    wx, wy, wz = frames[i, 6], frames[i, 7], frames[i, 8]
    foot = frames[i, 9]
    rx, ry, rz = px - frames[i, 0], py - frames[i, 1], pz - frames[i, 2]
    x = (rx * ex + ry * ey + rz * ez) * frames[i, 10]
    y = (rx * wx + ry * wy + rz * wz) * frames[i, 11]
    left = y * foot > x
    right = y * (1.0 - foot) > 1.0 - x
    nx, ny, nz = 0.0, 0.0, 0.0
    best2 = _INFINITE
    if y >= 0.0 and not left and not right:
        nx, ny, nz = x * ex + y * wx, x * ey + y * wy, x * ez + y * wz
        best2 = (rx - nx) ** 2 + (ry - ny) ** 2 + (rz - nz) ** 2
    else:  # the nearest point is on an edge that the point lies beyond
        if y < 0.0:
            t = clamp01(x)
            nx, ny, nz = t * ex, t * ey, t * ez
            best2 = (rx - nx) ** 2 + (ry - ny) ** 2 + (rz - nz) ** 2
        if left:
            gx, gy, gz = foot * ex + wx, foot * ey + wy, foot * ez + wz
            g2 = gx * gx + gy * gy + gz * gz
            t = clamp01((rx * gx + ry * gy + rz * gz) / g2) if g2 > 0.0 else 0.0
            d2 = (rx - t * gx) ** 2 + (ry - t * gy) ** 2 + (rz - t * gz) ** 2
            if d2 < best2:
                best2 = d2
                nx, ny, nz = t * gx, t * gy, t * gz
        if right:
            gx, gy, gz = (foot - 1.0) * ex + wx, (foot - 1.0) * ey + wy, (foot - 1.0) * ez + wz
            g2 = gx * gx + gy * gy + gz * gz
            t = clamp01(((rx - ex) * gx + (ry - ey) * gy + (rz - ez) * gz) / g2) if g2 > 0.0 else 0.0
            qx, qy, qz = ex + t * gx, ey + t * gy, ez + t * gz
            d2 = (rx - qx) ** 2 + (ry - qy) ** 2 + (rz - qz) ** 2
            if d2 < best2:
                best2 = d2
                nx, ny, nz = qx, qy, qz
    return best2, frames[i, 0] + nx, frames[i, 1] + ny, frames[i, 2] + nz


@compiled
def point_segment(rx: float, ry: float, rz: float, ex: float, ey: float, ez: float) -> tuple[float, float]:
    """Return the squared distance from the point r to the segment from 0 to e, and where on it (0..1)."""
    e2 = ex * ex + ey * ey + ez * ez
    t = clamp01((rx * ex + ry * ey + rz * ez) / e2) if e2 > 0.0 else 0.0
    return (rx - t * ex) ** 2 + (ry - t * ey) ** 2 + (rz - t * ez) ** 2, t


@compiled
def segment_segment(
    rx: float,
    ry: float,
    rz: float,
    dx: float,
    dy: float,
    dz: float,
    ex: float,
    ey: float,
    ez: float,
) -> tuple[float, float, float]:
    """Return the squared distance between the segments s·d and r + t·e, with s and t (0..1) where it is reached."""
    d2 = dx * dx + dy * dy + dz * dz
    e2 = ex * ex + ey * ey + ez * ez
    if d2 <= 0.0:
        far2, t = point_segment(-rx, -ry, -rz, ex, ey, ez)
        return far2, 0.0, t
    if e2 <= 0.0:
        far2, s = point_segment(rx, ry, rz, dx, dy, dz)
        return far2, s, 0.0
    # a cross product keeps its digits where the difference of squares would lose them
    nx, ny, nz = dy * ez - dz * ey, dz * ex - dx * ez, dx * ey - dy * ex
    n2 = nx * nx + ny * ny + nz * nz
    dr = dx * rx + dy * ry + dz * rz
    er = ex * rx + ey * ry + ez * rz
    de = dx * ex + dy * ey + dz * ez
    if n2 > _PARALLEL * d2 * e2:
        s = clamp01(((ry * ez - rz * ey) * nx + (rz * ex - rx * ez) * ny + (rx * ey - ry * ex) * nz) / n2)
        t = (de * s - er) / e2
        if t < 0.0:
            t = 0.0
            s = clamp01(dr / d2)
        elif t > 1.0:
            t = 1.0
            s = clamp01((dr + de) / d2)
        x, y, z = s * dx - rx - t * ex, s * dy - ry - t * ey, s * dz - rz - t * ez
        return x * x + y * y + z * z, s, t
    # parallel: some end of one is as near as anything
    best2, t = point_segment(-rx, -ry, -rz, ex, ey, ez)
    s = 0.0
    far2, k = point_segment(dx - rx, dy - ry, dz - rz, ex, ey, ez)
    if far2 < best2:
        best2, s, t = far2, 1.0, k
    far2, k = point_segment(rx, ry, rz, dx, dy, dz)
    if far2 < best2:
        best2, s, t = far2, k, 0.0
    far2, k = point_segment(rx + ex, ry + ey, rz + ez, dx, dy, dz)
    if far2 < best2:
        best2, s, t = far2, k, 1.0
    return best2, s, t


@compiled_bare
def segment_triangle(
    px: float,
    py: float,
    pz: float,
    qx: float,
    qy: float,
    qz: float,
    frames: Floats,
    i: int,
    limit2: float,
) -> tuple[float, float]:
    """Return the squared distance between the segment p..q and triangle ``i``, and where on the segment (0..1).

    Infinity, or any value not below ``limit2``, stands for "not nearer than ``limit2``": most triangles are told so
    early.
    """
    ex, ey, ez = frames[i, 3], frames[i, 4], frames[i, 5]
    wx, wy, wz = frames[i, 6], frames[i, 7], frames[i, 8]
    foot = frames[i, 9]
    ax, ay, az = px - frames[i, 0], py - frames[i, 1], pz - frames[i, 2]
    bx, by, bz = qx - frames[i, 0], qy - frames[i, 1], qz - frames[i, 2]
    cx, cy, cz = foot * ex + wx, foot * ey + wy, foot * ez + wz
    gap = max(min(ax, bx) - max(0.0, ex, cx), min(0.0, ex, cx) - max(ax, bx), 0.0)
    far2 = gap * gap
    gap = max(min(ay, by) - max(0.0, ey, cy), min(0.0, ey, cy) - max(ay, by), 0.0)
    far2 += gap * gap
    gap = max(min(az, bz) - max(0.0, ez, cz), min(0.0, ez, cz) - max(az, bz), 0.0)
    far2 += gap * gap
    if far2 >= limit2:
        return _INFINITE, 0.0
    best2 = _INFINITE
    at = 0.0
    inverse_e2, inverse_w2 = frames[i, 10], frames[i, 11]
    dx, dy, dz = bx - ax, by - ay, bz - az
    if inverse_w2 > 0.0:
        nx, ny, nz = ey * wz - ez * wy, ez * wx - ex * wz, ex * wy - ey * wx
        inverse_n2 = inverse_e2 * inverse_w2  # e and w are at right angles
        height_a = ax * nx + ay * ny + az * nz
        height_b = bx * nx + by * ny + bz * nz
        same_side = (height_a > 0.0 and height_b > 0.0) or (height_a < 0.0 and height_b < 0.0)
        low = min(abs(height_a), abs(height_b))
        if same_side and low * low * inverse_n2 >= limit2:
            return _INFINITE, 0.0
        x_a = (ax * ex + ay * ey + az * ez) * inverse_e2
        y_a = (ax * wx + ay * wy + az * wz) * inverse_w2
        x_b = (bx * ex + by * ey + bz * ez) * inverse_e2
        y_b = (bx * wx + by * wy + bz * wz) * inverse_w2
        # the gap to the rectangle around the triangle, in its own axes
        gap = max(min(x_a, x_b) - 1.0, -max(x_a, x_b), 0.0)
        far2 = gap * gap * (ex * ex + ey * ey + ez * ez)
        gap = max(min(y_a, y_b) - 1.0, -max(y_a, y_b), 0.0)
        far2 += gap * gap * (wx * wx + wy * wy + wz * wz)
        if same_side:
            far2 += low * low * inverse_n2
        if far2 * _SURE >= limit2:
            return _INFINITE, 0.0
        # how far inside each edge, as a share of the triangle
        left_a, right_a = x_a - y_a * foot, 1.0 - x_a - y_a * (1.0 - foot)
        left_b, right_b = x_b - y_b * foot, 1.0 - x_b - y_b * (1.0 - foot)
        over_a = y_a >= 0.0 and left_a >= 0.0 and right_a >= 0.0
        over_b = y_b >= 0.0 and left_b >= 0.0 and right_b >= 0.0
        if not same_side and height_a != height_b:
            t = height_a / (height_a - height_b)
            x = x_a + t * (x_b - x_a)
            y = y_a + t * (y_b - y_a)
            if y >= 0.0 and y * foot <= x and y * (1.0 - foot) <= 1.0 - x:
                return 0.0, t
        if over_a:
            best2 = height_a * height_a * inverse_n2
        if over_b and height_b * height_b * inverse_n2 < best2:
            best2 = height_b * height_b * inverse_n2
            at = 1.0
        if over_a and over_b:  # the whole segment is above the face, so an end is nearest
            return best2, at
        # a point is nearest to the face below it or to an edge that it lies beyond: an edge that the whole segment
        # is well inside of is left out
        if min(left_a, left_b) < _INSIDE:
            edge2, s, t = segment_segment(-ax, -ay, -az, dx, dy, dz, cx, cy, cz)
            if edge2 < best2:
                best2, at = edge2, s
        if min(right_a, right_b) < _INSIDE:
            edge2, s, t = segment_segment(ex - ax, ey - ay, ez - az, dx, dy, dz, cx - ex, cy - ey, cz - ez)
            if edge2 < best2:
                best2, at = edge2, s
        if min(y_a, y_b) >= _INSIDE:
            return best2, at
    edge2, s, t = segment_segment(-ax, -ay, -az, dx, dy, dz, ex, ey, ez)
    if edge2 < best2:
        best2, at = edge2, s
    return best2, at


@compiled
def chord_gap(radius: float, angle: float) -> float:
    """Return what an arc strays from its chord at most: the sagitta r·(1 - cos(angle / 2)), rounded up, by no sine."""
    return 0.125 * radius * angle * angle


@compiled_bare
def arc_point(piece: Floats, angle: float) -> tuple[float, float, float]:
    """Return the point of an arc piece at ``angle`` radians from its start."""
    return _on_circle(piece, math.cos(angle), math.sin(angle))


@compiled_bare
def _on_circle(piece: Floats, cosine: float, sine: float) -> tuple[float, float, float]:
    c = cosine * piece[12]
    s = sine * piece[12]
    return (
        piece[3] + c * piece[6] + s * piece[9],
        piece[4] + c * piece[7] + s * piece[10],
        piece[5] + c * piece[8] + s * piece[11],
    )


@compiled_bare
def arc_lowest(piece: Floats, nx: float, ny: float, nz: float, first: float, last: float) -> float:
    """Return the least n·x over the points x of an arc from ``first`` to ``last`` (radians), of its circle past pi."""
    wide = last - first > math.pi
    return _lowest(piece, nx, ny, nz, math.cos(first), math.sin(first), math.cos(last), math.sin(last), wide)


@compiled_bare
def _lowest(
    piece: Floats, nx: float, ny: float, nz: float, c0: float, s0: float, c1: float, s1: float, wide: bool
) -> float:
    middle = nx * piece[3] + ny * piece[4] + nz * piece[5]
    u = piece[12] * (nx * piece[6] + ny * piece[7] + nz * piece[8])
    v = piece[12] * (nx * piece[9] + ny * piece[10] + nz * piece[11])
    # where it falls, then rises, the bottom is between
    if wide or (-u * s0 + v * c0 < 0.0 and -u * s1 + v * c1 > 0.0):
        return float(middle - math.sqrt(u * u + v * v))
    return float(middle + min(u * c0 + v * s0, u * c1 + v * s1))


@compiled_bare
def triangle_highest(frames: Floats, i: int, nx: float, ny: float, nz: float) -> float:
    """Return the greatest n·x over the points x of triangle ``i``."""
    base = nx * frames[i, 0] + ny * frames[i, 1] + nz * frames[i, 2]
    edge = nx * frames[i, 3] + ny * frames[i, 4] + nz * frames[i, 5]
    rise = nx * frames[i, 6] + ny * frames[i, 7] + nz * frames[i, 8]
    return float(base + max(0.0, edge, frames[i, 9] * edge + rise))


@compiled_bare
def arc_triangle(
    piece: Floats,
    chords: Floats,
    part: int,
    step: float,
    frames: Floats,
    i: int,
    d2: float,
    share: float,
    limit: float,
    halves: Floats,
) -> tuple[float, float]:
    """Return the distance between a part of an arc and triangle ``i``, certified to ``TOLERANCE_M``, and its angle.

    Branch and bound. Below an arc's part lie two bounds: the distance of its chord less the sagitta, and the gap
    between the part and the triangle seen along the shortest line found. The second closes at once where the arc runs
    parallel to the face. An angle of -1 says "not nearer than ``limit``", to within the tolerance.

    Parameters
    ----------
    chords, part, step
        The part goes from ``part * step`` to one ``step`` (radians, at most half a turn) further; at its ends are the
        rows ``part`` and ``part + 1`` of ``chords``: x, y, z, and cosine and sine of the angle.
    d2, share
        What ``segment_triangle`` says of the chord.
    halves : (HALVES, 3)
        Room to work in.
    """
    a = part * step
    low, best, place = _arc_bound(
        piece, a, a + step, chords[part, 3], chords[part, 4], chords[part + 1, 3], chords[part + 1, 4],
        frames, i, d2, share, limit, -1.0,
    )  # fmt: skip
    if low >= best - TOLERANCE_M:
        return best, place
    return _arc_halved(piece, a, a + step, frames, i, low, share, best, place, halves)


@compiled_bare
def _arc_bound(
    piece: Floats,
    a: float,
    b: float,
    c0: float,
    s0: float,
    c1: float,
    s1: float,
    frames: Floats,
    i: int,
    d2: float,
    share: float,
    best: float,
    place: float,
) -> tuple[float, float, float]:
    """Return what the arc from a to b cannot come below (infinity: nothing to be gained), best and its angle."""
    sagitta = chord_gap(piece[12], b - a)
    low = max(math.sqrt(d2) - sagitta, 0.0)
    angle = a + share * (b - a)
    px, py, pz = arc_point(piece, angle)
    near2, qx, qy, qz = point_triangle(px, py, pz, frames, i)
    near = math.sqrt(near2)
    if near < best:
        best = near
        place = angle
    if sagitta < 0.25 * TOLERANCE_M or low >= best - TOLERANCE_M:
        return _INFINITE, best, place
    if near > TOLERANCE_M:
        nx, ny, nz = (px - qx) / near, (py - qy) / near, (pz - qz) / near
        lowest = _lowest(piece, nx, ny, nz, c0, s0, c1, s1, b - a > math.pi)
        low = max(low, lowest - triangle_highest(frames, i, nx, ny, nz))
    return low, best, place


@compiled_bare
def _arc_halved(
    piece: Floats,
    first: float,
    last: float,
    frames: Floats,
    i: int,
    low: float,
    share: float,
    best: float,
    place: float,
    halves: Floats,
) -> tuple[float, float]:
    """Go on halving; ``halves`` holds what is still to be looked at: where it begins and ends, and its bound."""
    count = 0
    a, b = first, last
    while True:
        if low < best - TOLERANCE_M:
            if count + 2 > HALVES:  # halving stops at 0.25 of the tolerance, far above 2**-60 of any arc
                raise RuntimeError("an arc was halved too often")
            middle = a + 0.5 * (b - a)
            sooner = 1 if share < 0.5 else 0  # the promising half last, so that it is looked at first
            halves[count + sooner, 0], halves[count + sooner, 1] = a, middle
            halves[count + 1 - sooner, 0], halves[count + 1 - sooner, 1] = middle, b
            halves[count, 2], halves[count + 1, 2] = low, low
            count += 2
        while count > 0 and halves[count - 1, 2] >= best - TOLERANCE_M:
            count -= 1
        if count == 0:
            return best, place
        count -= 1
        a, b = halves[count, 0], halves[count, 1]
        c0, s0, c1, s1 = math.cos(a), math.sin(a), math.cos(b), math.sin(b)
        ax, ay, az = _on_circle(piece, c0, s0)
        bx, by, bz = _on_circle(piece, c1, s1)
        reach = best + chord_gap(piece[12], b - a)
        low = _INFINITE
        d2, share = segment_triangle(ax, ay, az, bx, by, bz, frames, i, reach * reach)
        if d2 < reach * reach:
            low, best, place = _arc_bound(piece, a, b, c0, s0, c1, s1, frames, i, d2, share, best, place)
