"""How much to cut for a run: its fitted line, and what each end, sag, slack and waste add.

How that is read here:

- The line ends where it is drawn to end. What reaches from there to the box that it is attached to is measured and
  added; what is drawn inside the box already counts as cable.
- Beyond that come the sheath in the connector, then conductors free of the sheath: what is customary, and never less
  than the code asks for.
- Sag is a share of what is not steeper than 45°; waste is a share of everything before it.
- Raceways have no conductors of their own and no sheath: only waste is added to them. Rigid ones do not sag.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from route3d.kernel.path import ARC, KIND, LENGTH, V
from route3d.model.allowance import RunAllowance, TakeOffSettings
from route3d.model.plan import Part
from route3d.model.run import FittedRun
from route3d.units import TOLERANCE_M, both_units

RIGID = frozenset({"emt", "rmc", "imc", "pvc"})
FLEXIBLE_RACEWAYS = frozenset({"fmc", "lfmc"})
RACEWAYS = RIGID | FLEXIBLE_RACEWAYS

_STEEP = math.sin(math.radians(45.0))
_NOTHING_M = 1e-9  # what is left over by rounding of numbers, not of lengths
_FREE = frozenset({"box", "fitting", "luminaire"})  # outlets, junctions and switch points


@dataclass(frozen=True, slots=True)
class RunEnd:
    """One end of a run: what it goes to, how far short of that it is drawn, and that thing's height and width."""

    name: str  # start, end
    kind: str  # one of run.ENDS
    short_m: float = 0.0
    size_m: float = 0.0


@dataclass(frozen=True, slots=True)
class MadeUp:
    """What is added to a fitted line, and the sum of both."""

    parts: tuple[Part, ...]
    total_m: float
    unsure: tuple[str, ...]


def made_up(fitted: FittedRun, method: str, ends: Sequence[RunEnd], feeder: bool, settings: TakeOffSettings) -> MadeUp:
    """Return what to cut for a run; the total is a whole multiple of ``settings.round_up_m``."""
    own = settings.runs.get(fitted.run.run_id, RunAllowance())
    parts: list[Part] = []
    unsure: list[str] = []
    for end, said in zip(ends, (own.start_m, own.end_m), strict=True):
        parts += _end(end, said, method, settings, fitted.run.run_id)
        if end.kind == "open" and said is None and method not in RACEWAYS:
            unsure.append(f"the {end.name} is open: made up as at a box, since nobody says what it will end at")
    key = f'takeoff.run."{fitted.run.run_id}"'
    if own.slack_m is not None:
        parts.append(Part("slack", own.slack_m, f"{key}.slack"))
    if method not in RIGID:
        sag = settings.sag if own.sag is None else own.sag
        source = settings.source("sag") if own.sag is None else f"{key}.sag"
        parts.append(Part("sag", sag * level_length(fitted), source))
    if feeder:
        parts.append(Part("feeder", settings.feeder_extra_m, settings.source("feeder_extra")))
    waste_key = "feeder_waste" if feeder else "waste"
    waste = own.waste if own.waste is not None else settings.feeder_waste if feeder else settings.waste
    before = fitted.length_m + math.fsum(part.length_m for part in parts)
    source = f"{key}.waste" if own.waste is not None else settings.source(waste_key)
    parts.append(Part("waste", waste * before, source))
    total = whole_steps(before * (1.0 + waste), settings.round_up_m) * settings.round_up_m
    parts.append(Part("rounded up", max(total - before * (1.0 + waste), 0.0), settings.source("round_up")))
    return MadeUp(tuple(part for part in parts if part.length_m > _NOTHING_M), total, tuple(unsure))


def whole_steps(length_m: float, step_m: float) -> int:
    """Return how many steps are at least as long as a length; a thousandth of a millimetre more is none.

    >>> whole_steps(0.0254 * 3, 0.0254), whole_steps(0.0763, 0.0254)
    (3, 4)
    """
    return math.ceil((length_m - 1e-6) / step_m)


def level_length(fitted: FittedRun) -> float:
    """Return the length of a run that may sag: bends, and straight pieces no steeper than 45°."""
    rows = fitted.pieces
    sags = (rows[:, KIND] == ARC) | (np.abs(rows[:, V][:, 2]) <= _STEEP + 1e-12)
    return float(rows[sags, LENGTH].sum())


def _end(end: RunEnd, said: float | None, method: str, settings: TakeOffSettings, run_id: str) -> list[Part]:
    parts = []
    if end.short_m > TOLERANCE_M:
        parts.append(Part(f"{end.name}: to the {end.kind}", end.short_m, "measured: the line is drawn short of it"))
    if said is not None:
        return [*parts, Part(f"{end.name}: make-up", said, f'takeoff.run."{run_id}".{end.name}')]
    if method in RACEWAYS:
        return parts
    parts.append(
        Part(f"{end.name}: sheath", settings.sheath_m.get(end.kind, 0.0), settings.source(f"sheath.{end.kind}"))
    )
    conductors, source = settings.conductors_m.get(end.kind, 0.0), settings.source(f"conductors.{end.kind}")
    if end.kind == "cabinet" and end.size_m > conductors and "conductors.cabinet" not in settings.stated:
        conductors, source = end.size_m, f"practice: height and width of the panel, {both_units(end.size_m)}"
    if end.kind in _FREE and conductors < settings.free_conductor_m:
        conductors, source = settings.free_conductor_m, settings.source("free_conductor")
    parts.append(Part(f"{end.name}: conductors", conductors, source))
    slack = settings.slack_m.get(end.kind, 0.0)
    return [*parts, Part(f"{end.name}: slack", slack, settings.source(f"slack.{end.kind}"))] if slack else parts
