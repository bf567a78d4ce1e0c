"""What to draw of a job and its review: coloured triangles, marker shapes and lines, in metres from a local origin.

Pure functions on arrays; nothing here knows a window or a picture. All points are relative to an ``origin`` that is
taken off in float64 before anything else, because graphics hardware keeps 24 bits of a number: at survey
coordinates of 500 km that is a step of 30 mm.

Strong colours are those of Okabe and Ito, "Color Universal Design: how to make figures and presentations that are
friendly to colorblind people" (2002, revised 2008; also B. Wong, Nature Methods 8, 441, 2011). Each meaning that has
a colour also has a shape or a pattern.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.path import chords, points_at, tangents_at
from route3d.kernel.shapes import Solid, box, box_lines, crease_lines, cut_path, join, moved, tube, welded
from route3d.kernel.symbols import END_SHAPES, MARKER_SHAPES, SUPPORT_SHAPES, frame_along
from route3d.model.element import MARK_ROLES
from route3d.model.finding import Finding, Review, RunReview
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.model.zone import Zone

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Colour = tuple[int, int, int]

OKABE_ITO: Mapping[str, Colour] = {
    "black": (0, 0, 0),
    "orange": (230, 159, 0),
    "sky blue": (86, 180, 233),
    "bluish green": (0, 158, 115),
    "yellow": (240, 228, 66),
    "blue": (0, 114, 178),
    "vermilion": (213, 94, 0),
    "reddish purple": (204, 121, 167),
}

VERDICT_COLOURS: Mapping[str, Colour] = {
    "pass": OKABE_ITO["bluish green"],
    "fail": OKABE_ITO["vermilion"],
    "unchecked": OKABE_ITO["reddish purple"],
}
SEVERITY_COLOURS: Mapping[str, Colour] = {
    "violation": OKABE_ITO["vermilion"],
    "caution": OKABE_ITO["orange"],
    "note": OKABE_ITO["sky blue"],
}
SEVERITY_SIZES: Mapping[str, float] = {"violation": 1.0, "caution": 0.75, "note": 0.55}
REQUIRED_COLOUR = OKABE_ITO["blue"]  # what a rule asks for, beside what is drawn
UNREAD_COLOUR = OKABE_ITO["black"]

# Muted, so that runs and markers stand out.
ROLE_COLOURS: Mapping[str, Colour] = {
    "structure": (188, 187, 181),
    "framing": (203, 181, 146),
    "deck": (176, 186, 196),
    "wall": (196, 192, 184),
    "fire-wall": (201, 163, 152),
    "ceiling": (206, 212, 216),
    "duct": (158, 182, 202),
    "pipe": (134, 170, 160),
    "hot-pipe": (196, 144, 134),
    "sprinkler": (186, 160, 178),
    "tray": (128, 136, 146),
    "equipment": (166, 160, 184),
    "luminaire": (226, 216, 168),
    "box": (84, 94, 106),
    "cabinet": (70, 78, 90),
    "access-panel": (172, 194, 178),
    "strap": (44, 48, 54),
    "hanger": (44, 48, 54),
    "plate": (112, 118, 126),
    "obstacle": (184, 176, 160),
}
# Surfaces that enclose the space in which cables run: drawn so that one looks through them.
GHOST_OPACITY: Mapping[str, float] = {"deck": 0.10, "ceiling": 0.14, "wall": 0.16, "fire-wall": 0.24}
OVERHEAD_OPACITY = 0.14  # anything wholly above all runs
MEANT_OPACITY = 0.75  # what a picture is about is no ghost

ZONE_COLOURS: Mapping[str, Colour] = {
    "accessible-ceiling": OKABE_ITO["yellow"],
    "inaccessible": OKABE_ITO["reddish purple"],
    "wet": OKABE_ITO["blue"],
    "damp": OKABE_ITO["sky blue"],
    "corrosive": OKABE_ITO["orange"],
    "damage": OKABE_ITO["vermilion"],
    "plenum": OKABE_ITO["bluish green"],
    "duct": OKABE_ITO["bluish green"],
    "attic": OKABE_ITO["yellow"],
    "buried": OKABE_ITO["black"],
}
ZONE_OPACITY = 0.06

DARK: Colour = (40, 44, 50)

DASH_PER_RADIUS, GAP_PER_RADIUS = 9.0, 6.0  # runs that could not be checked: dashes
COLLAR_EVERY_PER_RADIUS, COLLAR_LENGTH_PER_RADIUS, COLLAR_GIRTH = 22.0, 2.4, 1.9  # failed runs: rings along the tube
MOST_COLLARS = 400  # on one run: more than that is no pattern any more
WHOLE_TRIANGLES_MAX = 5_000  # elements with more are cut at the rim of what is shown
EDGE_TRIANGLES_MAX = 400_000  # above this the lines would hide the picture and cost more than it


@dataclass(frozen=True, slots=True, eq=False)
class Drawable:
    """One coloured mesh: all of one role, one run, one marker."""

    layer: str  # building, zone, run, support, end, marker, required
    name: str  # role, zone, run id or finding id
    points_m: Floats  # (n, 3), from the local origin
    triangles: Ints  # (m, 3)
    colour: Colour
    opacity: float = 1.0
    normals: Floats | None = None  # (n, 3); None: flat facets
    owners: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))  # (m,) index into job.elements
    edges_m: Floats = field(default_factory=lambda: np.zeros((0, 2, 3)))  # lines to draw over it


def merged(parts: Sequence[Drawable]) -> tuple[Drawable, ...]:
    """Return the parts joined where layer, colour and opacity agree: hundreds of runs draw as fast as three."""
    groups: dict[tuple[str, Colour, float, bool], list[Drawable]] = {}
    for part in parts:
        if len(part.triangles):
            key = (part.layer, part.colour, part.opacity, part.normals is not None)
            groups.setdefault(key, []).append(part)
    joined = []
    for (layer, colour, opacity, smooth), members in groups.items():
        points, triangles = join([(one.points_m, one.triangles) for one in members])
        normals = np.concatenate([one.normals for one in members if one.normals is not None]) if smooth else None
        name = members[0].name if len(members) == 1 else ""
        joined.append(Drawable(layer, name, points, triangles, colour, opacity, normals))
    return tuple(joined)


# --- where to look ----------------------------------------------------------------------------------------------


def shown_points(job: Job, review: Review) -> Floats:
    """Return points (n, 3) along all runs and of all findings, of the building where there is neither.

    Far stray elements do not count, so that one of them cannot shrink the picture to a dot.
    """
    stacks = [chords(r.fitted.pieces, 0.01) for r in review.runs if len(r.fitted.pieces)]
    stacks += [np.array([f.point_m]) for f in review.findings if f.point_m is not None]
    if not stacks:
        stacks = [e.triangles_m.reshape(-1, 3) for e in job.elements if e.role != "ignore" and len(e.triangles_m)]
    return np.concatenate(stacks) if stacks else np.array([[-0.5, -0.5, -0.5], [0.5, 0.5, 0.5]])


def extent_m(job: Job, review: Review) -> Floats:
    """Return the low and high corner (2, 3) of what is to be shown."""
    points = shown_points(job, review)
    return np.array([points.min(axis=0), points.max(axis=0)])


def origin_of(job: Job, review: Review) -> Floats:
    """Return the local origin (3,): the middle of what is drawn, to a whole metre."""
    return np.asarray(np.round(extent_m(job, review).mean(axis=0)))


# --- building ---------------------------------------------------------------------------------------------------


def building(
    job: Job,
    origin: Floats,
    *,
    within_m: Floats | None = None,
    overhead_m: float | None = None,
    leave_out: frozenset[str] = frozenset(),
    faded: frozenset[int] = frozenset(),
    solid: frozenset[int] = frozenset(),
    opacities: Mapping[str, float] = GHOST_OPACITY,
    mark_m: float = 0.03,
    bare: frozenset[str] = frozenset(),
) -> tuple[Drawable, ...]:
    """Return the building, one mesh per role and opacity.

    Parameters
    ----------
    within_m : (2, 3) float, optional
        Only triangles whose box meets this one, in building axes.
    overhead_m : float, optional
        Elements wholly above this level are drawn as ghosts, and left out where ``leave_out`` names "overhead".
    leave_out : roles that are not drawn.
    faded : indices of elements that are in the way of the sight.
    solid : indices of elements that the picture is about: no ghosts, and never left out.
    opacities : by role, 1 for those that are not named.
    bare : roles without lines along their edges.
    mark_m : half size of the mark for a box, strap, luminaire … that is drawn as a symbol without surface.
    """
    unwanted = leave_out | {"ignore"}
    kept = [i for i, e in enumerate(job.elements) if e.role not in unwanted or i in solid]
    groups: dict[tuple[str, float], list[int]] = {}
    for i in kept:
        element = job.elements[i]
        if not len(element.triangles_m):
            continue
        opacity = opacities.get(element.role, 1.0)
        if overhead_m is not None and float(element.triangles_m[:, :, 2].min()) > overhead_m:
            if "overhead" in leave_out:
                continue
            opacity = min(opacity, OVERHEAD_OPACITY)
        if i in solid:
            opacity = max(opacity, MEANT_OPACITY)
        elif i in faded:
            opacity = min(opacity, OVERHEAD_OPACITY)
        groups.setdefault((element.role, opacity), []).append(i)
    meshes = (
        _building_mesh(job, origin, role, opacity, members, within_m, mark_m, role not in bare)
        for (role, opacity), members in groups.items()
    )
    return tuple(mesh for mesh in meshes if mesh is not None)


def _building_mesh(
    job: Job,
    origin: Floats,
    role: str,
    opacity: float,
    members: list[int],
    within_m: Floats | None,
    mark_m: float,
    lines: bool,
) -> Drawable | None:
    triangles_m = np.concatenate([job.elements[i].triangles_m for i in members]) - origin
    counts = [len(job.elements[i].triangles_m) for i in members]
    owners = np.repeat(members, counts)
    if within_m is not None:
        low, high = within_m[0] - origin, within_m[1] - origin
        near = ((triangles_m.max(axis=1) >= low) & (triangles_m.min(axis=1) <= high)).all(axis=1)
        # small elements stay whole: half a box would look like an open one
        index = np.repeat(np.arange(len(members)), counts)
        whole = np.bincount(index[near], minlength=len(members)) > 0
        whole &= np.array(counts) <= WHOLE_TRIANGLES_MAX
        near |= whole[index]
        triangles_m, owners = triangles_m[near], owners[near]
    if not len(triangles_m):
        return None
    area = np.linalg.norm(
        np.cross(triangles_m[:, 1] - triangles_m[:, 0], triangles_m[:, 2] - triangles_m[:, 0]), axis=1
    )
    solid = area > 1e-14
    if role in MARK_ROLES:
        # a symbol has no surface to see: its mark stands for it
        seen = set(owners[solid].tolist())
        symbols = [i for i in dict.fromkeys(owners.tolist()) if i not in seen]
        marks = [box((mark_m,) * 3, job.elements[i].centre_m - origin) for i in symbols]
        extra = [points[faces] for points, faces in marks]
        triangles_m = np.concatenate([triangles_m[solid], *extra])
        owners = np.concatenate([owners[solid], np.repeat(np.array(symbols, dtype=np.int64), 12)])
    else:
        triangles_m, owners = triangles_m[solid], owners[solid]
    if not len(triangles_m):
        return None
    points, triangles = welded(triangles_m)
    wanted = lines and len(triangles) <= EDGE_TRIANGLES_MAX
    edges = crease_lines(points, triangles) if wanted else np.zeros((0, 2, 3))
    return Drawable("building", role, points, triangles, ROLE_COLOURS[role], opacity, None, owners, edges)


# --- zones and what could not be read ---------------------------------------------------------------------------


def zones(job: Job, origin: Floats, opacity: float = ZONE_OPACITY) -> tuple[Drawable, ...]:
    """Return each zone as a translucent solid with its edges; a part that is not closed as a bare box of lines."""
    return tuple(_zone(zone, origin, opacity) for zone in job.zones if zone.solids_m or zone.unclosed_m)


def _zone(zone: Zone, origin: Floats, opacity: float) -> Drawable:
    colour = ZONE_COLOURS[zone.kind]
    edges = [box_lines(corners - origin) for corners in zone.unclosed_m]
    points, triangles = np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
    solids = [solid - origin for solid in zone.solids_m if len(solid)]
    if solids:
        points, triangles = welded(np.concatenate(solids))
        edges.append(crease_lines(points, triangles))
    lines = np.concatenate(edges) if edges else np.zeros((0, 2, 3))
    return Drawable("zone", zone.name, points, triangles, colour, opacity, None, edges_m=lines)


def unread_boxes(review: Review, origin: Floats) -> tuple[Floats, ...]:
    """Return the lines (k, 2, 3) of a crossed box for each thing that could not be read and has a known place."""
    crossed = []
    for unread in review.unread:
        if unread.box_m is not None:
            corners = np.asarray(unread.box_m, dtype=np.float64) - origin
            points, _ = box((corners[1] - corners[0]) / 2.0, corners.mean(axis=0))
            diagonals = points[np.array([[0, 7], [1, 6], [2, 5], [3, 4]])]
            crossed.append(np.concatenate([box_lines(corners), diagonals]))
    return tuple(crossed)


# --- runs -------------------------------------------------------------------------------------------------------


def cable_radius_m(job: Job, fitted: FittedRun) -> float | None:
    """Return half the overall diameter of a run's cable, None where the project does not say it."""
    cable = job.cables.get(fitted.run.cable_id)
    return None if cable is None else cable.radius_m


