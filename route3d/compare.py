"""Two revisions of a project: what is new, what is gone, what stayed, and whether it got worse or better."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from route3d.matching import Match, match_revisions
from route3d.model.element import Element
from route3d.model.finding import SEVERITIES, Finding
from route3d.model.revision import Revision, RunMark
from route3d.units import TOLERANCE_M

CHANGES = ("new", "worse", "stayed", "better", "gone")
_MOVED_M = 0.001


@dataclass(frozen=True, slots=True)
class FindingChange:
    """One finding of either revision, and what became of it."""

    change: str  # one of CHANGES
    old: Finding | None
    new: Finding | None
    moved_m: float | None = None
    ambiguous: tuple[str, ...] = ()  # ids of new findings that it could be as well
    far: bool = False  # the same pair and rule, but further off than findings are matched otherwise

    @property
    def finding(self) -> Finding:
        """The later one, where there is one."""
        found = self.new if self.new is not None else self.old
        assert found is not None
        return found


@dataclass(frozen=True, slots=True)
class ThingChange:
    """A run or an element that is new, gone, renamed or changed."""

    change: str  # new, gone, renamed, changed
    name: str
    was: str | None  # its earlier name, where it is another
    what: str  # in words


@dataclass(frozen=True, slots=True)
class Comparison:
    """The difference of two revisions."""

    old: Revision
    new: Revision
    findings: tuple[FindingChange, ...]  # new ones first, in the order of CHANGES, worst first within
    runs: tuple[ThingChange, ...]
    files: tuple[ThingChange, ...]
    elements: tuple[ThingChange, ...] | None  # None: the revisions do not tell their elements
    shift_m: tuple[float, float, float]
    notes: tuple[str, ...] = ()

    @property
    def counts(self) -> Mapping[str, int]:
        """How many findings of each change."""
        return {change: sum(f.change == change for f in self.findings) for change in CHANGES}


def compare(
    old: Revision, new: Revision, elements: tuple[Sequence[Element], Sequence[Element]] | None = None
) -> Comparison:
    """Compare two revisions; ``elements`` are those of the old and of the new building, where both are at hand."""
    matching = match_revisions(old, new)
    changes = [_matched(old, new, match) for match in matching.matches]
    changes += [FindingChange("gone", old.findings[i], None) for i in matching.gone]
    changes += [FindingChange("new", None, new.findings[j]) for j in matching.fresh]
    rank = {change: k for k, change in enumerate(CHANGES)}
    changes.sort(key=lambda c: (rank[c.change], SEVERITIES.index(c.finding.severity), c.finding.check))
    shift = np.array(matching.shift_m)
    notes = list(dict.fromkeys((*old.notes, *new.notes)))
    if np.abs(shift).max() > _MOVED_M:
        moved = ", ".join(f"{value:+.3f}" for value in matching.shift_m)
        notes.append(f"the whole model has moved by ({moved}) m; places were compared after that")
    if old.rules != new.rules:
        notes.append(f"the rules changed from {old.rules} to {new.rules}: findings may differ for that reason alone")
    unsure = sum(bool(change.ambiguous) for change in changes)
    if unsure:
        notes.append(f"{unsure} findings could be matched in more than one way; they are marked")
    return Comparison(
        old=old,
        new=new,
        findings=tuple(changes),
        runs=_runs(old.runs, new.runs, matching.runs, shift),
        files=_files(old, new),
        elements=None if elements is None else compare_elements(*elements),
        shift_m=matching.shift_m,
        notes=tuple(notes),
    )


def compare_elements(old: Sequence[Element], new: Sequence[Element]) -> tuple[ThingChange, ...]:
    """Return what changed in the building; the same geometry under another id is renamed, no more."""
    before = {element.element_id: element for element in old}
    after = {element.element_id: element for element in new}
    lost = {i: e for i, e in before.items() if i not in after}
    added = {i: e for i, e in after.items() if i not in before}
    by_content: dict[bytes, list[str]] = {}
    for name, element in added.items():
        by_content.setdefault(element.triangles_m.tobytes(), []).append(name)
    changes = []
    for name, element in lost.items():
        there = by_content.get(element.triangles_m.tobytes())
        if there:
            renamed = there.pop(0)
            del added[renamed]
            changes.append(ThingChange("renamed", renamed, name, f"{element.role}, the same geometry"))
        else:
            changes.append(ThingChange("gone", name, None, f"{element.role} on {element.layer}"))
    changes += [ThingChange("new", name, None, f"{e.role} on {e.layer}") for name, e in added.items()]
    for name, element in after.items():
        earlier = before.get(name)
        if earlier is None:
            continue
        what = []
        if earlier.role != element.role:
            what.append(f"role {earlier.role} became {element.role}")
        if not np.array_equal(earlier.triangles_m, element.triangles_m):
            what.append(_geometry_change(earlier, element))
        if what:
            changes.append(ThingChange("changed", name, None, "; ".join(what)))
    return tuple(changes)


def _geometry_change(old: Element, new: Element) -> str:
    a, b = old.triangles_m, new.triangles_m
    if a.shape == b.shape and len(a):
        apart = (b - a).reshape(-1, 3)
        if np.ptp(apart, axis=0).max() <= TOLERANCE_M:
            return f"moved by {np.linalg.norm(apart[0]):.4f} m"
    return "its shape changed"


def _matched(old: Revision, new: Revision, match: Match) -> FindingChange:
    before, after = old.findings[match.old], new.findings[match.new]
    ambiguous = tuple(new.findings[j].finding_id for j in match.ambiguous)
    return FindingChange(trend(before, after), before, after, match.moved_m, ambiguous, match.far)


def trend(old: Finding, new: Finding) -> str:
    """Return worse, stayed or better: first by severity, then by how far what was measured is from what is required.

    A finding that could not be judged before and is judged now, or the other way round, counts by its severity alone.
    """
    by_severity = SEVERITIES.index(new.severity) - SEVERITIES.index(old.severity)
    if by_severity:
        return "worse" if by_severity < 0 else "better"
    numbers = (old.measured, old.required, new.measured, new.required)
    if old.unit != new.unit or any(value is None for value in numbers):
        return "stayed"
    miss_old, miss_new = _miss(old), _miss(new)
    if abs(miss_new - miss_old) <= (TOLERANCE_M if new.unit == "m" else 1e-9):
        return "stayed"
    return "worse" if miss_new > miss_old else "better"


def _miss(finding: Finding) -> float:
    assert finding.measured is not None and finding.required is not None
    return abs(finding.measured - finding.required)


def _runs(
    old: Sequence[RunMark], new: Sequence[RunMark], known: Mapping[str, str], shift_m: np.ndarray
) -> tuple[ThingChange, ...]:
    before = {run.run_id: run for run in old}
    came_from = {b: a for a, b in known.items()}
    changes = [ThingChange("gone", run.run_id, None, f"{run.length_m:.2f} m of {run.cable_id}") for run in old
               if run.run_id not in known]  # fmt: skip
    for run in new:
        was = came_from.get(run.run_id)
        if was is None:
            changes.append(ThingChange("new", run.run_id, None, f"{run.length_m:.2f} m of {run.cable_id}"))
            continue
        earlier = before[was]
        what = _run_change(earlier, run, shift_m)
        if what:
            changes.append(ThingChange("changed", run.run_id, was if was != run.run_id else None, "; ".join(what)))
        elif was != run.run_id:
            changes.append(ThingChange("renamed", run.run_id, was, "the same path"))
    return tuple(changes)


def _run_change(old: RunMark, new: RunMark, shift_m: np.ndarray) -> list[str]:
    what = []
    if old.cable_id != new.cable_id:
        what.append(f"cable {old.cable_id} became {new.cable_id}")
    a, b = old.corners_m + shift_m, new.corners_m
    if a.shape != b.shape:
        what.append(f"{len(a)} corners became {len(b)}")
    elif len(a) and (far := min(np.abs(b - a).max(), np.abs(b[::-1] - a).max())) > _MOVED_M:
        what.append(f"a corner moved by {far:.3f} m")
    if abs(old.length_m - new.length_m) > _MOVED_M:
        what.append(f"length {old.length_m:.2f} m became {new.length_m:.2f} m")
    if old.verdict != new.verdict:
        what.append(f"{old.verdict} became {new.verdict}")
    return what


def _files(old: Revision, new: Revision) -> tuple[ThingChange, ...]:
    before, after = dict(old.inputs), dict(new.inputs)
    changes = [ThingChange("gone", name, None, "no longer an input") for name in before if name not in after]
    for name, digest in after.items():
        if name not in before:
            changes.append(ThingChange("new", name, None, "a new input"))
        elif before[name] != digest:
            changes.append(ThingChange("changed", name, None, "its content changed"))
    return tuple(changes)
