"""New ways for the parts of a run that do not pass, through ever wider grids around the drawn line."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.path import points_at
from route3d.mending.change import BESIDE_M
from route3d.mending.lattice import Bans, Lattice
from route3d.mending.sections import on_polyline, replaced, sections, ways_of
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
    Stage(2.5, 1.6, (0.2, 0.08)),
    Stage(1e6, 2.5, (0.25, 0.1)),
)
_SAME_M = 0.05
_TRIES = 6  # for each stage: places that were refused are left out, and the search goes again
_BAN_M = (0.05, 0.12, 0.25)
_OFF_LINE = 1.5
_ALONE = 1.1  # away from the corridors of other runs
_CROWDED = 1.5  # nearer to other runs than the spacing of bundles
_UNHELD = 6.0  # where nothing could be strapped to


def whole_grid(site: Site, faces: Sequence[Floats] = ()) -> Lattice:
    """Return the widest grid, around the whole line; lines of it stand at the ``faces`` of boxes (2, 3)."""
    stage = STAGES[-1]
    return Lattice(
        site,
        site.corners_m,
        box_m=np.full((2, 3), stage.width_m),
        width_m=stage.width_m,
        spacing_m=stage.spacing_m,
        faces=faces,
        weights=site.job.routing,
    )


def around(
    site: Site,
    drawn: Trial,
    judge: Callable[[Floats], Trial | None],
    stages: Sequence[Stage] = STAGES,
    more_faces: Sequence[Floats] = (),
) -> Iterator[Trial]:
    """Yield lines, as judged, that go another way where the drawn one does not pass; small changes first.

    Lines of the grids stand at the faces of what the drawn line meets, and of ``more_faces``, boxes (2, 3).
    """
    line = site.corners_m
    (look,) = site.looks([line])
    wrong = _wrong_stretches(site, drawn, look)
    faces = [*more_faces, *([] if look is None else [_asked(m) for m in look.meetings])]
    stuck = bool(drawn.plan is not None and drawn.plan.stuck)
    for stage in stages:
        for _ in range(2):
            loose = yield from _stage(site, stage, wrong, faces, stuck, judge)
            if not loose:
                break
            # once more, also where it cannot be held, nearer to what can hold it
            stuck, wrong = True, [*wrong, *loose]


def _stage(
    site: Site,
    stage: Stage,
    wrong: Sequence[Stretch],
    faces: Sequence[Floats],
    stuck: bool,
    judge: Callable[[Floats], Trial | None],
) -> Generator[Trial, None, list[Stretch]]:
    """Yield lines, as judged, that one stage finds; return stretches that nothing can hold, beyond the wrong ones."""
    line = site.corners_m
    parts = sections(line, wrong, stage.margin_m, site.bend_m)
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
    for grid in grids:
        if len(site.corridors_m):
            # what stays on its line needs no corridor
            grid.weigh_beside([*site.corridors_m, line], BESIDE_M, apart=_ALONE)
        grid.weigh_crowded(site.job.settings.bundle_spacing_m, _CROWDED)
    for attempt in range(_TRIES):
        found = [grid.cheapest(site.bend_m, *ways_of(line, part)) for grid, part in zip(grids, parts, strict=True)]
        if any(one is None for one in found):
            break
        new = rounded(replaced(line, [(p, one) for p, one in zip(parts, found, strict=True) if one is not None]), line)
        (look,) = site.looks([new])
        if look is None:
            break
        if look.lack_m <= TOLERANCE_M:
            trial = judge(new)
            if trial is None:
                break
            yield trial
            refused = [*(f for f in trial.wrong if f.check not in HOLDING), *trial.harm]
            if trial.plan is not None and trial.plan.stuck and not refused:
                loose = _beside(line, trial)
                if not (stuck and _within(loose, wrong)):
                    return loose
                refused = list(trial.wrong)
            places = [f.point_m for f in refused if f.point_m is not None]
        else:
            places = [m.point_m for m in look.meetings] + [bend.point_m for bend in look.tight]
        if not places:
            break
        bans = Bans([(np.array(place), _BAN_M[min(attempt // 2, len(_BAN_M) - 1)]) for place in places])
        for grid in grids:
            grid.ban(bans)
    return []


def _beside(line: Floats, trial: Trial) -> list[Stretch]:
    """Return the stretches of the drawn line beside those of a trial that nothing can hold."""
    assert trial.plan is not None
    ends = [at for s in trial.plan.stuck for at in (s.from_m, s.to_m)]
    points = points_at(trial.review.fitted.pieces, np.clip(np.array(ends), 0.0, trial.review.fitted.length_m))
    legs = np.diff(line, axis=0)
    lengths = np.linalg.norm(legs, axis=1)
    begin = np.append(0.0, np.cumsum(lengths))[:-1]
    share = ((points[:, None] - line[None, :-1]) * legs).sum(axis=2) / np.maximum(lengths, 1e-12) ** 2
    share = np.clip(share, 0.0, 1.0)
    apart = np.linalg.norm(line[None, :-1] + share[..., None] * legs - points[:, None], axis=2)
    near = np.argmin(apart, axis=1)
    rows = np.arange(len(points))
    at = (begin[near] + share[rows, near] * lengths[near]).reshape(-1, 2)
    return [(float(min(a, b)), float(max(a, b))) for a, b in at]


def _within(some: Sequence[Stretch], others: Sequence[Stretch]) -> bool:
    """Tell whether each stretch is part of one of some others."""
    return all(any(a <= c + _SAME_M and d <= b + _SAME_M for a, b in others) for c, d in some)


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
