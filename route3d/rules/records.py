"""What one entry of a rule file holds, with its citation; lengths in metres.

Every entry says where it stands (``section``), what it asks in our own words (``title``) and how its numbers came
here (``source``): ``seen`` a page that states them was read, ``memory`` written down without one, ``practice`` a
habit of the trade and no code, ``project`` the project's own rule file. ``cite`` is how findings name it.
"""

from __future__ import annotations

from dataclasses import dataclass

from route3d.model.cable import ConductorSize

SOURCES = ("seen", "memory", "practice", "project")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What every entry has."""

    key: str  # its name in the rule file, by which another file overrides it
    section: str
    title: str
    source: str  # one of SOURCES
    cite: str  # "NEC 2023 330.24(B)"


@dataclass(frozen=True, slots=True, kw_only=True)
class BendRule(Entry):
    """A bend limit to the inner edge: ``multiplier`` × a diameter, for cables that meet every condition."""

    methods: tuple[str, ...]
    multiplier: float
    of: str  # which diameter: sheath, overall, major (a flat cable's larger axis)
    conductor_multiplier: float | None = None  # × one shielded conductor; the greater of the two products binds
    diameter_over_m: float | None = None
    diameter_max_m: float | None = None  # included
    shielded: bool | None = None  # None: either
    conductors_min: int | None = None  # for cables of so many conductors; unknown counts as fewer
    pulling_multiplier: float | None = None  # in place of multiplier where bends are to hold under tension
    minor_axis: str = "never"  # a flat cable bent on its flat side: never, flat-side (allowed), silent (no word on it)
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RacewayBendRule(Entry):
    """A bend limit to the centre line by trade size, from one column of the table of radii."""

    methods: tuple[str, ...]
    column: str  # one_shot (for bends by one-shot and full-shoe benders; others take the other column), other


@dataclass(frozen=True, slots=True, kw_only=True)
class RacewayRadius(Entry):
    """One row of the table of radii to the centre line; ``key`` is the trade size."""

    one_shot_m: float
    other_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BendTotalRule(Entry):
    """The largest sum of bends between pull points."""

    methods: tuple[str, ...]
    degrees_max: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldRule(Entry):
    """The longest stretch between two places where a cable is held."""

    methods: tuple[str, ...]
    interval_m: float | None  # None: the rule set states none
    interval_metric_m: float | None = None  # the code's rounded metric value, where that is the longer one
    framing: bool = False  # openings in framing count, on other than vertical runs
    vertical_interval_m: float | None = None
    vertical_size_min: ConductorSize | None = None
    severity: str = "violation"
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstStrapRule(Entry):
    """How far from a termination the first strap may be; a None condition holds for every cable."""

    methods: tuple[str, ...]
    along_max_m: float | None = None  # along the cable
    straight_max_m: float | None = None  # as the tape is held
    conductors_max: int | None = None
    size_max: ConductorSize | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ExemptionRule(Entry):
    """When a stretch may be unsecured and unsupported."""

    kind: str  # fished, whip, flexible
    methods: tuple[str, ...]
    review_methods: tuple[str, ...] = ()  # for these the reading is disputed: no exemption, a caution instead
    length_max_m: float | None = None
    occupancies: tuple[str, ...] = ()  # empty: any
    trade_sizes: tuple[str, ...] = ()  # empty: any


@dataclass(frozen=True, slots=True, kw_only=True)
class DeckRule(Entry):
    """The smallest gap below a deck, from its lowest surface to the top of the cable."""

    kinds: tuple[str, ...]
    gap_min_m: float
    relieved_methods: tuple[str, ...] = ()
    slab_min_m: float | None = None  # concrete of this thickness over the deck relieves; None: none does


@dataclass(frozen=True, slots=True, kw_only=True)
class EnvironmentRule(Entry):
    """Whether cables that meet every condition may be in zones of some kinds; a None condition holds for each."""

    zones: tuple[str, ...]
    methods: tuple[str, ...]
    allowed: bool | None  # None: cannot be told from what a project says
    occupancies: tuple[str, ...] = ()  # empty: any
    jacketed: bool | None = None
    wet_rated: bool | None = None
    plenum_rated: bool | None = None
    burial_rated: bool | None = None
    serves_duct: bool | None = None  # the run is in the duct only to act on, or to sense, its air


@dataclass(frozen=True, slots=True, kw_only=True)
class BurialRule(Entry):
    """The least cover over cables and raceways in the ground, from their top to grade."""

    locations: tuple[str, ...]
    methods: tuple[str, ...]
    cover_m: float
    raceway_only: bool = False  # there only in a raceway


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitRule(Entry):
    """One number that a check compares with, or (without ``value_m``) one demand that it cites."""

    value_m: float | None = None
    methods: tuple[str, ...] = ()  # whom it concerns; empty: any
    relieved_methods: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BundleRule(Entry):
    """When cables without kept spacing lose ampacity, and to what percentage."""

    longer_than_m: float  # exactly this long does not count
    percent_by_count: tuple[tuple[int, float], ...]  # (from this many current-carrying conductors on, percent)
    relief_methods: tuple[str, ...]  # no adjustment when every cable is one of these, without jacket, and:
    relief_size: ConductorSize  # of this size
    relief_per_cable_max: int  # with no more current-carrying conductors in each
    relief_count_max: int  # and no more in all
    relief_percent_above: float  # percent where only the last condition is missed
    methods: tuple[str, ...]  # cables that count when they lie together; raceways and limited energy do not
    alone_methods: tuple[str, ...] = ()  # cables and raceways whose own conductors are counted
    relief_section: str = ""  # where the relief stands, if not in ``section``
    ground_in_sheath: tuple[str, ...] = ()  # none of the conductors in these is taken as the grounding one


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingSpaceRule(Entry):
    """One row of the table of depths in front of panels, by voltage to ground and by what is opposite."""

    volts_max: float  # included
    condition_1_m: float  # nothing live or grounded opposite
    condition_2_m: float  # something grounded
    condition_3_m: float  # live parts on both sides

    @property
    def depths_m(self) -> tuple[float, float, float]:
        """The depths for conditions 1, 2 and 3."""
        return (self.condition_1_m, self.condition_2_m, self.condition_3_m)
