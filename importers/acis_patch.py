"""One curved face of a stored solid in the parameters of its surface: its lines, its loops, and then its triangles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from importers.acis_curves import NEAR, NEAR_CHORD
from importers.acis_edges import EdgeSet
from importers.acis_lines import Lines, crossed, even_lines, stepped_on
from importers.acis_records import FaceError
from importers.acis_surfaces import CELLS_MAX, Ball, Cone, Sheet, Torus, off_surface
from importers.acis_topology import Side

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_ROOT_STEPS = 80
_NOISE = 5.0  # times what edges are off their surface: they may be off along it by more


@dataclass(frozen=True, slots=True, eq=False)
class Ring:
    """One loop of a face: numbers, parameters and codes of its points in their order.

    ``turns`` says how often it goes round in u and v; its first point is not repeated.
    """

    ids: Index
    uv: Array  # (n, 2)
    codes: Index  # (n, 2)
    turns: tuple[int, int]


class Patch:
    """A face on a curved surface.

    Its parameters are turned so that the face is always on the left of its loops: u is mirrored where the face looks
    the other way.
    """

    def __init__(
        self, surface: Cone | Ball | Torus | Sheet, loops: list[list[Side]], reverse: bool, edges: EdgeSet
    ) -> None:
        self.surface = surface
        self.edges = edges
        self.against = (surface.outward < 0) != reverse
        self.sign = -1.0 if self.against and not surface.sure_sides else 1.0
        # an edge that is a point bounds nothing: the tip of a cone ends its surface anyway
        bare = [[side for side in loop if edges.line(side.edge) is not None] for loop in loops]
        self.loops = [loop for loop in bare if loop]
        self.numbers = list(dict.fromkeys(side.edge for loop in self.loops for side in loop))
        rough = {number: edges.rough(number) for number in self.numbers}
        if isinstance(surface, Ball):
            surface.avoid(np.concatenate([points for _, points in rough.values()]) if rough else np.empty((0, 3)))
        self.noise = 0.0  # how well the parameters of the edges are known, as an angle
        self._uv = {number: self.parameters(points) for number, (_, points) in rough.items()}
        for number, (_, points) in rough.items():
            off = off_surface(surface, points, self._raw(self._uv[number]))
            near = max(NEAR * surface.size, 1e-6 * float(np.abs(points).max()), NEAR_CHORD * edges.tolerance)
            if off > near:
                raise FaceError("with edges off its surface")
            self.noise = max(self.noise, _NOISE * off / surface.size)

    def _raw(self, uv: Array) -> Array:
        return uv * (self.sign, 1.0)

    def xyz(self, uv: Array) -> Array:
        """Return the points (n, 3) at the turned parameters (n, 2)."""
        return self.surface.xyz(self._raw(uv))

    def parameters(self, points: Array) -> Array:
        """Return the turned parameters (n, 2) along a line of points without jumps where they go round."""
        uv = self._raw(self.surface.uv(points))
        at_pole = self._at_pole(uv[:, 1])
        if at_pole.any():
            ends = np.array(self.surface.v_ends)
            uv[at_pole, 1] = ends[np.argmin(np.abs(uv[at_pole, 1, None] - ends), axis=1)]
            if at_pole[1:-1].any() or at_pole.all():
                raise FaceError("with an edge across a pole")
            # u means nothing at a pole: take it from the neighbour
            uv[0, 0] = uv[1, 0] if at_pole[0] else uv[0, 0]
            uv[-1, 0] = uv[-2, 0] if at_pole[-1] else uv[-1, 0]
        for axis, period in enumerate(self.surface.periods):
            if period:
                steps = np.diff(uv[:, axis])
                uv[1:, axis] = uv[0, axis] + np.cumsum(steps - period * np.rint(steps / period))
        return uv

    def _at_pole(self, v: Array) -> NDArray[np.bool_]:
        result = np.zeros(len(v), dtype=bool)
        if not any(self.surface.poles):
            return result
        span = self.surface.v_ends[1] - self.surface.v_ends[0]
        close = NEAR * (self.surface.size if isinstance(self.surface, Cone) else span)
        for end, pole in zip(self.surface.v_ends, self.surface.poles, strict=True):
            if pole:
                result |= np.abs(v - end) <= close
        return result

    def lay_lines(self, tolerance: float) -> None:
        """Choose the lines of the grid, and ask for points where edges cross them."""
        surface = self.surface
        every = np.concatenate(list(self._uv.values())) if self._uv else np.empty((0, 2))
        if isinstance(surface, Sheet):
            u, v = surface.lines(tolerance)
            u = self.sign * (u if self.sign > 0 else u[::-1])
            self.lines = (Lines(u, surface.periods[0], 1.0), Lines(v, surface.periods[1], 1.0))
        else:
            steps = surface.steps(tolerance, every)
            breaks = [self._breaks(axis, steps[axis]) for axis in (0, 1)]
            self.lines = (
                even_lines(breaks[0], steps[0], surface.periods[0], (-np.inf, np.inf), surface.size, self.noise, 4),
                even_lines(breaks[1], steps[1], surface.periods[1], surface.v_ends, surface.size, self.noise),
            )
        if self.lines[0].count * self.lines[1].count > CELLS_MAX:
            raise FaceError("on a surface of too many triangles")
        for number in self.numbers:
            way, _ = self.edges.rough(number)
            self._mark(number, way, self._uv[number], on_samples=True)

    def _breaks(self, axis: int, step: float) -> list[float]:
        """Return where edges run along a line of the parameter, or else where the first edge starts."""
        if not np.isfinite(step):
            return []
        most = max(1e-5 * step, self.noise)
        found = [float(uv[:, axis].mean()) for uv in self._uv.values() if float(np.ptp(uv[:, axis])) <= most]
        if not found and self._uv:
            found = [float(next(iter(self._uv.values()))[0, axis])]
        return found

    def _mark(self, number: int, way: Array, uv: Array, on_samples: bool) -> bool:
        """Ask for points where an edge crosses lines; tell whether there were any."""
        found = False
        for axis, lines in enumerate(self.lines):
            if lines.endless:
                continue
            codes = lines.codes(uv[:, axis])
            if on_samples:
                self.edges.mark(number, way[stepped_on(codes)])
            stretch, line = crossed(codes)
            if len(stretch):
                found = True
                value = lines.value(line)
                ends = uv[stretch, axis] - value, uv[stretch + 1, axis] - value

                def off(t: Array, axis: int = axis, value: Array = value, period: float = lines.period) -> Array:
                    at = self._raw(self.surface.uv(self.edges.points_at(number, t)))[:, axis] - value
                    return np.asarray(at - period * np.rint(at / period) if period else at)

                self.edges.mark(number, _roots(off, way[stretch], way[stretch + 1], *ends, near=1e-4 * lines.near))
        return found

    def fits(self) -> bool:
        """Tell whether no edge jumps over a line; where one does, ask for more points."""
        good = True
        self._settled = {}
        for number in self.numbers:
            way, ids, points = self.edges.settled(number)
            uv = self.parameters(points)
            self._settled[number] = ids, uv
            good = not self._mark(number, way, uv, on_samples=False) and good
        return good

    def rings(self) -> list[Ring]:
        """Return the loops, so turned that the face is on their left; raises ``FaceError`` where they contradict."""
        found = [self._ring(loop) for loop in self.loops]
        if isinstance(self.surface, Cone) or self.surface.sure_sides:
            found = self._turned(found)
        for axis, period in enumerate(self.surface.periods):
            ends = self.surface.poles if axis == 0 else (False, False)
            total = sum(ring.turns[axis] for ring in found)
            if period and total and not any(ends):
                raise FaceError("with loops that contradict each other")
        return found

    def _ring(self, loop: list[Side]) -> Ring:
        periods = self.surface.periods
        parts = []
        for side in loop:
            ids, uv = self._settled[side.edge]
            parts.append((ids[::-1], uv[::-1]) if side.backward else (ids, uv))
        joints = [bool(self._at_pole(uv[:1, 1])[0]) for _, uv in parts]
        if any(joints):  # a loop through a pole starts there, so that it closes without going round
            first = joints.index(True)
            parts, joints = parts[first:] + parts[:first], joints[first:] + joints[:first]
        all_ids: list[Index] = []
        all_uv: list[Array] = []
        end = parts[0][1][0]
        for place, (ids, uv) in enumerate(parts):
            shift = np.zeros(2)
            for axis, period in enumerate(periods):
                if period:
                    shift[axis] = period * np.rint((end[axis] - uv[0, axis]) / period)
            if joints[place] and place:
                all_ids.append(ids[:1])
                all_uv.append(end[None, :])
                low = abs(end[1] - self.surface.v_ends[0]) < abs(end[1] - self.surface.v_ends[1])
                turn = (uv[0, 0] - end[0]) % periods[0] if periods[0] else 0.0
                if periods[0]:
                    # with the face on the left u rises along a low pole, and falls along a high one
                    shift[0] = end[0] + (turn if low or turn == 0.0 else turn - periods[0]) - uv[0, 0]
            uv = uv + shift
            all_ids.append(ids[:-1])
            all_uv.append(uv[:-1])
            end = uv[-1]
        if joints[0]:
            all_ids.append(parts[0][0][:1])
            all_uv.append(end[None, :])
            gap = np.zeros(2)
        else:
            gap = end - all_uv[0][0]
        turns = [int(np.rint(gap[axis] / period)) if period else 0 for axis, period in enumerate(periods)]
        uv = np.concatenate(all_uv)
        for axis, lines in enumerate(self.lines):
            if not lines.inside(uv[:, axis]):
                raise FaceError("with edges off its surface")
        codes = np.column_stack([lines.codes(uv[:, axis]) for axis, lines in enumerate(self.lines)])
        return Ring(np.concatenate(all_ids), uv, codes, (turns[0], turns[1]))

    def _turned(self, rings: list[Ring]) -> list[Ring]:
        """Return the rings in the only way round that leaves a face without end on their right."""
        wraps = [ring for ring in rings if ring.turns[0]]
        rest = [ring for ring in rings if not ring.turns[0]]
        if any(abs(ring.turns[0]) != 1 for ring in wraps) or len(wraps) > 2:
            raise FaceError("with an edge loop that goes round more than once")
        if wraps:
            if len(wraps) == 2:
                wraps.sort(key=self._height)
                wanted = [1, -1]
            elif any(self.surface.poles):
                wanted = [-1 if self.surface.poles[0] else 1]
            else:
                raise FaceError("on a round surface with one rim")
            wraps = [r if r.turns[0] == w else _reversed(r, self._ahead(r)) for r, w in zip(wraps, wanted, strict=True)]
            areas = [0.0]
        else:
            areas = [_area(ring.uv) for ring in rest]
            if not areas:
                raise FaceError("without an edge")
        outer = int(np.argmax(np.abs(areas))) if not wraps else -1
        for place, ring in enumerate(rest):
            if (_area(ring.uv) > 0.0) != (place == outer):
                rest[place] = _reversed(ring, self._ahead(ring))
        return wraps + rest

    def _ahead(self, ring: Ring) -> tuple[Array, Index]:
        """Return what a ring adds to parameters and codes when it comes back to its start."""
        turns = np.array(ring.turns)
        codes = np.array([2 * lines.count for lines in self.lines])
        return turns * np.array(self.surface.periods), turns * codes

    def _height(self, ring: Ring) -> float:
        """Return the mean of v along a ring that goes round once."""
        ahead = np.vstack([ring.uv[1:], ring.uv[:1] + self._ahead(ring)[0]])
        width = ahead[:, 0] - ring.uv[:, 0]
        return float(((ahead[:, 1] + ring.uv[:, 1]) / 2.0 * width).sum() / width.sum())


def _area(uv: Array) -> float:
    x, y = (uv - uv[0]).T
    return float(0.5 * (x * np.roll(y, -1) - np.roll(x, -1) * y).sum())


def _reversed(ring: Ring, ahead: tuple[Array, Index]) -> Ring:
    """Return a ring the other way round: it starts where it came back to."""
    uv = np.vstack([ring.uv[:1] + ahead[0], ring.uv[:0:-1]])
    codes = np.vstack([ring.codes[:1] + ahead[1], ring.codes[:0:-1]])
    ids = np.concatenate([ring.ids[:1], ring.ids[:0:-1]])
    return Ring(ids, uv, codes, (-ring.turns[0], -ring.turns[1]))


def _roots(off: Callable[[Array], Array], low: Array, high: Array, at_low: Array, at_high: Array, near: float) -> Array:
    """Return where ``off`` is 0 between pairs of ends that have different signs: false position that halves weights."""
    low, high, at_low, at_high = low.copy(), high.copy(), at_low.copy(), at_high.copy()
    root = low
    for _ in range(_ROOT_STEPS):
        root = low + (high - low) * at_low / (at_low - at_high)
        value = off(root)
        if float(np.abs(value).max()) <= near:
            break
        same = (value > 0.0) == (at_low > 0.0)
        at_high = np.where(same, at_high / 2.0, value)
        high = np.where(same, high, root)
        at_low = np.where(same, value, at_low / 2.0)
        low = np.where(same, root, low)
    return root
