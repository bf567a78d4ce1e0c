"""What a worker does: keep a block of elements, lay out a part of the job, examine it, judge it.

Every function is pure and told everything: when a worker dies, another one does the same again and gets the same bits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from route3d.checks.judging import judge_runs
from route3d.checks.panel_space import remember_spaces
from route3d.cluster.cuts import holds
from route3d.cluster.sent import (
    Block,
    Company,
    SentRun,
    SentVerdict,
    received_run,
    renumbered,
    renumbered_sections,
    sent_run,
    sent_verdict,
)
from route3d.cluster.versions import code_digest
from route3d.errors import InputError
from route3d.examine import examine_alone, scene_of
from route3d.kernel.compiled import thread_limit
from route3d.model.facts import Facts
from route3d.model.job import Job
from route3d.model.run import Run
from route3d.panels import PanelSpaces
from route3d.rules.bend import required_bend
from route3d.rules.rulebook import RuleBook
from route3d.surroundings import Surroundings, surround

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """What all parts have in common."""

    job: Job  # without elements and runs
    rules: RuleBook
    origin_m: Floats
    facts: Facts
    spaces: tuple[PanelSpaces, ...]  # of all panels: they are searched together, which decides the last bit


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """One part, before its elements are there."""

    runs: tuple[Run, ...]
    numbers: Ints  # of these in the job, rising
    boxes_m: Floats  # (runs, 2, 3): what is within reach of these is there
    elements: Ints  # numbers of the elements in the job, rising


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One part, ready to be examined and judged."""

    outline: Outline
    job: Job
    around: Surroundings

    def __sizeof__(self) -> int:
        """Return the size in memory, by which the engine chooses where to work."""
        index = self.around.index
        kept = (index.order, index.frames, index.boxes, index.links, index.top_boxes, index.top_links)
        own = sum(element.triangles_m.nbytes + 1000 for element in self.job.elements)
        return int(own + sum(array.nbytes for array in kept))


@dataclass(frozen=True, slots=True, eq=False)
class Examined:
    """The runs of a part, examined; None: one of them cannot be (a strap beyond its end)."""

    runs: tuple[SentRun, ...] | None
    code: str  # digest of the program that did it


@dataclass(frozen=True, slots=True, eq=False)
class Judgement:
    """The runs of a part, judged."""

    runs: tuple[SentVerdict, ...]
    code: str


def keep(block: Block) -> Block:
    """Keep a block, so that parts need not be sent what they have in common."""
    return block


def keep_frame(frame: Frame) -> Frame:
    """Keep what all parts have in common."""
    return frame


def lay_out(frame: Frame, outline: Outline, *blocks: Block) -> Part:
    """Prepare the surroundings of a part from the blocks that its elements are in."""
    found = sorted((one for block in blocks for one in block.elements(outline.elements)), key=lambda one: one[0])
    if [number for number, _ in found] != outline.elements.tolist():
        raise AssertionError("a part was not given all of its elements")
    elements = tuple(element for _, element in found)
    job = replace(frame.job, runs=outline.runs, elements=elements)
    with thread_limit(1):
        return Part(outline, job, surround(job, origin_m=frame.origin_m, facts=frame.facts))


def examine_part(frame: Frame, part: Part) -> Examined:
    """Examine the runs of a part in the building."""
    with thread_limit(1):
        try:
            alone = examine_alone(part.job, frame.rules, part.around, range(len(part.job.runs)))
        except InputError:
            return Examined(None, code_digest())
    for box, one in zip(part.outline.boxes_m, alone, strict=True):
        if not holds(box, one.fitted.boxes_m):
            raise AssertionError(f"run {one.fitted.run.run_id!r} leaves the box that its part was cut out for")
    zones = {id(zone): z for z, zone in enumerate(part.job.zones)}
    numbered = zip(alone, part.outline.numbers.tolist(), strict=True)
    return Examined(tuple(sent_run(one, i, part.outline.elements, zones) for one, i in numbered), code_digest())


def judge_part(frame: Frame, part: Part, examined: Examined, company: Company) -> Judgement:
    """Judge the runs of a part; ``company`` says what they have to do with other runs."""
    assert examined.runs is not None
    own = part.outline.numbers.tolist()
    there = sorted([*own, *company.lines])
    place = {i: k for k, i in enumerate(there)}
    runs = {**dict(zip(own, part.job.runs, strict=True)), **{j: line.run for j, line in company.lines.items()}}
    needs = {name: required_bend(part.job.cables[name], frame.rules) for name in {r.cable_id for r in runs.values()}}
    alone = {j: line.lying(needs[line.run.cable_id]) for j, line in company.lines.items()}
    for i, sent in zip(own, examined.runs, strict=True):
        need = needs[runs[i].cable_id]
        alone[i] = received_run(sent, runs[i], need, part.job.zones, (place[i], part.outline.elements))
    related = {place[i]: renumbered(one, place) for i, one in zip(own, company.related, strict=True)}
    which = sorted(related)
    job = part.job.with_runs(tuple(runs[i] for i in there))
    scene = scene_of(job, frame.rules, part.around, [alone[i] for i in there], related, which)
    sections = {place[j]: renumbered_sections(mine, place) for j, mine in company.sections.items()}
    scene = replace(scene, sections={**scene.sections, **sections})
    with thread_limit(1):
        remember_spaces(scene, frame.spaces)
        judged = judge_runs(scene, {k: one.findings for k, one in related.items()})
    return Judgement(tuple(sent_verdict(judged[k]) for k in which), code_digest())
