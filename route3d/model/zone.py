"""Volumes that change what a rule asks of a cable inside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

KINDS = (
    "accessible-ceiling",
    "inaccessible",
    "wet",
    "damp",
    "corrosive",
    "damage",
    "plenum",
    "duct",
    "attic",
    "buried",
)

# Of buried zones: the rows of the table of least cover.
LOCATIONS = ("general", "under-concrete", "under-building", "under-slab", "street", "driveway", "runway")


@dataclass(frozen=True, slots=True, eq=False)
class Zone:
    """One zone of the project; its solids may be several, and each is closed unless ``unclosed`` names it."""

    name: str
    kind: str
    solids_m: tuple[NDArray[np.float64], ...]  # each (n, 3, 3), closed
    finished: bool = True  # inaccessible only: the building is finished, so that fishing is excused
    stairs: bool = False  # attic only: reached by permanent stairs or ladder
    moves_air: bool | None = None  # accessible-ceiling only: it returns air, as a plenum does; None: not said
    location: str = "general"  # buried only, one of LOCATIONS
    unclosed: tuple[str, ...] = ()  # where a solid of this zone is drawn that has no inside
    unclosed_m: tuple[NDArray[np.float64], ...] = ()  # their boxes, each (2, 3)


@dataclass(frozen=True, slots=True)
class ZoneStretch:
    """A stretch of one run inside one zone."""

    zone: Zone
    from_m: float
    to_m: float
