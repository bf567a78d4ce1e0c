"""Which boxes, straps, hangers and framing hold each run, and where along it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from route3d.kernel.clearance import nearest_elements
from route3d.kernel.path import closest_at, concatenated, path_length, points_at, straight_piece, tangents_at
from route3d.kernel.solid import elements_around
from route3d.model.element import END_ROLES, HOLDER_ROLES, Element
from route3d.model.finding import Finding
from route3d.model.gap import Gap
from route3d.model.job import Job
from route3d.model.opening import DrawnOpening
from route3d.model.run import FittedRun
from route3d.model.support import Support, Termination
from route3d.surroundings import Surroundings
from route3d.units import both_units

# Openings in framing hold horizontal runs; a run steeper than this hangs in them instead.
STEEPEST_HORIZONTAL_RAD = np.radians(45.0)


@dataclass(frozen=True, slots=True)
class Held:
    """A strap or hanger that is drawn within reach of a run."""

    element: int
    gap_m: float  # from the surface of the run
    at_m: float


def ends_of(job: Job, fitted: Sequence[FittedRun], around: Surroundings) -> list[tuple[Termination, Termination]]:
    """Return what both ends of each run go to: what the project file says, else what is drawn within ``attach``."""
    nearby = _ends_nearby(job, fitted, around)
    return [
        (
            _termination(run.run.start, nearby[2 * i]),
            _termination(run.run.end, nearby[2 * i + 1]),
        )
        for i, run in enumerate(fitted)
    ]


def holders_near(job: Job, fitted: Sequence[FittedRun], around: Surroundings) -> list[tuple[Held, ...]]:
    """Return the straps and hangers drawn within ``attach`` of each run's surface, but those for another run only."""
    held: list[list[Held]] = [[] for _ in fitted]
    holds = around.having(HOLDER_ROLES)
    if not holds.any():
        return [() for _ in fitted]
    pieces, starts = concatenated([run.pieces for run in fitted])
    radius = np.array([_radius(job, run) for run in fitted])
    near = nearest_elements(around.index, pieces, starts, radius, job.settings.attach_m + around.thick_m, skip=~holds)
    for i, e, distance in zip(near.path.tolist(), near.element.tolist(), near.distance_m.tolist(), strict=True):
        if around.elements[e].for_run not in ("", fitted[i].run.run_id):
            continue
        _, at_m = closest_at(fitted[i].pieces, around.elements[e].centre_m)
        held[i].append(Held(e, max(distance - float(radius[i]), 0.0), at_m))
    return [tuple(mine) for mine in held]


def supports_of(
    fitted: FittedRun, start: Termination, end: Termination, held: Sequence[Held], elements: Sequence[Element]
) -> tuple[Support, ...]:
    """Return what holds a run besides framing, sorted by distance."""
    drawn = [
        Support(h.at_m, elements[h.element].role, elements[h.element].role == "strap", elements[h.element].element_id)
        for h in held
    ]
    return in_order([*drawn, *_declared(fitted), *_fittings(fitted, start, end)])


def in_order(supports: Iterable[Support]) -> tuple[Support, ...]:
    """Return supports sorted by distance; of those at one place, the ones that secure first."""
    return tuple(sorted(supports, key=lambda s: (s.at_m, not s.secures)))


def framing_of(
    job: Job,
    fitted: FittedRun,
    gaps: Iterable[Gap],
    openings: Iterable[DrawnOpening],
    elements: Sequence[Element],
) -> tuple[Support, ...]:
    """Return the framing that a run passes through and is held by: horizontal runs are, bored and in drawn openings."""
    found = []
    for gap in gaps:
        if gap.element is None or elements[gap.element].role != "framing":
            continue
        for from_m, to_m in gap.inside_m:
            at_m = (from_m + to_m) / 2.0
            slope = abs(tangents_at(fitted.pieces, np.array([at_m]))[0, 2])
            if to_m - from_m <= job.settings.bore_length_m and slope <= np.sin(STEEPEST_HORIZONTAL_RAD):
                found.append(Support(at_m, "framing", True, elements[gap.element].element_id))
    for opening in openings:
        # where the run passes through the body all the same, that was counted above
        if opening.holds and not opening.bored_m:
            at_m = sum(opening.stretch_m) / 2.0
            found.append(Support(at_m, "framing", True, elements[opening.element].element_id))
    return tuple(found)


