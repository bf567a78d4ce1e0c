"""What stands on the picture or in the window for one view: camera, building, runs and markers."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d import drawables
from route3d.drawables import Drawable
from route3d.errors import Route3DError
from route3d.kernel.symbols import ICON_TILT
from route3d.model.finding import Finding, Review
from route3d.model.job import Job
from route3d.viewer.camera import Camera, fitted, looking_from
from route3d.viewer.close_up import CloseUp, Dimension, close_up

Floats = NDArray[np.float64]

CABLE_PX = 2.6  # half the least width of a run
MARKER_PX = 14.0  # size of a violation's marker
MARK_PX = 4.0  # half the least size of a box or strap drawn as a symbol
SMOOTH_PX = 0.12  # how far chords may leave a bend
LEAST_SCENE_M = 1.0
BELOW_M = 4.0  # how far below the runs the building is shown, so that its floor is
OTHER_RUN_OPACITY = 0.35  # in the picture of one finding, of runs that it is not about
CLOSE_ZONE_OPACITY = 0.02
# Joists would hide what runs between and below them; seen from straight above, a wall is its plan.
OPACITIES: Mapping[str, Mapping[str, float]] = {
    "overview": {**drawables.GHOST_OPACITY, "framing": 0.25},
    "plan": {**drawables.GHOST_OPACITY, "framing": 0.25, "wall": 0.7, "fire-wall": 0.8},
}
WIDE_VIEWS = ("overview", "plan")


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """One view, ready to be drawn."""

    view: str
    finding: Finding | None
    close: CloseUp | None
    camera: Camera
    origin: Floats
    backdrop: tuple[Drawable, ...]
    runs: tuple[Drawable, ...]
    markers: tuple[Drawable, ...]
    lines: tuple[tuple[Floats, drawables.Colour, float], ...]
    least_cable_m: float  # no run is drawn with a smaller radius than this

    @property
    def dimensions(self) -> tuple[Dimension, ...]:
        """Lengths to write on a close-up."""
        return () if self.close is None else self.close.dimensions


def stage(job: Job, review: Review, view: str, width: int, height: int, scale: float) -> Stage:
    """Return one view for a scene of ``width`` by ``height`` pixels; ``scale`` multiplies least sizes in pixels.

    Raises
    ------
    Route3DError
        There is no such view, or the finding has no place in the model.
    """
    finding = None if view in WIDE_VIEWS else _finding(review, view)
    origin = drawables.origin_of(job, review)
    close = None if finding is None else close_up(job, review, finding, origin, width, height)
    if close is None:
        camera, within_m = _wide(job, review, origin, view, width, height, scale)
    else:
        camera, within_m = close.camera, close.within_m
    px = camera.metres_per_px * scale
    extent = drawables.extent_m(job, review)
    overhead_m = float(extent[1, 2]) if review.runs else None
    leave_out = frozenset({"deck", "overhead"} if view == "plan" else {"deck"})
    backdrop = drawables.building(
        job,
        origin,
        within_m=within_m,
        overhead_m=overhead_m,
        leave_out=leave_out,
        faded=frozenset() if close is None else close.faded,
        opacities=OPACITIES.get(view, OPACITIES["overview"]),
        solid=frozenset() if close is None else close.meant,
        mark_m=max(0.015, MARK_PX * px),
        bare=frozenset({"framing", "ceiling"}) if close is None else frozenset(),
    )
    backdrop += drawables.zones(job, origin, drawables.ZONE_OPACITY if close is None else CLOSE_ZONE_OPACITY)
    least_m = CABLE_PX * px
    runs: list[Drawable] = []
    for judged in review.runs:
        if len(judged.fitted.pieces):
            radius_m = drawables.drawn_radius_m(job, judged.fitted, least_m)
            meant = close is None or judged.fitted.run.run_id in close.runs
            opacity = 1.0 if meant else OTHER_RUN_OPACITY
            runs.append(
                drawables.run_tube(
                    judged,
                    origin,
                    radius_m,
                    bare_m=(0.0, 0.0) if close is None else close.bare_m.get(judged.fitted.run.run_id, (0.0, 0.0)),
                    tolerance_m=SMOOTH_PX * px,
                    opacity=opacity,
                )
            )
            runs.append(drawables.support_marks(judged, origin, radius_m, opacity))
            runs.append(drawables.end_marks(judged, origin, radius_m, opacity))
    if close is not None:
        runs += close.extra
    # turned with the camera, so that a shape looks the same from any side and like the one in the legend
    axes = ICON_TILT @ camera.axes
    marked = review.findings if close is None else ()
    markers = drawables.markers(marked, origin, MARKER_PX * px, axes)
    unread = [(box, drawables.UNREAD_COLOUR, 1.5) for box in drawables.unread_boxes(review, origin)]
    return Stage(
        view,
        finding,
        close,
        camera,
        origin,
        backdrop,
        drawables.merged(runs),
        drawables.merged(markers),
        tuple(unread),
        least_m,
    )


def _wide(
    job: Job, review: Review, origin: Floats, view: str, width: int, height: int, scale: float
) -> tuple[Camera, Floats]:
    extent = drawables.extent_m(job, review)
    size = extent[1] - extent[0]
    if view == "plan":
        axes = looking_from(np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0]))
    elif size[1] > 1.3 * size[0]:
        # the long side of the building runs across the picture
        axes = looking_from(np.array([0.85, -0.5, 0.66]))
    else:
        axes = looking_from(np.array([-0.5, -0.85, 0.66]))
    around = max(1.5, 0.2 * math.hypot(float(size[0]), float(size[1])))
    within_m = np.array([extent[0] - (around, around, BELOW_M), extent[1] + (around, around, 2.0)])
    margin = round(64 * scale)
    shown = drawables.shown_points(job, review) - origin
    camera = fitted(axes, shown, width, height, margin_px=margin, least_m=LEAST_SCENE_M)
    return camera, within_m


def _finding(review: Review, view: str) -> Finding:
    ids = [f.finding_id for f in review.findings]
    found = next((f for f in review.findings if f.finding_id == view), None)
    if found is None:
        near = difflib.get_close_matches(view, ["overview", "plan", *ids], n=1, cutoff=0.4)
        hint = f"; the nearest one is '{near[0]}'" if near else ""
        raise Route3DError(f"there is no view '{view}': say overview, plan, or the id of a finding{hint}")
    if found.point_m is None:
        raise Route3DError(f"finding '{view}' concerns the whole job and has no place to show: use overview or plan")
    return found
