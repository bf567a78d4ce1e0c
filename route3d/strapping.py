"""What straps and hangers are fastened to: structure in reach holds them, ceilings and other trades' things do not."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from route3d.kernel.clearance import nearest_elements
from route3d.kernel.mesh_index import MeshIndex
from route3d.kernel.path import closest_at, concatenated, path_boxes, points_at, straight_piece
from route3d.model.element import Element
from route3d.model.finding import Finding
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.model.support import Attachment, Support
from route3d.rules.rulebook import RuleBook
from route3d.rules.supports import HOLDING_ROLES, RACEWAYS, REFUSED_ROLES, refusal
from route3d.units import both_units

_SHOWN = 6


@dataclass(frozen=True, slots=True)
class Strapped:
    """Attachments without the supports that hold nothing, and what is to be said of these and of others."""

    runs: tuple[Attachment, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class _Place:
    """One strap or hanger of one run, and the nearest things within reach of it, by what they are."""

    run: int
    support: Support
    point_m: tuple[float, float, float]
    held_by: str | None  # role of what holds it
    beside: str | None  # role of the nearest thing that may not hold it; raceway or cable for another run
    named: str  # that thing
    gap_m: float


def judge_straps(
    job: Job, fitted: Sequence[FittedRun], attached: Sequence[Attachment], index: MeshIndex, book: RuleBook
) -> Strapped:
    """Take out straps and hangers that could only hang on what may not hold a cable; ``index`` holds the elements.

    One that has structure within ``strap_reach`` counts, whatever else is near. One that has none, but a ceiling, a
    duct, a pipe, a raceway or the like, does not count: a violation per run and rule says so. One with nothing in
    reach counts with a caution. Where the model has no structure at all, nothing is taken out: one note says so.
    """
    places = [
        (i, support)
        for i, attachment in enumerate(attached)
        for support in attachment.supports
        if support.kind in ("strap", "hanger")
    ]
    if not places:
        return Strapped(tuple(attached), ())
    found = _placed(job, fitted, places, index)
    if not any(element.role in HOLDING_ROLES for element in job.elements):
        return Strapped(tuple(attached), (_no_structure(job), *_beside_only(job, fitted, found, book)))
    findings: list[Finding] = []
    refused: dict[int, set[Support]] = {}
    by_run: dict[int, list[_Place]] = {}
    for place in found:
        by_run.setdefault(place.run, []).append(place)
    for i, mine in sorted(by_run.items()):
        bad: dict[str, list[_Place]] = {}
        for place in mine:
            rule = None if place.held_by is not None or place.beside is None else refusal(book, place.beside)
            if rule is not None and place.beside != "cable":
                bad.setdefault(rule.cite, []).append(place)
                refused.setdefault(i, set()).add(place.support)
        findings += [_refused(job, fitted[i], group, cite, book) for cite, group in bad.items()]
        lonely = [p for p in mine if p.held_by is None and p.support not in refused.get(i, set())]
        if lonely:
            findings.append(_lonely(job, fitted[i], lonely, book))
        trays = [p for p in mine if p.held_by == "tray"]
        if trays:
            findings.append(_on_tray(job, fitted[i], trays))
    runs = tuple(
        replace(a, supports=tuple(s for s in a.supports if s not in refused.get(i, set())))
        for i, a in enumerate(attached)
    )
    return Strapped(runs, tuple(findings))


def _placed(
    job: Job, fitted: Sequence[FittedRun], places: Sequence[tuple[int, Support]], index: MeshIndex
) -> list[_Place]:
    points = np.array([points_at(fitted[i].pieces, np.array([support.at_m]))[0] for i, support in places])
    pieces, starts = concatenated([straight_piece(p, p, 0.0)[None, :] for p in points])
    radii = [job.cables[fitted[i].run.cable_id].radius_m for i, _ in places]
    radius = np.array([0.0 if r is None else r for r in radii])
    thick = np.array([element.thickness_m for element in job.elements])
    roles = [element.role for element in job.elements]
    skip = np.array([r not in HOLDING_ROLES and r not in REFUSED_ROLES for r in roles], dtype=bool)
    near = nearest_elements(index, pieces, starts, radius, job.settings.strap_reach_m + thick, skip=skip)
    holding: dict[int, tuple[float, Element]] = {}
    refusing: dict[int, tuple[float, Element]] = {}
    for k, e, distance in zip(near.path.tolist(), near.element.tolist(), near.distance_m.tolist(), strict=True):
        element = job.elements[e]
        gap = max(distance - float(radius[k]) - float(thick[e]), 0.0)
        kind = holding if element.role in HOLDING_ROLES else refusing
        # a tray holds, but where structure is in reach too it is structure that is told
        worse = element.role == "tray" and k in holding
        if k not in kind or (gap < kind[k][0] and not worse) or (kind[k][1].role == "tray" and not worse):
            kind[k] = (gap, element)
    alone = [k for k in range(len(places)) if k not in holding and k not in refusing]
    beside_runs = _runs_around(job, fitted, points, alone)
    result = []
    for k, (i, support) in enumerate(places):
        beside, named, gap = None, "", 0.0
        if k in refusing:
            gap, element = refusing[k]
            beside, named = element.role, f"{element.role} {element.layer} ({element.element_id})"
        elif k not in holding:
            beside, named, gap = _other_run(job, fitted, beside_runs.get(k, ()), i, points[k], float(radius[k]))
        x, y, z = points[k].tolist()
        held_by = holding[k][1].role if k in holding else None
        result.append(_Place(i, support, (x, y, z), held_by, beside, named, gap))
    return result


def _runs_around(
    job: Job, fitted: Sequence[FittedRun], points: NDArray[np.float64], which: Sequence[int]
) -> dict[int, list[int]]:
    """Return for some of the points the runs that come near them in plan, in order: rather too many than too few."""
    if not which:
        return {}
    boxes = [path_boxes(run.pieces) for run in fitted]
    owner = np.repeat(np.arange(len(fitted)), [len(box) for box in boxes])
    low_x, low_y, low_z, high_x, high_y, high_z = np.concatenate(boxes).T
    radii = [cable.radius_m for cable in job.cables.values() if cable.radius_m is not None]
    reach = job.settings.strap_reach_m + 2.0 * max(radii, default=0.0)
    tree = shapely.STRtree(shapely.box(low_x - reach, low_y - reach, high_x + reach, high_y + reach))
    asked, met = tree.query(shapely.points(points[which, :2]))
    height = points[which, 2][asked]
    level = (low_z[met] - reach <= height) & (height <= high_z[met] + reach)
    around: dict[int, set[int]] = {}
    for n, piece in zip(asked[level].tolist(), met[level].tolist(), strict=True):
        around.setdefault(which[n], set()).add(int(owner[piece]))
    return {k: sorted(runs) for k, runs in around.items()}


def _other_run(
    job: Job,
    fitted: Sequence[FittedRun],
    around: Sequence[int],
    i: int,
    point: NDArray[np.float64],
    radius: float,
) -> tuple[str | None, str, float]:
    """Return the nearest other run within reach of a strap: raceway or cable, its name and the gap."""
    best: tuple[float, int] | None = None
    for j in around:
        other = fitted[j]
        if j == i:
            continue
        half = job.cables[other.run.cable_id].radius_m
        half = 0.0 if half is None else half
        gap = max(closest_at(other.pieces, point)[0] - radius - half, 0.0)
        if gap <= job.settings.strap_reach_m and (best is None or gap < best[0]):
            best = (gap, j)
    if best is None:
        return None, "", 0.0
    run = fitted[best[1]].run
    kind = "raceway" if job.cables[run.cable_id].method in RACEWAYS else "cable"
    return kind, f"{kind} {run.run_id}", best[0]


def _beside_only(job: Job, fitted: Sequence[FittedRun], found: Sequence[_Place], book: RuleBook) -> Iterable[Finding]:
    """Without structure in the model: say what the straps are beside, and count them."""
    for i in sorted({p.run for p in found}):
        mine = [p for p in found if p.run == i and p.beside is not None and p.beside != "cable"]
        if mine:
            yield _lonely(job, fitted[i], mine, book)


def _no_structure(job: Job) -> Finding:
    message = "No structure is modelled, so what the straps hang from is not checked."
    return _finding(job, None, (), "note", "project settings.strap_reach", message, _REMEDY)


_REMEDY = "Move them to structure, plan a rod, a strut or wires of their own for them, or model what they hang from."


def _refused(job: Job, run: FittedRun, places: Sequence[_Place], cite: str, book: RuleBook) -> Finding:
    what = places[0].beside
    rule = None if what is None else refusal(book, what)
    title = "" if rule is None else f" ({rule.title})"
    nearest = min(places, key=lambda p: p.gap_m)
    message = (
        f"{len(places)} strap(s) or hanger(s) have nothing within {both_units(job.settings.strap_reach_m)} to be "
        f"fastened to but {_named(places)}{title}: at {_places(places)}. They do not count."
    )
    return replace(_finding(job, run, places, "violation", cite, message, _REMEDY), measured=nearest.gap_m)


def _lonely(job: Job, run: FittedRun, places: Sequence[_Place], book: RuleBook) -> Finding:
    message = (
        f"{len(places)} strap(s) or hanger(s) have no structure within {both_units(job.settings.strap_reach_m)} "
        f"to be fastened to: at {_places(places)}."
    )
    beside = [p for p in places if p.beside is not None]
    rules = sorted({rule.cite for p in beside if p.beside and (rule := refusal(book, p.beside)) is not None})
    if beside:
        message += f" In reach is only {_named(beside)}, which may not hold them ({'; '.join(rules)})."
    return _finding(job, run, places, "caution", "project settings.strap_reach", message, _REMEDY)


def _on_tray(job: Job, run: FittedRun, places: Sequence[_Place]) -> Finding:
    message = f"{len(places)} strap(s) or hanger(s) are held by a cable tray, with no other structure in reach: at "
    message += f"{_places(places)}. A tray counts as structure."
    remedy = "Confirm that the tray belongs to the electrical installation and is made to carry this cable."
    return _finding(job, run, places, "note", "project settings.strap_reach", message, remedy)


def _named(places: Sequence[_Place]) -> str:
    names = list(dict.fromkeys(p.named for p in places))
    return ", ".join(names[:3]) + (" …" if len(names) > 3 else "")


def _places(places: Sequence[_Place]) -> str:
    at = [p.support.at_m for p in places]
    return ", ".join(f"{a:.2f} m" for a in at[:_SHOWN]) + (" …" if len(at) > _SHOWN else "")


def _finding(
    job: Job, run: FittedRun | None, places: Sequence[_Place], severity: str, rule: str, message: str, remedy: str
) -> Finding:
    at = [p.support.at_m for p in places]
    hung = bool(places) and all(p.support.kind == "hanger" for p in places)
    return Finding(
        check="supporting" if hung else "securing",
        severity=severity,
        run=None if run is None else run.run.run_id,
        other=None,
        rule=rule,
        at_m=(min(at), max(at)) if at else None,
        point_m=places[0].point_m if places else None,
        measured=None,
        required=job.settings.strap_reach_m,
        unit="m",
        message=message,
        remedy=remedy,
    )
