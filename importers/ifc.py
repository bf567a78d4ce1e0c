"""Building geometry from an IFC file: all things as triangles in metres in the file's axes, and a word on the rest.

The library works in child processes (``importers.ifc_process``). Coordinates are double precision all the way; survey
coordinates keep their digits. A map conversion is not applied here but handed on: ``importers.ifc_frame`` brings files
into one frame.
"""

from __future__ import annotations

import logging
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from importers import ifc_process
from importers.ifc_frame import map_place
from importers.ifc_open import StagedIfc, staged
from importers.ifc_roles import default_role, is_rated, names_of, sounds_hot
from importers.roles import ZONE_ROLE, RoleOf, StatesRoles
from route3d.errors import UnknownUnitError, UnreadableFileError
from route3d.kernel.shells import find_shells
from route3d.model.building import Drawing, InputFile, LayerSummary, Unread
from route3d.model.element import Element
from route3d.units import METRES_PER_UNIT

log = logging.getLogger(__name__)

Array = NDArray[np.float64]
Box = tuple[tuple[float, float, float], tuple[float, float, float]]

SPACES = ("IfcSpace", "IfcSpatialZone")
LARGEST_M = 20_000.0  # no building extends further: its unit is wrong
SMALLEST_M = 0.05
FARTHEST_M = 1e8
TRIANGLES_MAX = 12_000_000
_SAY_EVERY = 25


def read_model(
    path: Path,
    *,
    name: str,
    role_of: RoleOf,
    units: str | None,
    move_m: Sequence[float],
    chord_tolerance_m: float,
    say: Callable[[str], None] = lambda _: None,
    element_seconds: float = ifc_process.ELEMENT_SECONDS,
) -> Drawing:
    """Read the geometry of an IFC file (text, or zipped), of IFC2X3, IFC4 or IFC4X3.

    Parameters
    ----------
    path, name : the file, and how messages and ids call it.
    role_of : from a thing's names to a role of the model or ``"zone"``: class and predefined type
        (``IfcCovering.CEILING``), class, class and name (``IfcPipeSegment/HWS-3``), system (``IfcSystem/Heating``).
        Where it ``StatesRoles``, what it leaves open gets the role of its class.
    units : what the project says about the unit of length; None leaves it to the file.
    move_m : (3,) shift into the common frame.
    chord_tolerance_m : how far triangles of a curved surface may be off it.
    say : told how far it is.
    element_seconds : what one element may take.

    Raises
    ------
    MissingExtraError, UnreadableFileError, UnknownUnitError
    """
    with staged(path, name) as file:
        say(f"opening {name}")
        child, facts = ifc_process.opened(file.path, name, facts=True)
        try:
            factor, unit, notes = scale_of(facts, units, name)
            model = _Model(name, role_of, factor, np.asarray(move_m, dtype=np.float64))
            wanted = model.choose(facts["products"], facts["ancestors"])
            if not facts["products"]:
                raise UnreadableFileError(
                    name, "holds no thing of a building: export it again with the model's elements"
                )
        except BaseException:
            child.end()
            raise
        for done, made in enumerate(
            ifc_process.shapes(
                file.path, name, chord_tolerance_m / factor, list(wanted), child, element_seconds=element_seconds
            )
        ):
            if done % _SAY_EVERY == 0:
                say(f"reading {name}: {done} of {len(wanted)} elements, {model.triangles} triangles")
            model.take(wanted[made.number], made)
    model.judge_extent(units)
    place, place_notes = map_place(facts["map"], factor)
    source = InputFile(
        name,
        file.sha256,
        unit,
        len(facts["products"]),
        sum(len(e.triangles_m) for e in model.elements),
        (*file.notes, *notes, *place_notes, *model.said(facts["skipped"])),
    )
    unread = (*damage_rows(file, facts, name), *model.unread)
    log.info("%d elements, %d not read, from %s", len(model.elements), len(unread), path)
    return Drawing(
        tuple(model.elements),
        (),
        unread,
        source,
        model.summaries(),
        repeatable=model.repeatable,
        map_place=place,
    )


