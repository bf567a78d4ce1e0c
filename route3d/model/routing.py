"""What a route costs besides its length, where routes are looked for."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Routing:
    """Weights in metres of cable, or as a share of length added; practice, each a key of ``[routing]``."""

    turn_m: float = 0.4  # each bend
    hole_m: float = 3.0  # each crossing of a wall or framing member, for which a hole is made
    unheld: float = 1.0  # share added where no structure is in reach of a strap
    zone: float = 3.0  # share added inside zones other than accessible ceilings and plenums
    alternatives: int = 3  # how many routes are shown at most
    rise_m: float = 1.5  # how far above the higher end a route may go
    drop_m: float = 0.3  # how far below the lower end
    aside_m: float = 2.0  # how far outside of the rectangle of its ends
