"""How findings call things."""

from __future__ import annotations

from route3d.model.element import Element
from route3d.model.gap import Gap
from route3d.units import millimetres


def called(element: Element) -> str:
    """Return what a finding calls an element.

    ``duct M-DUCT-MAIN (services.dxf:2F1)``, or where its file says more: ``duct 'SD-12', system Supply air, Level 2
    (services.ifc:2O2Fr$t4X7Zf8NOew3FL9r)``.
    """
    words = [f"{element.role} {element.name!r}" if element.name else f"{element.role} {element.layer}"]
    if element.system:
        words.append(f"system {element.system}")
    if element.storey:
        words.append(element.storey)
    if element.fire_rating:
        words.append(f"fire rating {element.fire_rating}")
    return f"{', '.join(words)} ({element.element_id})"


def along(stretch: tuple[float, float]) -> str:
    """Return a stretch of a run in words: ``3.10 m`` or ``3.10–3.40 m``."""
    first, last = f"{stretch[0]:.2f}", f"{stretch[1]:.2f}"
    return f"{first} m" if first == last else f"{first}–{last} m"


def places(gap: Gap) -> str:
    """Return all stretches of a gap in words, the one with its worst place first."""
    others = [along(s) for s in gap.stretches_m if s != gap.stretch_m]
    also = f" (and at {', '.join(others[:4])}{' …' if len(others) > 4 else ''})" if others else ""
    return along(gap.stretch_m) + also


def direction(from_m: tuple[float, float, float], to_m: tuple[float, float, float], distance_m: float) -> str:
    """Return how to move from one point towards another, in building axes: ``12.0 mm in +x and 3.0 mm down``."""
    delta = [b - a for a, b in zip(from_m, to_m, strict=True)]
    norm = sum(d * d for d in delta) ** 0.5
    if norm < 1e-9:
        return f"{millimetres(distance_m)} sideways or in height"
    words = []
    for axis, part in zip("xyz", delta, strict=True):
        step = part / norm * distance_m
        if abs(step) < 5e-4:
            continue
        if axis == "z":
            words.append(f"{millimetres(abs(step))} {'up' if step > 0 else 'down'}")
        else:
            words.append(f"{millimetres(abs(step))} in {'+' if step > 0 else '-'}{axis}")
    return " and ".join(words) if words else millimetres(distance_m)
