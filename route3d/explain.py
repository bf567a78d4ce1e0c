"""Why a finding stands: from what was measured, over the rule, its conditions and exemptions, to the verdict.

Most of a chain is read off the finding, the entry of the rule book that it cites and the cable; bends, and stretches
between supports, add what only their own judgement knows.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Protocol

from route3d.model.cable import Cable
from route3d.model.finding import STEPS, Finding, JudgedBend, Step
from route3d.model.gap import Gaps
from route3d.model.span import Span
from route3d.rules.bend import BendRequirement
from route3d.rules.describe import how_met, numbers, relief
from route3d.rules.exemptions_tried import exemptions_refused
from route3d.rules.held import held_run
from route3d.rules.provenance import REMARKS, entries_cited
from route3d.rules.records import Entry, ExemptionRule
from route3d.scene import Scene
from route3d.units import both_units

_SAME_M = 1e-6

# Groups of a rule book in which a check finds its rules; a check that is not named may cite any.
_GROUPS: Mapping[str, tuple[str, ...]] = {
    "bend": ("bend", "raceway_bend", "bend_total"),
    "securing": ("securing", "first_strap", "exemption"),
    "supporting": ("supporting", "exemption"),
    "environment": ("environment",),
    "deck": ("deck",),
}


class JudgedRun(Protocol):
    """What is read of a judged run."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """With their ids and sources."""

    @property
    def bends(self) -> tuple[JudgedBend, ...]:
        """All bends of the run."""

    @property
    def spans(self) -> tuple[Span, ...]:
        """All stretches of the run between what secures, and between what supports it."""


class Chains(Mapping[str, tuple[Step, ...]]):
    """The chain of each finding by its id, derived when it is asked for: thousands of findings are never asked.

    Sent elsewhere it is a plain dictionary of all chains.
    """

    def __init__(
        self,
        scene: Scene,
        judged: Mapping[int, JudgedRun],
        whole: Iterable[Finding] = (),
        only: Collection[str] | None = None,
    ) -> None:
        self._scene = replace(scene, gaps=Gaps((), scene.gaps.smallest_m), sections={}, approaches={}, holding={})
        self._judged = judged
        self._findings = {f.finding_id: (i, f) for i, one in judged.items() for f in one.findings}
        # what is said of no run, or of one that there is not
        self._findings |= {f.finding_id: (-1, f) for f in whole}
        if only is not None:
            self._findings = {name: one for name, one in self._findings.items() if name in only}

    def __getitem__(self, finding_id: str) -> tuple[Step, ...]:
        i, finding = self._findings[finding_id]
        if i < 0:
            return chain(self._scene, None, finding)
        one = self._judged[i]
        return chain(self._scene, i, finding, one.bends, one.spans)

    def __iter__(self) -> Iterator[str]:
        return iter(self._findings)

    def __len__(self) -> int:
        return len(self._findings)

    def __contains__(self, finding_id: object) -> bool:
        return finding_id in self._findings

    def __reduce__(self) -> tuple[type[dict[str, tuple[Step, ...]]], tuple[dict[str, tuple[Step, ...]]]]:
        return dict, (dict(self),)


def chain(
    scene: Scene, i: int | None, finding: Finding, bends: Sequence[JudgedBend] = (), spans: Sequence[Span] = ()
) -> tuple[Step, ...]:
    """Return the chain of one finding; ``i`` is the place of its run in the scene, None for the project's."""
    cable = None if i is None else scene.job.cables[scene.fitted[i].run.cable_id]
    bend = next((b for b in bends if finding.at_m == (b.bend.from_m, b.bend.to_m)), None)
    span = next((s for s in spans if _speaks_of(finding, s)), None)
    entries = _entries(scene, finding, cable, span)
    steps: list[Step] = []
    if finding.check == "bend" and bend is not None and cable is not None and i is not None:
        steps += _bend_steps(scene, i, bend, cable)
    elif span is not None:
        steps.append(_span_fact(span))
    else:
        steps.append(Step("fact", finding.message))
    steps += _rule_steps(scene, finding, entries)
    if cable is not None:
        steps += [Step("condition", text) for e in entries for text in how_met(e, cable, scene.job.occupancy)]
        steps += [Step("exemption", text) for e in entries if (text := relief(e, cable))]
    if finding.check == "bend" and i is not None and cable is not None and finding.unit != "deg":
        steps += _bend_conditions(scene.bend_required[i], cable, finding)
    if span is not None:
        steps += _span_conditions(span, entries)
    if i is not None and finding.check in ("securing", "supporting") and finding.at_m and finding.measured is not None:
        steps += _holding_exemptions(scene, i, finding.at_m)
    if finding.check in ("clash", "clearance") and i is not None:
        steps += _gap_exemptions(scene, i, finding)
    steps.append(Step("verdict", _verdict(finding)))
    return tuple(sorted(dict.fromkeys(steps), key=lambda step: STEPS.index(step.step)))


