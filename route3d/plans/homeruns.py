"""Where a run belongs and how it is handled: its storey, its panel, from which end it is pulled, what it weighs."""

from __future__ import annotations

import math
from dataclasses import dataclass

from route3d.kernel.path import points_at
from route3d.model.allowance import RunAllowance, TakeOffSettings
from route3d.model.cable import Cable
from route3d.model.job import Job
from route3d.model.run import FittedRun
from route3d.model.support import Attachment, Termination
from route3d.plans.makeup import RACEWAYS

# Interlocked armour catches in holes one way and slides the other.
INTERLOCKED = frozenset({"mc-interlocked", "ac"})

# Practice: friction of dry armour on wood and on its own bends; only the ratio between both ends matters here.
FRICTION = 0.5
CLEARLY_EASIER = 1.05

# Nominal kg/m of interlocked aluminium armour over copper with a grounding conductor, no jacket, by largest size and
# all conductors: from a model of its parts, ± 12 %; the maker's sheet decides.
NOMINAL_KG_M = {
    ("14 AWG", 3): 0.12,
    ("14 AWG", 4): 0.14,
    ("12 AWG", 3): 0.16,
    ("12 AWG", 4): 0.19,
    ("12 AWG", 5): 0.23,
    ("10 AWG", 3): 0.23,
    ("10 AWG", 4): 0.29,
    ("10 AWG", 5): 0.35,
    ("8 AWG", 4): 0.41,
    ("6 AWG", 4): 0.63,
    ("4 AWG", 4): 0.92,
    ("2 AWG", 4): 1.37,
    ("1/0 AWG", 4): 2.08,
    ("4/0 AWG", 4): 3.87,
    ("250 kcmil", 4): 4.46,
    ("500 kcmil", 4): 8.56,
}
NOMINAL_SOURCE = "practice: nominal, copper in aluminium armour, ± 12 %; see the maker's sheet"


@dataclass(frozen=True, slots=True)
class Pull:
    """From which end a run is fed in, and why."""

    start: str  # one of plan.STARTS
    why: str


def at_panel(job: Job, end: Termination) -> bool:
    """Tell whether an end is at a panel: a cabinet, or equipment that a [[panel]] names."""
    return end.kind == "cabinet" or any(panel.element_id == end.element_id for panel in job.panels)


def is_feeder(job: Job, attachment: Attachment, own: RunAllowance) -> bool:
    """Tell whether a run is a feeder: what the project says, else one that goes from panel to panel."""
    if own.feeder is not None:
        return own.feeder
    return at_panel(job, attachment.start) and at_panel(job, attachment.end)


def panel_of(job: Job, attachment: Attachment, own: RunAllowance) -> str:
    """Return the panel that a home run goes to, a feeder's two panels, or nothing for other runs."""
    if own.group is not None:
        return own.group
    named = [_called(job, end) for end in (attachment.start, attachment.end) if at_panel(job, end)]
    return " – ".join(dict.fromkeys(named))


def _called(job: Job, end: Termination) -> str:
    element = job.element(end.element_id)
    if element is None:
        return "a cabinet that is not drawn"
    return element.name or element.element_id


def storey_of(job: Job, fitted: FittedRun, attachment: Attachment, settings: TakeOffSettings) -> str:
    """Return the storey of a run: what the project says, that of what it ends at, or by the height where it starts."""
    own = settings.runs.get(fitted.run.run_id)
    if own is not None and own.storey is not None:
        return own.storey
    for end in (attachment.start, attachment.end):
        element = job.element(end.element_id)
        if element is not None and element.storey:
            return element.storey
    height = float(points_at(fitted.pieces, [0.0])[0, 2])  # type: ignore[arg-type]
    below = [name for name, floor in settings.storeys if floor <= height + 1e-9]
    return below[-1] if below else ""


def pull_of(fitted: FittedRun, cable: Cable, attachment: Attachment, own: RunAllowance) -> Pull:
    """Propose from which end to feed a run in: where bored framing drags at it, the end that makes the easier pull.

    The pull is compared by friction alone: each metre inside drags alike, and each bend multiplies what pulls behind
    it by e to the friction times its angle. Practice, a proposal: which way armour slides is felt by hand.
    """
    if own.pull_from is not None:
        return Pull(own.pull_from, f'takeoff.run."{fitted.run.run_id}".pull_from')
    bored = [support.at_m for support in attachment.supports if support.kind == "framing"]
    if not bored:
        return Pull("either", "not bored through framing")
    dragged = f"bored framing at {len(bored)} place(s) drags at the cable"
    if cable.method in INTERLOCKED:
        dragged += "; interlocked armour slides one way through holes: feel the lay by hand and lead with the free end"
    forward, backward = _tension(fitted, False), _tension(fitted, True)
    if max(forward, backward) < CLEARLY_EASIER * min(forward, backward):
        return Pull("either", f"{dragged}; both ends pull alike (practice)")
    start = "start" if forward < backward else "end"
    less = 100.0 * (1.0 - min(forward, backward) / max(forward, backward))
    return Pull(start, f"{dragged}; fed in at its {start}, the pull is about {less:.0f} % less, since its bends come "
                "earlier (practice)")  # fmt: skip


def _tension(fitted: FittedRun, backward: bool) -> float:
    """Return the pull at the far end, for a drag of ``FRICTION`` a metre."""
    pulled, at_m = 0.0, 0.0
    bends = [(b.from_m, b.to_m, b.turn_rad) for b in fitted.bends]
    if backward:
        bends = [(fitted.length_m - to_m, fitted.length_m - from_m, turn) for from_m, to_m, turn in reversed(bends)]
    for from_m, to_m, turn in bends:
        pulled += FRICTION * max(from_m - at_m, 0.0)
        pulled = (pulled + FRICTION * (to_m - from_m) / 2.0) * math.exp(FRICTION * turn)
        pulled += FRICTION * (to_m - from_m) / 2.0
        at_m = to_m
    return pulled + FRICTION * max(fitted.length_m - at_m, 0.0)


def weight_of(cable: Cable) -> tuple[float | None, str]:
    """Return the kg/m of a cable and where that comes from; None where neither project nor table says it."""
    if cable.weight_kg_m is not None:
        return cable.weight_kg_m, f"cable.{cable.cable_id}.weight"
    if cable.method != "mc-interlocked" or cable.jacketed or cable.size is None or cable.conductors is None:
        return None, "" if cable.method in RACEWAYS else f"not known; state cable.{cable.cable_id}.weight"
    nominal = NOMINAL_KG_M.get((cable.size.text, cable.conductors))
    return nominal, NOMINAL_SOURCE if nominal is not None else f"not known; state cable.{cable.cable_id}.weight"
