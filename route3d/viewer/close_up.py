"""One finding, seen closely: from where to look, what stands in the way, and which lengths to write beside it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.drawables import REQUIRED_COLOUR, SEVERITY_COLOURS, Colour, Drawable, cable_radius_m, rebased
from route3d.kernel.path import arc_piece, chords, path_length, points_at, tangents_at
from route3d.kernel.shapes import cut_path, tube
from route3d.model.finding import Finding, JudgedBend, Review, RunReview
from route3d.model.job import Job
from route3d.units import both_units
from route3d.viewer.camera import Camera, fitted, looking_from

Floats = NDArray[np.float64]

UNKNOWN_RADIUS_M = 0.005  # drawn for a cable whose diameter nobody states
NEAREST_M = 0.12  # no close-up shows less than this
REACH_M = 0.25  # of run shown before and after a stretch
TILT = 0.32  # how far the sight is turned off the plain elevation, so that depth can be read
OVER_UP = 0.55
FADE_PROBES = 7  # places along the subject that must not be hidden


@dataclass(frozen=True, slots=True, eq=False)
class Dimension:
    """A line to draw over the picture, in local metres, and the words beside its middle."""

    line_m: Floats  # (n, 3)
    words: str
    colour: Colour
    dashed: bool = False
    ticks: bool = False  # short strokes across both ends
    words_at_start: bool = False  # in line with the start instead
    offset_px: float = 0.0  # moved to the side by this much, with witness lines back to its ends


@dataclass(frozen=True, slots=True, eq=False)
class CloseUp:
    """All that the picture of one finding needs besides the review."""

    camera: Camera
    dimensions: tuple[Dimension, ...]
    extra: tuple[Drawable, ...]
    within_m: Floats  # (2, 3), building axes: what is farther is left out
    faded: frozenset[int]  # elements in the line of sight
    meant: frozenset[int]  # elements that the finding is about
    runs: frozenset[str]  # runs that it is about
    bare_m: Mapping[str, tuple[float, float]]  # by run: no ring of a failed run stands here


def close_up(job: Job, review: Review, finding: Finding, origin: Floats, width: int, height: int) -> CloseUp:
    """Return the view of one finding that has a place.

    Raises
    ------
    ValueError
        The finding has no place.
    """
    camera, (subject, _, dimensions, extra) = _looked_at(job, review, finding, origin, width, height)
    place = np.asarray(finding.point_m, dtype=np.float64) - origin
    around = 0.75 * camera.metres_per_px * max(width, height)
    within_m = np.array([subject.min(axis=0) - around, subject.max(axis=0) + around]) + origin
    faded = in_sight(job, finding, subject, camera, origin)
    clear_m = 0.3 * camera.metres_per_px * height
    bare_m = {}
    for other in review.runs:
        if other.fitted.run.run_id in (finding.run, finding.other) and len(other.fitted.pieces):
            at_m = nearest_at(rebased(other.fitted.pieces, origin), place)
            bare_m[other.fitted.run.run_id] = (at_m - clear_m, at_m + clear_m)
    meant = frozenset(i for i, e in enumerate(job.elements) if e.element_id == finding.other)
    runs = frozenset(name for name in (finding.run, finding.other) if name is not None)
    return CloseUp(camera, dimensions, extra, within_m, faded, meant, runs, bare_m)


def camera_of(job: Job, review: Review, finding: Finding, origin: Floats, width: int, height: int) -> Camera:
    """Return the camera of `close_up` alone, without looking for what stands in the way; errors as there."""
    return _looked_at(job, review, finding, origin, width, height)[0]


def _looked_at(
    job: Job, review: Review, finding: Finding, origin: Floats, width: int, height: int
) -> tuple[Camera, _View]:
    if finding.point_m is None:
        raise ValueError(f"finding {finding.finding_id} has no place")
    place = np.asarray(finding.point_m, dtype=np.float64) - origin
    judged = next((r for r in review.runs if r.fitted.run.run_id == finding.run), None)
    if judged is None or not len(judged.fitted.pieces):
        view: _View = (place + 0.5 * np.vstack([np.eye(3), -np.eye(3)]), np.array([-0.5, -0.85, 0.75]), (), ())
    else:
        view = _of_run(job, review, judged, finding, place, origin)
    subject, toward, _, _ = view
    margin = round(0.17 * min(width, height))
    return fitted(looking_from(toward), subject, width, height, margin_px=margin, least_m=NEAREST_M), view


_View = tuple[Floats, Floats, tuple[Dimension, ...], tuple[Drawable, ...]]


def _of_run(job: Job, review: Review, judged: RunReview, finding: Finding, place: Floats, origin: Floats) -> _View:
    true_m = cable_radius_m(job, judged.fitted)
    radius_m = UNKNOWN_RADIUS_M if true_m is None else true_m
    pieces = rebased(judged.fitted.pieces, origin)
    if finding.check == "bend" and finding.at_m is not None and judged.bends:
        middle = sum(finding.at_m) / 2.0
        bend = min(judged.bends, key=lambda b: abs(b.bend.at_m - middle))
        shown = bend.bend.centre_radius_m > 1e-6 and 1e-3 < bend.bend.turn_rad < np.pi - 0.05  # a kink has no arc
        if bend.required_inner_m is not None and shown:
            return _bend(pieces, bend, radius_m, finding)
    if finding.check in ("clash", "clearance", "separation", "bundle", "deck") and finding.other is not None:
        other = _nearest_of(job, review, finding.other, place, origin)
        if other is not None:
            return _gap(pieces, place, other, radius_m, finding)
    return _stretch(pieces, place, radius_m, finding)


def _bend(pieces: Floats, judged: JudgedBend, radius_m: float, finding: Finding) -> _View:
    bend = judged.bend
    assert judged.required_inner_m is not None
    start, stop = points_at(pieces, np.array([bend.from_m, bend.to_m]))
    before, after = tangents_at(pieces, np.array([bend.from_m, bend.to_m - 1e-9]))
    setback = bend.centre_radius_m * float(np.tan(bend.turn_rad / 2.0))
    corner = (start + setback * before + stop - setback * after) / 2.0
    inward = after - before
    inward = inward / np.linalg.norm(inward)
    turn = bend.turn_rad

    def arc(centre_radius_m: float) -> tuple[Floats, Floats]:
        """Centre, and the middle line's piece, of the bend with that radius at the same corner."""
        centre = corner + inward * centre_radius_m / float(np.cos(turn / 2.0))
        begin = corner - before * centre_radius_m * float(np.tan(turn / 2.0))
        outward = (begin - centre) / np.linalg.norm(begin - centre)
        return centre, arc_piece(centre, outward, before, centre_radius_m, turn, 0.0)

    def inner_edge(centre: Floats, piece: Floats) -> Floats:
        middle = chords(piece[None], piece[12] * 1e-3)
        spokes = middle - centre
        return np.asarray(centre + spokes * ((piece[12] - radius_m) / piece[12]))

    need_centre, need = arc(judged.required_inner_m + radius_m)
    draw_centre, draw = arc(bend.centre_radius_m)
    need_edge, draw_edge = inner_edge(need_centre, need), inner_edge(draw_centre, draw)
    tone = SEVERITY_COLOURS[finding.severity]
    # the two spokes stand a little apart, so that their words do
    dimensions = (
        Dimension(need_edge, "", REQUIRED_COLOUR, dashed=True),
        Dimension(draw_edge, "", tone),
        Dimension(
            np.array([need_centre, _share(need_edge, 0.30)]),
            f"required {both_units(judged.required_inner_m)}",
            REQUIRED_COLOUR,
            dashed=True,
            ticks=True,
            words_at_start=True,
        ),
        Dimension(
            np.array([draw_centre, _share(draw_edge, 0.70)]),
            f"drawn {both_units(judged.inner_radius_m)}, inner edge",
            tone,
            ticks=True,
            words_at_start=True,
        ),
    )
    points, normals, triangles = tube(need[None], radius_m, tolerance=radius_m / 20.0)
    required = Drawable("required", finding.finding_id, points, triangles, REQUIRED_COLOUR, 0.45, normals)
    reach = max(setback, float(np.linalg.norm(need_edge[0] - corner))) + 2.0 * radius_m
    subject = np.vstack(
        [need_edge, draw_edge, need_centre, corner, corner - before * reach * 1.15, corner + after * reach * 1.15]
    )
    normal = np.cross(before, after)
    normal = normal / np.linalg.norm(normal)
    if normal[2] < 0.0 or (abs(normal[2]) < 1e-6 and normal[1] > 0.0):
        normal = -normal
    tilt = np.array([0.0, 0.0, 1.0]) if abs(normal[2]) < 0.7 else np.array([0.0, -1.0, 0.0])
    return subject, normal + TILT * tilt, dimensions, (required,)


