"""From an IFC class to what the thing is for a cable, and the names that the project's patterns may use for it."""

from __future__ import annotations

import re
from collections.abc import Sequence

from importers.roles import NO_MATCH_ROLE

# Class, or class and predefined type, to role; the nearest ancestor that stands here decides.
CLASS_ROLES: dict[str, str] = {
    "IfcBeam": "structure", "IfcColumn": "structure", "IfcSlab": "structure", "IfcRoof": "structure",
    "IfcFooting": "structure", "IfcPile": "structure", "IfcDeepFoundation": "structure", "IfcRampFlight": "structure",
    "IfcStairFlight": "structure", "IfcReinforcingElement": "structure", "IfcMember": "framing",
    "IfcWall": "wall", "IfcCurtainWall": "wall", "IfcCovering.CEILING": "ceiling",
    "IfcDuctSegment": "duct", "IfcDuctFitting": "duct", "IfcDuctSilencer": "duct", "IfcAirTerminal": "duct",
    "IfcAirTerminalBox": "duct", "IfcDamper": "duct",
    "IfcPipeSegment": "pipe", "IfcPipeFitting": "pipe", "IfcValve": "pipe", "IfcFlowMeter": "pipe",
    "IfcFireSuppressionTerminal": "sprinkler",
    "IfcCableCarrierSegment": "tray", "IfcCableCarrierFitting": "tray",
    "IfcLightFixture": "luminaire", "IfcLamp": "luminaire",
    "IfcJunctionBox": "box", "IfcOutlet": "box", "IfcSwitchingDevice": "box",
    "IfcElectricDistributionBoard": "cabinet", "IfcElectricDistributionPoint": "cabinet",
    "IfcEnergyConversionDevice": "equipment", "IfcFlowMovingDevice": "equipment", "IfcFlowStorageDevice": "equipment",
    "IfcFlowTreatmentDevice": "equipment", "IfcElectricAppliance": "equipment", "IfcProtectiveDevice": "equipment",
    "IfcAudioVisualAppliance": "equipment", "IfcCommunicationsAppliance": "equipment",
    "IfcSpaceHeater": "equipment", "IfcDistributionControlElement": "equipment",
}  # fmt: skip
_HOT = re.compile(r"\b(hot|heating|steam|condensate|boiler|hws|hwr|lthw|dhw|hhw|hhws|hhwr)\b", re.IGNORECASE)
_NOT_RATED = frozenset({"", "-", "0", "n/a", "na", "none", "no", "false", "not rated", "unrated"})


def default_role(kind: str, predefined: str, ancestors: Sequence[str]) -> str:
    """Return the role of a thing that no pattern of the project speaks of.

    >>> default_role("IfcWallStandardCase", "", ["IfcWallStandardCase", "IfcWall", "IfcBuildingElement"])
    'wall'
    >>> default_role("IfcCovering", "FLOORING", ["IfcCovering"])
    'obstacle'
    """
    for name in (kind, *ancestors):
        for key in (f"{name}.{predefined}", name):
            if key in CLASS_ROLES:
                return CLASS_ROLES[key]
    return NO_MATCH_ROLE


def guess_class_role(layer: str, role: str) -> tuple[str, str] | None:
    """Return a role for a class as a survey lists it, and the reason; None for a layer that is no IFC class.

    ``role`` is what its class gave it when it was read.

    >>> guess_class_role("IfcBeam.JOIST", "structure")
    ('structure', 'IFC class')
    """
    if not layer.startswith("Ifc"):
        return None
    if layer.startswith("IfcSystem/"):
        return "hot-pipe", "its name says hot: confirm the temperature"
    kind = layer.partition(".")[0]
    if kind.startswith("IfcCableSegment"):
        return "cable", "IFC class"
    if kind.startswith(("IfcSpace", "IfcSpatialZone")):
        return "ignore", 'rooms; for a [[zone]] name them as layer = "IfcSpace/NAME"'
    return role, "IFC class" if role != NO_MATCH_ROLE else "no known class: give it a role"


def is_rated(rating: str) -> bool:
    """Tell whether a fire rating is stated, and not as none.

    >>> is_rated("EI 60"), is_rated("n/a")
    (True, False)
    """
    return rating.strip().lower() not in _NOT_RATED


def sounds_hot(system: str) -> bool:
    """Tell whether the name of a system of pipes suggests hot ones; a suggestion, for a person to confirm.

    >>> sounds_hot("Heating Supply"), sounds_hot("Chilled water")
    (True, False)
    """
    return _HOT.search(system.replace("_", " ")) is not None


def names_of(classes: Sequence[str], predefined: str, name: str, groups: Sequence[tuple[str, str]]) -> list[str]:
    """Return the names by which patterns may mean a thing; the first is the one that it is listed under.

    >>> names_of(["IfcPipeSegment"], "RIGIDSEGMENT", "P-7", [("IfcDistributionSystem", "Heating")])
    ['IfcPipeSegment.RIGIDSEGMENT', 'IfcPipeSegment', 'IfcPipeSegment/P-7', 'IfcSystem/Heating']
    """
    found = [f"{kind}.{predefined}" for kind in classes if predefined]
    found += classes
    found += [f"{kind}/{name}" for kind in classes if name]
    for kind, group in groups:
        found.append(f"IfcZone/{group}" if kind == "IfcZone" else f"IfcSystem/{group}")
    return list(dict.fromkeys(found))