def drawn_radius_m(job: Job, fitted: FittedRun, least_m: float) -> float:
    """Return the radius to draw a run with: the true one, or ``least_m`` where that is larger or none is known."""
    true_m = cable_radius_m(job, fitted)
    return least_m if true_m is None else max(true_m, least_m)


def run_tube(
    review: RunReview,
    origin: Floats,
    radius_m: float,
    *,
    bare_m: tuple[float, float] = (0.0, 0.0),
    tolerance_m: float | None = None,
    opacity: float = 1.0,
) -> Drawable:
    """Return one run as a tube of ``radius_m`` about its fitted line; no ring stands between the distances ``bare_m``.

    The pattern doubles the colour of the verdict: passed runs are plain, failed ones wear rings, and runs that could
    not be checked are dashed.
    """
    pieces = rebased(review.fitted.pieces, origin)
    length_m = review.fitted.length_m
    parts: list[tuple[Floats, Floats, Ints]] = []
    tolerance = radius_m / 20.0 if tolerance_m is None else tolerance_m
    if review.verdict == "unchecked":
        dash, gap = DASH_PER_RADIUS * radius_m, GAP_PER_RADIUS * radius_m
        count = max(1, round((length_m + gap) / (dash + gap)))
        # stretched so that the run ends with a whole dash
        scale = length_m / (count * (dash + gap) - gap)
        for k in range(count):
            start = k * (dash + gap) * scale
            parts.append(tube(cut_path(pieces, start, start + dash * scale), radius_m, tolerance=tolerance))
    else:
        parts.append(tube(pieces, radius_m, tolerance=tolerance))
    if review.verdict == "fail":
        for at in collar_places(length_m, radius_m):
            half = COLLAR_LENGTH_PER_RADIUS * radius_m / 2.0
            if bare_m[0] < at < bare_m[1]:
                continue
            parts.append(tube(cut_path(pieces, at - half, at + half), COLLAR_GIRTH * radius_m, tolerance=tolerance))
    points, triangles = join([(p, t) for p, _, t in parts])
    normals = np.concatenate([n for _, n, _ in parts])
    colour = VERDICT_COLOURS[review.verdict]
    return Drawable("run", review.fitted.run.run_id, points, triangles, colour, opacity, normals)


