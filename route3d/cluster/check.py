"""The whole check, spread over an engine: the driver cuts, sends, relates the runs to each other and collects."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from route3d.checks.collecting import collect
from route3d.checks.judging import Judged, judge_job
from route3d.cluster.cuts import Plan, blocks_of, cut, run_boxes
from route3d.cluster.sent import block_of, company_of, received_run, received_verdict
from route3d.cluster.versions import code_digest
from route3d.cluster.work import (
    Examined,
    Frame,
    Judgement,
    Outline,
    examine_part,
    judge_part,
    keep,
    keep_frame,
    lay_out,
)
from route3d.errors import ClusterError
from route3d.examine import Alone, Relations, examine_alone, reach_m, scene_of
from route3d.explain import Chains
from route3d.model.finding import Review
from route3d.model.job import Job
from route3d.panels import Around, panel_spaces
from route3d.rules.bend import required_bend
from route3d.rules.rulebook import RuleBook
from route3d.surroundings import Surroundings, surround

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sizes:
    """How a job is cut; results do not depend on it."""

    block_triangles: int = 250_000
    part_runs: int | None = None  # None: some four parts for each core of the cluster, of 20 to 400 runs


FEWEST_RUNS, MOST_RUNS, PARTS_PER_CORE = 20, 400, 4


def check_with(
    engine: Works,
    job: Job,
    rules: RuleBook,
    made: str,
    say: Callable[..., None] = lambda doing, share=None: None,
    sizes: Sizes | None = None,
) -> Review:
    """Check every run of a job on an engine; the review is that of ``check_job``, byte for byte.

    Workers may come and go: what was lost is done again. ``say`` is told what is being done, and its share.

    Raises
    ------
    InputError
        A strap is placed beyond the end of its run.
    ClusterError
        The engine is lost, or a worker that joined has another version.
    """
    return _Driver(job, rules, engine, say, Sizes() if sizes is None else sizes).review(made)


class Works(Protocol):
    """What the driver needs of an engine."""

    @property
    def cores(self) -> int:
        """How many pieces of work are done at once."""
        ...

    def submit(self, function: Callable[..., Any], *given: Any) -> Any:
        """Send work; what is given may be work itself."""
        ...

    def answers(self, work: Mapping[int, Any]) -> Iterator[tuple[int, Any]]:
        """Return the answers to some work as they come, each with its number."""
        ...


class _Driver:
    def __init__(self, job: Job, rules: RuleBook, engine: Works, say: Callable[..., None], sizes: Sizes) -> None:
        self._job, self._rules, self._engine, self._say, self._sizes = job, rules, engine, say, sizes
        say("sorting the building")
        self._around: Surroundings = surround(job, searched=False)
        self._frame = engine.submit(keep_frame, self._common())

    def review(self, made: str) -> Review:
        job, rules, around = self._job, self._rules, self._around
        outlines = self._outlines()
        parts = self._laid_out(outlines)
        examined = {p: self._engine.submit(examine_part, self._frame, part) for p, part in parts.items()}
        alone = self._alone(outlines, self._answers(examined, "examining runs"))
        self._say("comparing runs")
        relations = Relations.empty().updated(job, rules, around, dict(enumerate(alone)))
        related = relations.related
        lines = {i: one.fitted for i, one in enumerate(alone)}
        judging = {
            p: self._engine.submit(
                judge_part, self._frame, parts[p], examined[p], company_of(outline.numbers.tolist(), related, lines)
            )
            for p, outline in enumerate(outlines)
        }
        judged: dict[int, Judged] = {}
        for p, answer in self._answers(judging, "judging"):
            for i, verdict in zip(outlines[p].numbers.tolist(), answer.runs, strict=True):
                judged[i] = received_verdict(verdict, alone[i], related[i].attachment)
        judged = dict(sorted(judged.items()))
        scene = scene_of(job, rules, around, alone, related)
        whole = judge_job(scene, relations.whole(job, around))
        return collect(job, rules, made, list(judged.values()), whole, Chains(scene, judged, whole))

    def _common(self) -> Frame:
        job = self._job
        spaces = panel_spaces(job, self._rules, Around(job.elements)) if job.panels else ()
        common = replace(job, runs=(), elements=(), inputs=(), notes=())
        return Frame(common, self._rules, self._around.origin_m, self._around.facts, spaces)

    def _outlines(self) -> list[Outline]:
        """Cut the runs into parts of neighbours, and find what each part needs of the building."""
        job = self._job
        boxes = run_boxes(job)
        most = self._sizes.part_runs
        if most is None:
            share = -(-len(job.runs) // (PARTS_PER_CORE * self._engine.cores))
            most = min(max(share, FEWEST_RUNS), MOST_RUNS)
        plan = Plan(self._around.boxes_m, self._around.having(("deck",)))
        reach = reach_m(job, self._rules)
        return [
            Outline(
                runs=tuple(job.runs[i] for i in numbers.tolist()),
                numbers=numbers,
                boxes_m=boxes[numbers],
                elements=plan.near(boxes[numbers], reach),
            )
            for numbers in cut(boxes.mean(axis=1), np.ones(len(boxes)), most)
        ]

    def _laid_out(self, outlines: Sequence[Outline]) -> dict[int, Any]:
        """Send the blocks that some part touches, and each part to where it finds them."""
        elements, boxes = self._job.elements, self._around.boxes_m
        there = np.flatnonzero((boxes[:, 0] <= boxes[:, 1]).all(axis=1))
        sizes = [len(element.triangles_m) for element in elements]
        blocks = blocks_of(boxes, sizes, there, self._sizes.block_triangles)
        home = np.full(len(elements), -1, dtype=np.int64)
        for b, numbers in enumerate(blocks):
            home[numbers] = b
        sent: dict[int, Any] = {}
        parts: dict[int, Any] = {}
        for p, outline in enumerate(outlines):
            self._say("sending the building", p / len(outlines))
            touched = np.unique(home[outline.elements]).tolist()
            for b in touched:
                if b not in sent:
                    sent[b] = self._engine.submit(keep, block_of(elements, blocks[b]))
            parts[p] = self._engine.submit(lay_out, self._frame, outline, *(sent[b] for b in touched))
        return parts

    def _alone(self, outlines: Sequence[Outline], answers: Iterator[tuple[int, Any]]) -> list[Alone]:
        """Collect the examined runs of all parts, in the job's order."""
        job = self._job
        needs = {name: required_bend(job.cables[name], self._rules) for name in {run.cable_id for run in job.runs}}
        found: dict[int, Alone] = {}
        for p, answer in answers:
            if answer.runs is None:
                # what is wrong is found again here, where the first run of the job that has it is named
                examine_alone(job, self._rules, self._around, range(len(job.runs)))
                raise AssertionError("a worker refused a run that is not refused here")
            for i, sent in zip(outlines[p].numbers.tolist(), answer.runs, strict=True):
                found[i] = received_run(sent, job.runs[i], needs[job.runs[i].cable_id], job.zones)
        return [found[i] for i in range(len(job.runs))]

    def _answers(self, work: dict[int, Any], doing: str) -> Iterator[tuple[int, Any]]:
        self._say(doing, 0.0)
        for done, (p, answer) in enumerate(self._engine.answers(work), start=1):
            if isinstance(answer, Examined | Judgement) and answer.code != code_digest():
                raise ClusterError(
                    "A worker that joined has another version of route3d than this machine; nothing was decided. "
                    "Install the same on both."
                )
            self._say(doing, done / len(work))
            yield p, answer
