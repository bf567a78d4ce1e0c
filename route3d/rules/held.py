"""One run as the securing and supporting rules look at it: its ends, what holds it, and the zones along it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.path import ARC, AT, KIND, LENGTH, RADIUS, U, V, path_length, point_at
from route3d.model.cable import Cable
from route3d.model.gap import united
from route3d.model.support import Attachment, Support, Termination
from route3d.model.zone import Zone, ZoneStretch
from route3d.rules.records import HoldRule
from route3d.units import TOLERANCE_M

Interval = tuple[float, float]

# A stretch counts as vertical when it is within this angle of the plumb line everywhere.
VERTICAL_DEG = 5.0

_SAME_M = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class HeldRun:
    """What the rules ask of one run; ``supports`` are sorted and hold a fitting at every end that is terminated."""

    cable: Cable
    occupancy: str
    pieces: NDArray[np.float64]  # (k, 14), see route3d.kernel.path
    length_m: float
    start: Termination
    end: Termination
    supports: tuple[Support, ...]
    stretches: tuple[ZoneStretch, ...]
    zones: tuple[Zone, ...]  # all of the job: one that is not closed is named where it could have mattered

    def point(self, at_m: float) -> NDArray[np.float64]:
        """Return the point (3,) at a distance along the run."""
        return np.array(point_at(self.pieces, at_m))

    def inside(self, kind: str, finished: bool | None = None) -> list[Interval]:
        """Return where the run is inside zones of one kind, joined and sorted; ``finished`` narrows them."""
        return joined(
            (s.from_m, s.to_m)
            for s in self.stretches
            if s.zone.kind == kind and (finished is None or s.zone.finished == finished)
        )

    def unclosed(self, kind: str) -> str:
        """Return which zones of a kind have no inside, as the end of a sentence; empty where all are closed."""
        names = [zone for zone in self.zones if zone.kind == kind and zone.unclosed]
        if not names:
            return ""
        return "; the zone is not closed: " + ", ".join(f"{zone.name!r} ({zone.unclosed[0]})" for zone in names)


def held_run(
    cable: Cable,
    occupancy: str,
    pieces: NDArray[np.float64],
    attachment: Attachment,
    stretches: Sequence[ZoneStretch],
    zones: Sequence[Zone],
) -> HeldRun:
    """Return a run ready to be judged; supports beyond its ends are left out, fittings that are missing are added."""
    length = path_length(pieces)
    supports = [s for s in attachment.supports if -TOLERANCE_M <= s.at_m <= length + TOLERANCE_M]
    for at_m, termination in ((0.0, attachment.start), (length, attachment.end)):
        if termination.kind != "open" and not any(
            is_fitting(s) and abs(s.at_m - at_m) <= TOLERANCE_M for s in supports
        ):
            supports.append(Support(at_m, "fitting", True, termination.element_id or termination.kind))
    supports.sort(key=lambda s: (s.at_m, not s.secures))
    return HeldRun(
        cable,
        occupancy,
        pieces,
        length,
        attachment.start,
        attachment.end,
        tuple(supports),
        tuple(stretches),
        tuple(zones),
    )


def is_fitting(support: Support) -> bool:
    """Return whether a support is the connector at a box or other termination, and no strap."""
    return support.kind in ("box", "fitting")


def secures(support: Support, rule: HoldRule | None) -> bool:
    """Return whether a support fastens the cable; openings in framing do where the rule says so."""
    if support.kind == "framing":
        return support.secures and rule is not None and rule.framing
    return support.secures


def joined(intervals: Iterable[Interval]) -> list[Interval]:
    """Return intervals sorted, those that overlap or nearly touch made one."""
    return list(united(intervals, TOLERANCE_M))


def overlaps(intervals: Sequence[Interval], within: Interval) -> list[Interval]:
    """Return the parts of joined ``intervals`` inside ``within`` that are longer than the tolerance."""
    cut = [(max(low, within[0]), min(high, within[1])) for low, high in intervals]
    return [(low, high) for low, high in cut if high - low > TOLERANCE_M]


def gaps_between(intervals: Sequence[Interval], within: Interval) -> list[Interval]:
    """Return the parts of ``within`` that joined ``intervals`` leave out and that are longer than the tolerance."""
    edges = [within[0], *(edge for part in overlaps(intervals, within) for edge in part), within[1]]
    rest = zip(edges[::2], edges[1::2], strict=True)
    return [(low, high) for low, high in rest if high - low > TOLERANCE_M]


def is_vertical(pieces: NDArray[np.float64], from_m: float, to_m: float) -> bool:
    """Return whether a stretch of a path stays within ``VERTICAL_DEG`` of the plumb line, exactly on arcs too."""
    least = np.cos(np.radians(VERTICAL_DEG))
    for row in pieces:
        begin = max(from_m - row[AT], 0.0)
        stop = min(to_m - row[AT], row[LENGTH])
        if stop - begin <= TOLERANCE_M:
            continue
        if row[KIND] != ARC:
            if abs(row[V][2]) < least - _SAME_M:
                return False
            continue
        # along an arc the tangent's height is reach·cos(angle + lag): smallest at an end, or 0 in between
        first, last = begin / row[RADIUS], stop / row[RADIUS]
        height = [np.cos(a) * row[V][2] - np.sin(a) * row[U][2] for a in (first, last)]
        if min(abs(h) for h in height) < least - _SAME_M or height[0] * height[1] < 0.0 or last - first >= np.pi:
            return False
    return True
