"""Runs as drawn, and runs as fitted with smooth bends."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.arrays import frozen
from route3d.kernel.path import path_boxes, path_length

ENDS = ("box", "cabinet", "fitting", "luminaire", "equipment", "flexible-equipment", "open")
BENT = ("flat-side", "edge")  # how a flat cable lies in a bend: the easy way, or on its edge


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One cable from termination to termination, as drawn: straight legs meeting at corners."""

    run_id: str
    cable_id: str
    corners_m: NDArray[np.float64]  # (n, 3) centre line, x y z in building axes, ends included
    drawn_radius_m: NDArray[np.float64] = None  # type: ignore[assignment]  # (n,), 0 where no arc was drawn
    start: str | None = None  # one of ENDS; None: take it from what is drawn nearby
    end: str | None = None
    straps_at_m: tuple[float, ...] = ()  # where it is secured, along the fitted line
    supports_at_m: tuple[float, ...] = ()  # where it only rests on something
    plates_m: tuple[tuple[float, float], ...] = ()  # from, to along the fitted line: behind steel plates
    guards_m: tuple[tuple[float, float], ...] = ()  # between guard strips, in an attic
    grommets: bool | None = None  # in metal framing; None: not said
    serves_duct: bool = False  # in a duct only to act on, or to sense, its air
    file: str = ""
    where: str = ""  # entity handle or key in that file
    layer: str = ""
    bent: tuple[str, ...] = ()  # of a flat cable, one of BENT per bend, or one for all; empty: not said

    def __post_init__(self) -> None:
        object.__setattr__(self, "corners_m", frozen(self.corners_m, (-1, 3)))
        radius = np.zeros(len(self.corners_m)) if self.drawn_radius_m is None else self.drawn_radius_m
        object.__setattr__(self, "drawn_radius_m", frozen(radius, (len(self.corners_m),)))


def same_run(one: Run, other: Run) -> bool:
    """Tell whether two runs are drawn and described alike."""
    return one is other or all(
        np.array_equal(getattr(one, f.name), getattr(other, f.name))
        if f.name in ("corners_m", "drawn_radius_m")
        else getattr(one, f.name) == getattr(other, f.name)
        for f in fields(Run)
    )


@dataclass(frozen=True, slots=True)
class Bend:
    """One fitted arc, and what its legs would have to give for the radius that the rule asks."""

    corner: int  # number of the corner in the drawn polyline (the first, where several chords mean one bend)
    from_m: float
    to_m: float
    point_m: tuple[float, float, float]  # middle of the arc
    turn_rad: float
    centre_radius_m: float
    leg_before_m: float  # straight length available on either side, shared with the neighbouring bends
    leg_after_m: float
    corner_before: int  # the drawn corners (or ends) that bound those two legs
    corner_after: int
    drawn_as: str = "corner"  # "corner": the fit chose its radius; "arc", "chords": the drawing did
    last_corner: int = -1  # last of the chords' corners; the corner itself otherwise

    def __post_init__(self) -> None:
        if self.last_corner < 0:
            object.__setattr__(self, "last_corner", self.corner)

    @property
    def at_m(self) -> float:
        """Distance along the run of the middle of the arc."""
        return (self.from_m + self.to_m) / 2.0


@dataclass(frozen=True, slots=True, eq=False)
class FittedRun:
    """A run as the cable would lie: straight pieces and tangent arcs."""

    run: Run
    pieces: NDArray[np.float64]  # (k, 14), see route3d.kernel.path
    bends: tuple[Bend, ...]
    _boxes_m: NDArray[np.float64] | None = field(init=False, repr=False, default=None)

    @property
    def boxes_m(self) -> NDArray[np.float64]:
        """The box (k, 6) of each piece, see ``path_boxes``."""
        if self._boxes_m is None:
            object.__setattr__(self, "_boxes_m", frozen(path_boxes(self.pieces), (-1, 6)))
        assert self._boxes_m is not None
        return self._boxes_m

    def keep_boxes(self, boxes_m: NDArray[np.float64]) -> None:
        """Keep ``boxes_m`` (k, 6), read-only, which must be what the property of that name would find."""
        object.__setattr__(self, "_boxes_m", boxes_m)

    @property
    def length_m(self) -> float:
        """Developed length."""
        return path_length(self.pieces)
