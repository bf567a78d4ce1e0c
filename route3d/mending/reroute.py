"""New ways for the parts of a run that do not pass, through ever wider grids around the drawn line."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from route3d.mending.lattice import Bans, Lattice
from route3d.mending.sections import on_polyline, replaced, sections
from route3d.mending.site import Look, Meeting, Site, rounded
from route3d.mending.trial import HOLDING, Trial
from route3d.model.gap import Stretch
from route3d.units import TOLERANCE_M

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stage:
    """How much of the run is drawn anew, how far from its line, and how far apart the lines of the grid are."""

    margin_m: float
    width_m: float
    spacing_m: tuple[float, float]  # level, upright


STAGES = (
    Stage(0.4, 0.5, (0.12, 0.06)),
    Stage(1.0, 1.0, (0.15, 0.08)),
    Stage(2.5, 1.6, (0.2, 0.08)),
    Stage(1e6, 2.5, (0.25, 0.1)),
)
_TRIES = 6  # for each stage: places that were refused are left out, and the search goes again
_BAN_M = (0.05, 0.12, 0.25)
_OFF_LINE = 1.5
_UNHELD = 6.0  # where nothing could be strapped to


def around(site: Site, drawn: Trial, judge: Callable[[Floats], Trial | None]) -> Iterator[Trial]:
    """Yield lines, as judged, that go another way where the drawn one does not pass; small changes first."""
    line = site.corners_m
    (look,) = site.looks([line])
    wrong = _wrong_stretches(site, drawn, look)
    faces = [] if look is None else [_asked(m) for m in look.meetings]
    stuck = bool(drawn.plan is not None and drawn.plan.stuck)
    for number, stage in enumerate(STAGES):
        parts = sections(line, wrong, stage.margin_m, site.bend_m)
        if number and parts == sections(line, wrong, STAGES[number - 1].margin_m, site.bend_m):
            continue
        grids = [
            Lattice(
                site,
                part.corners_m,
                box_m=np.full((2, 3), stage.width_m),
                width_m=stage.width_m,
                spacing_m=stage.spacing_m,
                faces=faces,
                weights=replace(site.job.routing, unheld=_UNHELD) if stuck else site.job.routing,
                off_line=_OFF_LINE,
            )
            for part in parts
        ]
        for attempt in range(_TRIES):
            found = [grid.cheapest(site.bend_m) for grid in grids]
            if any(one is None for one in found):
                break
            new = rounded(
                replaced(line, [(p, one) for p, one in zip(parts, found, strict=True) if one is not None]), line
            )
            bans = Bans()
            (look,) = site.looks([new])
            if look is None:
                break
            if look.lack_m <= TOLERANCE_M:
                trial = judge(new)
                if trial is None:
                    break
                yield trial
                places = [f.point_m for f in (*trial.wrong, *trial.harm) if f.point_m is not None]
                if trial.plan is not None and trial.plan.stuck:
                    stuck = True
            else:
                places = [m.point_m for m in look.meetings] + [bend.point_m for bend in look.tight]
            bans.points_m.extend((np.array(place), _BAN_M[min(attempt // 2, len(_BAN_M) - 1)]) for place in places)
            if not bans.points_m:
                break
            for grid in grids:
                grid.ban(bans)


def _asked(meeting: Meeting) -> Floats:
    """Return the box of a thing, with the gap that it asks for."""
    return np.asarray(meeting.box_m + np.array([[-meeting.allowed_m], [meeting.allowed_m]]))


def _wrong_stretches(site: Site, drawn: Trial, look: Look | None) -> list[Stretch]:
    """Return where the drawn line does not pass, as distances along the polyline."""
    line, fitted = site.corners_m, site.alone.fitted
    stretches: list[Stretch] = []
    if look is not None:
        stretches += [s for m in look.meetings for s in m.stretches_m]
        stretches += [(bend.from_m, bend.to_m) for bend in look.tight]
    stretches += [
        f.at_m for f in drawn.wrong if f.run == site.run.run_id and f.at_m is not None and f.check not in HOLDING
    ]
    if drawn.plan is not None:
        stretches += [(s.from_m, s.to_m) for s in drawn.plan.stuck]
    flat = on_polyline(line, fitted, [at for s in stretches for at in s])
    pairs: Sequence[Stretch] = list(zip(flat[::2], flat[1::2], strict=True))
    if pairs:
        return [(min(a, b), max(a, b)) for a, b in pairs]
    return [(0.0, float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum()))]
