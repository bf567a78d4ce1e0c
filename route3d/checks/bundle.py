"""Cables that lie together for longer than the code lets them without losing ampacity."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from route3d.checks.wording import along
from route3d.kernel.path import points_at
from route3d.model.company import Section
from route3d.model.finding import Finding
from route3d.model.gap import Stretch, united
from route3d.rules.bundle import Adjustment, adjust, counted_how, current_carrying
from route3d.rules.records import BundleRule
from route3d.scene import Outcome, Scene
from route3d.units import TOLERANCE_M, both_units

_SHOWN = 12

# Worst first: a group that is not fully known, then the lowest percentage, then the most conductors.
_Level = tuple[float, int]


@dataclass(frozen=True, slots=True)
class _Governing:
    """What decides for one run: the worst company that it keeps for long enough."""

    runs: tuple[int, ...]
    stretches: tuple[Stretch, ...]
    changes: bool  # not the same cables all along
    adjustment: Adjustment


def check(scene: Scene) -> Outcome:
    """Report each bundle that decides the ampacity of at least one of its cables, once, on the first of these.

    Each run is judged by the worst of its stretches that is longer than the rule lets be: the lowest percentage, then
    the most conductors.
    """
    rule = scene.rules.bundle
    if rule is None:
        return Outcome()
    judge = _Judge(scene, rule)
    judged = set(scene.judged)
    # whoever is judged is judged in company: what decides for the others there is told too
    company = {j for i in judged for section in scene.sections.get(i, ()) for j in section.runs}
    decided: dict[tuple[int, ...], dict[int, _Governing]] = {}
    for i in sorted(company):
        governing = _governing(scene.sections[i], judge, rule.longer_than_m)
        if governing is not None:
            decided.setdefault(governing.runs, {})[i] = governing
    found = [(lead, f) for runs, by_run in decided.items() for lead, f in _findings(scene, rule, runs, by_run)]
    return Outcome(findings=tuple(finding for lead, finding in found if lead in judged))


def whole(scene: Scene) -> tuple[Finding, ...]:
    """Report the cables that hold too many conductors by themselves."""
    return () if scene.rules.bundle is None else tuple(_alone(scene, scene.rules.bundle))


class _Judge:
    """Judges each group of runs once."""

    def __init__(self, scene: Scene, rule: BundleRule) -> None:
        self._scene, self._rule = scene, rule
        self._known: dict[tuple[int, ...], Adjustment] = {}

    def __call__(self, runs: tuple[int, ...]) -> Adjustment:
        if runs not in self._known:
            cables = [self._scene.job.cables[self._scene.fitted[i].run.cable_id] for i in runs]
            self._known[runs] = adjust(cables, self._rule)
        return self._known[runs]


def _level(adjustment: Adjustment) -> _Level:
    return (-1.0 if adjustment.unknown else adjustment.percent, -adjustment.count)


def _governing(sections: Sequence[Section], judge: _Judge, longer_than_m: float) -> _Governing | None:
    judged = [(section, judge(section.runs)) for section in sections]
    concerned = [(s, a) for s, a in judged if a.unknown or a.relieved or a.percent < 100.0]
    for worst in sorted({_level(adjustment) for _, adjustment in concerned}):
        within = [(s, a) for s, a in concerned if _level(a) <= worst]
        together = united([(s.from_m, s.to_m) for s, _ in within], TOLERANCE_M)
        long = tuple(s for s in together if s[1] - s[0] > longer_than_m + TOLERANCE_M)
        if not long:
            continue
        inside = [(s, a) for s, a in within if any(b[0] <= s.from_m and s.to_m <= b[1] for b in long)]
        section, adjustment = max(
            ((s, a) for s, a in inside if _level(a) == worst), key=lambda pair: pair[0].to_m - pair[0].from_m
        )
        return _Governing(section.runs, long, any(s.runs != section.runs for s, _ in inside), adjustment)
    return None


def _findings(
    scene: Scene, rule: BundleRule, runs: tuple[int, ...], by_run: dict[int, _Governing]
) -> Iterable[tuple[int, Finding]]:
    """One finding per bundle; where conductors are not known, one for each run, since none of them can be passed."""
    adjustment = next(iter(by_run.values())).adjustment
    leads = sorted(by_run) if adjustment.unknown else [min(by_run)]
    for lead in leads:
        yield lead, _finding(scene, rule, runs, by_run, lead, adjustment)


def _finding(
    scene: Scene,
    rule: BundleRule,
    runs: tuple[int, ...],
    by_run: dict[int, _Governing],
    lead: int,
    adjustment: Adjustment,
) -> Finding:
    mine = by_run[lead]
    stretch = max(mine.stretches, key=lambda s: s[1] - s[0])
    point = points_at(scene.fitted[lead].pieces, np.array([(stretch[0] + stretch[1]) / 2.0]))[0]
    names = [scene.fitted[i].run.run_id for i in runs]
    where = [f"{name} {_places(by_run[i])}" for i, name in zip(runs, names, strict=True) if i in by_run]
    rest = [name for i, name in zip(runs, names, strict=True) if i not in by_run]
    also = f" (and {_listed(rest)}, decided by another bundle)" if rest else ""
    turns = " Not the same cables all along: this is the most of them." if mine.changes else ""
    lead_in = f"{len(runs)} cables lie together for more than {both_units(rule.longer_than_m)}, {_spacing(scene)} apart"
    message = f"{lead_in}: {_listed(where)}{also}.{turns} {adjustment.arithmetic}. "
    keep = "Keep the spacing, or lay them together for no longer than that"
    if adjustment.unknown:
        message += f"How many conductors carry current is not known of {', '.join(adjustment.unknown)}."
        remedy = f"Add conductors (or current_carrying) to cable {', '.join(adjustment.unknown)}."
    elif adjustment.relieved:
        message += f"Relieved: {adjustment.why}."
        remedy = "Nothing to do while this stays so; a jacket, another size or more cables would end the relief."
    else:
        message += f"Ampacity to be adjusted: {adjustment.why}."
        remedy = f"Size the conductors for {adjustment.percent:g} % of their ampacity. Or: {keep.lower()}."
    return Finding(
        check="bundle",
        severity="note" if adjustment.relieved and not adjustment.unknown else "caution",
        run=scene.fitted[lead].run.run_id,
        other=next(name for i, name in zip(runs, names, strict=True) if i != lead),
        rule=adjustment.rule,
        at_m=stretch,
        point_m=(float(point[0]), float(point[1]), float(point[2])),
        measured=float(adjustment.count),
        required=float(rule.relief_count_max if adjustment.relieved else rule.percent_by_count[0][0] - 1),
        message=message,
        remedy=remedy,
        unchecked=bool(adjustment.unknown),
    )


def _places(governing: _Governing) -> str:
    return f"at {' and '.join(along(s) for s in governing.stretches[:3])}{' …' if len(governing.stretches) > 3 else ''}"


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return ", ".join(names[:_SHOWN]) + more


def _spacing(scene: Scene) -> str:
    said = scene.job.settings.bundle_spacing_m
    if said is not None:
        return f"less than {both_units(said)} (settings.bundle_spacing)"
    return "less than the larger one's diameter (practice: settings.bundle_spacing is not set)"


def _alone(scene: Scene, rule: BundleRule) -> Iterable[Finding]:
    """Cables and raceways that hold too many conductors by themselves, one finding for each kind in use."""
    first = rule.percent_by_count[0][0]
    used: dict[str, list[str]] = {}
    crowded = {
        cable.cable_id
        for cable in scene.job.cables.values()
        if cable.method in rule.alone_methods and (current_carrying(cable, rule) or 0) >= first
    }
    for i in scene.judged if crowded else ():
        fitted = scene.fitted[i]
        if fitted.run.cable_id in crowded and fitted.length_m > rule.longer_than_m + TOLERANCE_M:
            used.setdefault(fitted.run.cable_id, []).append(fitted.run.run_id)
    for cable_id, run_ids in used.items():
        cable = scene.job.cables[cable_id]
        count = current_carrying(cable, rule)
        assert count is not None
        adjustment = adjust([cable], rule)
        neutral = "" if cable.current_carrying is not None else (
            " A neutral that carries only the unbalanced current need not be counted: say current_carrying."
        )  # fmt: skip
        yield Finding(
            check="bundle",
            severity="caution",
            run=None,
            rule=adjustment.rule,
            measured=float(count),
            required=float(first - 1),
            message=f"{cable_id} alone has more than {first - 1} current-carrying conductors "
            f"({counted_how(cable, rule)}): {adjustment.percent:g} % of the ampacity wherever it runs, {len(run_ids)} "
            f"run(s): {_listed(run_ids)}.{neutral}",
            remedy=f"Size the conductors for {adjustment.percent:g} % of their ampacity.",
        )
