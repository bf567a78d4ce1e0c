"""What always holds of securing and supporting, whatever holds the run."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from route3d.checks import securing, supporting
from route3d.kernel.path import straight_piece
from route3d.model.run import FittedRun
from route3d.model.support import Attachment, Support
from route3d.model.zone import ZoneStretch
from route3d.scene import Scene
from tests.builders import cable, framing, hanger, scene_for, straight_run, strap, zone

CEILING = zone("accessible-ceiling", "ceiling")
CLOSED = zone("inaccessible", "old wall")
NEW = zone("inaccessible", "new wall", finished=False)

METHODS = ("mc-interlocked", "mc-smooth", "ac", "nm", "mi", "fmc", "emt", "uf")
ENDS = ("box", "fitting", "luminaire", "equipment", "flexible-equipment", "open")


class Case:
    """A scene that prints as what was drawn for it."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene

    def __repr__(self) -> str:
        scene = self.scene
        of = scene.job.cables["c"]
        ends = (scene.attached[0].start.kind, scene.attached[0].end.kind)
        held = [(s.kind, round(s.at_m, 3)) for s in scene.attached[0].supports]
        zones = [(z.zone.name, round(z.from_m, 3), round(z.to_m, 3)) for z in scene.zones[0]]
        length = round(scene.fitted[0].length_m, 3)
        said = f"{scene.rules.name} {scene.job.occupancy} {of.method} {of.conductors} {of.size}"
        return f"{said} {length} {ends} {held} {zones}"


@st.composite
def scenes(draw: st.DrawFn) -> Case:
    """Runs of up to 8 m on a grid of 5 cm, so that places often coincide."""
    steps = draw(st.integers(2, 160))
    place = st.integers(0, steps).map(lambda n: n * 0.05)
    make = {"strap": strap, "hanger": hanger, "framing": framing}
    held = draw(st.lists(st.tuples(st.sampled_from(sorted(make)), place), max_size=8))
    zones = draw(st.lists(st.tuples(st.sampled_from((CEILING, CLOSED, NEW)), place, place), max_size=3))
    of = cable(
        draw(st.sampled_from(METHODS)),
        conductors=draw(st.sampled_from((None, 3, 5))),
        size=draw(st.sampled_from((None, "12 AWG", "8 AWG", "250 kcmil"))),
        trade_size="3/4",
    )
    direction = draw(st.sampled_from(((1.0, 0.0, 0.0), (0.0, 0.0, 1.0))))
    scene = scene_for(
        straight_run(steps * 0.05, direction),
        of,
        [make[kind](at_m) for kind, at_m in held],
        [(z, min(a, b), max(a, b)) for z, a, b in zones if a != b],
        start=draw(st.sampled_from(ENDS)),
        end=draw(st.sampled_from(ENDS)),
        occupancy=draw(st.sampled_from(("other", "dwelling"))),
        rules=draw(st.sampled_from(("nec-2017", "nec-2023"))),
    )
    return Case(scene)


def verdict(scene: Scene) -> tuple[int, int]:
    """Return how many violations and how many things that could not be told."""
    found = (*securing.check(scene).findings, *supporting.check(scene).findings)
    return sum(f.severity == "violation" for f in found), sum(f.unchecked for f in found)


def with_support(scene: Scene, support: Support) -> Scene:
    attached = scene.attached[0]
    supports = tuple(sorted((*attached.supports, support), key=lambda s: (s.at_m, not s.secures)))
    return replace(scene, attached=(Attachment(attached.start, attached.end, supports),))


def reversed_scene(scene: Scene) -> Scene:
    fitted, attached, length = scene.fitted[0], scene.attached[0], scene.fitted[0].length_m
    corners = fitted.run.corners_m[::-1]
    pieces = straight_piece(corners[0], corners[1], 0.0)[None, :]
    supports = tuple(
        sorted((replace(s, at_m=length - s.at_m) for s in attached.supports), key=lambda s: (s.at_m, not s.secures))
    )
    stretches = tuple(
        sorted(
            (ZoneStretch(z.zone, length - z.to_m, length - z.from_m) for z in scene.zones[0]), key=lambda z: z.from_m
        )
    )
    return replace(
        scene,
        fitted=(FittedRun(replace(fitted.run, corners_m=np.array(corners)), pieces, ()),),
        attached=(Attachment(attached.end, attached.start, supports),),
        zones=(stretches,),
    )


