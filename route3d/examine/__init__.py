"""A job in, everything that checks and plans look at out: runs fitted, held, measured, their zones found.

First each run alone against the building (``alone.py``), then the runs among each other (``relations.py``), then the
scene. Each step takes any part of the runs; what it tells of one does not depend on which others are in the part.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from route3d.examine.alone import Alone, examine_alone, with_gaps
from route3d.examine.reach import around_element, panel_reach_m, reach_m
from route3d.examine.relations import Related, Relations
from route3d.kernel.mesh_index import MeshIndex
from route3d.model.finding import Finding
from route3d.model.gap import Gaps
from route3d.model.job import Job
from route3d.model.support import Attachment
from route3d.rules.rulebook import RuleBook
from route3d.scene import Derived, Scene
from route3d.surroundings import Surroundings, index_of, surround

T = TypeVar("T")

__all__ = [
    "Alone",
    "Examined",
    "Related",
    "Relations",
    "around_element",
    "examine",
    "examine_alone",
    "index_of",
    "panel_reach_m",
    "reach_m",
    "scene_after",
    "scene_of",
    "with_gaps",
]


@dataclass(frozen=True, slots=True, eq=False)
class Examined:
    """A scene, the search index of its elements in the order of the job, and what was found while holding the runs."""

    scene: Scene
    around: Surroundings
    alone: tuple[Alone, ...]
    relations: Relations

    @property
    def index(self) -> MeshIndex:
        """The search index of the job's elements."""
        return self.around.index

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What attaching and strapping the runs found, about single runs and about the job."""
        related = self.relations.related
        return (
            *(finding for one in related.values() for finding in one.findings),
            *self.relations.whole(self.scene.job, self.around),
        )


def examine(job: Job, rules: RuleBook, say: Callable[[str], None] = lambda _: None) -> Examined:
    """Fit every run, find what holds it, measure its gaps and find its zones; ``say`` is told what is being done.

    Raises
    ------
    InputError
        A strap is placed beyond the end of its run.
    """
    say("sorting the building")
    around = surround(job)
    alone = tuple(examine_alone(job, rules, around, range(len(job.runs)), say))
    say("comparing runs")
    relations = Relations.empty().updated(job, rules, around, dict(enumerate(alone)))
    return Examined(scene_of(job, rules, around, alone, relations.related), around, alone, relations)


def scene_of(
    job: Job,
    rules: RuleBook,
    around: Surroundings,
    alone: Sequence[Alone],
    related: Mapping[int, Related],
    which: Sequence[int] | None = None,
    derived: Derived | None = None,
) -> Scene:
    """Return what checks look at; ``alone`` and ``related`` are of all runs, ``which`` are those to judge (None: all).

    Only judged runs bring their gaps.
    """
    judged = range(len(alone)) if which is None else which
    return Scene(
        job=job,
        rules=rules,
        fitted=tuple(one.fitted for one in alone),
        bend_required=tuple(one.need for one in alone),
        attached=tuple(
            related[i].attachment if i in related else Attachment(one.start, one.end, ())  # one that was taken away
            for i, one in enumerate(alone)
        ),
        zones=tuple(one.zones for one in alone),
        gaps=Gaps(
            tuple(gap for i in judged for gap in (*alone[i].gaps, *related[i].gaps)),
            np.array([one.smallest_m for one in alone]),
        ),
        openings=tuple(one.openings for one in alone),
        sections={i: one.sections for i, one in related.items() if one.sections},
        approaches={i: one.approaches for i, one in related.items() if one.approaches},
        which=None if which is None else tuple(which),
        whole=around.facts,
        derived=Derived() if derived is None else derived,
    )


def scene_after(
    before: Scene,
    job: Job,
    around: Surroundings,
    alone: Sequence[Alone],
    relations: Relations,
    fresh: Collection[int],
    which: Sequence[int],
    derived: Derived,
) -> Scene:
    """Return what ``scene_of`` would after an edit, from the scene before it: the ``fresh`` runs lie otherwise now."""
    related = relations.related
    touched = {*fresh, *relations.touched, *relations.company}
    smallest = np.full(len(alone), np.inf)
    smallest[: len(before.gaps.smallest_m)] = before.gaps.smallest_m
    smallest[list(fresh)] = [alone[i].smallest_m for i in fresh]
    sections = {i: parts for i, parts in before.sections.items() if i not in touched and i in related}
    sections |= {i: related[i].sections for i in touched if i in related and related[i].sections}
    near = {i: parts for i, parts in before.approaches.items() if i not in touched and i in related}
    near |= {i: related[i].approaches for i in touched if i in related and related[i].approaches}
    return Scene(
        job=job,
        rules=before.rules,
        fitted=_patched(before.fitted, {i: alone[i].fitted for i in fresh}),
        bend_required=_patched(before.bend_required, {i: alone[i].need for i in fresh}),
        attached=_patched(before.attached, {i: related[i].attachment for i in touched if i in related}),
        zones=_patched(before.zones, {i: alone[i].zones for i in fresh}),
        gaps=Gaps(tuple(gap for i in which for gap in (*alone[i].gaps, *related[i].gaps)), smallest),
        openings=_patched(before.openings, {i: alone[i].openings for i in fresh}),
        sections=sections,
        approaches=near,
        which=tuple(which),
        whole=around.facts,
        derived=derived,
    )


def _patched(values: tuple[T, ...], others: Mapping[int, T]) -> tuple[T, ...]:
    """Return a tuple with some entries replaced, and new ones at its end."""
    patched = list(values)
    for i in sorted(others):
        patched[i : i + 1] = [others[i]]
    return tuple(patched)
