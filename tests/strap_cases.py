"""Random runs on a grid of six inches, and the fewest straps found by trying every set of places."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from route3d.plans.strap_intervals import Places
from route3d.plans.strap_tasks import is_held
from route3d.rules.held import HeldRun, held_run
from route3d.rules.rulebook import RuleBook
from tests.builders import cable, framing, hanger, scene_for, straight_run, strap, zone

STEP_M = 0.1524  # six inches: 12 in, 4-1/2 ft, 6 ft and 10 ft are whole steps, so the best straps are on the grid
CEILING = zone("accessible-ceiling", "ceiling")
CLOSED = zone("inaccessible", "closed")
NEW = zone("inaccessible", "new", finished=False)

METHODS = ("mc-interlocked", "mc-smooth", "ac", "nm", "mi", "fmc", "emt", "data-pair")
ENDS = ("box", "fitting", "luminaire", "equipment", "flexible-equipment", "open")


@dataclass(frozen=True)
class GridCase:
    """A run of ``steps`` grid steps, and the grid stretches in which straps may be put."""

    run: HeldRun
    book: RuleBook
    steps: int
    stretches: tuple[tuple[int, int], ...]
    said: str

    @property
    def places(self) -> Places:
        return Places((a * STEP_M, b * STEP_M) for a, b in self.stretches)

    @property
    def grid(self) -> list[float]:
        return sorted({k * STEP_M for a, b in self.stretches for k in range(a, b + 1)})


def grid_case(rng: np.random.Generator, longest: int, *, plain: bool = False) -> GridCase:
    """Return a case of at most ``longest`` steps; ``plain`` leaves out exemptions."""
    steps = int(rng.integers(3, longest + 1))
    length = steps * STEP_M
    count = int(rng.integers(1, 4 + steps // 4))
    cuts = sorted(rng.integers(1, steps, size=2 * count).tolist())
    stretches = tuple((a, b) for a, b in zip(cuts[::2], cuts[1::2], strict=True))
    held = [
        make(int(rng.integers(1, steps)) * STEP_M)
        for make, most in ((strap, 2), (hanger, 2), (framing, 3))
        for _ in range(int(rng.integers(0, most + 1)) if rng.random() < 0.5 else 0)
    ]
    zones = []
    if not plain:
        for kind in (CEILING, CEILING, CLOSED, NEW):
            if rng.random() < 0.35:
                a, b = sorted(rng.integers(0, steps + 1, size=2).tolist())
                if kind is CEILING and rng.random() < 0.6:
                    a, b = 0, steps
                if a < b:
                    zones.append((kind, a * STEP_M, b * STEP_M))
    ends = ("box", "fitting", "open") if plain else ENDS
    method = str(rng.choice(METHODS[:5] if plain else METHODS))
    size = str(rng.choice(("12 AWG", "8 AWG", "250 kcmil")))
    start, end = str(rng.choice(ends)), str(rng.choice(ends))
    conductors = int(rng.choice((3, 5)))
    direction = (0.0, 0.0, 1.0) if rng.random() < 0.25 else (1.0, 0.0, 0.0)
    rules = str(rng.choice(("nec-2017", "nec-2023")))
    occupancy = str(rng.choice(("other", "dwelling")))
    of = cable(method, conductors=conductors, size=size, trade_size="3/4")
    scene = scene_for(
        straight_run(length, direction), of, held, zones, start=start, end=end, occupancy=occupancy, rules=rules
    )
    run = held_run(of, occupancy, scene.fitted[0].pieces, scene.attached[0], scene.zones[0], scene.job.zones)
    said = (
        f"{rules} {occupancy} {method} {conductors} {size} {steps} steps {direction[2]:.0f} {start}-{end} "
        f"{[(s.kind, round(s.at_m / STEP_M)) for s in run.supports]} "
        f"{[(z.name, round(a / STEP_M), round(b / STEP_M)) for z, a, b in zones]} places {stretches}"
    )
    return GridCase(run, scene.rules, steps, stretches, said)


def fewest_by_trying(case: GridCase, below: int) -> int | None:
    """Return the fewest grid straps the check passes with, if it is less than ``below``."""
    for count in range(below):
        for straps in combinations(case.grid, count):
            if is_held(case.run, straps, case.book):
                return count
    return None
