"""Gaps of whole runs against boxes, whose signed distance has a closed form: densely sampled, nothing is missed."""

import numpy as np
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.fit import fit_run
from route3d.kernel.path import path_length, points_at
from route3d.measure import GAP_SHOWN_M, gaps_to_elements
from route3d.model.cable import Cable
from route3d.model.element import Element
from route3d.model.finding import CHECKS
from route3d.model.job import Job, Settings
from route3d.model.run import Run
from route3d.model.support import Termination
from route3d.surroundings import surround

RADIUS_M = 0.006
STEP_M = 5e-4
CLEARANCE_M = 0.03


def signed_distance(points, low, high):
    """To a box: negative inside (distance functions of solids, closed form)."""
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    beyond = np.abs(points - middle) - half
    return np.linalg.norm(np.maximum(beyond, 0.0), axis=1) + np.minimum(beyond.max(axis=1), 0.0)


coordinate = st.floats(0.0, 1.0, allow_nan=False).map(lambda x: round(x, 3))
corner = st.tuples(coordinate, coordinate, coordinate)
box = st.tuples(corner, st.tuples(*[st.floats(0.005, 0.4)] * 3))
OFFSETS = (0.0, 4.2e5)


@settings(max_examples=60, deadline=None)
@given(
    path=st.lists(corner, min_size=2, max_size=6, unique=True),
    boxes=st.lists(box, min_size=1, max_size=6),
    offset=st.sampled_from(OFFSETS),
)
def test_every_gap_of_a_run_to_boxes_is_found_signed_and_placed(path, boxes, offset) -> None:
    shift = np.array([offset, -offset, 0.0])
    elements, bounds = [], []
    for number, (low, size) in enumerate(boxes):
        low, high = np.array(low), np.array(low) + np.array(size)
        mesh = trimesh.creation.box(high - low, trimesh.transformations.translation_matrix((low + high) / 2.0))
        elements.append(Element(f"m:{number}", "pipe", "P", "MESH", mesh.triangles + shift, True))
        bounds.append((low, high))
    run = Run("a", "mc", np.array(path) + shift)
    cable = Cable("mc", "mc-interlocked", 2 * RADIUS_M, 2 * RADIUS_M)
    job = Job("x", "other", CHECKS, {"mc": cable}, (run,), tuple(elements), (), {"pipe": CLEARANCE_M}, Settings())
    fitted = fit_run(run, 0.09, 1.5, RADIUS_M)
    loose = Termination("open", None)
    ((gaps, smallest),) = gaps_to_elements(job, [0], [fitted], [(loose, loose)], surround(job))

    length = path_length(fitted.pieces)
    at = np.linspace(0.0, length, max(2, int(length / STEP_M)))
    points = points_at(fitted.pieces, at) - shift
    found = {gap.element: gap for gap in gaps}
    least = np.inf
    for number, (low, high) in enumerate(bounds):
        sampled = signed_distance(points, low, high) - RADIUS_M
        least = min(least, sampled.min())
        if number in found:
            gap = found[number]
            # exact to 0.1 mm; samples lie at most half a step from the worst place
            assert sampled.min() - STEP_M / 2.0 - 1e-4 <= gap.gap_m <= sampled.min() + 1e-4
            here = points_at(fitted.pieces, np.array([gap.at_m])) - shift
            assert abs(signed_distance(here, low, high)[0] - RADIUS_M - gap.gap_m) <= 1e-4
            limit = 0.0 if gap.gap_m < -1e-4 else CLEARANCE_M
            for place in at[sampled < limit - STEP_M]:
                assert any(a - 1e-4 <= place <= b + 1e-4 for a, b in gap.stretches_m)
            for place in at[sampled > limit + STEP_M]:
                assert not any(a + 1e-4 < place < b - 1e-4 for a, b in gap.stretches_m)
        else:
            assert sampled.min() >= CLEARANCE_M - 1.1e-4
    if least < GAP_SHOWN_M - STEP_M:
        assert abs(smallest - least) <= STEP_M / 2.0 + 1e-4
