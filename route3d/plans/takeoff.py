"""The take-off of a job: what to cut for each run, from which coils, and what else is bought."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace

import numpy as np

from route3d.examine import Examined
from route3d.kernel.clearance import distance_at
from route3d.kernel.path import points_at
from route3d.kernel.solid import elements_around
from route3d.model.allowance import RunAllowance
from route3d.model.cable import Cable
from route3d.model.finding import Review, RunReview
from route3d.model.plan import CableCut, CutLength, Part, StrapPlan, TakeOff
from route3d.plans.coils import cut_cable, sticks_joined
from route3d.plans.homeruns import NOMINAL_SOURCE, at_panel, is_feeder, panel_of, pull_of, storey_of, weight_of
from route3d.plans.makeup import RACEWAYS, RIGID, RunEnd, made_up
from route3d.plans.material import material_of
from route3d.plans.without_route import IN_TAKE_OFF, left_out
from route3d.rules.rulebook import RuleBook
from route3d.scene import Scene
from route3d.units import TOLERANCE_M, both_units

TWO_PEOPLE_KG = 45.0  # practice: two people for each 100 to 150 lb


def take_off(
    examined: Examined,
    review: Review,
    plans: Sequence[StrapPlan] = (),
    runs: Collection[str] | None = None,
    left_s: Callable[[str], Callable[[], float]] = lambda _: lambda: 1e9,
) -> TakeOff:
    """Return the take-off of a job, or of some of its ``runs``.

    ``review`` is the review of what was examined. Where strap ``plans`` are given, their straps are counted instead
    of those of the project. ``left_s`` is asked once for each cable, and gives what tells how many seconds its coil
    plan may still take.
    """
    scene = examined.scene
    job = scene.job
    wanted = {run.run_id for run in job.runs} if runs is None else set(runs)
    ends = _ends(examined)
    numbers = [i for i, fitted in enumerate(scene.fitted) if fitted.run.run_id in wanted]
    judged = {run.fitted.run.run_id: run for run in review.runs}
    lengths = tuple(_length(scene, i, ends[i], judged[scene.fitted[i].run.run_id]) for i in numbers)

    cables = []
    for cable_id in sorted({length.cable_id for length in lengths}):
        cuts = [(length.run_id, length.total_m) for length in lengths if length.cable_id == cable_id]
        cables.append(cut_cable(job.cables[cable_id], cuts, job.takeoff, left_s(cable_id)))

    couplings = {
        run_id: count - 1
        for cut in cables
        if job.cables[cut.cable_id].method in RIGID
        for run_id, count in sticks_joined(cut).items()
    }
    material = material_of(scene, review, wanted, plans, couplings)
    lengths = tuple(_with_doubts(length, material.unsure.get(length.run_id, ())) for length in lengths)
    return TakeOff(
        lengths,
        tuple(cables),
        material.lines,
        (*_notes(scene, lengths, cables), *material.notes),
        not_routed=tuple(run.run_id for run in job.unrouted),
    )


def unsure_of(takeoff: TakeOff) -> int:
    """Return how many things a take-off had to assume or could not find out."""
    return sum(len(length.unsure) for length in takeoff.lengths) + sum(len(cut.unsure) for cut in takeoff.cables)


def _ends(examined: Examined) -> list[tuple[RunEnd, RunEnd]]:
    """Return both ends of every run, measured to what they are attached to."""
    job, scene = examined.scene.job, examined.scene
    number = {element.element_id: k for k, element in enumerate(job.elements)}
    found: list[tuple[str, str]] = []
    asked: list[tuple[int, int]] = []  # place in ``found``, element
    points = []
    for fitted, attachment in zip(scene.fitted, scene.attached, strict=True):
        both = points_at(fitted.pieces, np.array([0.0, fitted.length_m]))
        for name, end, point in zip(("start", "end"), (attachment.start, attachment.end), both, strict=True):
            if end.element_id in number:
                asked.append((len(found), number[end.element_id]))
                points.append(point)
            found.append((name, "cabinet" if at_panel(job, end) else end.kind))
    short = dict.fromkeys(range(len(found)), 0.0)
    size = dict.fromkeys(range(len(found)), 0.0)
    if asked:
        elements = np.array([e for _, e in asked])
        away = distance_at(examined.index, elements, np.array(points))
        closed = np.zeros(len(job.elements), dtype=bool)
        closed[elements] = [job.elements[e].closed for e in elements.tolist()]
        inside = set(zip(*(a.tolist() for a in elements_around(examined.index, np.array(points), closed)), strict=True))
        for k, (place, e) in enumerate(asked):
            element = job.elements[e]
            if (k, e) not in inside and np.isfinite(away[k]):
                short[place] = max(float(away[k]) - element.thickness_m, 0.0)
            extent = element.box_m[1] - element.box_m[0]
            size[place] = float(extent[2] + extent[:2].max())
    made = [RunEnd(name, kind, short[n], size[n]) for n, (name, kind) in enumerate(found)]
    return list(zip(made[::2], made[1::2], strict=True))


def _length(scene: Scene, i: int, ends: tuple[RunEnd, RunEnd], judged: RunReview) -> CutLength:
    job, fitted, attachment = scene.job, scene.fitted[i], scene.attached[i]
    cable = job.cables[fitted.run.cable_id]
    own = job.takeoff.runs.get(fitted.run.run_id, RunAllowance())
    feeder = is_feeder(job, attachment, own)
    made = made_up(fitted, cable.method, ends, feeder, job.takeoff)
    kg_m, weight_source = weight_of(cable)
    pull = pull_of(fitted, cable, attachment, own)
    return CutLength(
        run_id=fitted.run.run_id,
        cable_id=cable.cable_id,
        storey=storey_of(job, fitted, attachment, job.takeoff),
        fitted_m=fitted.length_m,
        parts=made.parts,
        total_m=made.total_m,
        weight_kg=None if kg_m is None else kg_m * made.total_m,
        pull_from=pull.start,
        pull_why=pull.why,
        group=panel_of(job, attachment, own),
        unsure=(*made.unsure, *_doubts(judged, cable, made.parts, scene.rules)),
        weight_source=weight_source,
        feeder=feeder,
    )


def _doubts(judged: RunReview, cable: Cable, parts: Sequence[Part], rules: RuleBook) -> list[str]:
    """Return why the fitted line may not be the one that is built."""
    doubts = []
    unknown = sum(bend.ratio is None for bend in judged.bends)
    if unknown:
        doubts.append(f"{unknown} bend(s) could not be judged, so that the length along them may change")
    if judged.verdict == "fail":
        doubts.append("the check finds violations: mending them may change the line")
    elif judged.verdict == "unchecked":
        doubts.append("the check could not judge everything about this run")
    longest = next((r.length_max_m for r in rules.exemptions if r.kind == "whip" and cable.method in r.methods), None)
    slack = sum(part.length_m for part in parts if part.name.endswith(": slack"))
    for span in judged.spans:
        if span.exempt == "whip" and longest is not None and span.length_m + slack > longest + TOLERANCE_M:
            doubts.append(
                f"with {both_units(slack)} of slack the whip is {both_units(span.length_m + slack)}, longer than the "
                f"{both_units(longest)} that need no support"
            )
            break
    return doubts


def _with_doubts(length: CutLength, doubts: Sequence[str]) -> CutLength:
    return replace(length, unsure=(*length.unsure, *doubts)) if doubts else length


def _notes(scene: Scene, lengths: Sequence[CutLength], cables: Sequence[CableCut]) -> list[str]:
    """Say what the take-off rests on, and what it leaves out."""
    job = scene.job
    notes = [*left_out([run.run_id for run in job.unrouted], IN_TAKE_OFF)]
    methods = {job.cables[length.cable_id].method for length in lengths}
    nominal = Counter(length.cable_id for length in lengths if length.weight_source == NOMINAL_SOURCE)
    if nominal:
        notes.append(f"weights of {', '.join(sorted(nominal))}: {NOMINAL_SOURCE}")
    unknown = sorted({length.cable_id for length in lengths if length.weight_kg is None})
    if unknown:
        notes.append(f"weights of {', '.join(unknown)} are not known; state them as [cable.NAME] weight")
    heavy = [length.run_id for length in lengths if length.weight_kg is not None and length.weight_kg >= TWO_PEOPLE_KG]
    if heavy:
        notes.append(f"{len(heavy)} run(s) of {TWO_PEOPLE_KG:.0f} kg or more: two people to handle each (practice)")
    if methods & RACEWAYS:
        notes.append("raceways: the conductors pulled into them are not taken off")
    if methods & RIGID:
        notes.append(
            "rigid raceways: each run takes whole sticks and one cut piece, joined by couplings; bends add none"
        )
    if methods & {"data-pair", "fibre"}:
        notes.append("data and fibre cables are made up like power cables, for want of other figures")
    practice = [cut.cable_id for cut in cables if "practice" in cut.stock_source]
    if practice:
        notes.append(f"no [[coil]] is stated of {', '.join(practice)}: coils as they are customary")
    if any(not length.storey for length in lengths):
        notes.append("runs without a storey: state [takeoff.storeys], or the storey of a run")
    if job.unread:
        notes.append(f"{len(job.unread)} thing(s) of the drawings were not read; what depends on them is not in here")
    return notes
