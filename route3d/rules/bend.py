"""How tight a cable may be bent."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class BendRequirement:
    """The smallest radius that the rule set allows one cable; radii are None where no limit can be stated."""

    inner_radius_m: float | None  # to the inner edge of the bend: factor × governing diameter
    centre_radius_m: float | None  # inner radius plus half the overall diameter
    rule: str  # "NEC 2023 330.24(B)"
    why: str  # "7 × 11.5 mm over the sheath"
    problem: str | None = None  # why no limit can be stated, as one sentence that says how to mend it
