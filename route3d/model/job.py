"""Everything that one check needs, read and resolved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from route3d.model.building import InputFile, Unread
from route3d.model.cable import Cable
from route3d.model.element import Element
from route3d.model.finding import Finding
from route3d.model.panel import Panel
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
    deck_slab_m: float = 0.0  # thickness of concrete over the deck
    hole_allowance_m: float = 0.0  # how much wider than its cable a hole is bored
    bundle_spacing_m: float | None = None  # kept spacing between cables; None: the diameter of the larger of two


@dataclass(frozen=True, slots=True)
class FireStop:
    """A fire-stop that the project states."""

    run: str
    system: str
    at_m: float | None = None  # where along the run; None: wherever it passes through something rated


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
    firestops: tuple[FireStop, ...] | None = None  # None: the project states none
    panels: tuple[Panel, ...] = ()  # what needs working space
    inputs: tuple[InputFile, ...] = ()
    unread: tuple[Unread, ...] = ()
    notes: tuple[str, ...] = ()
    input_findings: tuple[Finding, ...] = field(default=())  # what reading the project already found wanting
    _by_id: Mapping[str, Element] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_by_id", {element.element_id: element for element in self.elements})

    def element(self, element_id: str | None) -> Element | None:
        """Return the element of that id, or None."""
        return None if element_id is None else self._by_id.get(element_id)
