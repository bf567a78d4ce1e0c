"""What a cable is made of, as far as a rule asks."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

METHODS = (
    "mc-interlocked",
    "mc-corrugated",
    "mc-smooth",
    "ac",
    "nm",
    "tc",
    "mi",
    "se",
    "uf",
    "fmc",
    "lfmc",
    "emt",
    "rmc",
    "imc",
    "pvc",
    "mv",
    "data-pair",
    "fibre",
    "other",
)

BENDERS = ("one-shot", "other")  # how a raceway is bent: one-shot and full-shoe benders, or otherwise

# AWG sizes from small to large; kcmil sizes are larger than all of them and compare by area.
_AWG = ("18", "16", "14", "12", "10", "8", "6", "4", "3", "2", "1", "1/0", "2/0", "3/0", "4/0")
_SIZE = re.compile(r"^\s*(?:(\d+(?:/0)?)\s*AWG|(\d+(?:\.\d+)?)\s*kcmil)\s*$", re.IGNORECASE)


@dataclass(frozen=True, slots=True, order=True)
class ConductorSize:
    """A conductor size that compares as a larger or smaller conductor; write it as ``"12 AWG"`` or ``"250 kcmil"``."""

    rank: float
    text: str

    @classmethod
    def parse(cls, text: str) -> ConductorSize:
        """Return the size written in ``text``.

        Raises
        ------
        ValueError
            The text is neither an AWG size of the standard series nor a kcmil size.

        >>> ConductorSize.parse("10 AWG") > ConductorSize.parse("12 AWG")
        True
        >>> ConductorSize.parse("250 kcmil") > ConductorSize.parse("4/0 AWG")
        True
        """
        match = _SIZE.match(text)
        if match is None or (match.group(1) and match.group(1) not in _AWG):
            raise ValueError(f"{text!r} is not a conductor size such as '12 AWG', '1/0 AWG' or '250 kcmil'")
        awg, kcmil = match.groups()
        if awg:
            return cls(float(_AWG.index(awg)), f"{awg} AWG")
        # 4/0 AWG is 211.6 kcmil; anything written in kcmil ranks above it by its own area
        return cls(len(_AWG) + float(Fraction(kcmil)), f"{kcmil} kcmil")


@dataclass(frozen=True, slots=True)
class Cable:
    """One cable or raceway of the project; ``None`` means that the project does not say."""

    cable_id: str
    method: str
    sheath_diameter_m: float | None = None  # over the metallic sheath, or the major axis of a flat cable
    overall_diameter_m: float | None = None  # with jacket: what clearances are measured from
    minor_diameter_m: float | None = None  # a flat cable's other axis
    conductor_diameter_m: float | None = None  # over one shielded conductor
    conductors: int | None = None  # insulated and grounding conductors, all counted
    size: ConductorSize | None = None  # of the largest conductor
    trade_size: str | None = None  # of a raceway: "1/2", "1-1/4"
    bender: str | None = None  # of a raceway, one of BENDERS
    pulled: bool = False  # bends are to hold while it is pulled through them, under tension
    shielded: bool = False
    jacketed: bool = False
    wet_rated: bool = False
    plenum_rated: bool = False
    burial_rated: bool = False  # identified for direct burial
    fitting: str | None = None  # "dry", "wet": what its connectors are made for
    bushings: bool | None = None  # insulating bushings at its cut ends
    bend_multiplier: float | None = None  # the maker's, in place of the rule set's
    weight_kg_m: float | None = None  # of one metre
    current_carrying: int | None = None  # how many of the conductors carry current; None: taken from ``conductors``

    @property
    def radius_m(self) -> float | None:
        """Half the overall diameter."""
        return None if self.overall_diameter_m is None else self.overall_diameter_m / 2.0
