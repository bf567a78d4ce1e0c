"""A stretch between two supports, and how the rule sees it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Span:
    """One judged or exempt stretch of a run."""

    from_m: float
    to_m: float
    limit_m: float | None  # None: the rule states no limit here
    exempt: str | None  # "fished", "whip", "flexible", or None
    rule: str
    ok: bool
    why: str
    check: str = "securing"  # or "supporting"

    @property
    def length_m(self) -> float:
        """Distance along the cable."""
        return self.to_m - self.from_m
