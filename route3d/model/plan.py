"""What the crew takes up the ladder: where the straps go, what to cut from which coil."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

Point = tuple[float, float, float]

STARTS = ("either", "start", "end")  # from which end a run is pulled


@dataclass(frozen=True, slots=True)
class StrapPlace:
    """One fastener of one run."""

    at_m: float  # along the fitted run
    point_m: Point  # on its centre line
    existing: bool  # it is there already and stays
    holder: str | None  # id of the structure that carries it; None where nothing is known to
    holder_role: str | None
    reach_m: float | None  # from the cable's surface to that structure
    shared_with: tuple[str, ...] = ()  # runs strapped at the same place, on one strut
    note: str = ""


@dataclass(frozen=True, slots=True)
class StuckStretch:
    """A stretch for which no allowed place exists, and what would help."""

    check: str  # securing, supporting
    from_m: float
    to_m: float
    rule: str
    why: str
    remedy: str


@dataclass(frozen=True, slots=True)
class StrapPlan:
    """The fasteners of one run; ``straps`` holds those that stay and those to add, sorted by distance."""

    run_id: str
    length_m: float
    straps: tuple[StrapPlace, ...]
    added: int
    fewest: int | None  # proven smallest number to add; None where no plan satisfies all rules
    stuck: tuple[StuckStretch, ...]
    margin: float  # share of each interval that is kept free, as asked
    notes: tuple[str, ...] = ()
    refused_at_m: tuple[float, ...] = ()  # straps of the run that only what may not hold them could: to be taken out
    refused_supports_at_m: tuple[float, ...] = ()  # supports likewise
    refused_drawn: tuple[tuple[str, float], ...] = ()  # element and distance of such ones drawn in a model


@dataclass(frozen=True, slots=True)
class Part:
    """One summand of a cut length, or one line of material, with where its value comes from."""

    name: str
    length_m: float
    source: str  # settings key, rule as cited, or "practice"


@dataclass(frozen=True, slots=True)
class CutLength:
    """What to cut for one run: the fitted line, and what is added to it."""

    run_id: str
    cable_id: str
    storey: str
    fitted_m: float
    parts: tuple[Part, ...]  # make-up at each end, slack, sag, waste
    total_m: float
    weight_kg: float | None
    pull_from: str  # one of STARTS
    pull_why: str
    group: str = ""  # the panel that a home run belongs to
    unsure: tuple[str, ...] = ()  # what had to be assumed, or could not be
    weight_source: str = ""  # the key of the project, or the table of nominal values
    feeder: bool = False


@dataclass(frozen=True, slots=True)
class Coil:
    """One coil or offcut of a cable: what is cut from it, in order, and what is left."""

    number: int
    cable_id: str
    length_m: float
    stock: str  # "new", or the name of the offcut that the project lists
    cuts: tuple[tuple[str, float], ...]  # run id, length
    left_m: float
    reusable: bool


@dataclass(frozen=True, slots=True)
class CableCut:
    """All coils of one cable, and the proven lower bound of what the plan minimises."""

    cable_id: str
    coils: tuple[Coil, ...]
    bought_m: float
    bought_bound_m: float  # no plan can buy less
    too_long: tuple[str, ...]  # runs longer than any coil
    unsure: tuple[str, ...] = ()
    minimised: str = "length"  # what the plan minimises: length that is bought, or cost
    cost: float | None = None  # of all that is bought, where the project states costs
    cost_bound: float | None = None  # no plan costs less
    proven: bool = True  # no plan is better than this one
    stock_source: str = ""  # the key of the project, or practice
    too_long_advice: str = ""


@dataclass(frozen=True, slots=True)
class Material:
    """One line of the list of material."""

    kind: str  # strap, connector, bushing, plate, fire-stop, grommet …
    size: str
    detail: str
    count: int
    by_run: Mapping[str, int]
    source: str


@dataclass(frozen=True, slots=True)
class TakeOff:
    """The whole take-off of a job."""

    lengths: tuple[CutLength, ...]
    cables: tuple[CableCut, ...]
    material: tuple[Material, ...]
    notes: tuple[str, ...]
    not_routed: tuple[str, ...] = ()  # runs without a route, of which nothing is in here