def _share(line: Floats, share: float) -> Floats:
    return np.asarray(line[min(int(share * len(line)), len(line) - 1)])


def _gap(pieces: Floats, place: Floats, other: Floats, radius_m: float, finding: Finding) -> _View:
    at = nearest_at(pieces, place)
    centre, tangent = points_at(pieces, np.array([at]))[0], tangents_at(pieces, np.array([at]))[0]
    step = other - centre
    distance = float(np.linalg.norm(step))
    across = step / distance if distance > 1e-6 else _any_across(tangent)
    surface = centre + radius_m * across
    dimensions: tuple[Dimension, ...] = ()
    if finding.measured is not None:
        needed = "" if not finding.required else f", required {both_units(finding.required)}"
        name = "overlap" if finding.measured < 0.0 else "gap"
        words = f"{name} {both_units(abs(finding.measured))}{needed}"
        dimensions = (Dimension(np.array([surface, other]), words, SEVERITY_COLOURS[finding.severity], ticks=True),)
    size = max(9.0 * radius_m, 2.2 * distance, NEAREST_M / 2.0)
    subject = np.vstack(
        [centre + size * tangent, centre - size * tangent, centre + size * across, centre - size * across]
    )
    side = np.cross(tangent, across)
    if np.linalg.norm(side) < 1e-6:
        side = _any_across(tangent)
    if side[2] < 0.0 or (abs(side[2]) < 1e-6 and side[1] > 0.0):
        side = -side
    # what is overhead is seen from a little below
    lift = -0.3 if across[2] > 0.7 and finding.check == "deck" else OVER_UP
    up = np.array([0.0, 0.0, lift]) if abs(side[2]) < 0.7 else np.array([0.0, -TILT, 0.0])
    return subject, side + up, dimensions, ()


