"""How far from a run an element may be and still matter to it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from route3d.measure import GAP_SHOWN_M
from route3d.model.job import Job
from route3d.rules.rulebook import RuleBook

Floats = NDArray[np.float64]

# More than what checks look around with beyond the numbers that they compare: windows, mouths of holes, plates.
_TO_SPARE_M = 0.5

# Limits of the space of panels, which is about these and not about a run, and of hatches, which are facts.
_OF_PANELS = ("working-space", "dedicated-space")
_NOT_OF_A_RUN = (*_OF_PANELS, "attic-")


def reach_m(job: Job, rules: RuleBook) -> float:
    """Return a distance from the box of a piece to a box, beyond which no element matters; decks do at any height.

    Facts of the whole building (``model/facts.py``) and the space of panels (``panel_reach_m``) are apart.
    """
    radii = [cable.radius_m for cable in job.cables.values() if cable.radius_m is not None]
    settings = job.settings
    asked = [
        GAP_SHOWN_M,
        settings.attach_m,
        settings.strap_reach_m,
        settings.bore_length_m,
        settings.hole_allowance_m,
        *job.clearance_m.values(),
        *(
            limit.value_m
            for limit in rules.limits
            if limit.value_m is not None and not limit.key.startswith(_NOT_OF_A_RUN)
        ),
    ]
    return max(asked) + max(radii, default=0.0) + _TO_SPARE_M


def panel_reach_m(job: Job, rules: RuleBook) -> float:
    """Return a distance from a panel, box to box, beyond which no element matters to its space, nor that to a run."""
    asked = [limit.value_m for limit in rules.limits if limit.value_m is not None and limit.key.startswith(_OF_PANELS)]
    depths = [depth for row in rules.working_spaces for depth in row.depths_m]
    sizes = [size for panel in job.panels for size in (panel.width_m, panel.height_m) if size is not None]
    below = [
        abs(float(z) - panel.floor_m)
        for panel in job.panels
        if panel.floor_m is not None and (element := job.element(panel.element_id)) is not None
        for z in element.box_m[:, 2]
    ]
    return sum(max(numbers, default=0.0) for numbers in (asked, depths, sizes, below)) + _TO_SPARE_M


def around_element(box_m: Floats, role: str, reach: float) -> tuple[Floats, Floats]:
    """Return the box, low and high (3,), that the box of a piece meets if an element may matter to its run."""
    low, high = box_m[0] - reach, box_m[1] + reach
    if role == "deck":
        low[2], high[2] = -np.inf, np.inf
    return low, high
