"""Whether a cable may be in a zone."""

from __future__ import annotations

from dataclasses import dataclass

from route3d.model.cable import Cable
from route3d.rules.records import EnvironmentRule
from route3d.rules.rulebook import RuleBook


@dataclass(frozen=True, slots=True)
class EnvironmentJudgement:
    """``allowed`` is None where it cannot be told from what the project and the rule set say."""

    allowed: bool | None
    rule: str
    why: str


def judge_environment(
    cable: Cable, zone_kind: str, occupancy: str, book: RuleBook, serves_duct: bool = False
) -> EnvironmentJudgement:
    """Judge one cable in zones of one kind; ``occupancy`` is other or dwelling.

    ``serves_duct``: the run is in a duct only to act on, or to sense, its air.

    Where several rules match, one that bars the cable comes before one that leaves it open, and that before one that
    allows it; a project's own rules come before the rule set's.
    """
    matching = [rule for rule in book.environments if _concerns(rule, cable, zone_kind, occupancy, serves_duct)]
    own = [rule for rule in matching if rule.source == "project"]
    for allowed in (False, None, True):
        for rule in own or matching:
            if rule.allowed is allowed:
                return EnvironmentJudgement(allowed, rule.cite, rule.title)
    return EnvironmentJudgement(
        None, book.code, f"the rule set says nothing about {cable.method} in a zone of kind {zone_kind}"
    )


def _concerns(rule: EnvironmentRule, cable: Cable, zone_kind: str, occupancy: str, serves_duct: bool) -> bool:
    return (
        zone_kind in rule.zones
        and cable.method in rule.methods
        and (not rule.occupancies or occupancy in rule.occupancies)
        and rule.jacketed in (None, cable.jacketed)
        and rule.wet_rated in (None, cable.wet_rated)
        and rule.plenum_rated in (None, cable.plenum_rated)
        and rule.burial_rated in (None, cable.burial_rated)
        and rule.serves_duct in (None, serves_duct)
    )