def _stretch(pieces: Floats, place: Floats, radius_m: float, finding: Finding) -> _View:
    length = path_length(pieces)
    from_m, to_m = (nearest_at(pieces, place),) * 2 if finding.at_m is None else finding.at_m
    shown = cut_path(pieces, max(from_m - REACH_M, 0.0), min(to_m + REACH_M, length))
    line = chords(shown, radius_m / 4.0) if len(shown) else place[None]
    ends = points_at(pieces, np.array([from_m, to_m]))
    dimensions: tuple[Dimension, ...] = ()
    if finding.measured is not None and finding.required is not None and finding.unit == "m" and to_m > from_m:
        words = f"{both_units(finding.measured)}, limit {both_units(finding.required)}"
        along = chords(cut_path(pieces, from_m, to_m), radius_m / 4.0)
        dimensions = (Dimension(along, words, SEVERITY_COLOURS[finding.severity], ticks=True, offset_px=46.0),)
    run_along = ends[1] - ends[0] if np.linalg.norm(ends[1] - ends[0]) > 1e-6 else line[-1] - line[0]
    flat = np.array([run_along[1], -run_along[0], 0.0])
    size = float(np.linalg.norm(flat))
    toward = flat / size if size > 1e-6 else np.array([-0.5, -0.85, 0.0])
    if toward[1] > 0.0:
        toward = -toward
    half = max(REACH_M, 12.0 * radius_m)
    subject = np.vstack([line, place + half * np.eye(3), place - half * np.eye(3)])
    turned = toward + TILT * np.array([-toward[1], toward[0], 0.0])
    return subject, turned + np.array([0.0, 0.0, OVER_UP]), dimensions, ()


def nearest_at(pieces: Floats, point: Floats) -> float:
    """Return the distance along a path of its place nearest to ``point`` (3,), good enough to draw there."""
    length = path_length(pieces)
    low, high = 0.0, length
    best = 0.0
    for _ in range(6):
        at = np.linspace(low, high, 401)
        best = float(at[np.argmin(np.linalg.norm(points_at(pieces, at) - point, axis=1))])
        step = (high - low) / 400.0
        low, high = max(best - step, 0.0), min(best + step, length)
    return best


