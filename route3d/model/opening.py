"""Openings that are drawn in framing, where a run passes through one."""

from __future__ import annotations

from dataclasses import dataclass

from route3d.kernel.bore import Edge
from route3d.model.gap import Stretch

KINDS = (
    "hole",  # no larger than holes for cables are
    "notch",  # open to one edge
    "wide",  # an opening too large to be a hole for cables: an open web, a bay between members drawn as one
    "recess",  # a notch as large as that
    "unclear",  # it goes in, and no flat face is found where it comes out
)


@dataclass(frozen=True, slots=True, eq=False)
class DrawnOpening:
    """One passage of a run through an opening of a framing element."""

    element: int  # its number in the job
    kind: str  # one of KINDS
    stretch_m: Stretch  # along the run, from face to face
    size_m: tuple[float, float]  # longer and shorter side of the opening, at its larger mouth
    edges: tuple[Edge, ...]  # beside it, the nearest first; of wide ones, beside the cable itself
    holds: bool  # a horizontal run is held there
    why_not: str  # where it does not hold: why, as a clause; nothing where the run is too steep to be held by framing
    bored_m: tuple[Stretch, ...] = ()  # where the run passes through the body all the same