def _speaks_of(finding: Finding, span: Span) -> bool:
    return (
        finding.check == span.check
        and not span.ok
        and finding.at_m is not None
        and finding.measured is not None
        and abs(finding.at_m[0] - span.from_m) <= _SAME_M
        and abs(finding.at_m[1] - span.to_m) <= _SAME_M
        and finding.rule == span.rule
        and abs(finding.measured - span.length_m) <= _SAME_M
    )


def _entries(scene: Scene, finding: Finding, cable: Cable | None, span: Span | None) -> tuple[Entry, ...]:
    """Return the entries that a finding rests on: those it cites, of its check, that concern its cable."""
    groups = _GROUPS.get(finding.check)
    if finding.check == "securing" and finding.measured is not None:
        groups = ("securing",) if span is not None else ("first_strap", "securing")
    cited = entries_cited(scene.rules, finding.rule)
    within = [entry for group, entry in cited if groups is None or group in groups]
    concerned = [e for e in within if cable is None or cable.method in getattr(e, "methods", (cable.method,))]
    # several rules may share a section: the one whose words the finding repeats, else the last, which binds
    quoted = [entry for entry in concerned if entry.title in finding.message]
    if finding.unit == "deg":
        quoted = [entry for entry in concerned if hasattr(entry, "degrees_max")]
    elif finding.check == "bend":
        quoted = [entry for entry in concerned if not hasattr(entry, "degrees_max")]
    return tuple((quoted or concerned or within)[-1:])


def _rule_steps(scene: Scene, finding: Finding, entries: tuple[Entry, ...]) -> list[Step]:
    steps = []
    for entry in entries:
        asked = "; ".join(f"{label} {value}" for label, value in numbers(entry) if not isinstance(entry, ExemptionRule))
        note = f" Note: {getattr(entry, 'note', '')}." if getattr(entry, "note", "") else ""
        steps.append(Step("rule", f"{entry.cite}: {entry.title}.{f' It states: {asked}.' if asked else ''}{note}"))
    said = REMARKS.get(finding.source, "") or finding.source
    if not entries:
        steps.append(Step("rule", f"{finding.rule}."))
    steps.append(Step("rule", f"Source of the value: {said}. Rule set: {scene.rules.title}."))
    return steps


_DRAWN = {"corner": "the fit gave this corner", "arc": "the drawing gives this arc", "chords": "the drawn chords give"}


def _bend_steps(scene: Scene, i: int, judged: JudgedBend, cable: Cable) -> list[Step]:
    bend = judged.bend
    half = "" if cable.radius_m is None else f" less half of the {both_units(2.0 * cable.radius_m)} over all,"
    return [
        Step(
            "fact",
            f"Bend of {math.degrees(bend.turn_rad):.1f}° at {bend.at_m:.3f} m: {_DRAWN[bend.drawn_as]} a radius of "
            f"{both_units(bend.centre_radius_m)} at the centre line;{half} the inner edge has "
            f"{both_units(judged.inner_radius_m)}. Its legs have {both_units(bend.leg_before_m)} and "
            f"{both_units(bend.leg_after_m)}, shared with the bends beside it.",
        )
    ]


