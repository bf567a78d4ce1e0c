"""The close-up of a finding as a camera with perspective, for programs of others."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from route3d.model.finding import Finding, Review
from route3d.model.job import Job
from route3d.model.sight import Sight, Vector
from route3d.viewer.close_up import camera_of

WIDTH, HEIGHT = 1200, 800
ANGLE_DEG = 60.0


def sight_of(job: Job, review: Review, finding: Finding, origin: NDArray[np.float64]) -> Sight | None:
    """Return the camera for one finding, None where it has no place.

    It shows in the plane of the place what the close-up shows. What is nearer to the eye than the height of that view
    is cut away. ``origin`` is `drawables.origin_of` of the review, found once for all findings.
    """
    if finding.point_m is None:
        return None
    camera = camera_of(job, review, finding, origin, WIDTH, HEIGHT)
    height_m = camera.metres_per_px * camera.height
    distance_m = height_m / 2.0 / math.tan(math.radians(ANGLE_DEG) / 2.0)
    centre = camera.centre_m + origin
    toward = camera.toward
    cut = (_vector(centre + toward * min(0.75 * distance_m, height_m / 2.0)), _vector(toward))
    return Sight(
        eye_m=_vector(centre + toward * distance_m),
        looking=_vector(-toward),
        up=_vector(camera.axes[1]),
        height_deg=ANGLE_DEG,
        aspect=camera.width / camera.height,
        cuts=(cut,),
    )


def _vector(values: NDArray[np.float64]) -> Vector:
    x, y, z = (float(v) + 0.0 for v in values)  # no minus zero
    return x, y, z