def collar_places(length_m: float, radius_m: float) -> Floats:
    """Return the distances along a failed run at which it wears a ring: at least one, evenly spread."""
    count = int(np.clip(round(length_m / (COLLAR_EVERY_PER_RADIUS * radius_m)), 1, MOST_COLLARS))
    return np.asarray((np.arange(count) + 0.5) * length_m / count)


def rebased(pieces: Floats, origin: Floats) -> Floats:
    """Return the pieces of a path with their origins (straight starts, arc centres) relative to ``origin``."""
    moved_pieces = pieces.copy()
    moved_pieces[:, 3:6] -= origin
    return moved_pieces


# --- what holds a run, and what it ends at ------------------------------------------------------------------------


def support_marks(review: RunReview, origin: Floats, radius_m: float, opacity: float = 1.0) -> Drawable:
    """Return a mark at each support between the ends: a square clip secures, an open ring only carries."""
    pieces = rebased(review.fitted.pieces, origin)
    solids: list[Solid] = []
    for support in review.attachment.supports:
        shape = SUPPORT_SHAPES.get(support.kind)
        if shape is not None and len(pieces):
            at = np.array([support.at_m])
            axes = frame_along(tangents_at(pieces, at)[0])
            solids.append(moved(shape(), points_at(pieces, at)[0], axes, radius_m))
    points, triangles = join(solids)
    return Drawable("support", review.fitted.run.run_id, points, triangles, DARK, opacity)