def scale_of(facts: dict[str, Any], units: str | None, name: str) -> tuple[float, str, list[str]]:
    """Return what to multiply the library's metres by, the unit's name, and notes on a contradiction.

    Raises
    ------
    UnknownUnitError
    """
    stated = facts["unit"]
    if units is None:
        if stated is None:
            raise UnknownUnitError(name, 'states no unit of length: add units = "mm" (or cm, m, in, ft) to its entry')
        return 1.0, _unit_name(stated), []
    if units not in METRES_PER_UNIT:
        raise UnknownUnitError(name, f"the unit {units!r} is not known: write one of {', '.join(METRES_PER_UNIT)}")
    if stated is None:
        return METRES_PER_UNIT[units], units, []
    factor = METRES_PER_UNIT[units] / stated["metres"]
    if abs(factor - 1.0) < 1e-9:
        return 1.0, units, []
    return (
        factor,
        units,
        [f"the file states the unit {_unit_name(stated)}, the project states {units}: read in {units}"],
    )


def _unit_name(stated: dict[str, Any]) -> str:
    metres = float(stated["metres"])
    known = next((unit for unit, m in METRES_PER_UNIT.items() if abs(m - metres) < 1e-9 * m), None)
    return known if known is not None else str(stated["name"])


def damage_rows(file: StagedIfc, facts: dict[str, Any], name: str) -> list[Unread]:
    """Return rows of unknown extent for what the file has lost."""
    if not file.whole:
        return [Unread(name, "", "", "FILE", "the file ends before its end mark, the rest is missing: export it again")]
    lost = file.entities - int(facts["entities"])
    if lost > 0:
        reason = f"{lost} of {file.entities} entities are lost because the file is damaged: export it again"
        return [Unread(name, "", "", "FILE", reason)]
    return []