def _nearest_of(job: Job, review: Review, other: str, place: Floats, origin: Floats) -> Floats | None:
    """The point (3,) of the other run's centre line or of the element that is nearest to ``place``."""
    run = next((r for r in review.runs if r.fitted.run.run_id == other), None)
    if run is not None and len(run.fitted.pieces):
        pieces = rebased(run.fitted.pieces, origin)
        on_line = points_at(pieces, np.array([nearest_at(pieces, place)]))[0]
        true_m = cable_radius_m(job, run.fitted)
        step = place - on_line
        distance = float(np.linalg.norm(step))
        if true_m is None or distance < 1e-9:
            return np.asarray(on_line)
        return np.asarray(on_line + step * (true_m / distance))
    element = job.element(other)
    if element is None or not len(element.triangles_m):
        return None
    return nearest_on_triangles(element.triangles_m - origin, place)


def nearest_on_triangles(triangles_m: Floats, point: Floats) -> Floats:
    """Return the point (3,) of triangles (n, 3, 3) nearest to ``point`` (3,)."""
    a, b, c = triangles_m[:, 0], triangles_m[:, 1], triangles_m[:, 2]
    tries = [_on_edge(a, b, point), _on_edge(b, c, point), _on_edge(c, a, point)]
    normal = np.cross(b - a, c - a)
    size = np.einsum("ij,ij->i", normal, normal)
    good = size > 1e-24
    height = np.where(good, np.einsum("ij,ij->i", point - a, normal) / np.where(good, size, 1.0), 0.0)
    foot = point - height[:, None] * normal
    inside = good.copy()
    for p, q in ((a, b), (b, c), (c, a)):
        inside &= np.einsum("ij,ij->i", np.cross(q - p, foot - p), normal) >= 0.0
    tries.append(np.where(inside[:, None], foot, tries[0]))
    flat = np.concatenate(tries)
    return np.asarray(flat[np.argmin(np.linalg.norm(flat - point, axis=1))])


def _on_edge(a: Floats, b: Floats, point: Floats) -> Floats:
    along = b - a
    size = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
    share = np.clip(np.einsum("ij,ij->i", point - a, along) / size, 0.0, 1.0)
    return np.asarray(a + share[:, None] * along)


def _any_across(tangent: Floats) -> Floats:
    helper = np.eye(3)[int(np.argmin(np.abs(tangent)))]
    across = np.cross(tangent, helper)
    return np.asarray(across / np.linalg.norm(across))


def in_sight(job: Job, finding: Finding, subject: Floats, camera: Camera, origin: Floats) -> frozenset[int]:
    """Return the elements whose box lies between the viewer and what is looked at, except the one it is about."""
    boxes = [
        (i, e.box_m - origin)
        for i, e in enumerate(job.elements)
        if e.role != "ignore" and e.element_id != finding.other and len(e.triangles_m)
    ]
    if not boxes or finding.point_m is None:
        return frozenset()
    corners = np.array([b for _, b in boxes])
    place = np.asarray(finding.point_m) - origin
    probes = [place, *subject[:: max(1, len(subject) // FADE_PROBES)]]
    # what only just passes beside the sight covers half of what is to be seen
    beside = 0.05 * camera.metres_per_px * camera.height
    corners += np.array([[-beside], [beside]])
    return frozenset(boxes[k][0] for k in np.flatnonzero(blocked(corners, probes, camera.toward)))


def blocked(boxes_m: Floats, points_m: Sequence[Floats], toward: Floats) -> NDArray[np.bool_]:
    """Return which boxes (n, 2, 3) a ray from any of the points in direction ``toward`` (3,) passes through."""
    hit = np.zeros(len(boxes_m), dtype=np.bool_)
    slope = np.where(np.abs(toward) < 1e-9, 1e-9, toward)
    for point in points_m:
        near, far = (boxes_m[:, 0] - point) / slope, (boxes_m[:, 1] - point) / slope
        enter = np.minimum(near, far).max(axis=1)
        leave = np.maximum(near, far).min(axis=1)
        hit |= (leave > np.maximum(enter, 1e-6)) & (leave > 1e-3)
    return hit
