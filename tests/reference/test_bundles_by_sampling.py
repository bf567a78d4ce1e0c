"""Bundles against dense sampling: every few millimetres, who is beside this place, and who is beside these?"""

from __future__ import annotations

import numpy as np
import pytest

from route3d.fit import fit_run
from route3d.kernel.alongside import side_by_side
from route3d.kernel.path import closest_at, concatenated, path_length, points_at, tangents_at, trimmed
from route3d.model.run import Run

STEP = 0.03


def racks(rng: np.random.Generator) -> list[np.ndarray]:
    """Paths that share ways through a room: each its own part of a way, a little aside, some crossing."""
    paths = []
    for way in range(3):
        corners = [np.array([0.0, way * 0.6, 3.0])]
        for _ in range(3):
            leg = rng.uniform(0.8, 1.6)
            turn = rng.choice([(1, 0, 0), (0, 1, 0), (0.8, 0.6, 0), (0, 0, -0.7)])
            corners.append(corners[-1] + leg * np.asarray(turn, dtype=float))
        for _ in range(5):
            shift = rng.uniform(-0.025, 0.025, 3)
            drawn = np.array(corners) + shift
            fitted = fit_run(Run("r", "c", drawn), 0.08, 1.5, 1e-6)
            length = path_length(fitted.pieces)
            begin, end = sorted(rng.uniform(0, length, 2))
            if end - begin > 0.2:
                part = trimmed(fitted.pieces, begin, end)
                paths.append(part)
    return paths


def company(paths: list[np.ndarray], limit: np.ndarray, i: int, at_m: float) -> frozenset[int]:
    """Return who is beside one place of a path, and beside these, each path entered at the foot from the last."""
    place = {i: at_m}
    waiting = [i]
    while waiting:
        j = waiting.pop(0)
        point = points_at(paths[j], np.array([place[j]]))[0]
        for k, path in enumerate(paths):
            if k in place:
                continue
            distance, foot = closest_at(path, point)
            end = path_length(path)
            if distance > limit[j, k]:
                continue
            if foot <= 1e-9 or foot >= end - 1e-9:  # the foot is an end: is the place beyond it?
                tip = points_at(path, np.array([foot]))[0]
                onward = tangents_at(path, np.array([foot]))[0] * (1.0 if foot > end / 2.0 else -1.0)
                if (point - tip) @ onward > 1e-7:
                    continue
            mine = tangents_at(paths[j], np.array([place[j]]))[0]
            if abs(mine @ tangents_at(path, np.array([foot]))[0]) < np.cos(np.radians(45.0)):
                continue  # a crossing
            place[k] = foot
            waiting.append(k)
    return frozenset(place)


@pytest.mark.parametrize("seed", [0, 5, 20])
def test_company_at_each_place_agrees_with_dense_sampling(seed: int) -> None:
    rng = np.random.default_rng(seed)
    paths = racks(rng)
    radius = rng.uniform(0.003, 0.008, len(paths))
    spacing = 2.0 * radius
    pieces, starts = concatenated(paths)
    found = side_by_side(pieces, starts, radius, spacing)
    members: dict[int, set[int]] = {}
    for path, group in zip(found.path.tolist(), found.group.tolist(), strict=True):
        members.setdefault(group, set()).add(path)
    limit = radius[:, None] + radius + np.maximum(spacing[:, None], spacing)
    places = wrong = together = 0
    longest = 0.0
    for i, path in enumerate(paths):
        mine = found.path == i
        low, high, group = found.from_m[mine], found.to_m[mine], found.group[mine]
        assert (low[1:] >= high[:-1] - 1e-12).all()
        row = 0.0
        for s in np.arange(STEP / 2.0, path_length(path), STEP).tolist():
            wanted = company(paths, limit, i, s)
            within = np.flatnonzero((low < s) & (s < high))
            got = frozenset(members[int(group[within[0]])]) if len(within) else frozenset({i})
            places += 1
            together += len(wanted) > 1
            wrong += got != wanted
            row = row + STEP if got != wanted else 0.0
            longest = max(longest, row)
    assert together > 50
    # in bends that are not concentric it depends on the way from one path to another where someone leaves
    assert longest <= 0.1 + STEP
    assert wrong <= 0.04 * places


def test_lengths_in_common_are_exact_whoever_ends_first() -> None:
    """Two lines 20 mm apart, 8 and 12 mm thick: 10 mm between them, within 12 mm; the shorter one's length counts."""
    rows = []
    for y, begin, end in ((0.0, 0.0, 10.0), (0.02, 2.0, 2.6096)):
        row = np.zeros((1, 14))
        row[0, 2], row[0, 3:6], row[0, 9:12] = end - begin, (begin, y, 3.0), (1.0, 0.0, 0.0)
        rows.append(row)
    pieces, starts = concatenated(rows)
    found = side_by_side(pieces, starts, [0.004, 0.006], [0.008, 0.012])
    assert found.path.tolist() == [0, 1]
    np.testing.assert_allclose(found.to_m - found.from_m, 0.6096, atol=1e-9)
    np.testing.assert_allclose(found.from_m, [2.0, 0.0], atol=1e-9)


def test_lines_that_go_apart_are_together_as_far_as_the_spacing_reaches() -> None:
    """Closed form: two lines from one place at an angle a are d apart, square to one of them, at d / sin(a) on it."""
    angle = np.radians(3.0)
    rows = np.zeros((2, 14))
    for k, direction in enumerate(((1.0, 0.0), (np.cos(angle), np.sin(angle)))):
        rows[k, 2], rows[k, 9:11] = 5.0, direction
    found = side_by_side(rows, [0, 1, 2], [0.005, 0.005], [0.01, 0.01])
    first = found.path == 0
    assert found.to_m[first].max() == pytest.approx(0.02 / np.sin(angle), abs=1e-5)


def test_a_cable_straight_across_others_is_no_company() -> None:
    rows = np.zeros((3, 14))
    rows[:, 2] = 4.0
    rows[0, 9:12], rows[1, 9:12], rows[2, 9:12] = (1, 0, 0), (1, 0, 0), (0, 1, 0)
    rows[1, 3:6], rows[2, 3:6] = (0.0, 0.013, 0.0), (2.0, -2.0, 0.013)
    found = side_by_side(rows, [0, 1, 2, 3], np.full(3, 0.006), np.full(3, 0.012))
    assert set(found.path.tolist()) == {0, 1}
    assert (found.to_m - found.from_m)[found.path == 0].sum() == pytest.approx(4.0)