@settings(max_examples=100, deadline=None)
@given(scenes(), st.floats(0.0, 1.0))
def test_one_more_strap_never_makes_a_passing_run_fail(case: Case, share: float) -> None:
    scene = case.scene
    before = verdict(scene)
    after = verdict(with_support(scene, strap(share * scene.fitted[0].length_m)))
    if before == (0, 0):
        assert after == (0, 0)
    if before[0] == 0:
        assert after[0] == 0


@settings(max_examples=100, deadline=None)
@given(scenes(), st.floats(0.0, 1.0))
def test_one_more_hanger_never_makes_a_passing_run_fail(case: Case, share: float) -> None:
    scene = case.scene
    if verdict(scene) == (0, 0):
        assert verdict(with_support(scene, hanger(share * scene.fitted[0].length_m))) == (0, 0)


@settings(max_examples=100, deadline=None)
@given(scenes())
def test_reversing_a_run_changes_no_verdict(case: Case) -> None:
    scene = case.scene
    assert verdict(scene) == verdict(reversed_scene(scene))


@settings(max_examples=100, deadline=None)
@given(scenes())
def test_spans_cover_the_run_without_gap_or_overlap(case: Case) -> None:
    scene = case.scene
    for outcome in (securing.check(scene), supporting.check(scene)):
        spans = outcome.spans["R1"]
        edges = [spans[0].from_m, *(s.to_m for s in spans)]
        assert abs(edges[0]) < 2e-4 and abs(edges[-1] - scene.fitted[0].length_m) < 2e-4
        assert all(abs(a.to_m - b.from_m) < 2e-4 for a, b in pairwise(spans))
        assert all(s.why and s.rule for s in spans)
        assert all(s.ok for s in spans if s.exempt is not None)


@settings(max_examples=100, deadline=None)
@given(scenes())
def test_every_missed_span_has_a_finding_with_its_numbers(case: Case) -> None:
    scene = case.scene
    held, carried = securing.check(scene), supporting.check(scene)
    for span in (s for s in (*held.spans["R1"], *carried.spans["R1"]) if not s.ok):
        assert any(
            f.at_m == pytest.approx((span.from_m, span.to_m))
            and f.measured == pytest.approx(span.length_m)
            and f.required == span.limit_m
            for f in (*held.findings, *carried.findings)
        )


def _remedied(scene: Scene) -> Scene:
    """Do what each finding's remedy says, taking the numbers from its words."""
    for finding in (*securing.check(scene).findings, *supporting.check(scene).findings):
        if finding.severity != "violation":
            continue
        for at_m in _places(finding.remedy, finding.at_m, scene.fitted[0].length_m):
            scene = with_support(scene, strap(at_m))
    return scene


def _places(remedy: str, at_m: Any, length_m: float) -> list[float]:
    many = re.match(r"Add (\d+) .*s between ([\d.]+) m and ([\d.]+) m, at most", remedy)
    if many:
        count, low, high = int(many[1]), float(many[2]), float(many[3])
        return [low + (high - low) * k / (count + 1) for k in range(1, count + 1)]
    exact = re.search(r" at ([\d.]{5,}) m\.", remedy)
    if exact:
        return [float(exact[1])]
    bare = re.match(r"Add (\d+) straps?: ", remedy)
    if bare:
        # one at the stated distance from each end that is named, the others evenly between them
        low, high = at_m
        from_start = re.search(r"within ([\d.]+) mm [^:]*? at the start", remedy)
        from_end = re.search(r"within ([\d.]+) mm \([^()]*\) of the [a-z-]+ at the end", remedy)
        first = [low + float(from_start[1]) / 1000.0] if from_start else []
        last = [high - float(from_end[1]) / 1000.0] if from_end else []
        rest = int(bare[1]) - len(first) - len(last)
        begin, stop = (first or [low])[0], (last or [high])[0]
        return first + last + [begin + (stop - begin) * k / (rest + 1) for k in range(1, rest + 1)]
    between = re.findall(r"between ([\d.]+) m and ([\d.]+) m", remedy)
    return [(float(low) + float(high)) / 2.0 for low, high in between]


@settings(max_examples=100, deadline=None)
@given(scenes())
def test_doing_what_the_remedies_say_mends_the_run(case: Case) -> None:
    scene = case.scene
    assert verdict(_remedied(scene))[0] == 0
