"""What a take-off adds to the fitted lengths, and the coils that it cuts from: what the project says, else practice."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

FREE_CONDUCTOR_RULE = "NEC 300.14"

# Where the defaults come from; every one of them is a setting.
SOURCES: Mapping[str, str] = {
    "free_conductor": f"{FREE_CONDUCTOR_RULE}, from memory: 6 in from where the conductors leave the sheath",
    "conductors": "practice: 8 to 12 in of sheath stripped at an end",
    "conductors.cabinet": "practice: 4 to 6 ft at a panel, or its height and width where these are more",
    "sheath": "practice: 1 to 1-1/2 in of sheath in the connector",
    "slack": "practice: 1 to 2 ft at a luminaire, so that it can be lowered",
    "sag": "practice: 1 to 2 % between supports 6 ft apart",
    "waste": "practice: 5 to 10 % of branch circuits",
    "feeder_waste": "practice: 2 to 3 % of feeders",
    "feeder_extra": "practice: 5 ft on each feeder",
    "round_up": "practice: cut to the next inch of the tape",
    "reusable": "practice: shorter offcuts are scrap or whips",
}

_BOX_M = 0.254  # 10 in
_CONDUCTORS_M = {
    "box": _BOX_M,
    "fitting": _BOX_M,
    "luminaire": _BOX_M,
    "equipment": _BOX_M,
    "flexible-equipment": _BOX_M,
    "cabinet": 1.524,  # 5 ft
    "open": _BOX_M,  # what it will end at is not known: counted as unsure
}
_SHEATH_M = dict.fromkeys(_CONDUCTORS_M, 0.0381)  # 1-1/2 in
_SLACK_M = {"luminaire": 0.4572}  # 18 in


@dataclass(frozen=True, slots=True)
class RunAllowance:
    """What the project says of one run; ``None`` means that it says nothing."""

    start_m: float | None = None  # all that is added at that end
    end_m: float | None = None
    slack_m: float | None = None  # on top of what its ends take
    sag: float | None = None
    waste: float | None = None
    feeder: bool | None = None
    pull_from: str | None = None  # start, end
    storey: str | None = None
    group: str | None = None  # the panel that it belongs to


@dataclass(frozen=True, slots=True)
class CoilStock:
    """One kind of coil of one cable, or an offcut that is at hand."""

    cable_id: str
    length_m: float
    count: int | None = None  # how many there are; None: as many as needed
    cost: float | None = None  # of one, in any currency
    offcut: str = ""  # its name; "": a coil that is bought


@dataclass(frozen=True, slots=True)
class TakeOffSettings:
    """Allowances in metres, shares as plain factors; ``stated`` names the keys that the project file gives."""

    free_conductor_m: float = 0.1524
    conductors_m: Mapping[str, float] = field(default_factory=lambda: dict(_CONDUCTORS_M))  # by kind of end
    sheath_m: Mapping[str, float] = field(default_factory=lambda: dict(_SHEATH_M))
    slack_m: Mapping[str, float] = field(default_factory=lambda: dict(_SLACK_M))
    sag: float = 0.015
    waste: float = 0.075
    feeder_waste: float = 0.03
    feeder_extra_m: float = 1.524
    round_up_m: float = 0.0254
    reusable_m: float = 1.8288
    storeys: tuple[tuple[str, float], ...] = ()  # name and height of its floor
    runs: Mapping[str, RunAllowance] = field(default_factory=dict)
    coils: tuple[CoilStock, ...] = ()
    stated: frozenset[str] = frozenset()

    def source(self, key: str) -> str:
        """Return where a value comes from: the key of the project file, or where its default does.

        >>> TakeOffSettings().source("sag")
        'practice: 1 to 2 % between supports 6 ft apart'
        """
        if key in self.stated:
            return f"takeoff.{key}"
        return SOURCES.get(key, SOURCES[key.split(".")[0]])
