"""What a pull sheet says of one run, in words: no drawing here, so that it can be read and compared as text."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from route3d.checks.wording import called
from route3d.kernel.path import path_boxes, points_at
from route3d.model.cable import Cable
from route3d.model.finding import Finding, JudgedBend, RunReview
from route3d.model.gap import Gap
from route3d.model.job import Job
from route3d.model.plan import CutLength, StrapPlan
from route3d.model.support import Termination
from route3d.reports.surroundings import Datum, Heights, Surroundings
from route3d.rules.connectors import Connector, connectors_of
from route3d.scene import Scene
from route3d.units import METRES_PER_UNIT, feet_inches

CAUTIONS = (
    "Cut ends are razor sharp: gloves; cut with an armour cutter, never nick conductors; tape or cap each cut end and "
    "stow it off the floor.",
    "Unroll the coil, do not pull it off sideways: an opened convolution or a kink is cut out. Support the coil that "
    "is left, and tag it.",
    "Field conditions differ from the model: verify before cutting. De-energise and verify before working.",
)
STRAP_DATUM = "from the start end, along the fitted cable"
_TAKE_OUT = "TAKE OUT"
NOT_PLANNED = "not planned: no take-off was made"


@dataclass(frozen=True, slots=True)
class Place:
    """One thing that holds the run."""

    mark: str  # S1, S2 … straps; H hangers; F bored framing; X straps to be taken out
    at_m: float
    height_m: float
    what: str
    holder: str
    shared: tuple[str, ...]
    new: bool  # planned, not there yet
    secures: bool


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """All words of one pull sheet."""

    run: RunReview
    verdict: str
    stop: tuple[str, ...]  # violations: do not pull before they are mended
    unchecked: tuple[str, ...]
    confirm: tuple[str, ...]  # cautions to confirm
    facts: tuple[tuple[str, str], ...]
    places: tuple[Place, ...]
    steps: tuple[str, ...]
    start_datums: tuple[Datum, ...]
    end_datums: tuple[Datum, ...]


def tape(length_m: float) -> str:
    """Return a length as a tape shows it, and in millimetres.

    >>> tape(1.8288)
    '6 ft 0 in (1829 mm)'
    """
    return f"{feet_inches(length_m)} ({length_m * 1000.0:.0f} mm)"


def at_least(length_m: float) -> str:
    """Return a least length, rounded up to the next sixteenth of an inch and the next millimetre.

    >>> at_least(0.0819)  # 3.22 in
    '3-1/4 in (82 mm)'
    """
    sixteenth = METRES_PER_UNIT["in"] / 16.0
    up = math.ceil(length_m / sixteenth - 1e-6) * sixteenth
    return f"{feet_inches(up)} ({math.ceil(length_m * 1000.0 - 1e-6):.0f} mm)"


def counted(number: int, thing: str) -> str:
    """Return how many of a thing.

    >>> counted(1, "strap"), counted(0, "strap")
    ('1 strap', '0 straps')
    """
    return f"{number} {thing}{'' if number == 1 else 's'}"


def sheet_of(
    scene: Scene,
    run: RunReview,
    findings: Sequence[tuple[int, Finding]],
    gaps: Sequence[Gap],
    around: Surroundings,
    plan: StrapPlan | None = None,
    cut: CutLength | None = None,
    coils: Sequence[str] = (),
) -> Sheet:
    """Return the sheet of one run.

    ``findings`` are all that speak of it with their numbers in the report, ``gaps``
    its own pairs, ``coils`` where it is cut from, in words.
    """
    job, fitted = scene.job, run.fitted
    cable = job.cables[fitted.run.cable_id]
    ends = points_at(fitted.pieces, np.array([0.0, fitted.length_m]))
    datums = [around.datums(end) for end in ends]
    places = tuple(places_of(job, run, plan))
    connectors = connectors_of(cable, run.attachment, run.zones, fitted.length_m, scene.rules)
    through = [gap for gap in gaps if gap.through and gap.element is not None]
    passages = tuple(_passages(job, fitted.run.run_id, through))
    facts = (
        ("From (start)", _end(job, run.attachment.start)),
        ("To (end)", _end(job, run.attachment.end)),
        ("Cable", _cable(cable)),
        ("Cut length", _cut(cut, fitted.length_m)),
        ("Coil", ", ".join(coils) if coils else NOT_PLANNED),
        ("Pull", NOT_PLANNED if cut is None else _pull(cut)),
        ("Elevation", _elevation(run, cable, ends, around)),
        ("Start, true place", _whereabouts(ends[0], datums[0])),
        ("End, true place", _whereabouts(ends[1], datums[1])),
        ("Straps", _straps(places, plan)),
        ("Tightest bend", _bend(run)),
        ("Penetrations", "; ".join(passages) if passages else "none through walls or rated floors"),
        ("Bored framing", _bored(job, through)),
        ("Connectors", _connectors(connectors, cable)),
        ("Whip or flex", _whip(run)),
        ("Slack", _slack(cut)),
        ("Hold points", _holds(run, bool(passages), plan)),
        ("Colour / phase", ""),
        ("Notes", _notes(plan, cut)),
    )  # fmt: skip
    stop = tuple(_said(n, f, fitted.run.run_id, plan) for n, f in findings if f.severity == "violation")
    unchecked = tuple(
        f"?{n} {f.message} {f.remedy}" for n, f in findings if f.unchecked and f.severity != "violation"
    )  # fmt: skip
    stuck = tuple(
        f"✘ no strap place from {tape(s.from_m)} to {tape(s.to_m)}: {s.why} {s.remedy}" for s in plan.stuck
    ) if plan is not None else ()  # fmt: skip
    confirm = tuple(
        f"!{n} {f.message} {f.remedy}" for n, f in findings if f.severity == "caution" and not f.unchecked
    )  # fmt: skip
    return Sheet(
        run=run,
        verdict=run.verdict,
        stop=(*stop, *stuck),
        unchecked=unchecked,
        confirm=confirm,
        facts=facts,
        places=places,
        steps=tuple(_steps(cable, run, places, connectors, passages, cut, coils, bool(stop or stuck))),
        start_datums=datums[0],
        end_datums=datums[1],
    )


def _said(number: int, finding: Finding, run_id: str, plan: StrapPlan | None) -> str:
    about = f"✘{number} {finding.check} ({finding.rule}): {finding.message} {finding.remedy}"
    if finding.run is not None and finding.run != run_id:
        about += f" (Found at run {finding.run}.)"
    if finding.check in ("securing", "supporting") and plan is not None and plan.added and not plan.stuck:
        about += " The new straps of this sheet are planned to mend it: check again with them."
    return about


def _end(job: Job, end: Termination) -> str:
    if end.kind == "open":
        return "open: not terminated yet"
    element = job.element(end.element_id)
    return f"{end.kind}, as the project says; not drawn" if element is None else f"{end.kind}: {called(element)}"


def _cable(cable: Cable) -> str:
    words = [f"{cable.cable_id}: {cable.method}"]
    words.append(
        "conductors not stated" if cable.conductors is None else f"{cable.conductors} conductors, ground counted"
    )
    words.append("size not stated" if cable.size is None else f"largest {cable.size.text}")
    if cable.trade_size is not None:
        words.append(f"trade size {cable.trade_size}")
    words.append("jacketed" if cable.jacketed else "no jacket")
    words += [w for w, is_so in (("wet rated", cable.wet_rated), ("plenum rated", cable.plenum_rated)) if is_so]
    over = cable.overall_diameter_m
    words.append("diameter not stated" if over is None else f"outside {over * 1000.0:.1f} mm ({feet_inches(over)})")
    return ", ".join(words)


def _cut(cut: CutLength | None, fitted_m: float) -> str:
    if cut is None:
        return f"fitted line {tape(fitted_m)}, make-up and waste not included; {NOT_PLANNED}"
    parts = " + ".join(f"{part.name} {feet_inches(part.length_m)}" for part in cut.parts)
    weight = "" if cut.weight_kg is None else f"; {cut.weight_kg:.1f} kg ({cut.weight_kg / 0.45359237:.1f} lb)"
    return f"{tape(cut.total_m)} = fitted line {feet_inches(cut.fitted_m)}{f' + {parts}' if parts else ''}{weight}"


def _pull(cut: CutLength) -> str:
    where = "from either end" if cut.pull_from == "either" else f"from {cut.pull_from.upper()}"
    group = f"; home run of {cut.group}" if cut.group else ""
    return f"{where}{f': {cut.pull_why}' if cut.pull_why else ''}{group}"


def _elevation(run: RunReview, cable: Cable, ends: np.ndarray, around: Surroundings) -> str:
    radius = cable.radius_m
    sunk, what = (0.0, "centre line (diameter not stated)") if radius is None else (radius, "bottom of cable")
    boxes = path_boxes(run.fitted.pieces)
    low, high = boxes[:, 2].min() - sunk, boxes[:, 5].max() - sunk
    level = high - low < 5e-4
    words = [
        f"{what}, above the model's zero: " + (tape(low) if level else f"lowest {tape(low)}, highest {tape(high)}")
    ]
    said = []
    for end in ends:
        bottom = end - np.array([0.0, 0.0, sunk])
        said.append(("" if level else f"{tape(bottom[2])}, ") + _above(around.heights(bottom)))
    words += [f"both ends {said[0]}"] if said[0] == said[1] else [f"start {said[0]}", f"end {said[1]}"]
    return "; ".join(words)


def _above(heights: Heights) -> str:
    floor = (
        "no floor below in the model" if heights.above_floor_m is None else f"{tape(heights.above_floor_m)} above floor"
    )
    if heights.above_ceiling_m is None:
        return f"{floor}, no ceiling below in the model"
    return f"{floor}, {tape(heights.above_ceiling_m)} above ceiling"


def _whereabouts(end: np.ndarray, datums: Sequence[Datum]) -> str:
    true = f"x {end[0]:.3f}, y {end[1]:.3f}, z {end[2]:.3f} m"
    if not datums:
        return f"{true}; no wall or structure near to measure from"
    names = " · ".join(f"{letter}: {tape(d.distance_m)} from {d.name}" for letter, d in zip("AB", datums, strict=False))
    return f"{true}; {names}"


def places_of(job: Job, run: RunReview, plan: StrapPlan | None) -> Iterable[Place]:
    """Yield the straps of a plan, or without one those that are there, with hangers and bored framing between them."""
    found: list[tuple[float, str, str, tuple[str, ...], bool, bool]] = []
    for support in run.attachment.supports:
        if support.kind in ("box", "fitting") or (support.kind == "strap" and plan is not None):
            continue
        element = job.element(support.source)
        holder = f"as the project says: {support.source}" if element is None else called(element)
        found.append((support.at_m, support.kind, holder, (), False, support.secures))
    for strap in plan.straps if plan is not None else ():
        element = job.element(strap.holder)
        holder = strap.holder or "no structure known" if element is None else called(element)
        reach = "" if strap.reach_m is None else f", {tape(strap.reach_m)} away"
        note = f"; {strap.note}" if strap.note else ""
        kind = "strap, there already" if strap.existing else "strap, NEW"
        found.append((strap.at_m, kind, f"{holder}{reach}{note}", strap.shared_with, not strap.existing, True))
    for at_m in plan.refused_at_m if plan is not None else ():
        found.append((at_m, _TAKE_OUT, "only what may not hold it is in reach", (), False, False))
    counts = {"S": 0, "H": 0, "F": 0, "X": 0}
    heights = points_at(run.fitted.pieces, np.array([f[0] for f in found])).reshape(-1, 3)[:, 2]
    for k in sorted(range(len(found)), key=lambda k: found[k][0]):
        at_m, kind, holder, shared, new, secures = found[k]
        letter = {"hanger": "H", "framing": "F", _TAKE_OUT: "X"}.get(kind, "S")
        counts[letter] += 1
        what = "bored framing" if kind == "framing" else kind
        what += "" if secures or kind == _TAKE_OUT else ", supports only"
        yield Place(f"{letter}{counts[letter]}", at_m, float(heights[k]), what, holder, shared, new, secures)


def _straps(places: Sequence[Place], plan: StrapPlan | None) -> str:
    straps = [p for p in places if p.mark.startswith("S")]
    hangers = sum(p.mark.startswith("H") for p in places)
    framing = sum(p.mark.startswith("F") for p in places)
    words = [counted(len(straps), "strap") + ("" if plan is None else f", {plan.added} of them new")]
    out = sum(p.mark.startswith("X") for p in places)
    words += [f"{counted(out, 'strap')} to TAKE OUT"] * bool(out)
    words += [counted(hangers, "hanger")] * bool(hangers) + [counted(framing, "bored framing member")] * bool(framing)
    if plan is None:
        words.append("as they are now, no strap plan was made")
    return f"{', '.join(words)}. Places: {STRAP_DATUM}"


def _bend(run: RunReview) -> str:
    if not run.bends:
        return "no bend"
    known = [b for b in run.bends if b.ratio is not None and b.required_inner_m is not None]
    lost = len(run.bends) - len(known)
    unknown = f"; minimum not known at {counted(lost, 'bend')}" if lost else ""
    if not known:
        return f"{counted(len(run.bends), 'bend')}; minimum not known: the cable's data lack what the rule needs"
    worst = min(known, key=_ratio)
    assert worst.required_inner_m is not None
    turn = f"{math.degrees(worst.bend.turn_rad):.0f}°"
    return (
        f"at {tape(worst.bend.at_m)}: {turn}, inner radius {tape(worst.inner_radius_m)} drawn, at least "
        f"{at_least(worst.required_inner_m)}: form or mandrel diameter 2R at least "
        f"{at_least(2.0 * worst.required_inner_m)} ({worst.rule}); {counted(len(run.bends), 'bend')} in all{unknown}"
    )


def _ratio(judged: JudgedBend) -> float:
    return math.inf if judged.ratio is None else judged.ratio


def _passages(job: Job, run_id: str, through: Sequence[Gap]) -> Iterable[str]:
    reach = job.settings.attach_m
    for gap in through:
        assert gap.element is not None
        element = job.elements[gap.element]
        if element.role == "framing":
            continue
        for low, high in gap.stretches_m:
            words = f"{called(element)} at {tape((low + high) / 2.0)}"
            if element.role == "fire-wall":
                stops = [
                    s.system for s in job.firestops or ()
                    if s.run == run_id and (s.at_m is None or low - reach <= s.at_m <= high + reach)
                ]  # fmt: skip
                words += (
                    f", RATED: fire-stop system {', '.join(stops)}" if stops else ", RATED: fire-stop system NOT STATED"
                )
            yield words


def _bored(job: Job, through: Sequence[Gap]) -> str:
    members = [g for g in through if g.element is not None and job.elements[g.element].role == "framing"]
    if not members:
        return "none"
    first = min(g.stretches_m[0][0] for g in members)
    return f"{counted(sum(len(g.stretches_m) for g in members), 'passage')}, the first at {tape(first)}"


def _connectors(connectors: Sequence[Connector], cable: Cable) -> str:
    if not connectors:
        return "none: both ends are open"
    return "; ".join(f"{'end' if c.at_end else 'start'}: {_connector(c, cable)}" for c in connectors)


def _connector(connector: Connector, cable: Cable) -> str:
    words = [f"{cable.method} connector for a {connector.location} place at the {connector.termination}"]
    words += [f"zone {connector.zone}"] if connector.zone is not None else []
    words += ["over or after the jacket"] if connector.over_jacket else []
    said = {"required": "insulating bushing required", "practice": "bushing by practice"}.get(connector.bushing)
    return ", ".join([*words, *([said] if said else [])])


def _whip(run: RunReview) -> str:
    spans = [s for s in run.spans if s.exempt in ("whip", "flexible") and s.check == "securing"]
    words = [
        f"{s.exempt} {tape(s.length_m)}"
        + ("" if s.limit_m is None else f" of {tape(s.limit_m)} allowed")
        + f" ({s.rule})"
        for s in spans
    ]
    return "; ".join(words) if words else "none"


def _slack(cut: CutLength | None) -> str:
    if cut is None:
        return NOT_PLANNED
    parts = [p for p in cut.parts if "slack" in p.name.lower()]
    return "; ".join(f"{p.name} {tape(p.length_m)} ({p.source})" for p in parts) if parts else "none in the take-off"


def _holds(run: RunReview, passages: bool, plan: StrapPlan | None) -> str:
    kinds: Mapping[str, str] = {
        "inaccessible": "inspection before the ceiling is closed",
        "buried": "inspection before backfill",
        "plenum": "cable rating for air spaces seen",
    }
    holds = list(dict.fromkeys(kinds[z.zone.kind] for z in run.zones if z.zone.kind in kinds))
    if passages:
        holds.append("openings seen before and after they are closed")
    if plan is not None and any(s.shared_with for s in plan.straps):
        holds.append("neighbouring runs on the same strut first")
    return "; ".join(["rough-in inspection before cover", *holds])


def _notes(plan: StrapPlan | None, cut: CutLength | None) -> str:
    notes = [*(plan.notes if plan is not None else ()), *(cut.unsure if cut is not None else ())]
    return "; ".join(notes)


def _steps(
    cable: Cable,
    run: RunReview,
    places: Sequence[Place],
    connectors: Sequence[Connector],
    passages: Sequence[str],
    cut: CutLength | None,
    coils: Sequence[str],
    stopped: bool,
) -> Iterable[str]:
    if stopped:
        yield "STOP: the lines in red are mended, and the run is checked again."
    coil = ", ".join(coils) if coils else "coil ____"
    yield f"Walk the route. Cable {cable.cable_id} from {coil}: make-up seen on its tag."
    straps = [p for p in places if p.mark.startswith("S")]
    new = sum(p.new for p in straps)
    if straps:
        yield f"Mark {counted(len(straps), 'strap place')} {STRAP_DATUM}" + (f"; fix {new} new." if new else ".")
    if passages:
        yield f"{counted(len(passages), 'opening')} ready: edges protected."
    free = (
        "Feel the lay of the armour; lead with the free end, taped." if cable.method in ("mc-interlocked", "ac") else ""
    )
    way = "from ______" if cut is None or cut.pull_from == "either" else f"from {cut.pull_from.upper()}"
    yield f"Unroll, pull {way}. {free}".rstrip()
    least = max((b.required_inner_m for b in run.bends if b.required_inner_m is not None), default=None)
    if least is not None:
        yield f"Bend over a form of {at_least(2.0 * least)} diameter or more; no kink, no opened armour."
    yield "Strap; leave one cable diameter straight before a bend. No tie to ceiling wires, ducts, pipes or raceways."
    for connector in connectors:
        bushing = {"required": " Bushing at once.", "practice": " Bushing."}.get(connector.bushing, "")
        side = "End" if connector.at_end else "Start"
        yield f"{side}: {connector.fitting} connector on the {connector.termination}.{bushing}"
    if any("RATED" in passage for passage in passages):
        yield "Fire-stop, system tagged."
    yield "Cut ends taped and stowed, both ends tagged; coil left supported and tagged with its length."
