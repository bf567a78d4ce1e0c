"""Where runs pass through openings that are drawn in framing, and which of those hold them.

A hole or a notch that is modelled leaves the run outside of the body, so it shows in no gap. It counts as a bored hole
does, with these readings, each on the side that asks for a strap:

- An opening longer than ``WIDEST_M`` is no hole for cables (open webs, bays between members drawn as one): a run
  lies on nothing there, so it is not held. That length is practice; knock-outs of studs and joists are shorter.
- A notch holds only a cable that is wholly inside it; one that opens downward only behind a plate.
- What goes in and does not come out again through a flat face holds nothing.
- Openings on runs steeper than 45° hold nothing, as everywhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.bore import ON_FACE_M
from route3d.kernel.clearance import distance_at
from route3d.kernel.meeting import boxes_met
from route3d.kernel.member import shells
from route3d.kernel.path import tangents_at
from route3d.kernel.pierced import LEAST_FACES, LEAST_FACES_OPEN, Passage, Pierced
from route3d.model.element import Element
from route3d.model.gap import Gap, Stretch
from route3d.model.job import Job
from route3d.model.opening import DrawnOpening
from route3d.model.run import FittedRun
from route3d.surroundings import Surroundings
from route3d.units import TOLERANCE_M, both_units

Floats = NDArray[np.float64]

WIDEST_M = 0.15  # practice: no longer opening is a hole for cables
THICKEST_M = 1.0  # a way in and a way out of one body further apart than this do not belong together
REACH_M = 0.1  # edges further from an opening than this are not told, but for the nearest
PLATE_REACH_M = 0.025  # a plate lies this near to the edge that it covers
STEEPEST_HORIZONTAL_RAD = np.radians(45.0)
DOWNWARD = -0.5  # a notch whose open side looks further down than 30° below the horizontal lets the cable fall out
_SEVERAL, _ONE = b"several", b"one"
ALIKE_M = 1e-9  # corners are rounded to this, so that copies of one body are one, whichever of them comes first


def openings_of(
    job: Job, fitted: Sequence[FittedRun], gaps: Sequence[Sequence[Gap]], around: Surroundings
) -> list[tuple[DrawnOpening, ...]]:
    """Return for each run the drawn openings of framing that it passes through, in order along it.

    ``gaps`` are those to elements, one sequence per run; what is told of one run does not depend on the others.
    """
    bodies = _Bodies()
    framing = np.flatnonzero(around.having(("framing",)) & (around.thick_m == 0.0))
    boxes = around.index.element_boxes[framing]
    found = []
    for run, mine in zip(fitted, gaps, strict=True):
        inside = {gap.element: gap.inside_m for gap in mine if gap.element is not None and gap.inside_m}
        near = framing[boxes_met(boxes, run.boxes_m - np.tile(around.origin_m, 2), ON_FACE_M)].tolist()
        openings = [o for e in near for o in _through(job, run, e, inside.get(e, ()), bodies, around)]
        found.append(tuple(sorted(openings, key=lambda o: o.stretch_m)))
    return found


def _through(
    job: Job, fitted: FittedRun, e: int, inside: Sequence[Stretch], bodies: _Bodies, around: Surroundings
) -> Iterator[DrawnOpening]:
    """Return the openings of one element that a run passes through."""
    for body, shift in bodies.of(around.elements[e]):
        passages = body.passages(fitted.pieces, shift, THICKEST_M)
        for passage in passages:
            yield _judged(job, fitted, e, passage, inside, around)
        if not passages and not inside:
            # round timber, rod webs: it is in an opening, and no flat face tells how far that goes
            mouth = body.enclosing(fitted.pieces, shift)
            if mouth is not None:
                yield _judged(job, fitted, e, Passage((mouth,), False), (), around)


class _Bodies:
    """The shells of framing elements that may have openings; copies of one body share what was found about it."""

    def __init__(self) -> None:
        self._of_element: dict[str, list[tuple[Pierced, Floats]]] = {}
        self._alike: dict[bytes, list[tuple[Pierced, Floats]]] = {}

    def of(self, element: Element) -> list[tuple[Pierced, Floats]]:
        """Return each such shell with where it stands."""
        if len(element.triangles_m) < (LEAST_FACES if element.closed else LEAST_FACES_OPEN):
            return []
        known = self._of_element.get(element.element_id)
        if known is None:
            known = self._shared(_SEVERAL, element.triangles_m, element.closed)
            self._of_element[element.element_id] = known
        return known

    def _shared(self, kind: bytes, triangles: Floats, closed: bool) -> list[tuple[Pierced, Floats]]:
        corner = triangles.reshape(-1, 3).min(axis=0)
        steps = np.round((triangles - corner) / ALIKE_M).astype(np.int64)
        moved = steps * ALIKE_M
        key = kind + bytes([closed]) + steps.tobytes()
        if key not in self._alike:
            self._alike[key] = self._taken_apart(moved, closed) if kind == _SEVERAL else _one(moved, closed)
        return [(body, shift + corner) for body, shift in self._alike[key]]

    def _taken_apart(self, triangles: Floats, closed: bool) -> list[tuple[Pierced, Floats]]:
        found = []
        for part in shells(triangles):
            if len(part) >= (LEAST_FACES if closed else LEAST_FACES_OPEN):
                found += self._shared(_ONE, triangles[part], closed)
        return found


def _one(triangles: Floats, closed: bool) -> list[tuple[Pierced, Floats]]:
    body = Pierced(triangles, closed)
    return [] if body.plain else [(body, np.zeros(3))]


def _judged(
    job: Job, fitted: FittedRun, e: int, passage: Passage, inside: Sequence[Stretch], around: Surroundings
) -> DrawnOpening:
    size = max(m.opening.size_m for m in passage.mouths)
    wide = size[0] > WIDEST_M + TOLERANCE_M
    stretch, bored = _with_bore(passage, inside, job.settings.bore_length_m)
    kind = ("recess" if wide else "notch") if passage.notch else ("wide" if wide else "hole")
    if not passage.whole and not bored and kind in ("hole", "notch"):
        kind = "unclear"
    radius = job.cables[fitted.run.cable_id].radius_m
    radius = 0.0 if radius is None else radius
    if wide and not passage.notch:
        sides = [m.edges_from(_way(fitted, m.at_m), radius, REACH_M) for m in passage.mouths]
    else:
        # a notch is one even where it is a hole in another face
        sides = [m.edges(REACH_M) for m in passage.mouths if m.notch or not passage.notch]
    edges = min((e for e in sides if e), key=lambda e: e[0].gap_m, default=())
    why_not = ""
    if kind == "unclear":
        why_not = "no flat face is found where it comes out"
    elif wide:
        why_not = f"it is {both_units(size[0])} long, and a hole for cables is no longer than {both_units(WIDEST_M)}"
    elif stretch[1] - stretch[0] > job.settings.bore_length_m + TOLERANCE_M:
        why_not = f"it is {both_units(stretch[1] - stretch[0])} through, more than settings.bore_length"
    elif abs(_way(fitted, sum(stretch) / 2.0)[2]) > np.sin(STEEPEST_HORIZONTAL_RAD):
        return DrawnOpening(e, kind, stretch, size, edges, False, "", bored)
    elif passage.notch:
        why_not = _falls_out(fitted, passage, stretch, radius, around)
    return DrawnOpening(e, kind, stretch, size, edges, not why_not, why_not, bored)


def _with_bore(passage: Passage, inside: Sequence[Stretch], longest_m: float) -> tuple[Stretch, tuple[Stretch, ...]]:
    """Return the whole way through, and where on it the run passes through the body: an opening drawn too small."""
    a, b = passage.from_m, passage.to_m
    if not passage.whole:
        if passage.mouths[0].into:
            after = [s for s in inside if -TOLERANCE_M <= s[0] - a <= longest_m]
            b = min(after)[1] if after else b
        else:
            before = [s for s in inside if -TOLERANCE_M <= b - s[1] <= longest_m]
            a = max(before)[0] if before else a
    return (a, b), tuple(s for s in inside if a - TOLERANCE_M <= s[0] and s[1] <= b + TOLERANCE_M)


def _falls_out(fitted: FittedRun, passage: Passage, stretch: Stretch, radius: float, around: Surroundings) -> str:
    """Return why a notch does not hold the cable; nothing where it does."""
    notches = [m for m in passage.mouths if m.notch]
    if min(m.below_bridge_m for m in notches) < radius - TOLERANCE_M:
        return "the cable is not wholly inside the notch"
    if all(m.opening.outward[2] >= DOWNWARD for m in notches):
        return ""
    if any(a <= stretch[0] + TOLERANCE_M and stretch[1] <= b + TOLERANCE_M for a, b in fitted.run.plates_m):
        return ""
    plates = np.flatnonzero(around.having(("plate",)))
    for mouth in notches:
        ends = mouth.bridge_ends
        for place in (*ends, ends.mean(axis=0)):
            away = distance_at(around.index, plates, np.tile(place, (len(plates), 1)))
            if not (away <= PLATE_REACH_M).any():
                return "it opens downward, and no plate closes it"
    return ""


def _way(fitted: FittedRun, at_m: float) -> Floats:
    return np.asarray(tangents_at(fitted.pieces, np.array([at_m]))[0])