@dataclass(slots=True)
class _Layer:
    """What is counted for one name in the survey."""

    role: str
    kinds: Counter[str] = field(default_factory=Counter)
    triangles: int = 0
    low: Array = field(default_factory=lambda: np.full(3, np.inf))
    high: Array = field(default_factory=lambda: np.full(3, -np.inf))


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing that is to be read: what the file says of it, and what the project makes of it."""

    facts: dict[str, Any]
    handle: str
    layers: tuple[tuple[str, str], ...]  # name and role: more than one only for a space in several zones


class _Model:
    """Gathers one file."""

    def __init__(self, name: str, role_of: RoleOf, factor: float, move_m: Array) -> None:
        self._name = name
        self._role_of = role_of
        self._factor = factor
        self._move_m = move_m
        self._layers: dict[str, _Layer] = {}
        self._by_class: dict[str, dict[str, None]] = defaultdict(dict)  # role -> classes that got it without a pattern
        self._counts: Counter[str] = Counter()
        self._shapeless: Counter[str] = Counter()
        self.elements: list[Element] = []
        self.unread: list[Unread] = []
        self.triangles = 0
        self.repeatable = True

    def choose(self, products: Sequence[dict[str, Any]], ancestors: dict[str, list[str]]) -> dict[int, Thing]:
        """Return the things whose shape is wanted, by entity number."""
        wanted: dict[int, Thing] = {}
        handles: set[str] = set()
        for facts in products:
            handle = facts["guid"] or f"#{facts['id']}"
            if handle in handles:
                handle = f"{handle}#{facts['id']}"
                self._counts["GUIDs are used twice"] += 1
            handles.add(handle)
            layers = self._layers_of(facts, ancestors)
            for layer, role in layers:
                self._layers.setdefault(layer, _Layer(role)).kinds[facts["class"]] += 1
            if not layers:
                self._counts["spaces of no zone"] += 1
            elif all(role == "ignore" for _, role in layers):
                self._counts["ignored"] += 1
            elif not facts["shape"]:
                if not facts["whole"] and facts["class"] not in ("IfcSite", "IfcBuilding", "IfcBuildingStorey"):
                    self._shapeless[facts["class"]] += 1
            else:
                wanted[facts["id"]] = Thing(facts, handle, tuple(layers))
        return wanted

    def _layers_of(self, facts: dict[str, Any], ancestors: dict[str, list[str]]) -> list[tuple[str, str]]:
        classes = list(dict.fromkeys((facts["kind"], facts["class"])))
        names = names_of(classes, facts["type"], facts["name"], facts["systems"])
        if facts["class"] in SPACES:
            names += names_of(classes, "", facts["long"], ())
            zones = [one for one in dict.fromkeys(names) if self._stated(one) == ZONE_ROLE]
            if not zones:
                self._layers.setdefault(facts["class"], _Layer("ignore")).kinds[facts["class"]] += 1
            return [(one, ZONE_ROLE) for one in zones]
        for kind, system in facts["systems"]:
            if kind != "IfcZone" and facts["kind"].startswith("IfcPipe") and sounds_hot(system):
                self._layers.setdefault(f"IfcSystem/{system}", _Layer("pipe")).kinds[facts["class"]] += 1
        role = self._stated(*names)
        if role is None:
            role = default_role(facts["kind"], facts["type"], [*ancestors[facts["kind"]], *ancestors[facts["class"]]])
            if role == "wall" and is_rated(facts["fire"]):
                role = "fire-wall"
            if facts["shape"]:
                self._by_class[role][facts["kind"]] = None
        elif role == "wall" and is_rated(facts["fire"]):
            self._counts["rated walls"] += 1
        if role == ZONE_ROLE:
            return [(next(one for one in names if self._stated(one) == ZONE_ROLE), ZONE_ROLE)]
        return [(names[0], role)]

    def _stated(self, layer: str, *also: str) -> str | None:
        """Return the role that the project gives a thing with these names, None where it leaves that to the class."""
        ask = self._role_of.stated if isinstance(self._role_of, StatesRoles) else self._role_of
        return ask(layer, *also)

    def take(self, thing: Thing, made: ifc_process.Made) -> None:
        """Take in what became of one thing."""
        layer, role = thing.layers[0]
        box = None if made.box is None else _box(self._placed(made.box))
        self.repeatable &= not made.again
        if made.failed is not None:
            self._miss(thing, f"its geometry was not read ({made.failed})", box)
            return
        corners = self._placed(made.corners)
        if not np.isfinite(corners).all() or np.abs(corners).max() > FARTHEST_M:
            self._miss(thing, f"it lies beyond {FARTHEST_M:g} m or has numbers that cannot be used", None)
            return
        if self.triangles + len(made.faces) > TRIANGLES_MAX:
            self._miss(thing, f"the file comes to more than {TRIANGLES_MAX} triangles", _box(corners))
            return
        if made.lost:
            if box is not None:
                box = _box(np.concatenate([np.array(box), corners]))
            self._miss(thing, f"part of it was not read ({'; '.join(made.lost)})", box)
        if made.uncut is not None:
            self._counts["uncut"] += 1
        triangles, closed = solid(corners[made.faces])
        self.triangles += len(triangles)
        facts = thing.facts
        systems = ", ".join(group for kind, group in facts["systems"] if kind != "IfcZone")
        for number, (one, role) in enumerate(thing.layers):
            self.elements.append(
                Element(
                    element_id=f"{self._name}:{thing.handle}" + (f"/{number + 1}" if number else ""),
                    role=role,
                    layer=one,
                    kind=facts["class"],
                    triangles_m=triangles,
                    closed=closed,
                    file=self._name,
                    handle=thing.handle,
                    name=facts["name"],
                    storey=facts["storey"],
                    system=systems,
                    fire_rating=facts["fire"],
                    guid=facts["guid"],
                )
            )
        counted = self._layers[layer]
        counted.triangles += len(triangles)
        counted.low = np.minimum(counted.low, corners.min(axis=0))
        counted.high = np.maximum(counted.high, corners.max(axis=0))

    def _placed(self, points: Array) -> Array:
        return np.asarray(points * self._factor + self._move_m)

    def _miss(self, thing: Thing, reason: str, box: Box | None) -> None:
        facts = thing.facts
        named = f"{facts['name']!r}: " if facts["name"] else ""
        self.unread.append(
            Unread(self._name, thing.handle, thing.layers[0][0], facts["class"], f"{named}{reason}", box)
        )

    def judge_extent(self, units: str | None) -> None:
        """Say where the extent of the building is none of a building: its unit is wrong, and everything misplaced."""
        boxes = np.array([e.box_m for e in self.elements if e.role != ZONE_ROLE])
        if len(boxes) == 0:
            return
        # a few stray things must not decide
        low, high = np.quantile(boxes[:, 0], 0.05, axis=0), np.quantile(boxes[:, 1], 0.95, axis=0)
        extent = float((high - low).max())
        if SMALLEST_M <= extent <= LARGEST_M:
            return
        reason = (
            f"its things extend over {extent:.3g} m, which is no building: the unit that it states is wrong; "
            "state it in its [[model]] entry, units = " + ('"mm"' if extent > LARGEST_M else '"m"')
        )
        if units is None:
            self.unread.append(Unread(self._name, "", "", "FILE", reason))
        else:
            self._counts[f"the things of the file extend over {extent:.3g} m in the unit {units}"] += 1

    def said(self, skipped: dict[str, int]) -> list[str]:
        """Return one sentence for each kind of thing that is not an element, and on how roles were given."""
        counts = self._counts
        said = []
        if self._by_class:
            roles = "; ".join(f"{', '.join(sorted(kinds))} {role}" for role, kinds in sorted(self._by_class.items()))
            said.append(f"no pattern gives these a role, so their IFC class does: {roles}")
        if skipped:
            said.append(f"no things of the building, not read: {_listed(skipped)}")
        if self._shapeless:
            said.append(f"stated without geometry, so they are not in the model: {_listed(self._shapeless)}")
        if counts["ignored"]:
            said.append(f"{counts['ignored']} things are of role ignore")
        if counts["spaces of no zone"]:
            said.append(f"{counts['spaces of no zone']} spaces belong to no [[zone]] and were not read")
        if counts["GUIDs are used twice"]:
            said.append(f"{counts['GUIDs are used twice']} things share their GUID with another; #n tells them apart")
        if counts["rated walls"]:
            said.append(f"{counts['rated walls']} walls state a fire rating, but a pattern gives them the role wall")
        if counts["uncut"]:
            said.append(
                f"{counts['uncut']} things have an opening or a cut that was not made: they are larger than drawn"
            )
        said += [sentence for sentence in counts if sentence.startswith("the things of the file extend")]
        return said

    def summaries(self) -> tuple[LayerSummary, ...]:
        """Return what a first look at the file shows, class by class."""
        return tuple(
            LayerSummary(
                name,
                tuple(sorted(layer.kinds.items())),
                layer.role,
                layer.triangles,
                None if layer.low[0] > layer.high[0] else _box(np.array([layer.low, layer.high])),
            )
            for name, layer in sorted(
                self._layers.items(), key=lambda pair: (not pair[0].startswith("IfcSystem"), pair[0])
            )
        )


def solid(triangles_m: Array) -> tuple[Array, bool]:
    """Return the triangles (n, 3, 3) with closed shells looking outward, and whether every shell is closed."""
    shells = find_shells(triangles_m)
    if len(shells.closed) == 0:
        return triangles_m, False
    inward = (shells.shell >= 0) & (shells.volume_m3 < 0.0)[shells.shell]
    if inward.any():
        triangles_m = np.where(inward[:, None, None], triangles_m[:, ::-1], triangles_m)
    return triangles_m, bool(shells.closed.all())


def _listed(counts: dict[str, int]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items()))


def _box(points: Array) -> Box:
    low, high = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    return (low[0], low[1], low[2]), (high[0], high[1], high[2])
