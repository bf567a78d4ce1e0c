"""Everything that one check needs, read and resolved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from route3d.model.building import InputFile, Unread
from route3d.model.cable import Cable
from route3d.model.element import Element
from route3d.model.finding import Finding
from route3d.model.run import Run
from route3d.model.zone import Zone


@dataclass(frozen=True, slots=True)
class Settings:
    """Reach and tolerance, in metres; ``bend_target`` is a plain factor."""

    attach_m: float = 0.075
    strap_reach_m: float = 0.150
    chord_tolerance_m: float = 0.0001
    bend_target: float = 1.5
    bore_length_m: float = 0.150  # longest stretch through one framing member that still counts as a bored hole
    deck: str = "metal-roof"  # what elements of role deck are: metal-roof, other-roof, floor


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """A project, ready to be checked."""

    name: str
    occupancy: str  # other, dwelling
    checks: tuple[str, ...]
    cables: Mapping[str, Cable]
    runs: tuple[Run, ...]
    elements: tuple[Element, ...]
    zones: tuple[Zone, ...]
    clearance_m: Mapping[str, float]  # role -> smallest allowed gap; a role that is not named has 0
    settings: Settings
    inputs: tuple[InputFile, ...] = ()
    unread: tuple[Unread, ...] = ()
    notes: tuple[str, ...] = ()
    input_findings: tuple[Finding, ...] = field(default=())  # what reading the project already found wanting
