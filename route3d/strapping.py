"""What straps and hangers are fastened to: structure in reach holds them, ceilings and other trades' things do not."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from route3d.kernel.clearance import nearest_elements
from route3d.kernel.feet import feet_on, points_on
from route3d.kernel.path import concatenated, point_pieces
from route3d.model.element import Element
from route3d.model.facts import Facts
from route3d.model.finding import Finding
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.model.support import Support
from route3d.rules.rulebook import RuleBook
from route3d.rules.supports import HOLDING_ROLES, RACEWAYS, REFUSED_ROLES, refusal
from route3d.surroundings import Surroundings
from route3d.units import both_units

_SHOWN = 6


@dataclass(frozen=True, slots=True)
class Place:
    """One strap or hanger of one run, and the nearest things within reach of it, by what they are."""

    support: Support
    point_m: tuple[float, float, float]
    held_by: str | None  # role of what holds it
    beside: str | None  # role of the nearest thing that may not hold it; raceway or cable for another run
    named: str  # that thing
    gap_m: float

    @property
    def open(self) -> bool:
        """Tell whether nothing of the building is in reach, so that other runs are looked for."""
        return self.held_by is None and self.beside is None


def places_of(
    job: Job, fitted: Sequence[FittedRun], supports: Sequence[Sequence[Support]], around: Surroundings
) -> list[tuple[Place, ...]]:
    """Return the straps and hangers of each run with what of the building is within ``strap_reach`` of them."""
    strapped = [
        (i, support) for i, mine in enumerate(supports) for support in mine if support.kind in ("strap", "hanger")
    ]
    placed: list[list[Place]] = [[] for _ in fitted]
    if not strapped:
        return [() for _ in fitted]
    rows, starts = concatenated([run.pieces for run in fitted])
    owners = np.array([i for i, _ in strapped], dtype=np.int64)
    points = points_on(rows, starts, owners, np.array([support.at_m for _, support in strapped]))
    pieces, starts = point_pieces(points), np.arange(len(points) + 1)
    radii = [job.cables[run.run.cable_id].radius_m for run in fitted]
    radius = np.array([0.0 if r is None else r for r in radii])[owners]
    skip = ~around.having(HOLDING_ROLES | REFUSED_ROLES)
    near = nearest_elements(
        around.index, pieces, starts, radius, job.settings.strap_reach_m + around.thick_m, skip=skip
    )
    holding: dict[int, tuple[float, Element]] = {}
    refusing: dict[int, tuple[float, Element]] = {}
    gaps = np.maximum(near.distance_m - radius[near.path] - around.thick_m[near.element], 0.0)
    for k, e, gap in zip(near.path.tolist(), near.element.tolist(), gaps.tolist(), strict=True):
        element = around.elements[e]
        kind = holding if element.role in HOLDING_ROLES else refusing
        # a tray holds, but where structure is in reach too it is structure that is told
        worse = element.role == "tray" and k in holding
        if k not in kind or (gap < kind[k][0] and not worse) or (kind[k][1].role == "tray" and not worse):
            kind[k] = (gap, element)
    for k, ((i, support), (x, y, z)) in enumerate(zip(strapped, points.tolist(), strict=True)):
        beside, named, gap = None, "", 0.0
        if k in refusing:
            gap, element = refusing[k]
            beside, named = element.role, f"{element.role} {element.layer} ({element.element_id})"
        held_by = holding[k][1].role if k in holding else None
        placed[i].append(Place(support, (x, y, z), held_by, beside, named, gap))
    return [tuple(mine) for mine in placed]


def open_reach_m(job: Job) -> float:
    """Return how far the centre line of another run may be from an open place to matter: rather too far."""
    radii = [cable.radius_m for cable in job.cables.values() if cable.radius_m is not None]
    return job.settings.strap_reach_m + 2.0 * max(radii, default=0.0)


def nearest_run(
    job: Job,
    fitted: Sequence[FittedRun],
    which: NDArray[np.int64],
    points: NDArray[np.float64],
    place: NDArray[np.int64],
    radius: NDArray[np.float64],
) -> dict[int, tuple[str, str, float]]:
    """Return for open places the nearest run within reach: raceway or cable, its name, and the gap.

    Looked at are pairs of ``place`` (k,), a row of ``points`` (n, 3) and ``radius`` (n,), and ``which`` (k,) of the
    runs ``fitted``; of two that are equally near, the first run.
    """
    pieces, starts = concatenated([run.pieces for run in fitted])
    anywhere = np.full(len(place), np.inf)
    distance, _ = feet_on(pieces, starts, which, points[place], -anywhere, anywhere, np.zeros(3))
    halves = [job.cables[run.run.cable_id].radius_m for run in fitted]
    half = np.array([0.0 if h is None else h for h in halves])
    gap = np.maximum(distance - radius[place] - half[which], 0.0)
    near = np.flatnonzero(gap <= job.settings.strap_reach_m)
    order = near[np.lexsort((which[near], gap[near], place[near]))]
    found: dict[int, tuple[str, str, float]] = {}
    for k in order.tolist():
        if int(place[k]) not in found:
            run = fitted[int(which[k])].run
            kind = "raceway" if job.cables[run.cable_id].method in RACEWAYS else "cable"
            found[int(place[k])] = kind, f"{kind} {run.run_id}", float(gap[k])
    return found


def judge_straps(
    job: Job, run: FittedRun, places: Sequence[Place], facts: Facts, book: RuleBook
) -> tuple[frozenset[Support], tuple[Finding, ...]]:
    """Return the straps and hangers of a run that could only hang on what may not hold a cable, and what to say of all.

    One that has structure within ``strap_reach`` counts, whatever else is near. One that has none, but a ceiling, a
    duct, a pipe, a raceway or the like, does not count: a violation per rule says so. One with nothing in reach counts
    with a caution. Where the model has no structure at all, nothing is taken out: ``no_structure`` says so.
    """
    if not places:
        return frozenset(), ()
    if facts.roles.isdisjoint(HOLDING_ROLES):
        near = [p for p in places if p.beside is not None and p.beside != "cable"]
        return frozenset(), (_lonely(job, run, near, book),) if near else ()
    findings: list[Finding] = []
    refused: set[Support] = set()
    bad: dict[str, list[Place]] = {}
    for place in places:
        rule = None if place.held_by is not None or place.beside is None else refusal(book, place.beside)
        if rule is not None and place.beside != "cable":
            bad.setdefault(rule.cite, []).append(place)
            refused.add(place.support)
    findings += [_refused(job, run, group, cite, book) for cite, group in bad.items()]
    lonely = [p for p in places if p.held_by is None and p.support not in refused]
    if lonely:
        findings.append(_lonely(job, run, lonely, book))
    trays = [p for p in places if p.held_by == "tray"]
    if trays:
        findings.append(_on_tray(job, run, trays))
    return frozenset(refused), tuple(findings)


def no_structure(job: Job, facts: Facts, strapped: bool) -> Iterable[Finding]:
    """Say where the model has no structure; ``strapped``: some run has a strap or hanger."""
    if not strapped or not facts.roles.isdisjoint(HOLDING_ROLES):
        return
    message = "No structure is modelled, so what the straps hang from is not checked."
    yield _finding(job, None, (), "note", "project settings.strap_reach", message, _REMEDY)


_REMEDY = "Move them to structure, plan a rod, a strut or wires of their own for them, or model what they hang from."


def _refused(job: Job, run: FittedRun, places: Sequence[Place], cite: str, book: RuleBook) -> Finding:
    what = places[0].beside
    rule = None if what is None else refusal(book, what)
    title = "" if rule is None else f" ({rule.title})"
    nearest = min(places, key=lambda p: p.gap_m)
    message = (
        f"{len(places)} strap(s) or hanger(s) have nothing within {both_units(job.settings.strap_reach_m)} to be "
        f"fastened to but {_named(places)}{title}: at {_places(places)}. They do not count."
    )
    return replace(_finding(job, run, places, "violation", cite, message, _REMEDY), measured=nearest.gap_m)


def _lonely(job: Job, run: FittedRun, places: Sequence[Place], book: RuleBook) -> Finding:
    message = (
        f"{len(places)} strap(s) or hanger(s) have no structure within {both_units(job.settings.strap_reach_m)} "
        f"to be fastened to: at {_places(places)}."
    )
    beside = [p for p in places if p.beside is not None]
    rules = sorted({rule.cite for p in beside if p.beside and (rule := refusal(book, p.beside)) is not None})
    if beside:
        message += f" In reach is only {_named(beside)}, which may not hold them ({'; '.join(rules)})."
    return _finding(job, run, places, "caution", "project settings.strap_reach", message, _REMEDY)


def _on_tray(job: Job, run: FittedRun, places: Sequence[Place]) -> Finding:
    message = f"{len(places)} strap(s) or hanger(s) are held by a cable tray, with no other structure in reach: at "
    message += f"{_places(places)}. A tray counts as structure."
    remedy = "Confirm that the tray belongs to the electrical installation and is made to carry this cable."
    return _finding(job, run, places, "note", "project settings.strap_reach", message, remedy)


def _named(places: Sequence[Place]) -> str:
    names = list(dict.fromkeys(p.named for p in places))
    return ", ".join(names[:3]) + (" …" if len(names) > 3 else "")


def _places(places: Sequence[Place]) -> str:
    at = [p.support.at_m for p in places]
    return ", ".join(f"{a:.2f} m" for a in at[:_SHOWN]) + (" …" if len(at) > _SHOWN else "")


def _finding(
    job: Job, run: FittedRun | None, places: Sequence[Place], severity: str, rule: str, message: str, remedy: str
) -> Finding:
    at = [p.support.at_m for p in places]
    hung = bool(places) and all(p.support.kind == "hanger" for p in places)
    return Finding(
        check="supporting" if hung else "securing",
        severity=severity,
        run=None if run is None else run.run.run_id,
        rule=rule,
        at_m=(min(at), max(at)) if at else None,
        point_m=places[0].point_m if places else None,
        required=job.settings.strap_reach_m,
        unit="m",
        message=message,
        remedy=remedy,
    )
