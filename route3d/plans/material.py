"""What else is bought: straps by size, connectors, bushings, plates, fire-stops, grommets, couplings.

How that is read here:

- Straps and hangers are counted once for each run that they hold, so that a strap over two cables counts twice: each
  cable takes its own clip. With strap plans, their straps are counted instead.
- Bored framing needs no strap, and open ends take no connector.
- Plates: those that the project states and draws, and one for each hole between the first and the last that a finding
  finds too near to an edge, which is the most that it can be.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from route3d.model.cable import Cable
from route3d.model.finding import Review
from route3d.model.gap import Gap, Stretch
from route3d.model.plan import Material, StrapPlan
from route3d.plans.makeup import RACEWAYS
from route3d.rules.connectors import connectors_of
from route3d.rules.protection import asked_of, of_family
from route3d.scene import Scene
from route3d.units import TOLERANCE_M, both_units

Key = tuple[str, str, str, str]  # kind, size, detail, source

_ORDER = ("strap", "hanger", "connector", "bushing", "grommet", "plate", "fire-stop", "coupling")
NOT_KNOWN = "size not known"
_PLUGGED = frozenset({"data-pair", "fibre"})


@dataclass
class _Counts:
    """Counts by key and run, as they are found."""

    by_key: dict[Key, dict[str, int]] = field(default_factory=dict)
    unsure: dict[str, list[str]] = field(default_factory=dict)  # run id -> what could not be counted

    def add(self, run_id: str, kind: str, size: str, detail: str, source: str, count: int = 1) -> None:
        if count:
            runs = self.by_key.setdefault((kind, size, detail, source), {})
            runs[run_id] = runs.get(run_id, 0) + count

    def doubt(self, run_id: str, why: str) -> None:
        self.unsure.setdefault(run_id, []).append(why)


@dataclass(frozen=True, slots=True)
class Listed:
    """The list of material, and by run id what could not be counted."""

    lines: tuple[Material, ...]
    unsure: Mapping[str, tuple[str, ...]]
    notes: tuple[str, ...]


def material_of(
    scene: Scene,
    review: Review,
    wanted: Collection[str],
    plans: Sequence[StrapPlan] = (),
    couplings: Mapping[str, int] | None = None,
) -> Listed:
    """Return the material of the runs ``wanted``; ``couplings`` by run id are counted as they are given."""
    counts = _Counts()
    gaps: dict[int, list[Gap]] = {}
    for gap in scene.gaps.pairs:
        gaps.setdefault(gap.run, []).append(gap)
    planned = {plan.run_id: plan for plan in plans}
    for i, fitted in enumerate(scene.fitted):
        run_id = fitted.run.run_id
        if run_id not in wanted:
            continue
        cable = scene.job.cables[fitted.run.cable_id]
        if size_of(cable) == NOT_KNOWN:
            counts.doubt(run_id, f"sizes of fittings: the diameter of {cable.cable_id} is not known")
        _held(scene, i, cable, planned.get(run_id), counts)
        _ends(scene, i, cable, counts)
        _framing(scene, review, i, cable, gaps.get(i, ()), counts)
        _rated(scene, i, cable, gaps.get(i, ()), counts)
        joints = 0 if couplings is None else couplings.get(run_id, 0)
        counts.add(run_id, "coupling", size_of(cable), cable.method, "pieces of the coil plan", joints)
    held = [f for f in review.findings if f.check in ("securing", "supporting") and f.severity == "violation"]
    for run_id in sorted({f.run for f in held if f.run is not None} & set(wanted)):
        if run_id not in planned:
            counts.doubt(run_id, "straps: as the project has them, and the check finds too few")
        elif planned[run_id].fewest is None:
            counts.doubt(run_id, "straps: no plan satisfies every rule")
    drawn = sum(element.role == "plate" for element in scene.job.elements)
    notes = (
        (f"{drawn} steel plate(s) are drawn; they are not of one run, so they are not in the list",) if drawn else ()
    )
    return Listed(_lines(counts), {run: tuple(dict.fromkeys(why)) for run, why in counts.unsure.items()}, notes)


def size_of(cable: Cable) -> str:
    """Return what fittings of a cable go by: the trade size of a raceway, else the outside diameter."""
    if cable.trade_size is not None:
        return cable.trade_size
    diameter = cable.sheath_diameter_m if cable.overall_diameter_m is None else cable.overall_diameter_m
    if diameter is None:
        return NOT_KNOWN
    flat = "" if cable.minor_diameter_m is None else f" × {both_units(cable.minor_diameter_m)}"
    return f"{both_units(diameter)}{flat}"


def _lines(counts: _Counts) -> tuple[Material, ...]:
    ordered = sorted(counts.by_key.items(), key=lambda line: (_ORDER.index(line[0][0]), line[0][1:]))
    return tuple(
        Material(kind, size, detail, sum(runs.values()), dict(sorted(runs.items())), source)
        for (kind, size, detail, source), runs in ordered
    )


def _held(scene: Scene, i: int, cable: Cable, plan: StrapPlan | None, counts: _Counts) -> None:
    run_id = scene.fitted[i].run.run_id
    supports = scene.attached[i].supports
    size = size_of(cable)
    if plan is not None:
        there = sum(strap.existing for strap in plan.straps)
        counts.add(run_id, "strap", size, f"{cable.method}, in the project", "project", there)
        counts.add(run_id, "strap", size, f"{cable.method}, planned", "strap plan", len(plan.straps) - there)
        for stuck in plan.stuck:
            counts.doubt(run_id, f"straps: {stuck.why}")
    else:
        straps = sum(support.kind == "strap" for support in supports)
        counts.add(run_id, "strap", size, f"{cable.method}, in the project", "project", straps)
    hangers = sum(support.kind == "hanger" for support in supports)
    counts.add(run_id, "hanger", size, "supports, does not secure", "project", hangers)


def _ends(scene: Scene, i: int, cable: Cable, counts: _Counts) -> None:
    fitted = scene.fitted[i]
    run_id, size = fitted.run.run_id, size_of(cable)
    connectors = connectors_of(cable, scene.attached[i], scene.zones[i], fitted.length_m, scene.rules)
    bushing = of_family(scene.rules, "end-bushing", cable.method)
    for connector in connectors:
        over = ", made for a jacket" if connector.over_jacket else ""
        damp = ", keeps water out" if connector.location == "damp" else ""
        detail = f"{cable.method}, {connector.fitting} place{damp}{over}"
        if cable.method in _PLUGGED:
            detail = f"{cable.method}, jack or port"
        counts.add(run_id, "connector", size, detail, "practice: one at each terminated end")
        if connector.bushing != "none":
            required = bushing is not None and connector.bushing == "required"
            source = bushing.cite if bushing is not None and required else "practice"
            counts.add(run_id, "bushing", size, "required" if required else "good practice, not required", source)
    missing = 2 - len(connectors)
    if missing:
        counts.doubt(run_id, f"connectors: {missing} open end(s) have none")


def _framing(scene: Scene, review: Review, i: int, cable: Cable, gaps: Sequence[Gap], counts: _Counts) -> None:
    run = scene.fitted[i].run
    counts.add(run.run_id, "plate", "1/16 in", "stated in the project", "project", len(run.plates_m))
    holes = {m: _holes(scene, gaps, m) for m in ("wood", "metal")}
    rules = [asked_of(scene.rules, key, cable.method) for key in ("bored-hole-edge", "notch")]
    cited = {asked.rule: asked for asked in rules if asked is not None}
    bad = [f for f in review.findings if f.run == run.run_id and f.check == "framing" and f.severity == "violation"]
    near: set[Stretch] = set()
    for finding in bad:
        if finding.at_m is None or finding.rule not in cited or finding.measured is None:
            continue
        a, b = finding.at_m
        near |= {s for s in holes["wood"] if a - TOLERANCE_M <= s[0] and s[1] <= b + TOLERANCE_M}
    stated = [(a - TOLERANCE_M, b + TOLERANCE_M) for a, b in run.plates_m]
    near = {s for s in near if not any(a <= s[0] and s[1] <= b for a, b in stated)}
    if near:
        source = " or ".join(sorted(cited))
        counts.add(run.run_id, "plate", "1/16 in", "at most, for holes too near to an edge", source, len(near))
    if bad and not near:
        counts.doubt(run.run_id, "plates: findings of check framing stand open, see `route3d check`")
    grommets = asked_of(scene.rules, "nm-metal-framing", cable.method)
    if grommets is not None:
        counts.add(run.run_id, "grommet", size_of(cable), cable.method, grommets.rule, len(holes["metal"]))
        if any(_material(scene, gap) is None for gap in gaps):
            counts.doubt(run.run_id, "grommets: [framing] does not say what all of the framing is made of")


def _material(scene: Scene, gap: Gap) -> str | None:
    if gap.element is None or not gap.through or scene.job.elements[gap.element].role != "framing":
        return "none"
    return scene.job.elements[gap.element].material


def _holes(scene: Scene, gaps: Iterable[Gap], material: str) -> list[Stretch]:
    """Return the bored holes in framing of a material; what is not said counts as wood."""
    found = []
    for gap in gaps:
        made_of = _material(scene, gap)
        if made_of == material or (made_of is None and material == "wood"):
            found += list(gap.inside_m)
    return found


def _rated(scene: Scene, i: int, cable: Cable, gaps: Sequence[Gap], counts: _Counts) -> None:
    run_id, reach = scene.fitted[i].run.run_id, scene.job.settings.attach_m
    rule = scene.rules.limit("fire-stop")
    source = "practice" if rule is None else rule.cite
    what = "sleeve or raceway" if cable.method in RACEWAYS else "cable"
    for gap in gaps:
        if gap.element is None or not gap.through or scene.job.elements[gap.element].role != "fire-wall":
            continue
        for a, b in gap.stretches_m:
            stops = scene.job.firestops or ()
            system = next(
                (s.system for s in stops
                 if s.run == run_id and (s.at_m is None or a - reach <= s.at_m <= b + reach)),
                None,
            )  # fmt: skip
            detail = f"{what}, system {system}" if system is not None else f"{what}, no system stated"
            counts.add(run_id, "fire-stop", size_of(cable), detail, source)
            if system is None:
                counts.doubt(run_id, "fire-stops: the project states no system for a rated crossing")