def _bend_conditions(required: BendRequirement, cable: Cable, finding: Finding) -> list[Step]:
    steps = []
    if required.inner_radius_m is not None:
        steps.append(
            Step("condition", f"required to the inner edge: {both_units(required.inner_radius_m)} = {required.why}")
        )
    if required.easy_way_m is not None:
        steps.append(
            Step(
                "exemption",
                f"{both_units(required.easy_way_m)} would be enough ({required.easy_way}): "
                f"{'not told by the project' if finding.unchecked else 'does not make this bend pass'}",
            )
        )
    if cable.bend_multiplier is None:
        steps.append(Step("exemption", "maker's bend_multiplier: none is given for this cable"))
    return steps


def _span_fact(span: Span) -> Step:
    how = "fastened" if span.check == "securing" else "held"
    return Step(
        "fact",
        f"Between {span.from_m:.3f} m and {span.to_m:.3f} m the cable is {how} nowhere: {both_units(span.length_m)} "
        "along the fitted cable, between the centres of what holds it.",
    )


def _span_conditions(span: Span, entries: tuple[Entry, ...]) -> Iterable[Step]:
    """Say what the judgement of the stretch remarked; the exemptions are tried one by one elsewhere."""
    for reason in span.why.split("; "):
        if reason.startswith(("vertical", "within the", "measured from")):
            yield Step("condition", reason)
    longer = [entry for entry in entries if getattr(entry, "vertical_interval_m", None) is not None]
    if longer and "vertical" not in span.why:
        yield Step("exemption", "longer interval for vertical runs: refused, the stretch is not vertical throughout")


def _holding_exemptions(scene: Scene, i: int, stretch: tuple[float, float]) -> list[Step]:
    fitted = scene.fitted[i]
    run = held_run(
        scene.job.cables[fitted.run.cable_id],
        scene.job.occupancy,
        fitted.pieces,
        scene.attached[i],
        scene.zones[i],
        scene.job.zones,
    )
    return [Step("exemption", text) for text in exemptions_refused(run, stretch, scene.rules)]


def _gap_exemptions(scene: Scene, i: int, finding: Finding) -> list[Step]:
    element = scene.job.element(finding.other)
    if element is None:
        return [Step("exemption", "meeting of two runs at a common end: they do not meet there")]
    own = [end.element_id for end in (scene.attached[i].start, scene.attached[i].end) if end.element_id is not None]
    why = "this is outside the stretch at that end" if finding.other in own else "it does not end at this element"
    steps = [Step("exemption", f"a run may enter what it ends at: {why}")]
    if finding.check == "clash" and element.role == "framing":
        longest = both_units(scene.job.settings.bore_length_m)
        steps.append(
            Step("exemption", f"bored hole: the centre line does not pass through the member within {longest}")
        )
    return steps


def _verdict(finding: Finding) -> str:
    words = {
        "violation": "violation",
        "caution": "caution: to be confirmed",
        "note": "note",
    }[finding.severity]
    compared = ""
    if finding.measured is not None and finding.required is not None and finding.unit in ("m", "deg", "%"):
        off = finding.measured - finding.required
        how = "more" if off > 0.0 else "less"
        compared = f"{_shown(finding.measured, finding.unit)} is {_shown(abs(off), finding.unit)} {how} than "
        compared += f"{_shown(finding.required, finding.unit)}. "
    unchecked = " The run is not called passed while this is open." if finding.unchecked else ""
    return f"{compared}{words[0].upper()}{words[1:]}.{unchecked}"


def _shown(value: float, unit: str) -> str:
    return both_units(value) if unit == "m" else f"{value:.1f}{'°' if unit == 'deg' else ' %'}"
