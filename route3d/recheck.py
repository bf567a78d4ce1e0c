"""A checked job that stays in memory: after an edit only what the edit touches is checked again.

What a review says of a run rests on the run itself, on the elements near it, on runs that it meets
(``examine/relations.py`` says how), and on a few facts of the whole building. So after an edit

1. the changed runs, and the runs near a changed element, are examined against the building again;
2. they are compared with the runs near them; whoever meets a changed run, or met it before, is touched;
3. what was touched is judged again: by all checks, or where only its company has changed, by the checks of company
   (``checks/__init__.py`` says what a check may read);
4. what is said of the job as a whole is said again.

A review made so equals that of a check from nothing in every byte: ``tests/property/test_recheck.py`` holds it to that.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from route3d.checks.collecting import blames, review_of, run_review, summary_of, verdict_of, worst_first
from route3d.checks.judging import Judged, judge_company, judge_job, judge_runs, same_outcome
from route3d.examine import (
    Alone,
    Examined,
    Relations,
    around_element,
    examine,
    examine_alone,
    panel_reach_m,
    reach_m,
    scene_after,
    scene_of,
    with_gaps,
)
from route3d.explain import Chains
from route3d.kernel.meeting import boxes_met
from route3d.measure import gaps_to_elements
from route3d.model.element import Element
from route3d.model.finding import Finding, Review, RunReview, Step
from route3d.model.job import Job
from route3d.model.run import Run, same_run
from route3d.rules.rulebook import RuleBook
from route3d.scene import Derived
from route3d.surroundings import Surroundings, extent_of, frame_origin

Floats = NDArray[np.float64]

# What stands in the place of an element that was taken away, so that the others keep their numbers.
_NOTHING = Element("", "ignore", "", "", np.empty((0, 3, 3)), False)


@dataclass(frozen=True, slots=True, eq=False)
class Difference:
    """What a re-check changed in a review."""

    runs: tuple[RunReview, ...]  # that are new, or of which anything has changed
    runs_gone: tuple[str, ...]  # run ids
    new: tuple[Finding, ...]  # with ids that were not there before
    altered: tuple[Finding, ...]  # with ids that were there, and other content
    gone: tuple[str, ...]  # finding ids
    chains: Mapping[str, tuple[Step, ...]]  # of new and altered findings, derived when asked for
    summary: Mapping[str, int]  # of the whole job, as it is now


class Checked:
    """A job with its review; never changed itself: ``changed`` returns another one that shares what stayed as it was.

    Runs and elements keep their places: what is taken away leaves a gap that nobody sees, what is new comes last, and
    a run that comes back takes its old place.
    """

    def __init__(
        self,
        job: Job,
        rules: RuleBook,
        made: str,
        around: Surroundings,
        alone: Sequence[Alone],
        relations: Relations,
        derived: Derived,
        before: Checked | None = None,
        fresh: Collection[int] = (),
        again: bool = False,
    ) -> None:
        """Judge what was examined; ``job`` and ``alone`` have an entry for each place. Use ``open`` and ``changed``.

        What ``relations`` did not touch keeps the judgement that it has in ``before``, unless all is judged ``again``;
        the runs ``fresh`` lie otherwise than there.
        """
        self._placed, self._rules, self._made = job, rules, made
        self._around, self._alone, self._relations = around, alone, relations
        same = before is not None and len(before._placed.runs) == len(job.runs)
        places = before._places_of_runs if before is not None and same else _numbered(job.runs)
        self._places_of_runs: Mapping[str, int] = places
        there = list(relations.lying)
        own = there if before is None or again else sorted(relations.touched)
        company = [] if before is None or again else sorted(relations.company - relations.touched)
        if before is None:
            self._scene = scene_of(job, rules, around, alone, relations.related, own, derived)
        else:
            self._scene = scene_after(before._scene, job, around, alone, relations, fresh, own, derived)
        known = {} if before is None else dict(before._judged)
        for i in known.keys() - relations.lying.keys():
            del known[i]
        if own:
            known |= judge_runs(self._scene, {i: relations.related[i].findings for i in own})
        if company:
            known |= judge_company(replace(self._scene, which=tuple(company)), known)
        self._judged: dict[int, Judged] = known if list(known) == there else {i: known[i] for i in there}
        self._whole = judge_job(replace(self._scene, which=tuple(there)), relations.whole(job, around))
        self._blamed, self._reblamed = self._count_blame(before, {*own, *company})
        self.summary = self._summed(before, {*own, *company})

    @classmethod
    def open(cls, job: Job, rules: RuleBook, made: str, say: Callable[[str], None] = lambda _: None) -> Checked:
        """Check a job whole; ``made`` is the time that the results carry, ``say`` is told what is being done.

        Raises
        ------
        InputError
            A strap is placed beyond the end of its run.
        """
        examined = examine(job, rules, say)
        say("judging")
        return cls(job, rules, made, examined.around, examined.alone, examined.relations, examined.scene.derived)

    @cached_property
    def job(self) -> Job:
        """The job as it is now."""
        runs, elements = self._left(()), self._standing
        if len(elements) == len(self._placed.elements):
            return self._placed if len(runs) == len(self._placed.runs) else self._placed.with_runs(runs)
        return replace(self._placed, runs=runs, elements=elements)

    @cached_property
    def review(self) -> Review:
        """The review of the job as it is now."""
        findings = worst_first((*self._whole, *(f for one in self._judged.values() for f in one.findings)))
        runs = tuple(self._run_review(i) for i in self._judged)
        chains = Chains(self._scene, self._judged, self._whole)
        return review_of(self._placed, self._rules, self._made, runs, findings, chains)

    @cached_property
    def examined(self) -> Examined:
        """What checks looked at, for planners; where anything was taken away, the job is examined anew for it."""
        if self.job is not self._placed:
            return examine(self.job, self._rules)
        lying = tuple(self._relations.lying)
        scene = scene_of(self._placed, self._rules, self._around, self._alone, self._relations.related)
        return Examined(replace(scene, which=None), self._around, tuple(self._alone[i] for i in lying), self._relations)

    def changed(
        self,
        runs: Mapping[str, Run | None] | None = None,
        *,
        elements: Mapping[str, Element | None] | None = None,
        clearance_m: Mapping[str, float] | None = None,
        made: str | None = None,
    ) -> tuple[Checked, Difference]:
        """Return the job checked again with runs and elements changed, added (a new id) or taken away (None).

        Also returned is what differs.

        ``clearance_m`` are all clearances, as those of a job.

        Raises
        ------
        InputError
            A strap is placed beyond the end of its run.
        ValueError
            A run has fewer than two different points, or an id is not that of the thing under it, or not known.
        """
        edited = {} if elements is None else dict(elements)
        moved = {} if runs is None else dict(runs)
        _refuse_other_names({run_id: run.run_id for run_id, run in moved.items() if run is not None})
        _refuse_other_names({name: e.element_id for name, e in edited.items() if e is not None})
        placed, around, near = self._with_elements(edited)
        placed, changed, gone = self._with_runs(placed, moved)
        later_made = self._made if made is None else made
        clearance = dict(placed.clearance_m if clearance_m is None else clearance_m)
        if not self._fits(placed, around, gone):
            standing = tuple(element for element in placed.elements if element is not _NOTHING)
            job = replace(placed, runs=self._left(gone, placed.runs), elements=standing, clearance_m=clearance)
            later = Checked.open(job, self._rules, later_made)
            return later, self._difference(later, self._judged, later._judged)
        examined = sorted({*changed, *near} - gone)
        fresh = dict(zip(examined, examine_alone(placed, self._rules, around, examined), strict=True))
        alone = list(self._alone)
        again = clearance != placed.clearance_m  # any check may read it
        if again:
            placed = replace(placed, clearance_m=clearance)
            fresh |= self._measured_again(placed, around, {**dict(enumerate(alone)), **fresh}, gone)
        for i in sorted(fresh):
            alone[i : i + 1] = [fresh[i]]
        moves: dict[int, Alone | None] = {**fresh, **dict.fromkeys(gone)}
        relations = self._relations.updated(placed, self._rules, around, moves)
        derived = self._scene.derived
        if edited:
            before = [self._element(name) for name in edited]
            derived = derived.after_change({e.role for e in (*edited.values(), *before) if e is not None})
        later = Checked(placed, self._rules, later_made, around, alone, relations, derived, self, fresh, again)
        touched = {*(relations.lying if again else (*relations.touched, *relations.company)), *gone}
        return later, self._difference(
            later,
            {i: self._judged[i] for i in sorted(touched) if i in self._judged},
            {i: later._judged[i] for i in sorted(touched) if i in later._judged},
        )

    # --- an edit, step by step --------------------------------------------------------------------------------------

    def _with_elements(self, edited: Mapping[str, Element | None]) -> tuple[Job, Surroundings, set[int]]:
        """Return job and surroundings with other elements, and the runs near what is or was there."""
        around, near = self._around, set[int]()
        if not edited:
            return self._placed, around, near
        reach = reach_m(self._placed, self._rules)
        boxes = []
        for name, element in edited.items():
            number = self._places_of_elements.get(name)
            if number is None and element is None:
                raise ValueError(f"there is no element {name!r} to take away")
            after = _NOTHING if element is None else element
            before = after if number is None else around.elements[number]
            around = around.with_added(after) if number is None else around.with_element(number, after)
            for one in (before, after):
                near |= self._near_box(*around_element(one.box_m, one.role, reach))
                boxes.append(one.box_m.ravel())
        taken = {name for name, element in edited.items() if element is None}
        panels = tuple(panel for panel in self._placed.panels if panel.element_id not in taken)
        job = replace(self._placed, elements=around.elements, panels=panels)
        for state in (self._placed, job) if self._placed.panels else ():
            apart = panel_reach_m(state, self._rules)
            for own in (state.element(panel.element_id) for panel in state.panels):
                if own is not None and len(boxes_met(boxes, own.box_m.ravel(), apart)):
                    near |= self._near_box(own.box_m[0] - apart, own.box_m[1] + apart)
        return job, around, near

    def _with_runs(self, job: Job, moved: Mapping[str, Run | None]) -> tuple[Job, set[int], set[int]]:
        """Return a job with other runs, the places of those that differ from before, and of those that are gone."""
        runs = list(job.runs)
        changed, gone = set[int](), set[int]()
        for run_id, run in moved.items():
            place = self._places_of_runs.get(run_id)
            lies = place is not None and place in self._relations.lying
            if run is None:
                if place is None or not lies:
                    raise ValueError(f"there is no run {run_id!r} to take away")
                gone.add(place)
            elif run.cable_id not in job.cables:
                raise ValueError(f"run {run_id!r} is of cable {run.cable_id!r}, which the job does not have")
            elif place is None:
                changed.add(len(runs))
                runs.append(run)
            elif not lies or not same_run(run, runs[place]):
                changed.add(place)
                runs[place] = run
        return (job.with_runs(tuple(runs)) if changed else job), changed, gone

    def _fits(self, job: Job, around: Surroundings, gone: Collection[int]) -> bool:
        """Tell whether what was found before still holds: same place to compute about, same facts of the building."""
        if around is self._around and len(around.elements):
            return True
        there = job.with_runs(self._left(gone, job.runs))
        origin = frame_origin(*extent_of(around.boxes_m, there))
        return around.facts == self._around.facts and bool((origin == around.origin_m).all())

    def _measured_again(
        self, job: Job, around: Surroundings, alone: Mapping[int, Alone], gone: Collection[int]
    ) -> dict[int, Alone]:
        """Return the runs of which other clearances alter any gap."""
        lying = self._relations.lying
        there = [i for i in alone if i not in gone and (i in lying or alone[i].fitted.run is job.runs[i])]
        ends = [(alone[i].start, alone[i].end) for i in there]
        measured = gaps_to_elements(job, there, [alone[i].fitted for i in there], ends, around)
        other = {
            i: found for i, found in zip(there, measured, strict=True) if found != (alone[i].gaps, alone[i].smallest_m)
        }
        again = with_gaps(job, [alone[i] for i in other], list(other.values()), around)
        return dict(zip(other, again, strict=True))

    # --- what lies where --------------------------------------------------------------------------------------------

    @cached_property
    def _places_of_elements(self) -> Mapping[str, int]:
        return {e.element_id: k for k, e in enumerate(self._placed.elements) if e is not _NOTHING}

    @cached_property
    def _standing(self) -> tuple[Element, ...]:
        return tuple(element for element in self._placed.elements if element is not _NOTHING)

    def _element(self, name: str) -> Element | None:
        number = self._places_of_elements.get(name)
        return None if number is None else self._placed.elements[number]

    def _near_box(self, low: Floats, high: Floats) -> set[int]:
        """Return the runs of which a piece comes into a box."""
        box = np.concatenate([low, high])
        near = boxes_met(self._relations.extent_m, box).tolist()
        return {i for i in near if len(boxes_met(self._alone[i].fitted.boxes_m, box))}

    def _left(self, gone: Collection[int], runs: Sequence[Run] | None = None) -> tuple[Run, ...]:
        """Return the runs that lie in the building, and those behind the last place, which are new."""
        placed = self._placed.runs if runs is None else runs
        lying, count = self._relations.lying, len(self._placed.runs)
        back = [i for i, run in enumerate(placed[:count]) if run is not self._placed.runs[i]]
        there = {*lying, *back, *range(count, len(placed))} - set(gone)
        return tuple(placed[i] for i in sorted(there))

    # --- reviews and differences ------------------------------------------------------------------------------------

    def _run_review(self, i: int) -> RunReview:
        one = self._judged[i]
        return run_review(one, self._blamed.get(one.run_id, 0) > 0)

    def _verdict(self, one: Judged) -> str:
        return verdict_of(one, self._blamed.get(one.run_id, 0) > 0)

    def _count_blame(self, before: Checked | None, judged: Collection[int]) -> tuple[dict[str, int], set[str]]:
        """Count for each run the violations that make it fail; also return the runs of which the count was touched."""
        touched = set[str]()
        blamed = {} if before is None else dict(before._blamed)
        for sign, state, places in (
            (-1, before, [] if before is None else [i for i in before._judged if i in judged or i not in self._judged]),
            (1, self, judged),
        ):
            if state is not None:
                said = (*state._whole, *(f for i in places for f in state._judged[i].findings))
                for name in (name for finding in said for name in blames(finding) if name in self._places_of_runs):
                    blamed[name] = blamed.get(name, 0) + sign
                    touched.add(name)
        return blamed, touched

    def _summed(self, before: Checked | None, judged: Collection[int]) -> Mapping[str, int]:
        """Return what the review counts: what was counted before, with what was judged anew put in its place."""
        places = self._placed_anew(judged)
        total = Counter(self._counts(places))
        if before is not None:
            total.update(before.summary)
            total.subtract(before._counts([i for i in before._judged if i in places or i not in self._judged]))
        return {name: total[name] for name in summary_of((), 0, 0)}

    def _placed_anew(self, judged: Collection[int]) -> set[int]:
        named = {self._places_of_runs[name] for name in self._reblamed}
        return {i for i in {*judged, *named} if i in self._judged}

    def _counts(self, places: Iterable[int]) -> Mapping[str, int]:
        """Count some runs, and what is said of the job."""
        runs = [self._judged[i] for i in places]
        severities = [f.severity for f in self._whole]
        return summary_of(
            [self._verdict(one) for one in runs],
            severities.count("violation") + sum(one.violations for one in runs),
            severities.count("caution") + sum(one.cautions for one in runs),
        )

    def _difference(self, later: Checked, was: Mapping[int, Judged], now: Mapping[int, Judged]) -> Difference:
        """Compare with a later one, of which ``now`` was judged anew; ``was`` are the same runs here."""
        old = {f.finding_id: f for one in was.values() for f in one.findings} | {f.finding_id: f for f in self._whole}
        new = [*later._whole, *(f for one in now.values() for f in one.findings)]
        names = {f.finding_id for f in new}
        told = [f for f in new if old.get(f.finding_id) != f]
        old_runs = {one.run_id: one for one in was.values()}
        new_runs = {one.run_id: i for i, one in now.items()}
        # a violation of another run may name one that was not looked at again
        for name in later._reblamed - new_runs.keys():
            i = later._places_of_runs[name]
            if i in later._judged:
                old_runs[name], new_runs[name] = self._judged[i], i
        changed = [
            i
            for name, i in new_runs.items()
            if name not in old_runs
            or not same_outcome(old_runs[name], later._judged[i])
            or self._verdict(old_runs[name]) != later._verdict(later._judged[i])
        ]
        return Difference(
            runs=tuple(later._run_review(i) for i in sorted(changed)),
            runs_gone=tuple(name for name in old_runs if name not in new_runs),
            new=worst_first(f for f in told if f.finding_id not in old),
            altered=worst_first(f for f in told if f.finding_id in old),
            gone=tuple(name for name in old if name not in names),
            chains=Chains(later._scene, now, later._whole, {f.finding_id for f in told}),
            summary=later.summary,
        )


def _numbered(runs: Sequence[Run]) -> Mapping[str, int]:
    return {run.run_id: i for i, run in enumerate(runs)}


def _refuse_other_names(names: Mapping[str, str]) -> None:
    for given, own in names.items():
        if given != own:
            raise ValueError(f"what is given as {given!r} calls itself {own!r}")
