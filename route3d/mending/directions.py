"""The directions that a building is laid out in: its own grid, turned about the vertical against the axes."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from route3d.model.job import Job
from route3d.model.run import Run

Floats = NDArray[np.float64]

ROLES = ("wall", "fire-wall", "structure", "framing", "deck", "duct", "tray")  # that follow a building's grid
_TRIANGLES_MAX = 100_000  # of more, every nth counts
_BIN_RAD = math.radians(0.5)
_LEAST_SHARE = 0.5  # of all upright faces (by area) along one grid; with less the axes stay
_ON_AXES_RAD = math.radians(0.1)
_LEVEL = 1e-3
_RIGHT = math.pi / 2.0


def grid_of_building(job: Job) -> float | None:
    """Return the angle about the vertical, modulo a right one, that most upright faces of a building follow.

    None where no grid is followed by most of them, or there are none.
    """
    faces = [element.triangles_m for element in job.elements if element.role in ROLES]
    count = sum(len(mesh) for mesh in faces)
    step = max(1, math.ceil(count / _TRIANGLES_MAX))
    triangles = np.concatenate(faces)[::step] if faces else np.empty((0, 3, 3))
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    size = np.sqrt((normal**2).sum(axis=1))
    upright = np.abs(normal[:, 2]) < _LEVEL * size
    return _angle(normal[upright], size[upright])


def grid_of_runs(runs: Iterable[Run]) -> float | None:
    """Return the angle that most of the level length of runs follows, as ``grid_of_building``."""
    legs = np.concatenate([np.empty((0, 3)), *(np.diff(run.corners_m, axis=0) for run in runs)])
    length = np.sqrt((legs**2).sum(axis=1))
    level = np.abs(legs[:, 2]) < _LEVEL * length
    return _angle(legs[level], length[level])


def turn_by(angle_rad: float) -> Floats:
    """Return the rotation about the vertical, as columns; exactly none for an angle that is next to none."""
    turned = angle_rad % _RIGHT
    if min(turned, _RIGHT - turned) < _ON_AXES_RAD:
        return np.eye(3)
    c, s = math.cos(turned), math.sin(turned)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _angle(ways: Floats, weight: Floats) -> float | None:
    """Return the angle, modulo a right one, that most of some level directions have; None where none prevails."""
    if not len(ways) or weight.sum() <= 0.0:
        return None
    angle = np.arctan2(ways[:, 1], ways[:, 0]) % _RIGHT
    bins = round(_RIGHT / _BIN_RAD)
    number = np.minimum((angle / _BIN_RAD).astype(np.int64), bins - 1)
    total = np.bincount(number, weights=weight, minlength=bins)
    peak = int(np.argmax(total + np.roll(total, 1)))  # with the bin before it, so that none is cut in two
    centre = peak * _BIN_RAD
    off = (angle - centre + 0.5 * _RIGHT) % _RIGHT - 0.5 * _RIGHT
    near = np.abs(off) <= 1.0001 * _BIN_RAD
    if weight[near].sum() < _LEAST_SHARE * weight.sum():
        return None
    # the median: what is exactly along the grid decides, not what is nearly so
    order = np.argsort(off[near], kind="stable")
    reached = np.cumsum(weight[near][order])
    return float(centre + off[near][order][np.searchsorted(reached, 0.5 * reached[-1])]) % _RIGHT
