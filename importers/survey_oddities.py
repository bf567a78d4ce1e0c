"""What looks odd in a folder of drawings: units, places, doubles, open shells. Suspicions, for a person to judge."""

from __future__ import annotations

import dataclasses
import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from route3d.kernel.openings import capped
from route3d.model.building import Drawing, LayerSummary
from route3d.units import METRES_PER_UNIT

Box = tuple[tuple[float, float, float], tuple[float, float, float]]

SMALLEST_M, LARGEST_M = 1.0, 2_000.0  # what a drawing of a building, or of a part of one, usually measures
FAR_M = 10_000.0
_NEAR_M = 1.0  # files this near to each other are taken to belong together
_SOLID_ROLES = frozenset({"structure", "framing", "duct", "pipe", "hot-pipe", "sprinkler", "equipment", "zone"})
_CAPPED_MAX = 200  # open things that are looked at for being tubes without ends
_SAME_M = 0.001


@dataclass(frozen=True, slots=True)
class LayerGuess:
    """One layer of one file, or several that one pattern covers."""

    pattern: str
    summary: LayerSummary
    role: str  # a role, or "cable" or "zone"
    reason: str


@dataclass(frozen=True, slots=True)
class FileSurvey:
    """One file; ``problem`` says why it cannot be read, or None. Without a unit, lengths are as in the file."""

    file: str
    unit: str | None = None  # None: it states none
    layers: tuple[LayerGuess, ...] = ()
    unread: int = 0
    notes: tuple[str, ...] = ()
    problem: str | None = None
    sha256: str = ""
    entities: int = 0
    triangles: int = 0
    box: Box | None = None
    states_up: bool = True
    spacing: float | None = None  # of a point cloud: how far apart neighbours are
    shape: str = ""  # the same for files of the same geometry, "" without any
    oddities: tuple[str, ...] = ()


def plausible_units(box: Box) -> dict[str, float]:
    """Return the units in which a box measures what buildings do, and its longest side in metres for each.

    >>> plausible_units(((0.0, 0.0, 0.0), (30.0, 12.0, 4.0)))
    {'m': 30.0, 'ft': 9.144}
    """
    longest = max(b - a for a, b in zip(*box, strict=True))
    sizes = {unit: round(longest * metres, 6) for unit, metres in METRES_PER_UNIT.items()}
    return {unit: size for unit, size in sizes.items() if SMALLEST_M * 2.0 <= size <= LARGEST_M / 4.0}


def with_oddities(survey: FileSurvey, drawing: Drawing) -> FileSurvey:
    """Return a survey with what its file alone shows."""
    found = [*_units(survey), *_place(survey), *_doubles(drawing), *_open_shells(drawing)]
    return dataclasses.replace(survey, oddities=tuple(found), shape=_shape(drawing))


def folder_oddities(surveys: Sequence[FileSurvey]) -> tuple[FileSurvey, ...]:
    """Return the surveys with what only shows beside the others: the same file twice, files that do not meet."""
    added: dict[str, list[str]] = {survey.file: [] for survey in surveys}
    for first, second in combinations([s for s in surveys if s.problem is None], 2):
        if first.sha256 == second.sha256:
            added[second.file].append(f"is the same file as {first.file}: leave one out")
        elif first.shape and first.shape == second.shape:
            added[second.file].append(f"holds the same geometry as {first.file}: leave one out, unless it is meant")
    boxes = {s.file: s.box for s in surveys if s.box is not None and s.unit is not None}
    for file, box in boxes.items():
        others = [name for name in boxes if name != file]
        if others and not any(_meet(box, other) for name, other in boxes.items() if name != file):
            added[file].append(
                f"does not overlap any other file ({', '.join(others[:3])}{' …' if len(others) > 3 else ''}): "
                "give it a move, or check its unit"
            )
    return tuple(dataclasses.replace(s, oddities=(*s.oddities, *added[s.file])) for s in surveys)


def _units(survey: FileSurvey) -> list[str]:
    if survey.box is None:
        return []
    longest = max(b - a for a, b in zip(*survey.box, strict=True))
    if survey.unit is None:
        likely = plausible_units(survey.box)
        said = ", ".join(f"{size:.3g} m if {unit}" for unit, size in likely.items()) or "no unit makes a building of it"
        return [f"states no unit; its longest side is {longest:.6g} units: {said}"]
    if 0.0 < longest < SMALLEST_M or longest > LARGEST_M:
        metres = METRES_PER_UNIT.get(survey.unit, 1.0)
        drawn = tuple(tuple(v / metres for v in corner) for corner in survey.box)
        likely = plausible_units(drawn)  # type: ignore[arg-type]
        instead = f"; {' or '.join(likely)} would be more usual" if likely else ""
        return [f"measures {longest:.4g} m across as it states {survey.unit}: check the unit{instead}"]
    return []


def _place(survey: FileSurvey) -> list[str]:
    if survey.box is None or survey.unit is None:
        return []
    low, high = survey.box
    away = math.dist([0.0, 0.0, 0.0], [(a + b) / 2.0 for a, b in zip(low, high, strict=True)])
    if away <= FAR_M:
        return []
    whole = ", ".join(f"{-round(v)}" for v in low)
    return [
        f"lies {away / 1000.0:.4g} km from the origin, as survey coordinates do: kept exactly; to bring all files "
        f"near, give each the same move, in metres about [{whole}]"
    ]


def _doubles(drawing: Drawing) -> list[str]:
    seen: dict[bytes, str] = {}
    twice: list[str] = []
    for element in drawing.elements:
        digest = hashlib.blake2b(np.round(element.triangles_m / _SAME_M).tobytes(), digest_size=16).digest()
        if digest in seen:
            twice.append(element.layer)
        seen.setdefault(digest, element.element_id)
    if not twice:
        return []
    layers = sorted(set(twice))
    on = f"{', '.join(layers[:4])}{' …' if len(layers) > 4 else ''}"
    return [f"{len(twice)} thing(s) are drawn twice at the same place (on {on})"]


def _open_shells(drawing: Drawing) -> list[str]:
    """Count, by layer, what is open where a solid is expected; tubes that only lack their ends are closed later."""
    count: dict[str, list[int]] = {}
    looked = 0
    for element in drawing.elements:
        if element.role not in _SOLID_ROLES or element.thickness_m:
            continue
        tally = count.setdefault(element.layer, [0, 0])
        tally[1] += 1
        if element.closed:
            continue
        looked += 1
        if (
            element.role == "zone"
            or len(element.triangles_m) < 4
            or looked > _CAPPED_MAX
            or capped(element.triangles_m) is None
        ):
            tally[0] += 1
    return [
        f"{layer}: {opened} of {every} are open shells where solids are expected: a run inside would only be seen at "
        "its skin"
        for layer, (opened, every) in sorted(count.items())
        if opened
    ]


def _shape(drawing: Drawing) -> str:
    """Return a digest of the geometry that does not depend on order, names or handles."""
    if not drawing.elements:
        return ""
    boxes = np.array([np.ravel(e.box_m) for e in drawing.elements])
    sizes = np.array([[len(e.triangles_m)] for e in drawing.elements])
    rows = np.round(np.concatenate([boxes / _SAME_M, sizes], axis=1)).astype(np.int64)
    ordered = rows[np.lexsort(rows.T)]
    return hashlib.sha256(ordered.tobytes()).hexdigest()


def _meet(first: Box, second: Box) -> bool:
    return all(
        a_low - _NEAR_M <= b_high and b_low - _NEAR_M <= a_high
        for a_low, a_high, b_low, b_high in zip(*first, *second, strict=True)
    )
