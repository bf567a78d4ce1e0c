"""What rules ask of the building as a whole, wherever a run is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from route3d.model.element import Element


@dataclass(frozen=True, slots=True)
class Facts:
    """All that the judgement of one run reads of elements that may be anywhere."""

    roles: frozenset[str] = frozenset()  # of all elements, except "ignore"
    hatches: tuple[Element, ...] = ()  # access panels that have a surface, in the job's order


def facts_of(elements: Iterable[Element]) -> Facts:
    """Return the facts of a building."""
    everything = tuple(elements)
    return Facts(
        frozenset(element.role for element in everything) - {"ignore"},
        tuple(e for e in everything if e.role == "access-panel" and len(e.triangles_m)),
    )