def end_marks(review: RunReview, origin: Floats, radius_m: float, opacity: float = 1.0) -> Drawable:
    """Return a mark at both ends: a cube for box, cabinet and fitting, a disk for a luminaire, a drum for equipment,
    an open ring where nothing is connected."""
    pieces = rebased(review.fitted.pieces, origin)
    solids: list[Solid] = []
    if len(pieces):
        for at_m, end in ((0.0, review.attachment.start), (review.fitted.length_m, review.attachment.end)):
            at = np.array([at_m])
            axes = frame_along(tangents_at(pieces, at)[0]) if end.kind == "open" else None
            solids.append(moved(END_SHAPES[end.kind](), points_at(pieces, at)[0], axes, radius_m))
    points, triangles = join(solids)
    return Drawable("end", review.fitted.run.run_id, points, triangles, DARK, opacity)


# --- markers ----------------------------------------------------------------------------------------------------


def marker(finding: Finding, origin: Floats, size_m: float, axes: Floats | None = None) -> Drawable | None:
    """Return the marker of one finding at its worst place; None where it has no place.

    ``size_m`` is the size of a violation's marker; cautions and notes are smaller. ``axes`` (3, 3) turns the shape,
    so that it looks the same from any side.
    """
    if finding.point_m is None:
        return None
    at = np.asarray(finding.point_m, dtype=np.float64) - origin
    scale = size_m * SEVERITY_SIZES[finding.severity]
    points, triangles = moved(MARKER_SHAPES[finding.check](), at, axes, scale)
    return Drawable("marker", finding.finding_id, points, triangles, SEVERITY_COLOURS[finding.severity])


def markers(
    findings: Sequence[Finding], origin: Floats, size_m: float, axes: Floats | None = None
) -> tuple[Drawable, ...]:
    """Return the markers of all findings that have a place."""
    made = (marker(finding, origin, size_m, axes) for finding in findings)
    return tuple(one for one in made if one is not None)