def _ends_nearby(job: Job, fitted: Sequence[FittedRun], around: Surroundings) -> list[Element | None]:
    """Return for each end (start, end of run 0, start, end of run 1, …) the element it goes to, or None."""
    points = np.array(
        [p for run in fitted for p in points_at(run.pieces, np.array([0.0, path_length(run.pieces)]))]
    ).reshape(-1, 3)
    is_end = around.having(END_ROLES)
    best: list[tuple[float, int] | None] = [None] * len(points)
    if not is_end.any():
        return [None] * len(points)

    pieces, starts = concatenated([straight_piece(p, p, 0.0)[None, :] for p in points])
    near = nearest_elements(
        around.index, pieces, starts, np.zeros(len(points)), job.settings.attach_m + around.thick_m, skip=~is_end
    )
    found = list(zip(near.distance_m.tolist(), near.path.tolist(), near.element.tolist(), strict=True))
    at_point, about = elements_around(around.index, points, around.closed & is_end)
    found += [(-1.0, int(p), int(e)) for p, e in zip(at_point, about, strict=True)]
    for distance, point, element in found:
        known = best[point]
        if known is None or (distance, element) < known:
            best[point] = (distance, element)
    return [None if b is None else around.elements[b[1]] for b in best]


def _termination(said: str | None, element: Element | None) -> Termination:
    if said == "open":
        return Termination("open", None)
    if said is not None:
        return Termination(said, None if element is None else element.element_id)
    if element is None:
        return Termination("open", None)
    return Termination(element.role, element.element_id)


def _fittings(run: FittedRun, start: Termination, end: Termination) -> Iterable[Support]:
    """The fitting at a termination holds the cable, and intervals are measured from it."""
    for at_m, said, key in ((0.0, start, "start"), (run.length_m, end, "end")):
        if said.kind != "open":
            kind = "box" if said.kind in ("box", "cabinet") else "fitting"
            source = said.element_id if said.element_id is not None else f"{run.run.where} {key} = {said.kind}"
            yield Support(at_m, kind, True, source)


def _declared(run: FittedRun) -> Iterable[Support]:
    for number, at_m in enumerate(run.run.straps_at_m, start=1):
        yield Support(at_m, "strap", True, f"{run.run.where} straps[{number}]")
    for number, at_m in enumerate(run.run.supports_at_m, start=1):
        yield Support(at_m, "hanger", False, f"{run.run.where} supports[{number}]")


def shared(
    job: Job, element: Element, users: Iterable[tuple[float, int, float]], run_of: Callable[[int], FittedRun]
) -> Iterable[tuple[int, Finding]]:
    """Say of each run that a strap is counted for, though it is nearer to another one and does not touch this one.

    ``users`` are gap, run and distance along it, of all runs that have the strap within reach.
    """
    first, *others = sorted(users)
    nearest = run_of(first[1]).run.run_id
    for gap, i, at_m in others:
        if gap <= first[0] + 1e-3:
            continue
        fitted = run_of(i)
        yield (
            i,
            Finding(
                check="supporting" if element.role == "hanger" else "securing",
                severity="caution",
                run=fitted.run.run_id,
                other=element.element_id,
                rule="route3d attach",
                at_m=(at_m, at_m),
                point_m=tuple(points_at(fitted.pieces, np.array([at_m]))[0].tolist()),
                measured=gap,
                required=job.settings.attach_m,
                unit="m",
                message=f"The {element.role} {element.element_id} is counted for this run {both_units(gap)} away, "
                f"but it is nearer to {nearest}.",
                remedy="Confirm that it holds both, draw one for each, or make settings.attach smaller.",
            ),
        )


def unused(job: Job, around: Surroundings, used: Collection[int]) -> Iterable[Finding]:
    """Name the straps and hangers that hold no run; ``used`` are those that hold one."""
    idle = [e for e in np.flatnonzero(around.having(HOLDER_ROLES)).tolist() if e not in used]
    reach = both_units(job.settings.attach_m)
    named = [around.elements[e] for e in idle if around.elements[e].for_run]
    if named:
        whom = [f"{element.element_id} for {element.for_run!r}" for element in named]
        yield _idle(
            len(named),
            "caution",
            f"{len(named)} strap(s) or hanger(s) are for one run only, which is not within {reach} of them, so that "
            f"they hold nothing: {_listed(whom)}.",
            "Move them onto that run, or take `run=` out of their extended data, so that they hold what is near.",
        )
    nameless = [around.elements[e].element_id for e in idle if not around.elements[e].for_run]
    if nameless:
        yield _idle(
            len(nameless),
            "note",
            f"{len(nameless)} strap(s) or hanger(s) hold no run within {reach}: {_listed(nameless)}.",
            "Move them onto their run, or make settings.attach larger.",
        )


def _listed(names: Sequence[str]) -> str:
    return "; ".join(names[:5]) + (" …" if len(names) > 5 else "")


def _idle(count: int, severity: str, message: str, remedy: str) -> Finding:
    return Finding(
        check="input",
        severity=severity,
        run=None,
        rule="route3d attach",
        measured=float(count),
        message=message,
        remedy=remedy,
    )


def _radius(job: Job, run: FittedRun) -> float:
    # a run whose diameter is unknown is checked as a bare line, and is reported as not fully checked
    radius = job.cables[run.run.cable_id].radius_m
    return 0.0 if radius is None else radius
