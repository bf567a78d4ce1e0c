"""Which finding, and which run, of a later revision is which of an earlier one.

A finding keeps its identity by what it says: its check, its rule, the run and the other thing, and its place. Runs are
recognised by their path before their name, since names and handles change from one export to the next. Findings are
never matched over more than ``REACH_M``, unless run, other and rule are all the same: to take a new finding for an old,
decided one would hide it, to call an old one new only costs a look.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

from route3d.kernel.groups import components
from route3d.model.finding import Finding
from route3d.model.revision import Revision, RunMark, section, wording

REACH_M = 0.3  # a practice of ours: about half the spacing of joists
_SAME_M = 0.001
_OTHER_RUN, _OTHER_THING, _OTHER_RULE = 2.0, 1.0, 1.0  # in reaches: what a difference costs beside the distance
_CLOSE_CALL = 0.25  # in reaches: another candidate as near as this makes a match ambiguous
_SHARE_SHIFTED = 0.6  # of the runs of the same name that must have moved alike for the whole model to have moved


@dataclass(frozen=True, slots=True)
class Match:
    """One finding in both revisions, by place in their tuples."""

    old: int
    new: int
    moved_m: float | None  # None where one of them has no place
    ambiguous: tuple[int, ...] = ()  # other new findings that it could be as well
    far: bool = False  # the same pair and rule, but further away than ``REACH_M``


@dataclass(frozen=True, slots=True)
class Matching:
    """How two revisions belong together."""

    matches: tuple[Match, ...]
    gone: tuple[int, ...]  # of the old findings
    fresh: tuple[int, ...]  # of the new findings
    runs: Mapping[str, str]  # old id -> new id
    shift_m: tuple[float, float, float]  # by which the whole model moved in between


def match_revisions(old: Revision, new: Revision, reach_m: float = REACH_M) -> Matching:
    """Match the findings and runs of two revisions, each at most once."""
    shift = _common_shift(old.runs, new.runs)
    runs = match_runs(old.runs, new.runs, shift, reach_m)
    by_check: dict[str, tuple[list[int], list[int]]] = defaultdict(lambda: ([], []))
    for side, revision in enumerate((old, new)):
        for i, finding in enumerate(revision.findings):
            by_check[finding.check][side].append(i)
    one_edition = old.rules == new.rules
    matches: list[Match] = []
    for before, after in by_check.values():
        matches += _match_check(old.findings, new.findings, before, after, runs, shift, reach_m, one_edition)
    matched_old, matched_new = {m.old for m in matches}, {m.new for m in matches}
    return Matching(
        matches=tuple(sorted(matches, key=lambda m: m.new)),
        gone=tuple(i for i in range(len(old.findings)) if i not in matched_old),
        fresh=tuple(j for j in range(len(new.findings)) if j not in matched_new),
        runs=runs,
        shift_m=(float(shift[0]), float(shift[1]), float(shift[2])),
    )


def match_runs(
    old: Sequence[RunMark], new: Sequence[RunMark], shift_m: NDArray[np.float64], reach_m: float = REACH_M
) -> dict[str, str]:
    """Return the new id of each old run that is still there: the same path, else the same id, else nearby ends."""
    found: dict[str, str] = {}
    taken: set[str] = set()

    def pair(a: RunMark, b: RunMark) -> None:
        found[a.run_id] = b.run_id
        taken.add(b.run_id)

    by_path: dict[bytes, list[RunMark]] = defaultdict(list)
    for run in new:
        if len(run.corners_m):
            by_path[_path_key(run.corners_m, np.zeros(3))].append(run)
    for run in old:
        if not len(run.corners_m):
            continue
        there = [b for b in by_path.get(_path_key(run.corners_m, shift_m), ()) if b.run_id not in taken]
        there.sort(key=lambda b, a=run: (b.run_id != a.run_id, b.cable_id != a.cable_id))  # type: ignore[misc]
        if there and (there[0].run_id == run.run_id or _is_lone(there)):
            pair(run, there[0])
    by_id = {run.run_id: run for run in new}
    for run in old:
        if run.run_id not in found and run.run_id in by_id and run.run_id not in taken:
            pair(run, by_id[run.run_id])
    left_old = [r for r in old if r.run_id not in found and len(r.corners_m)]
    left_new = [r for r in new if r.run_id not in taken and len(r.corners_m)]
    if left_old and left_new:
        ends_new = np.array([np.concatenate([r.corners_m[0], r.corners_m[-1]]) for r in left_new])
        cost = np.full((len(left_old), len(left_new)), np.inf)
        for i, run in enumerate(left_old):
            a, b = run.corners_m[0] + shift_m, run.corners_m[-1] + shift_m
            for ends in (np.concatenate([a, b]), np.concatenate([b, a])):
                apart = np.linalg.norm((ends_new - ends).reshape(-1, 2, 3), axis=2).max(axis=1)
                cost[i] = np.minimum(cost[i], apart)
        for i, j in _assigned(cost / reach_m, 1.0):
            pair(left_old[i], left_new[j])
    return found


def _is_lone(runs: Sequence[RunMark]) -> bool:
    return len({run.cable_id for run in runs}) == len(runs)


def _path_key(corners_m: NDArray[np.float64], shift_m: NDArray[np.float64]) -> bytes:
    """Return the same bytes for paths that are the same to about a millimetre, in either direction."""
    rounded = np.round((corners_m + shift_m) / _SAME_M).astype(np.int64)
    return min(rounded.tobytes(), rounded[::-1].tobytes())


def _common_shift(old: Sequence[RunMark], new: Sequence[RunMark]) -> NDArray[np.float64]:
    """Return by how much most runs of the same name moved as a whole, (3,); zero where they did not move alike."""
    by_id = {run.run_id: run for run in new}
    shifts = []
    shared = 0
    for run in old:
        other = by_id.get(run.run_id)
        if other is None or not len(run.corners_m) or len(run.corners_m) != len(other.corners_m):
            continue
        shared += 1
        apart = other.corners_m - run.corners_m
        if np.ptp(apart, axis=0).max() <= _SAME_M:
            shifts.append(apart[0])
    if not shifts:
        return np.zeros(3)
    steps = Counter(tuple(np.round(s / _SAME_M).astype(int)) for s in shifts)
    step, count = steps.most_common(1)[0]
    if count < 2 or count < _SHARE_SHIFTED * shared:
        return np.zeros(3)
    alike = [s for s in shifts if tuple(np.round(s / _SAME_M).astype(int)) == step]
    return np.asarray(np.median(np.array(alike), axis=0))


def _match_check(
    old: Sequence[Finding],
    new: Sequence[Finding],
    before: Sequence[int],
    after: Sequence[int],
    runs: Mapping[str, str],
    shift_m: NDArray[np.float64],
    reach_m: float,
    one_edition: bool,
) -> list[Match]:
    """Match the findings of one check; ``before`` and ``after`` are places in ``old`` and ``new``."""
    known = _Known(old, new, runs, shift_m, reach_m, one_edition)
    matches = []
    rest_old, rest_new = set(before), set(after)
    # what stands where it stood needs no weighing up
    here: dict[tuple[object, ...], list[int]] = defaultdict(list)
    for j in after:
        here[known.key(new[j], moved=False)].append(j)
    for i in before:
        there = here.get(known.key(old[i], moved=True), ())
        same = [j for j in there if j in rest_new and known.apart(i, j) <= _SAME_M]
        if same:
            rule = section(old[i].rule)
            j = next((j for j in same if section(new[j].rule) == rule), same[0])
            matches.append(Match(i, j, known.moved_m(i, j)))
            rest_old.discard(i)
            rest_new.discard(j)
    for rows, columns in _components(known.candidates(sorted(rest_old), sorted(rest_new))):
        cost = np.array([[known.cost(i, j) for j in columns] for i in rows])
        apart = np.array([[known.apart(i, j) for j in columns] for i in rows])
        for a, b in _settled(cost, apart):
            i, j = rows[a], columns[b]
            doubt = np.concatenate([cost[a], cost[:, b]]) - cost[a, b] < _CLOSE_CALL
            others = [columns[c] for c in range(len(columns)) if c != b and doubt[c]]
            rivals = any(doubt[len(columns) + r] for r in range(len(rows)) if r != a)
            if rivals and not others:
                others = [j]
            moved = known.moved_m(i, j)
            matches.append(Match(i, j, moved, tuple(others), far=moved is not None and moved > reach_m))
    return matches


class _Known:
    """What the costs of one check's candidates are computed from."""

    def __init__(
        self,
        old: Sequence[Finding],
        new: Sequence[Finding],
        runs: Mapping[str, str],
        shift_m: NDArray[np.float64],
        reach_m: float,
        one_edition: bool,
    ) -> None:
        self.old, self.new, self.runs, self.shift_m = old, new, runs, shift_m
        self.reach_m, self.one_edition = reach_m, one_edition

    def name(self, thing: str | None, moved: bool) -> str | None:
        return self.runs.get(thing, thing) if moved and thing is not None else thing

    def key(self, finding: Finding, moved: bool) -> tuple[object, ...]:
        """Return what is the same in both revisions; ``moved`` says that it is of the old one."""
        pair = (self.name(finding.run, moved), self.name(finding.other, moved))
        placeless = wording(finding.message) if finding.point_m is None else ""
        return (*pair, section(finding.rule) if self.one_edition else "", placeless)

    def moved_m(self, i: int, j: int) -> float | None:
        a, b = self.old[i].point_m, self.new[j].point_m
        return None if a is None or b is None else float(np.linalg.norm(np.subtract(b, a) - self.shift_m))

    def apart(self, i: int, j: int) -> float:
        moved = self.moved_m(i, j)
        if moved is None:
            return 0.0 if self.old[i].point_m is None and self.new[j].point_m is None else np.inf
        return moved

    def cost(self, i: int, j: int) -> float:
        """Return how unlike two findings are, in reaches; infinite where they cannot be the same."""
        old, new = self.old[i], self.new[j]
        apart = self.apart(i, j) / self.reach_m
        same_rule = section(old.rule) == section(new.rule)
        same_run = self.name(old.run, True) == new.run
        same_other = self.name(old.other, True) == new.other
        whole_pair = same_rule and same_run and same_other and old.other is not None
        if (apart > 1.0 and not whole_pair) or (not same_rule and self.one_edition):
            return np.inf
        if old.point_m is None and (not same_run or not same_other or wording(old.message) != wording(new.message)):
            return np.inf
        return (
            apart
            + (0 if same_run else _OTHER_RUN)
            + (0 if same_other else _OTHER_THING)
            + (0 if same_rule else _OTHER_RULE)
        )

    def candidates(self, before: Sequence[int], after: Sequence[int]) -> Iterable[tuple[int, int]]:
        """Yield the pairs that may be the same finding: near each other, or of the same pair."""
        by_key: dict[tuple[object, ...], list[int]] = defaultdict(list)
        for j in after:
            by_key[self.key(self.new[j], moved=False)].append(j)
        seen = {(i, j) for i in before for j in by_key.get(self.key(self.old[i], moved=True), ())}
        placed_old = [i for i in before if self.old[i].point_m is not None]
        placed_new = [j for j in after if self.new[j].point_m is not None]
        if placed_old and placed_new:
            tree = cKDTree(np.array([self.new[j].point_m for j in placed_new], dtype=float))
            at = np.array([self.old[i].point_m for i in placed_old], dtype=float) + self.shift_m
            for i, near in zip(placed_old, tree.query_ball_point(at, self.reach_m), strict=True):
                seen.update((i, placed_new[k]) for k in near)
        return sorted(pair for pair in seen if np.isfinite(self.cost(*pair)))


