"""``route3d.toml``: text in, checked tables out; lengths still in the file's own unit.

Keys are checked here by shape and by name; what they mean together is resolved in ``route3d.project``.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from importers.project_values import (
    Bent,
    Count,
    CountFromOne,
    End,
    Flag,
    NotNegative,
    Number,
    Point2,
    Point3,
    Positive,
    Role,
    Share,
    Stretch,
    Text,
    Unit,
    one_line,
    one_of,
    short,
)
from importers.project_values import nearest as nearest
from route3d.errors import ProjectKeyError, UnreadableFileError
from route3d.files import read_text, why
from route3d.model.cable import BENDERS, METHODS, ConductorSize
from route3d.model.element import MATERIALS, ROLES
from route3d.model.finding import CHECKS
from route3d.model.panel import FRONTS
from route3d.model.zone import KINDS as ZONE_KINDS
from route3d.model.zone import LOCATIONS
from route3d.units import parse_weight

PROJECT_FILE = "route3d.toml"
MOST_BYTES = 64_000_000  # of a project file
DECKS = ("metal-roof", "other-roof", "floor")


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ModelTable(_Table):
    """One ``[[model]]``."""

    file: Text
    units: Unit | None = None
    move: Point3 = [0.0, 0.0, 0.0]
    up: Literal["z", "y"] | None = None
    point_radius: Positive | None = None
    roles: dict[Text, Role] = {}


class RoutesTable(_Table):
    """One ``[[routes]]``."""

    file: Text
    units: Unit | None = None
    move: Point3 = [0.0, 0.0, 0.0]
    cables: Annotated[dict[Text, Text], Field(min_length=1)]


class RunTable(_Table):
    """One ``[[run]]``."""

    id: Text
    cable: Text
    path: Annotated[list[Point3], Field(min_length=2)] | None = None
    from_point: Point3 | None = None
    to_point: Point3 | None = None
    start: End | None = None
    end: End | None = None
    bent: Bent | list[Bent] | None = None
    straps: list[NotNegative] = []
    supports: list[NotNegative] = []
    plates: list[Stretch] = []
    guards: list[Stretch] = []
    grommets: Flag | None = None
    serves_duct: Flag = False

    @model_validator(mode="after")
    def _routed_or_not(self) -> RunTable:
        ends = [key for key in ("from_point", "to_point") if getattr(self, key) is not None]
        if self.path is not None and ends:
            raise ValueError(f"it has a path, so that {ends[0]} says nothing; take one of them out")
        if self.path is None and len(ends) < 2:
            raise ValueError("path is missing: give its points, or from_point and to_point where it has no route yet")
        if self.path is None and (self.straps or self.supports or self.plates or self.guards):
            raise ValueError("it has no route yet, so nothing can be placed along it")
        return self

    @model_validator(mode="after")
    def _forward(self) -> RunTable:
        for key in ("plates", "guards"):
            for from_, to in getattr(self, key):
                if to <= from_:
                    raise ValueError(
                        f"{key}: a stretch goes from a smaller to a larger distance, not {from_:g} to {to:g}"
                    )
        return self


class CableTable(_Table):
    """One ``[cable.NAME]``."""

    method: Annotated[Text, one_of(METHODS)]
    sheath_diameter: Positive | None = None
    overall_diameter: Positive | None = None
    minor_diameter: Positive | None = None
    conductor_diameter: Positive | None = None
    conductors: CountFromOne | None = None
    size: Text | None = None
    trade_size: Text | None = None
    bender: Annotated[Text, one_of(BENDERS)] | None = None
    pulled: Annotated[bool, Field(strict=True)] = False
    shielded: Annotated[bool, Field(strict=True)] = False
    jacketed: Annotated[bool, Field(strict=True)] = False
    wet_rated: Annotated[bool, Field(strict=True)] = False
    plenum_rated: Annotated[bool, Field(strict=True)] = False
    burial_rated: Flag = False
    fitting: Literal["dry", "wet"] | None = None
    bushings: Flag | None = None
    bend_multiplier: Positive | None = None
    weight: Text | None = None
    current_carrying: Count | None = None

    @model_validator(mode="after")
    def _consistent(self) -> CableTable:
        if self.size is not None:
            ConductorSize.parse(self.size)
        if self.weight is not None:
            parse_weight(self.weight)
        sheath, overall, minor = self.sheath_diameter, self.overall_diameter, self.minor_diameter
        if sheath is not None and overall is not None and overall < sheath:
            raise ValueError(f"overall_diameter {overall:g} is smaller than sheath_diameter {sheath:g}")
        carrying = self.current_carrying
        if carrying is not None and self.conductors is not None and carrying > self.conductors:
            raise ValueError(f"current_carrying {carrying} is more than conductors {self.conductors}")
        largest = overall if overall is not None else sheath
        if minor is not None and largest is not None and minor > largest:
            raise ValueError(f"minor_diameter {minor:g} is larger than the diameter {largest:g}")
        return self


_OF_ONE_KIND = {
    "finished": "inaccessible",
    "stairs": "attic",
    "moves_air": "accessible-ceiling",
    "location": "buried",
}


class ZoneTable(_Table):
    """One ``[[zone]]``."""

    name: Text
    kind: Annotated[Text, one_of(ZONE_KINDS)]
    finished: Annotated[bool, Field(strict=True)] | None = None
    stairs: Flag | None = None
    moves_air: Flag | None = None
    location: Annotated[Text, one_of(LOCATIONS)] | None = None
    layer: Text | None = None
    outline: Annotated[list[Point2], Field(min_length=3)] | None = None
    bottom: Number | None = None
    top: Number | None = None

    @model_validator(mode="after")
    def _consistent(self) -> ZoneTable:
        if (self.layer is None) == (self.outline is None):
            raise ValueError("a zone has either 'layer' or 'outline'")
        if (self.bottom is None) != (self.top is None) or (self.outline is not None and self.bottom is None):
            raise ValueError("an outline needs both 'bottom' and 'top'")
        if self.bottom is not None and self.top is not None and self.bottom >= self.top:
            raise ValueError(f"bottom {self.bottom:g} is not below top {self.top:g}")
        for key, kind in _OF_ONE_KIND.items():
            if getattr(self, key) is not None and self.kind != kind:
                raise ValueError(f'{key!r} belongs to kind "{kind}" only')
        return self


class FireStopTable(_Table):
    """One ``[[firestop]]``."""

    run: Text
    system: Text
    at: NotNegative | None = None


class PanelTable(_Table):
    """One ``[[panel]]``."""

    layer: Text | None = None
    handle: Text | None = None
    front: Annotated[Text, one_of(FRONTS)] | None = None
    volts_to_ground: Positive | None = None
    condition: Annotated[int, Field(ge=1, le=3, strict=True)] | None = None
    width: Positive | None = None
    height: Positive | None = None
    floor: Number | None = None

    @model_validator(mode="after")
    def _named(self) -> PanelTable:
        if self.layer is None and self.handle is None:
            raise ValueError("a panel is named by the 'layer' or the 'handle' of its cabinet")
        return self


class SettingsTable(_Table):
    """``[settings]``; what is not said keeps the default of ``route3d.model.job.Settings``."""

    attach: NotNegative | None = None
    strap_reach: NotNegative | None = None
    chord_tolerance: Positive | None = None
    bend_target: Annotated[Number, Field(ge=1)] | None = None
    bore_length: NotNegative | None = None
    deck: Annotated[Text, one_of(DECKS)] | None = None
    deck_slab: NotNegative | None = None
    hole_allowance: NotNegative | None = None
    bundle_spacing: NotNegative | None = None


class RoutingTable(_Table):
    """``[routing]``; what is not said keeps the default of ``route3d.model.routing.Routing``."""

    turn: NotNegative | None = None
    hole: NotNegative | None = None
    unheld: NotNegative | None = None
    zone: NotNegative | None = None
    alternatives: Annotated[int, Field(ge=1, le=9, strict=True)] | None = None
    rise: NotNegative | None = None
    drop: NotNegative | None = None
    aside: NotNegative | None = None


class TakeOffRunTable(_Table):
    """One ``[takeoff.run."ID"]``: what is special about one run."""

    start: NotNegative | None = None
    end: NotNegative | None = None
    slack: NotNegative | None = None
    sag: Share | None = None
    waste: Share | None = None
    feeder: Flag | None = None
    pull_from: Literal["start", "end"] | None = None
    storey: Text | None = None
    group: Text | None = None


class TakeOffTable(_Table):
    """``[takeoff]``; what is not said keeps the default of ``route3d.model.allowance.TakeOffSettings``."""

    free_conductor: NotNegative | None = None
    conductors: dict[End, NotNegative] = {}
    sheath: dict[End, NotNegative] = {}
    slack: dict[End, NotNegative] = {}
    sag: Share | None = None
    waste: Share | None = None
    feeder_waste: Share | None = None
    feeder_extra: NotNegative | None = None
    round_up: Positive | None = None
    reusable: NotNegative | None = None
    storeys: dict[Text, Number] = {}
    run: dict[Text, TakeOffRunTable] = {}


class CoilTable(_Table):
    """One ``[[coil]]``."""

    cable: Text
    length: Positive
    count: Count | None = None
    cost: NotNegative | None = None
    offcut: Text | None = None

    @model_validator(mode="after")
    def _consistent(self) -> CoilTable:
        if self.offcut is not None and self.cost is not None:
            raise ValueError("an offcut is at hand, so it has no 'cost'")
        return self


class ProjectTable(_Table):
    """A whole project file."""

    name: Text = "unnamed project"
    rules: Text = "nec-2023"
    units: Unit = "mm"
    frame: Literal["local", "map", "file"] = "local"
    occupancy: Literal["other", "dwelling"] = "other"
    checks: Annotated[list[Annotated[Text, one_of(CHECKS)]], Field(min_length=1)] | None = None
    model: list[ModelTable] = []
    routes: list[RoutesTable] = []
    run: list[RunTable] = []
    cable: dict[Text, CableTable] = {}
    zone: list[ZoneTable] = []
    clearance: dict[Annotated[Text, one_of(ROLES)], NotNegative] = {}
    framing: dict[Text, Annotated[Text, one_of(MATERIALS)]] = {}
    firestop: list[FireStopTable] | None = None
    panel: list[PanelTable] = []
    settings: SettingsTable = SettingsTable()
    routing: RoutingTable = RoutingTable()
    takeoff: TakeOffTable = TakeOffTable()
    coil: list[CoilTable] = []


def project_path(given: Path) -> Path:
    """Return the project file that ``given`` means: itself, or the one in that folder.

    Raises
    ------
    UnreadableFileError
        There is none.
    """
    try:
        path = given / PROJECT_FILE if given.is_dir() else given
        there = path.is_file()
    except OSError as error:  # a name that is too long, a folder that may not be looked into
        raise UnreadableFileError(given, f"cannot be looked at ({why(error)}); check name and rights") from error
    if not there:
        raise UnreadableFileError(
            given, f"no {PROJECT_FILE} here; name a project file or its folder, or make one with `route3d init`"
        )
    return path


def parse_project(text: str, file: str) -> ProjectTable:
    """Return the checked tables of a project file.

    Raises
    ------
    ProjectKeyError
        A key is not known, or a value is not allowed; the message names the key and the nearest known one.
    """
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also numbers of thousands of digits, and lists in lists in lists
        raise ProjectKeyError(file, f"is not a TOML file: {one_line(error)}") from error
    try:
        return ProjectTable.model_validate(tables)
    except ValidationError as error:
        raise _translated(error, tables, file) from error


def read_project_file(path: Path) -> ProjectTable:
    """Return the checked tables of the project file at ``path``; errors as ``parse_project``, and unreadable files."""
    text = read_text(path, MOST_BYTES)
    return parse_project(text, path.name)


def _translated(error: ValidationError, tables: Mapping[str, Any], file: str) -> ProjectKeyError:
    """Turn the first complaint of the validation library into one sentence about one key."""
    first = error.errors(include_url=False)[0]
    place = tuple(part for part in first["loc"] if part != "[key]")
    where = _spoken_place(place, tables)
    kind = first["type"]
    if kind == "extra_forbidden":
        known = _known_keys(place)
        return ProjectKeyError(file, f"is not a known key.{nearest(str(place[-1]), known)}", where)
    if kind == "missing":
        return ProjectKeyError(file, "is missing", where)
    if kind == "value_error":
        return ProjectKeyError(file, one_line(first["ctx"]["error"]), where)
    message = first["msg"]
    return ProjectKeyError(file, f"{message[0].lower()}{message[1:]}, not {short(first['input'])}", where)


def _spoken_place(place: tuple[int | str, ...], tables: Mapping[str, Any]) -> str:
    """``('run', 3, 'path', 2)`` -> ``run 'L1-LTG-04' path[2]``."""
    spoken = ""
    node: Any = tables
    for part in place:
        if isinstance(part, int):
            node = node[part] if isinstance(node, list) and part < len(node) else None
            label = node.get("id", node.get("name", node.get("file"))) if isinstance(node, dict) else None
            spoken += f" {label!r}" if isinstance(label, str) else f"[{part + 1}]"
        else:
            node = node.get(part) if isinstance(node, dict) else None
            spoken += f".{part}" if spoken and not spoken.endswith("'") else f" {part}" if spoken else part
    return spoken if spoken else "the file"


def _known_keys(place: tuple[int | str, ...]) -> list[str]:
    """Return the keys allowed where the unknown key at the end of ``place`` stands."""
    table: type[BaseModel] = ProjectTable
    for part in place[:-1]:
        field = table.model_fields.get(str(part))
        if field is not None:
            inner = _table_in(field.annotation)
            table = table if inner is None else inner
    return list(table.model_fields)


def _table_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for arg in get_args(annotation) if (found := _table_in(arg)) is not None), None)
