"""For each run the fewest straps to add so that every rule on securing and supporting is satisfied.

Which number is fewest is proven (``strap_fewest``); the check itself decides whether a plan stands. Among plans of that
number, straps that are there stay, spacing is even, and neighbours share a place where that gives up little.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field

import numpy as np

from route3d.examine import Examined
from route3d.kernel.path import points_at
from route3d.model.plan import StrapPlace, StrapPlan, StuckStretch
from route3d.plans.strap_fewest import Task, fewest
from route3d.plans.strap_intervals import Places
from route3d.plans.strap_places import RunPlaces, has_structure, holders, radius_of, run_places
from route3d.plans.strap_sharing import Draft, brought_together, shared
from route3d.plans.strap_spacing import evenly_spaced, rounded
from route3d.plans.strap_stuck import Case, cases, partial, stuck_stretches
from route3d.plans.strap_tasks import is_held, tasks_of
from route3d.rules.held import HeldRun, held_run
from route3d.rules.rulebook import RuleBook
from route3d.scene import Scene

# Practice: crews strap at nine tenths of what the rule allows, so that what shifts in the field still passes.
MARGIN = 0.10

NO_STRUCTURE = "No structure is modelled, so straps are placed freely: what they are fastened to is not checked."


@dataclass(slots=True)
class _Work:
    """One run while it is planned."""

    number: int  # in the job
    held: HeldRun
    places: RunPlaces
    straps: tuple[float, ...] = ()
    task: Task | None = None
    count: int | None = 0
    open_cases: list[Case] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def plan_straps(
    examined: Examined,
    margin: float = MARGIN,
    only: Collection[str] | None = None,
    say: Callable[..., None] = lambda doing, share=None: None,
) -> tuple[StrapPlan, ...]:
    """Plan the straps of every run, or of those whose ids are in ``only``, in the order of the job.

    ``margin`` is the share of every interval that is kept free beside a strap that is added; a run that can be strapped
    without it only is planned without, and its notes say so. ``say`` is told what is being done.

    Raises
    ------
    ValueError
        ``margin`` is not at least 0 and below 1.
    """
    if not 0.0 <= margin < 1.0:
        raise ValueError(f"a margin of {margin} is no share of an interval")
    scene, index = examined.scene, examined.index
    which = [i for i, run in enumerate(scene.fitted) if only is None or run.run.run_id in only]
    say("finding places for straps")
    works = []
    for n, (i, places) in enumerate(zip(which, run_places(scene, index, which), strict=True)):
        if n % 100 == 0:
            say("planning straps", n / len(which))
        works.append(_planned(scene, i, places, margin))
    say("bringing straps together")
    _share(scene, works)
    return _worded(examined, works, margin)


def held_of(scene: Scene, number: int) -> HeldRun:
    """Return one run of a scene as the rules on holding look at it."""
    job, fitted = scene.job, scene.fitted[number]
    cable = job.cables[fitted.run.cable_id]
    return held_run(cable, job.occupancy, fitted.pieces, scene.attached[number], scene.zones[number], job.zones)


def _planned(scene: Scene, number: int, places: RunPlaces, margin: float) -> _Work:
    held, book = held_of(scene, number), scene.rules
    work = _Work(number, held, places)
    if is_held(held, (), book):
        return work
    bare = "The margin of {:g} % costs the impossible here: intervals are used in full."
    near = "No plan leaves a diameter of straight cable between every strap and the next bend, as is practice."
    attempts: list[tuple[float, Places, list[str]]] = []
    for share, said in ((1.0 - margin, []), (1.0, [bare.format(100.0 * margin)]))[: 2 if margin else 1]:
        attempts.append((share, places.preferred, list(said)))
    if places.allowed.stretches != places.preferred.stretches:
        attempts += [(share, places.allowed, [*said, near]) for share, _, said in attempts]
    for share, allowed, said in attempts:
        best = fewest_straps(held, book, allowed, share)
        if best is not None:
            work.task, work.straps = best
            work.count = len(work.straps)
            work.notes += said
            return work
    _as_far_as_can_be(work, book)
    return work


def fewest_straps(
    held: HeldRun, book: RuleBook, allowed: Places, share: float
) -> tuple[Task, tuple[float, ...]] | None:
    """Return the task with the fewest straps in ``allowed`` that the check passes, and these straps; None without one.

    ``share`` of every length is used beside a strap that is added.
    """
    length = held.length_m
    solved: list[tuple[int, int, Task, tuple[float, ...]]] = []
    most = 10_000
    for order, task in enumerate(tasks_of(held, book, allowed, share)):
        late = fewest(task, most)
        if late is not None:
            solved.append((len(late), order, task, late))
            most = min(most, len(late))
    for _, _, task, late in sorted(solved, key=lambda s: s[:2]):
        for straps in _refined(task, length, late):
            if is_held(held, straps, book):
                return task, straps
    return None


def _refined(task: Task, length_m: float, late: tuple[float, ...]) -> Sequence[tuple[float, ...]]:
    """Return straps of one number, those that read best first."""
    mirrored = fewest(task.mirrored(length_m))
    if mirrored is None or len(mirrored) != len(late):
        return [rounded(task, late), late]
    early = tuple(sorted(length_m - at_m for at_m in mirrored))
    even = evenly_spaced(task, length_m, late, early)
    return [rounded(task, even), even, late]


def _as_far_as_can_be(work: _Work, book: RuleBook) -> None:
    found = [
        (left.badness[0], order, left.badness, left, task)
        for order, allowed in enumerate((work.places.preferred, work.places.allowed))
        for task in tasks_of(work.held, book, allowed, 1.0)
        if (left := partial(task)) is not None
    ]
    _, _, _, left, task = min(found, key=lambda f: f[:3])
    work.count = None
    work.straps = tuple(round(at_m, 4) if task.places.has(round(at_m, 4)) else at_m for at_m in left.straps)
    work.open_cases = cases(work.number, work.held, task, left, book)


def _share(scene: Scene, works: Sequence[_Work]) -> None:
    drafts = brought_together([*_others(scene, works), *(_draft(scene, work) for work in works)])
    for work, draft in zip(works, drafts[len(drafts) - len(works) :], strict=True):
        if draft.straps != work.straps and is_held(work.held, draft.straps, scene.rules):
            work.straps = draft.straps


def _draft(scene: Scene, work: _Work) -> Draft:
    fitted = scene.fitted[work.number]
    return Draft(fitted.run.run_id, fitted.pieces, work.task, work.straps, _existing(work.held))


def _others(scene: Scene, works: Sequence[_Work]) -> list[Draft]:
    """Return the runs that are not planned, with the straps that they have: neighbours may share their places."""
    planned = {work.number for work in works}
    others = []
    for i, fitted in enumerate(scene.fitted):
        straps = tuple(s.at_m for s in scene.attached[i].supports if s.kind == "strap")
        if straps and i not in planned:
            others.append(Draft(fitted.run.run_id, fitted.pieces, None, (), straps))
    return others


def _existing(held: HeldRun) -> tuple[float, ...]:
    return tuple(min(max(s.at_m, 0.0), held.length_m) for s in held.supports if s.kind == "strap")


def _worded(examined: Examined, works: Sequence[_Work], margin: float) -> tuple[StrapPlan, ...]:
    scene, index = examined.scene, examined.index
    others = _others(scene, works)
    together = shared([*(_draft(scene, work) for work in works), *others])
    straps = [
        [(at_m, True) for at_m in _existing(work.held)] + [(at_m, False) for at_m in work.straps] for work in works
    ]
    points = [
        points_at(scene.fitted[w.number].pieces, np.array([at_m for at_m, _ in some]))
        for w, some in zip(works, straps, strict=True)
        if some
    ]
    radius = [radius_of(scene, scene.fitted[w.number]) for w, some in zip(works, straps, strict=True) for _ in some]
    all_points = np.concatenate(points) if points else np.empty((0, 3))
    held_by = iter(
        zip(
            all_points.tolist(),
            holders(scene, index, all_points, np.array(radius), scene.job.settings.strap_reach_m),
            strict=True,
        )
    )
    all_cases = [case for work in works for case in work.open_cases]
    case_places = [work.places for work in works for _ in work.open_cases]
    stuck = iter(stuck_stretches(scene, index, case_places, all_cases))
    free = not has_structure(scene)
    plans = []
    for k, (work, some) in enumerate(zip(works, straps, strict=True)):
        fitted = scene.fitted[work.number]
        placed = []
        for at_m, existing in some:
            (x, y, z), by = next(held_by)
            near = by[0] if by else None
            placed.append(
                StrapPlace(
                    at_m=at_m,
                    point_m=(x, y, z),
                    existing=existing,
                    holder=None if near is None else near.element.element_id,
                    holder_role=None if near is None else near.element.role,
                    reach_m=None if near is None else near.gap_m,
                    shared_with=together.get((k, at_m), ()),
                )
            )
        mine = tuple(next(stuck) for _ in work.open_cases)
        if work.count is None and not mine:
            mine = (_unexplained(work.held, scene.rules),)
        plans.append(
            StrapPlan(
                run_id=fitted.run.run_id,
                length_m=fitted.length_m,
                straps=tuple(sorted(placed, key=lambda p: (p.at_m, not p.existing))),
                added=len(work.straps),
                fewest=work.count,
                stuck=mine,
                margin=margin,
                notes=(*work.notes, *_notes(scene, work, free), *_to_take_out(examined, work.number)),
                refused_at_m=_refused(scene, work.number),
                refused_supports_at_m=_refused_supports(scene, work.number),
                refused_drawn=_refused_drawn(examined, work.number),
            )
        )
    return tuple(plans)


def _unexplained(held: HeldRun, book: RuleBook) -> StuckStretch:
    """Return what is said where the check passes no plan though every stretch could be closed: never silence."""
    rule = book.hold("securing", held.cable.method)
    return StuckStretch(
        check="securing",
        from_m=0.0,
        to_m=held.length_m,
        rule=book.code if rule is None else rule.cite,
        why="The check passes none of the plans that were found.",
        remedy="Strap this run by hand, and check it.",
    )


def _notes(scene: Scene, work: _Work, free: bool) -> list[str]:
    notes = [NO_STRUCTURE] if free and work.straps else []
    if scene.job.cables[scene.fitted[work.number].run.cable_id].radius_m is None:
        notes.append("The cable's diameter is not known: reach is measured from its centre line.")
    method = work.held.cable.method
    silent = [
        check
        for check in ("securing", "supporting")
        if (rule := scene.rules.hold(check, method)) is None or rule.interval_m is None
    ]
    if silent:
        notes.append(f"The rule set states no interval for {' and '.join(silent)} {method}: none was planned for.")
    for what, refused in (
        ("straps", _refused(scene, work.number)),
        ("supports", _refused_supports(scene, work.number)),
    ):
        if refused:
            named = ", ".join(f"{at_m:.3f} m" for at_m in refused)
            notes.append(f"Of its {what}, those at {named} have only what may not hold them in reach: take them out.")
    return notes


def _refused(scene: Scene, number: int) -> tuple[float, ...]:
    """Return the declared straps of a run that do not count."""
    return _uncounted(scene, number, "straps", scene.fitted[number].run.straps_at_m)


def _refused_supports(scene: Scene, number: int) -> tuple[float, ...]:
    """Return the declared supports of a run that do not count."""
    return _uncounted(scene, number, "supports", scene.fitted[number].run.supports_at_m)


def _refused_drawn(examined: Examined, number: int) -> tuple[tuple[str, float], ...]:
    """Return the straps and hangers of a model that do not count for a run, and where along it they are."""
    scene = examined.scene
    counted = {s.source for s in scene.attached[number].supports}
    held = [(scene.job.elements[h.element].element_id, h.at_m) for h in examined.alone[number].held]
    return tuple(sorted(((name, at_m) for name, at_m in held if name not in counted), key=lambda one: one[1]))


def _to_take_out(examined: Examined, number: int) -> list[str]:
    """Say of each strap and hanger of a model that does not count what is to be done with it."""
    job = examined.scene.job
    said = []
    for name, at_m in _refused_drawn(examined, number):
        element = job.element(name)
        assert element is not None
        said.append(
            f"The {element.role} {name} on layer {element.layer}, at {at_m:.3f} m, has only what may not hold it in "
            "reach: take it out of that drawing, or draw what holds it. It does not count, and no save changes a model."
        )
    return said


def _uncounted(scene: Scene, number: int, key: str, places: Sequence[float]) -> tuple[float, ...]:
    where = scene.fitted[number].run.where
    counted = {s.source for s in scene.attached[number].supports}
    return tuple(at_m for n, at_m in enumerate(places, start=1) if f"{where} {key}[{n}]" not in counted)