def _components(pairs: Iterable[tuple[int, int]]) -> Iterable[tuple[list[int], list[int]]]:
    """Split candidates into groups that have nothing to do with each other."""
    pairs = list(pairs)
    if not pairs:
        return
    rows, columns = sorted({i for i, _ in pairs}), sorted({j for _, j in pairs})
    row_at, column_at = {i: k for k, i in enumerate(rows)}, {j: k + len(rows) for k, j in enumerate(columns)}
    size = len(rows) + len(columns)
    a = np.array([row_at[i] for i, _ in pairs])
    b = np.array([column_at[j] for _, j in pairs])
    label = components(a, b, size).tolist()
    groups: list[tuple[list[int], list[int]]] = [([], []) for _ in range(max(label) + 1)]
    for i in rows:
        groups[label[row_at[i]]][0].append(i)
    for j in columns:
        groups[label[column_at[j]]][1].append(j)
    yield from groups


def _settled(cost: NDArray[np.float64], apart_m: NDArray[np.float64]) -> list[tuple[int, int]]:
    """Return the pairs of one group: first those that are clear, then the cheapest assignment of the rest.

    A pair is clear if every rival of it costs more, and either much more or lies more than twice as far. An assignment
    alone, which pairs as many as it can, would pass every identity on to the neighbour where one of a row is mended and
    another one is new at its end.
    """
    clear = []
    for a in range(len(cost)):
        b = int(np.argmin(cost[a]))
        rivals, far = (np.concatenate([np.delete(m[a], b), np.delete(m[:, b], a)]) for m in (cost, apart_m))
        plain = (rivals >= cost[a, b] + _CLOSE_CALL) | ((rivals > cost[a, b]) & (far > 2.0 * apart_m[a, b]))
        if np.isfinite(cost[a, b]) and plain.all():
            clear.append((a, b))
    rest = cost.copy()
    for a, b in clear:
        rest[a, :] = rest[:, b] = np.inf
    return clear + _assigned(rest, np.inf)


def _assigned(cost: NDArray[np.float64], most: float) -> list[tuple[int, int]]:
    """Return the pairs of the cheapest assignment with as many pairs as possible of finite cost up to ``most``."""
    allowed = np.isfinite(cost) & (cost <= most)
    if not allowed.any():
        return []
    dear = float(cost[allowed].max()) * min(cost.shape) * 2.0 + 1.0
    rows, columns = linear_sum_assignment(np.where(allowed, cost, dear))
    return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if allowed[i, j]]
