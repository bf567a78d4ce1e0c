"""Everything that one check needs, read and resolved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from route3d.model.allowance import TakeOffSettings
from route3d.model.building import InputFile, Unread
from route3d.model.cable import Cable
from route3d.model.element import Element
from route3d.model.finding import Finding
from route3d.model.panel import Panel
from route3d.model.routing import Routing
from route3d.model.run import Run
from route3d.model.zone import Zone

WITHOUT_ROUTE = "project run"  # what the finding that a run has no route yet goes by


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
    takeoff: TakeOffSettings = field(default_factory=TakeOffSettings)
    inputs: tuple[InputFile, ...] = ()
    # other files that were read for these: attached drawings, buffers of meshes, rule files; path as in ``inputs``, and
    # the sha256 of the content ("": it could not be read)
    beside: tuple[tuple[str, str], ...] = ()
    unread: tuple[Unread, ...] = ()
    notes: tuple[str, ...] = ()
    input_findings: tuple[Finding, ...] = field(default=())  # what reading the project already found wanting
    unrouted: tuple[Run, ...] = ()  # given by their two ends only, ``corners_m`` (2, 3): nothing of them is checked
    routing: Routing = field(default_factory=Routing)
    _by_id: Mapping[str, Element] | None = field(init=False, repr=False, default=None)

    def element(self, element_id: str | None) -> Element | None:
        """Return the element of that id, or None."""
        if self._by_id is None:
            object.__setattr__(self, "_by_id", {element.element_id: element for element in self.elements})
        assert self._by_id is not None
        return None if element_id is None else self._by_id.get(element_id)

    def with_runs(self, runs: tuple[Run, ...]) -> Job:
        """Return the job with other runs, and all that was prepared of its elements."""
        other = replace(self, runs=runs)
        object.__setattr__(other, "_by_id", self._by_id)
        return other
